"""How every answer leaves the program: words or JSON on the terminal, a folder where asked."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from lanes.errors import InputError

if TYPE_CHECKING:
    from lanes.report.answer import AnswerReport

MEASURES = """\
Heights count from the plate's lower edge, x from its left edge. What is not given is looked for;
what can't be found with confidence is asked for.
"""


def output_options(parser: argparse.ArgumentParser, name: str) -> None:
    """Add --out, --force and --json for the answer called `name`."""
    parser.add_argument("--out", metavar="DIR", help="folder to write figure, page and JSON to")
    parser.add_argument("--force", action="store_true",
                        help="replace DIR where an earlier answer made it")
    parser.add_argument("--json", action="store_true", help=f"print {name}.json instead of words")


def refuse_early(arguments: argparse.Namespace, *sources: str | None) -> None:
    """Refuse a folder that can't be written before any work is done; `sources` will be read."""
    if arguments.out is None and arguments.force:
        raise InputError("--force is about the folder that --out writes: give --out DIR too")
    if arguments.out is not None:
        if not arguments.out.strip():
            raise InputError("--out is empty: give a folder to make")
        from lanes.report.folder import refuse_existing

        refuse_existing(arguments.out, arguments.force, [each for each in sources if each])


def deliver(arguments: argparse.Namespace, report: AnswerReport) -> None:
    """Print the answer, and write its folder where one was asked for."""
    report = replace(report, command=_asked(getattr(arguments, "words", [])))
    if arguments.out is not None:
        from lanes.report.answer import write_answer

        write_answer(report, arguments.out, arguments.force)
    if arguments.json:
        sys.stdout.write(report.json().decode("utf-8"))
        return
    sys.stdout.write(report.text())
    if arguments.out is not None:
        print(f"\nwritten to {Path(arguments.out)}: open {report.name}.html")


def _asked(words: Sequence[str]) -> str:
    """Return the command as typed, but for where its answer went and where its files lie."""
    kept, skip = ["lanes"], False
    for word in words:
        if skip or word in ("--out", "--force", "--json") or word.startswith("--out="):
            skip = word == "--out" and not skip
            continue
        kept.append("=".join(_name(part) for part in word.split("=")))
    return shlex.join(kept) if words else ""


def _name(word: str) -> str:
    """Return the file's name alone of a path from the root, which is nobody else's business."""
    return Path(word).name if Path(word).is_absolute() else word


def progress(what: str) -> Callable[[int, int], None] | None:
    """Return what prints on the terminal how far the work is; None where nobody watches.

    The line, `what` and "2 of 4", is written over itself and goes when all is done.
    """
    def line(done: int, whole: int) -> None:
        text = f"{what} {done} of {whole}" if done < whole else ""
        print(f"\r{text:30}" + ("" if text else "\r"), end="", file=sys.stderr, flush=True)

    return line if sys.stderr.isatty() else None

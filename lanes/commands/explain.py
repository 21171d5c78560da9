"""`lanes explain`: what a remark means and what to do about it, or what a JSON file holds."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path

from lanes.commands.keys import KEYS, described
from lanes.errors import InputError, one_line
from lanes.flags import REGISTRY, Kind

HELP = "what a remark means and what to do, or what a JSON file holds"
DESCRIPTION = ("Explain a remark that a reading or an answer carries, or list the keys of a JSON\n"
               "file; without a word, every remark.")
WIDTH = 88  # columns of the text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("word", nargs="?", metavar="REMARK|NAME.json",
                        help="a remark such as merged, or a file such as reading/purity.json")


def run(arguments: argparse.Namespace) -> None:
    """Print the explanation."""
    word = arguments.word
    name = "" if word is None else Path(word).name.removesuffix(".json")
    if word is None:
        print("\n".join(map(_remark, REGISTRY.values())))
        print(f"\nlanes explain NAME.json lists a file's keys: {', '.join(KEYS)}.")
    elif word in REGISTRY:
        print(_remark(REGISTRY[word]))
    elif name in KEYS:
        print(textwrap.fill(described(name), WIDTH, break_long_words=False))
        print("\n[] marks a list, brackets hold the keys inside; unknown is null.")
    else:
        raise InputError(f"nothing is called {one_line(word)!r}: lanes explain lists every remark, "
                         f"and NAME.json one of {', '.join(KEYS)}")


def _remark(kind: Kind) -> str:
    lines = [f"{kind.name}: {kind.meaning}.", f"What to do: {kind.remedy}."]
    return "\n".join([
        textwrap.fill(lines[0], WIDTH, subsequent_indent="    ", break_on_hyphens=False),
        textwrap.fill(lines[1], WIDTH, initial_indent="    ", subsequent_indent="    "),
    ])

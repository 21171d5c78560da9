"""What every answer to a chemist's question is reported as: words, record, figure and page."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from itertools import groupby
from pathlib import Path
from typing import Any

from lanes.errors import one_line
from lanes.flags import Flag
from lanes.report.canvas import DPI
from lanes.report.folder import write_folder
from lanes.report.page import page, picture

NOT_MASS = (
    "Area percent is not mass percent: response differs between substances, the law bends small "
    "against large, and what does not stain, glow or quench is not seen."
)
RANGES = "Ranges are 95 % intervals."
NOT_VALIDATED = "Not validated for release, clinical or forensic decisions."


@dataclass(frozen=True)
class AnswerReport:
    """One answer, ready to be printed and written.

    Attributes
    ----------
    name : str
        The command's own word: names the files, and the folder's page.
    question, source : str
        What was asked, and of which lane and file.
    lines : sequence of str
        The plain answer, the short one first; lines that begin with a dash are a list.
    details : sequence of str
        Further lines for the terminal.
    record : mapping
        Plain values; unknown is None.
    draw : callable
        Returns the figure as PNG; called once, on first use.
    alt : str
        What the figure shows, for those who don't see it.
    width_px : int
        The figure's width in its own pixels.
    sections : sequence of str
        Pieces of the page, as HTML, after the figure.
    flags : sequence of Flag
    cautions : sequence of str
        What the answer must not be taken for.
    settings : str
        settings.toml of the reading it rests on.
    signal : str
        By which law and from which channel the signal is, as a sentence; empty for a bare trace.
    command : str
        What was typed, to ask the same again; empty where it was asked from Python.
    """

    name: str
    question: str
    source: str
    lines: Sequence[str]
    details: Sequence[str]
    record: Mapping[str, Any]
    draw: Callable[[], bytes]
    alt: str
    width_px: int
    sections: Sequence[str]
    flags: Sequence[Flag]
    cautions: Sequence[str]
    settings: str
    signal: str = ""
    command: str = ""

    @cached_property
    def figure(self) -> bytes:
        """Return the figure as PNG."""
        return self.draw()

    def text(self) -> str:
        """Return what the command prints: the answer, what it rests on, remarks, cautions."""
        lines = [*self.lines]
        if self.details:
            lines += ["", *self.details]
        if self.flags:
            lines += ["", *(f"{f.name}: {one_line(f.message)}" for f in self.flags)]
        basis = [self.signal] if self.signal else []
        return "\n".join([*lines, "", *basis, *self.cautions]) + "\n"

    def json(self) -> bytes:
        """Return the record as JSON: the same answer gives the same bytes."""
        values = plain({"schema": 1, **self.record, "flags": [
            {"name": f.name, "message": f.message} for f in self.flags]})
        text = json.dumps(values, ensure_ascii=False, allow_nan=False, indent=1)
        return (text + "\n").encode("utf-8")

    def html(self) -> bytes:
        """Return the page, one file."""
        first, *more = self.lines
        shown = picture(self.figure, self.alt, round(self.width_px * 96 / DPI), wide=True)
        words = ["<div>", *_paragraphs(more), "</div>"]
        beside = ['<div class="desk answer">', *words, shown, "</div>"]
        body = [
            f"<h1>{escape(first)}</h1>",
            f'<p class="quiet">{escape(self.question)} {escape(self.source)} '
            f"{escape(self.signal)}</p>",
            *(beside if more else [shown]),
            *self.sections,
        ]
        if self.flags:
            body += ["<h2>Remarks</h2>", *(
                f'<p><span class="flag">{escape(f.name)}</span> {escape(f.message)}</p>'
                for f in self.flags)]
        body += ["<h2>What these figures are not</h2>",
                 f"<p>{escape(' '.join(self.cautions))}</p>",
                 "<h2>To repeat</h2>"]
        if self.command:
            body.append(f"<pre>{escape(self.command)}</pre>")
        body += ['<p class="quiet">The settings of the reading, as settings.toml:</p>',
                 f"<pre>{escape(self.settings)}</pre>"]
        return page(one_line(first), body).encode("utf-8")


def _paragraphs(lines: Sequence[str]) -> list[str]:
    out = []
    for dashed, group in groupby(lines, key=lambda line: line.startswith("- ")):
        if dashed:
            out.append(f"<ul>{''.join(f'<li>{escape(line[2:])}</li>' for line in group)}</ul>")
        else:
            out += [f"<p>{escape(line)}</p>" for line in group]
    return out


def plain(value: Any) -> Any:
    """Return `value` with every number rounded to eight figures and the unknown as None."""
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    return float(f"{float(value):.8g}") + 0.0 if math.isfinite(value) else None


def write_answer(report: AnswerReport, out: str | Path, force: bool = False) -> None:
    """Write the folder `out`: NAME.json, NAME.png, NAME.html and settings.toml, whole or not.

    Raises
    ------
    OutputError
        If `out` exists and may not be replaced, or can't be written.
    """
    write_folder(out, {
        f"{report.name}.json": report.json(),
        f"{report.name}.png": report.figure,
        f"{report.name}.html": report.html(),
        "settings.toml": report.settings.encode("utf-8"),
    }, force)

"""A reading in a notebook: the plate and its table, as rich output."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lanes.reading import Reading


@dataclass(frozen=True)
class ReadingView:
    """A reading that a notebook shows as the plate beside its spots, and a terminal as a table."""

    reading: Reading

    def _repr_html_(self) -> str:
        return reading_html(self.reading)

    def __str__(self) -> str:
        from lanes.report.tables import text_table

        return text_table(self.reading)


def show(reading: Reading) -> ReadingView:
    """Return `reading` for display: in a notebook the plate and its table, printed the table.

    Parameters
    ----------
    reading : Reading
        As `lanes.measure` returns it; the plate is shown where it kept its picture.
    """
    return ReadingView(reading)


def reading_html(reading: Reading) -> str:
    """Return the plate and the table of spots as a piece of HTML, whole in itself."""
    from lanes.report.canvas import DPI
    from lanes.report.figures import plate_figure, plate_png
    from lanes.report.page import picture
    from lanes.report.spot_tables import spots_table

    out = spots_table(reading)
    if reading.layout is not None and reading.picture is not None:
        width = plate_figure(reading).get_figwidth() * DPI
        alt = "The plate with its lanes, lines and numbered spots"
        out.insert(0, picture(plate_png(reading), alt, round(width * 96 / DPI)))
    first, *rest = out
    return ('<div style="display:flex;flex-wrap:wrap;gap:2em">'
            f'{first}<div>{"".join(rest)}</div></div>')


def register() -> bool:
    """Let a running IPython show every reading so; return whether one runs."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    if shell is None:
        return False
    html = shell.display_formatter.formatters["text/html"]
    html.for_type_by_name("lanes.reading", "Reading", reading_html)
    return True

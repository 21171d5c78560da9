"""index.html: every plate in a line, what failed, and what repeats, in one file."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from lanes.many.across import ENOUGH_PLATES, Chart, Series
from lanes.many.chart import WIDTH, shown
from lanes.many.ledger import CHART_CSV, PLATES_CSV
from lanes.many.summary import Failure, Summary, counted
from lanes.many.work import THUMBNAIL
from lanes.report.canvas import DPI
from lanes.report.definitions import CAUTIONS
from lanes.report.digits import decimals_of, fixed, with_sd
from lanes.report.page import NUMBER, TEXT, WHOLE, page, picture, table


def index_html(
    out: Path, plates: Sequence[Summary], failed: Sequence[Failure], found: Sequence[Series],
    chart: bytes | None,
) -> bytes:
    """Return index.html.

    Parameters
    ----------
    out : Path
        The folder it stands in; the plates' thumbnails are taken from theirs.
    plates, failed : sequence
        In the order they are listed.
    found : sequence of Series
        What repeats across the plates; `chart` is its picture, None without one.
    """
    counts = ", ".join([
        counted(len(plates), "plate"), counted(sum(p.lanes for p in plates), "lane"),
        counted(sum(p.spots for p in plates), "spot"),
        *([f"{counted(len(failed), 'plate')} not read"] if failed else []),
    ])
    body = [
        "<h1>Plates</h1>", f'<p class="quiet">{counts}. Every spot is in '
        f'<a href="{PLATES_CSV}">{PLATES_CSV}</a>; a plate\'s name leads to its report.</p>',
        *_failed(failed), *_plates(out, plates), *_repeats(found, chart),
        "<h2>What these figures are not</h2>",
        *(f"<p><strong>{escape(title)}.</strong> {escape(text)}</p>" for title, text in CAUTIONS),
    ]
    return page("Plates", body).encode("utf-8")


def _failed(failed: Sequence[Failure]) -> list[str]:
    if not failed:
        return []
    rows = [(escape(one.folder), escape(one.file), escape(one.error)) for one in failed]
    return ["<h2>Plates that could not be read</h2>",
            table("Plates that could not be read", ("Plate", "File", "Why, and what mends it"),
                  [("", rows)])]


def _plates(out: Path, plates: Sequence[Summary]) -> list[str]:
    if not plates:
        return []
    rows = [(
        str(number), _thumbnail(out, one),
        f'<a href="{quote(one.folder)}/report.html">{escape(one.folder)}</a>',
        escape(one.headline) + (f"; the same scan as {escape(one.copy_of)}" if one.copy_of else ""),
        " ".join(_flag(name, count) for name, count in one.flags.items()),
    ) for number, one in enumerate(plates, 1)]
    return ["<h2>Plates that were read</h2>",
            table("Plates", ("", "Scan", "Plate", "Reading", "Flags"), [("", rows)],
                  (NUMBER, WHOLE, TEXT, WHOLE, TEXT))]


def _thumbnail(out: Path, one: Summary) -> str:
    try:
        data = (out / one.folder / THUMBNAIL).read_bytes()
    except FileNotFoundError:
        return ""
    text = base64.b64encode(data).decode("ascii")
    return f'<img alt="Plate {escape(one.folder)}" src="data:image/jpeg;base64,{text}">'


def _flag(name: str, count: int) -> str:
    times = f" × {count}" if count > 1 else ""
    return f'<span class="flag">{escape(name)}{times}</span>'


def _repeats(found: Sequence[Series], chart: bytes | None) -> list[str]:
    if not found:
        return []
    drawn = shown(found)
    left = "" if len(drawn) == len(found) else f"; the {len(drawn)} on most plates are drawn"
    out = [
        "<h2>What repeats across plates</h2>",
        "<p>Lanes of one name, plate by plate in the order of their names; a substance is the spot "
        f"in the same place among its lane's{left}. A square marks a value beyond the control "
        "limits, which are the mean ± 2.66 mean differences between successive plates: three "
        "standard deviations where nothing but chance moves the values.</p>",
    ]
    fewest = min(len(one.points) for one in found)
    if fewest < ENOUGH_PLATES:
        out.append(f"<p>Limits from fewer than {ENOUGH_PLATES} plates are provisional; here the "
                   f"fewest are {fewest}.</p>")
    if chart is not None:
        out.append(picture(chart, "Control charts of Rf and area percent over the plates",
                           round(WIDTH * 96 / DPI), wide=True))
    rows = [(escape(one.lane), str(one.number), str(len(one.points)),
             *_charted(one.rf, 3), *_charted(one.percent, 1)) for one in found]
    head = ("Lane", "Substance", "Plates", "Rf", "Limits", "Beyond", "Area&nbsp;%", "Limits",
            "Beyond")
    out += [table("What repeats across plates", head, [("", rows)], (TEXT, *[NUMBER] * 8)),
            '<p class="quiet">± is one standard deviation from plate to plate, by the mean '
            f'difference over 1.128. Every value is in <a href="{CHART_CSV}">{CHART_CSV}</a>.</p>']
    return out


def _charted(chart: Chart | None, places: int) -> Iterable[str]:
    if chart is None:
        return "", "", ""
    places = decimals_of(chart.sd) if chart.sd > 0 else places
    limits = f"{fixed(chart.lower, places)} to {fixed(chart.upper, places)}"
    return with_sd(chart.mean, chart.sd, places), limits, str(sum(chart.outside))

"""The report: one page that holds the whole reading and loads nothing from outside."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from html import escape
from pathlib import PurePath

from lanes.about import TEXTS
from lanes.flags import REGISTRY, Flag
from lanes.reading import LaneReading, Reading
from lanes.report.canvas import DPI
from lanes.report.definitions import CAUTIONS, DEFINITIONS, LAWS
from lanes.report.digits import figures, fixed
from lanes.report.figures import PLATE_FILE, lane_files
from lanes.report.page import WHOLE, page, picture, table
from lanes.report.spot_tables import further_table, pairs_table, spots_table
from lanes.report.tables import length_unit, no_spot
from lanes.spots.fit import Attempt, Fit

_LIGHTS = {
    "white": "white light",
    "254": "254 nm, quenching of the layer's glow",
    "366": "366 nm, fluorescence",
}


LISTED = 4  # of what was tried, the nearest to the trace
CLOSE_FIT = 0.999  # R², from which two figures of its difference from 1 need more decimals
_PAGE = 840.0  # CSS pixels of a printed page's height that a picture may take


def report_html(reading: Reading, pictures: Mapping[str, bytes] | None = None) -> bytes:
    """Return report.html.

    Parameters
    ----------
    reading : Reading
    pictures : mapping, optional
        PNG bytes by file name, as `lanes.report.figures.pictures` returns them; those missing
        are left out of the page.
    """
    pictures = pictures or {}
    file = PurePath(reading.source.file).name
    body = [
        *_top(reading, file),
        *_about(reading),
        *_plate_and_spots(reading, pictures),
        *_remarks(reading),
        *_lanes(reading, pictures),
        *further_table(reading),
        *pairs_table(reading),
        *_plate(reading),
        *_flags(reading),
        *_definitions(reading),
        *_repeat(reading, file),
        *_cautions(),
    ]
    return page(f"Reading of {file}", body).encode("utf-8")


def _law(reading: Reading) -> str | None:
    return None if reading.law is None else reading.law.replace("optical-", "optical ")


def _count(number: int, thing: str) -> str:
    return f"{number or 'no'} {thing}{'' if number == 1 else 's'}"


def _top(reading: Reading, file: str) -> list[str]:
    spots = sum(len(lane.spots) for lane in reading.lanes)
    law = _law(reading)
    summary = [
        f"{_count(len(reading.lanes), 'lane')}, {_count(spots, 'spot')}",
        _LIGHTS.get(reading.light or "", ""),
        f"signal by {LAWS[law].name.partition(': ')[2]}" if law in LAWS else law or "",
        f"{reading.channel} channel" if reading.channel else "",
    ]
    return [
        f"<h1>Reading of {escape(file)}</h1>",
        f'<p class="quiet">{escape(" · ".join(part for part in summary if part))}</p>',
        "<p>Estimates from one scan: not validated for release, clinical or forensic decisions.</p>"
        if reading.picture is not None or reading.layout is not None else
        "<p>Estimates from one trace: not validated for release, clinical or forensic "
        "decisions.</p>",
    ]


def _about(reading: Reading) -> list[str]:
    about = reading.settings.about
    rows = [(key.capitalize(), escape(text)) for key in TEXTS if (text := getattr(about, key))]
    rows += [
        (f"Lane {escape(lane.name)}, spot {number}", escape(name))
        for lane in reading.lanes
        for number, spot in enumerate(lane.spots, 1)
        if (name := about.name_at(lane.name, spot.rf)) is not None
    ]
    return [table("About", (), [("", rows)])] if rows else []


def _remarks(reading: Reading) -> list[str]:
    if not reading.flags:
        return []
    return [
        "<h2>Remarks on the whole reading</h2>",
        *(f"<p>{_mark(flag)} {escape(_sentence(flag.message))}</p>" for flag in reading.flags),
    ]


def _plate_and_spots(reading: Reading, pictures: Mapping[str, bytes]) -> list[str]:
    """Return the plate and its spots, side by side where there is room."""
    spots = spots_table(reading)
    if PLATE_FILE not in pictures:
        return spots
    plate = _picture(
        pictures[PLATE_FILE],
        "The plate squared up, with its lanes, origin line, solvent front and numbered spots; what "
        "is taken for pencil is tinted",
    )
    return ['<div class="desk">', plate, "<div>", *spots, "</div>", "</div>"]


def _plate(reading: Reading) -> list[str]:
    layout = reading.layout
    if layout is None:
        return []
    unit, places = ("mm", 1) if layout.scaled else ("px", 0)
    middle = layout.width / 2
    rows = [
        ("Size", f"{fixed(layout.width, places)} × {fixed(layout.height, places)} {unit}"),
        ("Origin line", _height(float(layout.origin.at(middle)), places, unit)),
        ("Solvent front", _height(float(layout.front.at(middle)), places, unit)),
    ]
    found = ", ".join(f"{name} {fixed(layout.found[name], 2)}" for name in sorted(layout.found))
    rows.append(("Found by the program, with confidence", found or "nothing: all was given"))
    return ["<h2>Where the plate and its lines lie</h2>",
            table("Plate", (), [("", [(escape(a), escape(b)) for a, b in rows])])]


def _height(value: float, places: int, unit: str) -> str:
    return f"{fixed(value, places)} {unit} above the lower edge"


def _lanes(reading: Reading, pictures: Mapping[str, bytes]) -> list[str]:
    out = ["<h2>Lanes</h2>"]
    if pictures:
        strip = "the lane cut from the scan and turned so that Rf runs left to right; "
        if reading.picture is None:
            strip = ""
        out.append(
            f'<p class="quiet">Each picture shows, from the top: {strip}the trace less its '
            "background, with every spot and their sum; and the residual beside the noise.</p>"
        )
    unit = length_unit(reading)
    for lane, file in zip(reading.lanes, lane_files(reading), strict=True):
        role = f" ({escape(lane.role)})" if lane.role else ""
        out += ['<div class="whole">', f"<h3>Lane {escape(lane.name)}{role}</h3>"]
        if file in pictures:
            text = f"Trace, fitted spots and residuals of lane {lane.name}"
            out.append(_picture(pictures[file], text, wide=True))
        out += [f"<p>{escape(_fit_in_words(lane, unit))}</p>"]
        out += [f"<p>{_mark(flag)} {escape(_sentence(flag.message))}</p>" for flag in lane.flags]
        out += [
            f"<p>{_mark(flag)} {escape(_sentence(f'spot {number}: {flag.message}'))}</p>"
            for number, spot in enumerate(lane.spots, 1)
            for flag in spot.flags
        ]
        out.append("</div>")
    return out


def _fit_in_words(lane: LaneReading, unit: str) -> str:
    """Return how the lane was fitted, in a few sentences."""
    fit, noise = lane.fit, lane.noise.local
    area = f"signal × {unit}²"
    limit = _sentence(no_spot(lane, area)) if not lane.spots else ""
    if lane.spots and lane.limit is not None:
        limit = f"A further spot of {figures(lane.limit, 2)} {area} is found half of the time."
    scores = [f"R² {_rsquared(fit.r_squared)}"] if fit.r_squared is not None else []
    if fit.reduced_chi_square is not None:
        scores.append(f"reduced χ² {figures(fit.reduced_chi_square)}")
    count = len(fit.components)
    parts = [
        f"The trace was fitted with {_count(count, 'spot')}"
        + (f" on a {fit.baseline_order} baseline" if fit.baseline_order != "none" else "")
        + (f" ({', '.join(scores)})." if scores else "."),
        _choice_in_words(fit),
        limit,
        f"The noise is {figures(noise.sd, 2)} signal × {unit} (judged from {noise.source}) and "
        f"correlated over {figures(noise.correlation_mm, 2)} {unit}.",
    ]
    return " ".join(part for part in parts if part)


def _choice_in_words(fit: Fit) -> str:
    """Return what was tried, which of it was taken, and why."""
    refused = "More spots were refused where one misshapen spot could be them."
    if len(fit.tried) < 2:
        return refused if fit.refused else ""
    best = sorted(fit.tried, key=lambda attempt: attempt.bic)
    tried = "; ".join(map(_attempt, best[:LISTED]))
    if len(best) > LISTED:
        tried += f"; and {len(best) - LISTED} more, which are in results.json"
    words = f"Tried, with the BIC (lower is nearer the trace): {tried}."
    taken = next((attempt for attempt in best if attempt.bic == fit.bic), None)
    if taken is None:
        return words
    if taken is best[0]:
        return f"{words} The lowest was taken.{f' {refused}' if fit.refused else ''}"
    return (f"{words} Taken was {_attempt(taken)}: those of a lower BIC hold spots that could be "
            "parts of one misshapen spot, or that look like no spot across the lane.")


def _attempt(attempt: Attempt) -> str:
    shape = attempt.shape.removeprefix("gaussian")
    return f"{_count(attempt.components, 'spot')}{shape} ({fixed(attempt.bic, 1)})"


def _rsquared(value: float) -> str:
    """A good fit's R² differs from 1 late: show two figures of the difference."""
    return fixed(value, 4) if value < CLOSE_FIT else fixed(value, 6)


def _flags(reading: Reading) -> list[str]:
    carried: dict[str, list[str]] = {}

    def carry(flags: Iterable[Flag], place: str) -> None:
        for flag in flags:
            places = carried.setdefault(flag.name, [])
            if place not in places:
                places.append(place)

    carry(reading.flags, "the reading")
    for lane in reading.lanes:
        carry(lane.flags, f"lane {lane.name}")
        for number, spot in enumerate(lane.spots, 1):
            carry(spot.flags, f"lane {lane.name} spot {number}")
    if not carried:
        return []
    rows = [
        (
            _name(name),
            escape(", ".join(carried[name])),
            escape(_sentence(kind.meaning)),
            escape(_sentence(kind.remedy)),
        )
        for name, kind in REGISTRY.items()
        if name in carried
    ]
    head = ("Flag", "Where", "Cause", "Remedy")
    return [
        "<h2>What the flags mean</h2>",
        table("Flags", head, [("", [row]) for row in rows], (WHOLE,)),
    ]


def _definitions(reading: Reading) -> list[str]:
    law = _law(reading)
    listed = ([LAWS[law]] if law in LAWS else []) + list(DEFINITIONS)
    out = ["<h2>How each figure is defined</h2>", "<dl>"]
    for entry in listed:
        out.append(
            f'<div><dt>{escape(entry.name)}</dt><dd class="formula">{escape(entry.formula)}</dd>'
            f"<dd>{escape(entry.meaning)}</dd>"
            f'<dd class="quiet">Source: {escape(entry.source)}.</dd></div>'
        )
    return [*out, "</dl>"]


def _repeat(reading: Reading, file: str) -> list[str]:
    source = reading.source
    facts = [
        f"{source.width_px} × {source.height_px} px" if source.width_px else "",
        f"{source.bits} bits" if source.bits else "",
        source.mode or "",
        f"{figures(source.dpi)} dpi" if source.dpi else "",
        f"transfer {source.transfer}" if source.transfer else "",
    ]
    details = f" ({joined})" if (joined := ", ".join(filter(None, facts))) else ""
    return [
        "<h2>To repeat the reading</h2>",
        f"<p>Read {escape(file)}{escape(details)} with these settings, which are "
        "also in settings.toml. What is not set is decided from the scan.</p>",
        f"<pre>{escape(reading.settings.to_toml())}</pre>",
        f'<p class="quiet">SHA-256 of the file: <span class="hash">{escape(source.sha256)}</span>'
        "</p>",
    ]


def _cautions() -> list[str]:
    entries = (
        f"<div><dt>{escape(title)}</dt><dd>{escape(text)}</dd></div>" for title, text in CAUTIONS
    )
    return ["<h2>Cautions</h2>", "<dl>", *entries, "</dl>"]


def _picture(png: bytes, text: str, wide: bool = False) -> str:
    """Show a picture at its printed size, but no higher than a page.

    A PNG states its width and height from byte 16 on (ISO/IEC 15948, IHDR).
    """
    width, height = struct.unpack(">II", png[16:24])
    return picture(png, text, round(width * min(96 / DPI, _PAGE / height)), wide)


def _name(name: str) -> str:
    return f'<span class="flag">{escape(name)}</span>'


def _mark(flag: Flag) -> str:
    return _name(flag.name)


def _marks(flags: Iterable[Flag]) -> str:
    return " ".join(_mark(flag) for flag in flags)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".")) else ".")

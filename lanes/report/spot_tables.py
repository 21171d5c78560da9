"""A reading's spots and pairs as tables of the report page."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from lanes.flags import Flag
from lanes.reading import LaneReading, Reading
from lanes.report.digits import UNKNOWN, figures, fixed, show_rf
from lanes.report.page import NUMBER, WHOLE, table
from lanes.report.tables import (
    PLUS_MINUS,
    length_unit,
    next_pair,
    no_spot,
    percent_text,
    resolution_text,
    rf_text,
)
from lanes.spots.quantities import Spot


def spots_table(reading: Reading) -> list[str]:
    """Return what is asked first: Rf, area percent, resolution, narrow enough for a telephone."""
    unit = length_unit(reading)
    groups = []
    for lane in reading.lanes:
        title = f"Lane {escape(lane.name)}"
        if not lane.spots:
            title += f": <span>{escape(no_spot(lane, f'signal × {unit}²'))}</span>"
        groups.append((title, [_row(lane, index) for index in range(len(lane.spots))]))
    cells = (cell for _, rows in groups for row in rows for cell in row)
    unknown = f" {UNKNOWN} is not known." if any(UNKNOWN in cell for cell in cells) else ""
    return [
        table("Spots", ("Spot", "Rf", "Area&nbsp;%", "Rs to next", "S/N"), groups, [NUMBER] * 5),
        f'<p class="quiet">Numbered from the origin. {PLUS_MINUS}{unknown}</p>',
    ]


def _row(lane: LaneReading, index: int) -> tuple[str, ...]:
    spot = lane.spots[index]
    percent = _bracketed(percent_text(lane, spot))
    return (
        str(index + 1), rf_text(lane, index), percent + _under(spot.flags),
        _bracketed(resolution_text(next_pair(lane, index))), figures(spot.signal_to_noise),
    )  # fmt: skip


def _bracketed(text: str) -> str:
    """Return a cell whose bracket goes to a line of its own where there is little room."""
    value, bracket, rest = text.partition(" (")
    return f'{value} <span class="bracket">({rest}</span>' if bracket else text


def _under(flags: Iterable[Flag]) -> str:
    return "".join(f'<div><span class="flag">{escape(flag.name)}</span></div>' for flag in flags)


def further_table(reading: Reading) -> list[str]:
    """Return the spots' further figures: places and widths where there is a scale, and shape."""
    scaled = length_unit(reading) == "mm"
    coloured = any(spot.colour for lane in reading.lanes for spot in lane.spots)
    head = ("Spot", "Rf", *(("Distance, mm", "Width, mm") if scaled else ()), "Symmetry",
            "Plate number", *(("Colour",) if coloured else ()))
    groups = [
        (f"Lane {escape(lane.name)}", [
            (str(index + 1), rf_text(lane, index),
             *((fixed(spot.position_mm, 2), fixed(spot.width_mm, 2)) if scaled else ()),
             fixed(spot.asymmetry, 2), figures(spot.plate_number),
             *((_swatch(spot),) if coloured else ()))
            for index, spot in enumerate(lane.spots)])
        for lane in reading.lanes if lane.spots
    ]
    if not groups:
        return []
    return [
        "<h2>The spots' further figures</h2>",
        '<p class="quiet">Areas, heights and every digit are in spots.csv.</p>',
        table("Further figures of the spots", head, groups, [NUMBER] * len(head)),
    ]


def _swatch(spot: Spot) -> str:
    if spot.colour is None:
        return UNKNOWN
    return (f'<span title="{spot.colour}" style="background:{spot.colour};border:1px solid">'
            f"&emsp;</span> {spot.colour_name}")


def pairs_table(reading: Reading) -> list[str]:
    """Return how far neighbouring spots are apart."""
    groups = [
        (
            f"Lane {escape(lane.name)}",
            [
                (
                    f"{pair.lower + 1} and {pair.upper + 1}",
                    show_rf(pair.delta_rf, more=1),
                    resolution_text(pair),
                    fixed(pair.valley_to_peak, 2),
                )
                for pair in lane.pairs
            ],
        )
        for lane in reading.lanes
        if lane.pairs
    ]
    if not groups:
        return []
    head = ("Spots", "ΔRf", "Resolution Rs", "Valley / peak")
    return [
        "<h2>Neighbouring spots</h2>",
        '<p class="quiet">A valley / peak of 1 means that no valley divides the two. '
        "Every other pair is in pairs.csv.</p>",
        table("Pairs", head, groups, (WHOLE, NUMBER, NUMBER, NUMBER)),
    ]

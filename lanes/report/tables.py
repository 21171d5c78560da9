"""A reading as tables: CSV for other programs, plain text for a terminal."""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterable, Sequence

import numpy as np

from lanes.errors import one_line
from lanes.flags import Flag
from lanes.reading import LaneReading, Reading
from lanes.report.digits import (
    UNKNOWN,
    figures,
    known,
    percent_with_sd,
    rf_more,
    show_rf,
    with_sd,
)
from lanes.spots.quantities import Pair, Spot, pair

_SPOT = (
    "rf", "rf_sd", "hrf", "position_mm", "area", "area_sd", "area_percent", "area_percent_sd",
    "height", "width_mm", "sigma_mm", "asymmetry", "plate_number", "signal_to_noise",
    "rf_sd_noise", "area_sd_noise", "area_percent_sd_noise",
)  # fmt: skip
SPOT_COLUMNS = ("lane", "role", "spot", *_SPOT, "colour", "colour_name", "flags")
PAIR_COLUMNS = (
    "lane", "lower_spot", "upper_spot", "neighbours",
    "delta_rf", "resolution", "resolution_sd", "valley_to_peak",
    "resolution_sd_noise",
)  # fmt: skip
TRACE_COLUMNS = ("lane", "position_mm", "rf", "signal", "background", "model", "usable")


_FORMULA = "=+-@\uff1d\uff0b\uff0d\uff20"  # also as full-width characters


def spots_csv(reading: Reading) -> bytes:
    """Return spots.csv: one row a spot, numbered from 1 at the origin; unknown cells are empty."""
    return _csv(
        SPOT_COLUMNS,
        (
            [
                as_text(lane.name), as_text(lane.role or ""), number,
                *(_cell(getattr(spot, k)) for k in _SPOT),
                spot.colour or "", spot.colour_name or "",
                " ".join(flag.name for flag in spot.flags),
            ]
            for lane in reading.lanes
            for number, spot in enumerate(lane.spots, 1)
        ),
    )


def pairs_csv(reading: Reading) -> bytes:
    """Return pairs.csv: every pair of a lane, its spots numbered as in spots.csv."""
    return _csv(
        PAIR_COLUMNS,
        (
            [
                as_text(lane.name), both.lower + 1, both.upper + 1,
                "yes" if both.upper - both.lower == 1 else "no", _cell(both.delta_rf),
                _cell(both.resolution), _cell(both.resolution_sd), _cell(both.valley_to_peak),
                _cell(both.resolution_sd_noise),
            ]
            for lane in reading.lanes
            for both in every_pair(lane)
        ),
    )


def traces_csv(reading: Reading) -> bytes:
    """Return traces.csv: one row a sample.

    `background` is the layer's with the baseline fitted beside the spots; `model` is that
    background with the spots on it. So signal - model is the residual, model - background the
    spots alone.
    """
    return _csv(TRACE_COLUMNS, itertools.chain.from_iterable(map(_trace_rows, reading.lanes)))


def _trace_rows(lane: LaneReading) -> Iterable[list[object]]:
    trace = lane.trace
    columns = (
        trace.position,
        trace.rf,
        trace.signal,
        lane.background + lane.fit.baseline,
        lane.background + lane.fit.model,
    )
    scaled, name = lane.run_mm is not None, as_text(lane.name)
    for sample, usable in zip(np.column_stack(columns).tolist(), trace.usable, strict=True):
        position, *values = map(_cell, sample)
        yield [name, position if scaled else "", *values, "yes" if usable else "no"]


def every_pair(lane: LaneReading) -> list[Pair]:
    """Return every pair of `lane`'s spots: its neighbours as they are, the others worked out."""
    neighbours = {(each.lower, each.upper): each for each in lane.pairs}
    return [
        neighbours.get((i, j)) or pair(lane.fit, i, j, lane.trace.run, lane.trace.blur)
        for i, j in itertools.combinations(range(len(lane.spots)), 2)
    ]


def _cell(value: float | None) -> str:
    """Eight significant figures, as in results.json; empty where unknown."""
    return "" if value is None or not math.isfinite(value) else repr(float(f"{value:.8g}") + 0.0)


def as_text(words: str) -> str:
    """Return `words` so that a spreadsheet shows them and never takes them for a formula.

    A cell that begins with = + - @, or a tab may be run when the table is opened
    (common practice); an apostrophe before it makes it text.

    >>> as_text("rxn 2"), as_text("=1+1"), as_text("  @x")
    ('rxn 2', "'=1+1", "'  @x")
    """
    starts = words[:1] == "\t" or words.lstrip()[:1] in tuple(_FORMULA)
    words = words.replace("\r", " ").replace("\n", " ")  # a row is a line
    return f"'{words}" if starts else words


def _csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def length_unit(reading: Reading) -> str:
    """Return the unit of this reading's lengths: mm, or px or units where there is no scale."""
    if all(lane.run_mm is not None for lane in reading.lanes):
        return "mm"
    return "px" if reading.layout is not None else "units"


def no_spot(lane: LaneReading, unit: str) -> str:
    """Return what to say of a lane without spots; `unit` is that of an area."""
    if not known(lane.limit):
        return "no spot found; how small a spot would have been found is not known"
    return f"no spot above {figures(lane.limit, 2)} {unit}"


def rf_text(lane: LaneReading, index: int) -> str:
    """Return the Rf of spot `index` of `lane`, with decimals enough to distinguish it."""
    spot = lane.spots[index]
    return show_rf(spot.rf, spot.rf_sd, rf_more([each.rf for each in lane.spots], index))


def percent_text(lane: LaneReading, spot: Spot) -> str:
    """Return area percent with its standard deviation; a lone spot is 100 by definition."""
    if len(lane.spots) == 1:
        unread = any(flag.name == "spot-unread" for flag in lane.flags)
        return f"100 (only one {'read' if unread else 'found'})"
    return percent_with_sd(spot.area_percent, spot.area_percent_sd, spot.area_percent_sd_noise)


def resolution_text(both: Pair | None) -> str:
    """Return a pair's resolution with its standard deviation; empty for no pair."""
    if both is None:
        return ""
    return with_sd(both.resolution, both.resolution_sd, 2, both.resolution_sd_noise)


def next_pair(lane: LaneReading, index: int) -> Pair | None:
    """Return the pair of spot `index` and the one above it."""
    above = (both for both in lane.pairs if (both.lower, both.upper) == (index, index + 1))
    return next(above, None)


# What stands under every table with Rf in it.
PLUS_MINUS = ("± is one standard deviation, every doubt counted (a range where that would pass 0 "
              "or 100 %); in brackets, the noise alone. An Rf without ± is sure to half of its "
              "last digit.")


def text_table(reading: Reading) -> str:
    """Return the reading as a table for a terminal, with a final line break.

    One line a spot: Rf and area percent with one standard deviation, resolution to the next
    spot, signal to noise, and the names of the flags. Remarks on lanes and plate follow.
    """
    unit = f"signal x {length_unit(reading)}^2"
    head = ["lane", "spot", "Rf", "area %", "Rs to next", "S/N", "flags"]
    lines = [head]
    spoken: dict[int, str] = {}
    for lane in reading.lanes:
        if not lane.spots:
            spoken[len(lines)] = no_spot(lane, unit)
            lines.append([one_line(lane.name)] + [""] * 6)
        for index, spot in enumerate(lane.spots):
            lines.append([
                one_line(lane.name), str(index + 1), rf_text(lane, index), percent_text(lane, spot),
                resolution_text(next_pair(lane, index)), figures(spot.signal_to_noise),
                " ".join(flag.name for flag in spot.flags),
            ])  # fmt: skip
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    text = []
    for number, line in enumerate(lines):
        cells = [
            cell.rjust(width) if i in (1, 5) else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        if number in spoken:
            cells[1:] = [spoken[number]]
        text.append("  ".join(cells).rstrip())
    text += ["", PLUS_MINUS]
    if reading.law is not None:
        law = reading.law.replace("optical-", "optical ")
        text.append(f"The signal is by {law}, from channel {reading.channel}.")
    if any(UNKNOWN in cell for line in lines[1:] for cell in line[2:6]):
        text.append(f"{UNKNOWN} is not known.")
    for lane in reading.lanes:
        text += [f"lane {one_line(lane.name)}: {_spoken(flag)}" for flag in lane.flags]
    text += [_spoken(flag) for flag in reading.flags]
    return "\n".join(text) + "\n"


def _spoken(flag: Flag) -> str:
    return f"{flag.name}: {one_line(flag.message)}"

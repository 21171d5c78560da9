"""One substance on many plates: how well its Rf repeats, and how its share of the area goes.

An individuals control chart: the limits are the mean less and plus 2.66 mean moving ranges
(NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, after Shewhart; from memory).
"""

from __future__ import annotations

import csv
import io
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from lanes.report.tables import as_text

# d2, the mean range of two values of a normal law over its standard deviation (2 / sqrt(pi)), with
# the four figures of the tables; three standard deviations make 3 / 1.128 = 2.66.
D2 = 1.128
# Two ranges are the least that show whether the second is like the first.
LEAST_PLATES = 3
LIMITS = 3.0  # standard deviations from a control chart's mean to its limits (common practice)
# Limits from fewer plates are provisional (common practice: 20 to 25).
ENOUGH_PLATES = 20
# The standard deviation of one Rf from plate to plate under one method (common practice: 0.01 to
# 0.02). It only decides which substance a spot is where a plate has more or fewer spots than usual.
PLATE_RF = 0.02
_REACH = 3.0 * PLATE_RF


@dataclass(frozen=True)
class Point:
    """One substance on one plate; a standard deviation is None where it is not known.

    `order` is the plate's number in the list of all, from 1.
    """

    plate: str
    order: int
    rf: float
    rf_sd: float | None
    percent: float | None
    percent_sd: float | None


@dataclass(frozen=True)
class Chart:
    """Mean, standard deviation from plate to plate, control limits, and who lies beyond them."""

    mean: float
    sd: float
    lower: float
    upper: float
    ranges: tuple[float | None, ...]
    outside: tuple[bool, ...]


@dataclass(frozen=True)
class Series:
    """One substance of one named lane over many plates.

    `number` counts the lane's substances from the origin. `percent` is None where the area percent
    says nothing: a lone spot has 100 of them by definition.
    """

    lane: str
    number: int
    points: tuple[Point, ...]
    rf: Chart
    percent: Chart | None


def control_chart(values: Sequence[float], low: float, high: float) -> Chart:
    """Return the individuals control chart of `values`, at least two, in their order.

    `low` and `high` are the least and the greatest that such a value can be: no limit lies beyond.
    """
    ranges = [abs(b - a) for a, b in pairwise(values)]
    mean = math.fsum(values) / len(values)
    sd = math.fsum(ranges) / len(ranges) / D2
    lower, upper = max(low, mean - LIMITS * sd), min(high, mean + LIMITS * sd)
    return Chart(mean, sd, lower, upper, (None, *ranges),
                 tuple(not lower <= value <= upper for value in values))


def named_lanes(record: Mapping[str, Any]) -> Iterable[tuple[str, list[Mapping[str, Any]]]]:
    """Yield the lanes of a record of results.json that someone named, with their spots.

    Lanes that are only numbered by the program are not the same on another plate.
    """
    named = record["settings"]["names"] is not None
    for place, lane in enumerate(record["lanes"], 1):
        if named or lane["name"] != str(place):
            yield lane["name"], lane["spots"]


@dataclass(frozen=True)
class _Lane:
    plate: str
    order: int
    spots: Sequence[Mapping[str, Any]]


def series_of(plates: Iterable[tuple[int, str, Mapping[str, Any]]]) -> tuple[Series, ...]:
    """Return every substance that stands in lanes of one name on `LEAST_PLATES` plates or more.

    Parameters
    ----------
    plates : iterable of (number, name, record)
        In their order; a record is the content of a results.json, `number` the plate's in the
        list of all.
    """
    lanes: dict[str, list[_Lane]] = defaultdict(list)
    for order, plate, record in plates:
        for name, spots in named_lanes(record):
            lanes[name].append(_Lane(plate, order, [s for s in spots if s["rf"] is not None]))
    out = []
    for name, found in lanes.items():
        if len(found) < LEAST_PLATES:
            continue
        places = matched([[s["rf"] for s in lane.spots] for lane in found])
        for number in range(max((len(p) for p in places), default=0)):
            points = tuple(_point(lane, at) for lane, place in zip(found, places, strict=True)
                           if (at := place[number]) is not None)
            if len(points) >= LEAST_PLATES:
                out.append(_series(name, number + 1, points))
    return tuple(out)


def _point(lane: _Lane, place: int) -> Point:
    spot = lane.spots[place]
    alone = len(lane.spots) == 1
    return Point(lane.plate, lane.order, spot["rf"], spot["rf_sd"], spot["area_percent"],
                 None if alone else spot["area_percent_sd"])


def _series(lane: str, number: int, points: tuple[Point, ...]) -> Series:
    percents = [p.percent for p in points if p.percent is not None]
    informative = len(percents) == len(points) and any(value != 100.0 for value in percents)
    return Series(lane, number, points, control_chart([p.rf for p in points], 0.0, 1.0),
                  control_chart(percents, 0.0, 100.0) if informative else None)


def matched(plates: Sequence[Sequence[float]]) -> list[tuple[int | None, ...]]:
    """Return which spot of each plate is which substance.

    Plates with the usual number of spots (the most common; of equally common ones the greater) say
    what the substances are: their first spot is the first substance, and so on, wherever it ran,
    since one that ran elsewhere is what a control chart is to show. On the others each substance
    takes the nearest spot within 0.06 Rf of its median, nearest pairs first.

    Parameters
    ----------
    plates : sequence of sequence of float
        The Rf of each plate's spots, rising.

    Returns
    -------
    list of tuple of int or None
        For each plate the place of each substance among its spots.

    >>> matched([[0.2, 0.5], [0.21, 0.52], [0.51]])
    [(0, 1), (0, 1), (None, 0)]
    """
    counts = Counter(len(rfs) for rfs in plates if rfs)
    if not counts:
        return [() for _ in plates]
    usual = max(counts, key=lambda count: (counts[count], count))
    middle = np.median([rfs for rfs in plates if len(rfs) == usual], axis=0).tolist()
    return [tuple(range(usual)) if len(rfs) == usual else _nearest(rfs, middle) for rfs in plates]


def _nearest(rfs: Sequence[float], middle: Sequence[float]) -> tuple[int | None, ...]:
    pairs = sorted((abs(rf - m), i, j) for i, m in enumerate(middle) for j, rf in enumerate(rfs))
    out: list[int | None] = [None] * len(middle)
    for apart, i, j in pairs:
        if apart <= _REACH and out[i] is None and j not in out:
            out[i] = j
    return tuple(out)


_VALUE = ("", "_sd", "_moving_range", "_mean", "_lower", "_upper", "_outside")
COLUMNS = ("lane", "substance", "plate",
           *(name + more for name in ("rf", "area_percent") for more in _VALUE))


def chart_csv(found: Sequence[Series]) -> bytes:
    """Return control-chart.csv: one row for each substance on each plate."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in found:
        for i, point in enumerate(one.points):
            writer.writerow([
                as_text(one.lane), one.number, as_text(point.plate),
                *_cells(point.rf, point.rf_sd, one.rf, i),
                *_cells(point.percent, point.percent_sd, one.percent, i),
            ])
    return text.getvalue().encode("utf-8")


def _cells(value: float | None, sd: float | None, chart: Chart | None, i: int) -> list[str]:
    rest: tuple[float | None, ...] = (None, None, None, None)
    if chart is not None:
        rest = chart.ranges[i], chart.mean, chart.lower, chart.upper
    outside = "" if chart is None else "yes" if chart.outside[i] else "no"
    return [*("" if v is None else repr(float(f"{v:.8g}")) for v in (value, sd, *rest)), outside]

"""How far is the reaction? The same spots in lanes of one reaction at several times."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lanes.answers.kinetics import Order, Point, first_order
from lanes.answers.tracks import Track, across, areas, track_near, tracks, unseen, width_of
from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.measuring import Plate, prepare, read_lane
from lanes.plate.layout import Lane
from lanes.reading import LaneReading
from lanes.settings import Settings

Floats = NDArray[np.float64]
Times = Sequence[float | None] | Mapping[str, float]

TWO_SIDED_95 = 1.96
# Any of many lanes may hold the greatest share: it must stand out at 99 %.
STANDS_OUT = 2.576 / TWO_SIDED_95


@dataclass(frozen=True)
class Level:
    """One spot's share in one lane, or the conversion there, in percent with a 95 % interval.

    `percent` is None where the spot was not found (`detected` is False): then `high` is the
    least that would have been found 95 % of the time. For a conversion it is `low`. An end is
    None where it is not known.
    """

    time: float
    percent: float | None
    low: float | None
    high: float | None
    detected: bool


@dataclass(frozen=True)
class Course:
    """One spot over time.

    `kind` is "starting material", "product", "intermediate", "consumed", "reference" or
    "no change seen".
    """

    rf: float
    kind: str
    levels: tuple[Level, ...]


@dataclass(frozen=True)
class Follow:
    """The answer, with the readings it was made from; all tuples by lane are in order of time.

    Attributes
    ----------
    times : tuple of float
    lanes : tuple of str
        Names; with the plate's number where there are several.
    unit : str
        Of time.
    courses : tuple of Course
        Spots from origin to front.
    start : int
        The starting material's place in `courses`.
    product : int or None
        The main product's; None where nothing grows.
    reference : int or None
        The internal reference's; None where shares are of the lane's total.
    conversion : tuple of Level
        1 less the starting material's share over its share in the first lane.
    points : tuple of Point
        What the rate was fitted to.
    order : Order
    alike : Order or None
        The same where starting material and products are taken to respond alike; None over a
        reference.
    flags : tuple of Flag
    readings : tuple of LaneReading
    tracks : tuple of Track
    """

    times: tuple[float, ...]
    lanes: tuple[str, ...]
    unit: str
    courses: tuple[Course, ...]
    start: int
    product: int | None
    reference: int | None
    conversion: tuple[Level, ...]
    points: tuple[Point, ...]
    order: Order
    alike: Order | None
    flags: tuple[Flag, ...]
    readings: tuple[LaneReading, ...]
    tracks: tuple[Track, ...]


def follow(
    sources: Sequence[str | Path], times: Times | None = None, settings: Settings | None = None,
    *, unit: str = "min", start: float | None = None, product: float | None = None,
    reference: float | None = None,
) -> Follow:
    """Return how the spots of one reaction change over the lanes of one plate or several.

    Parameters
    ----------
    sources : sequence of path
        Images of plates, their lanes one after another.
    times : sequence or mapping, optional
        A time for each lane, None for one to leave out; or times by the lanes' names. Without
        it, the times of `settings.lane`.
    settings : Settings, optional
        The same for every plate.
    unit : str
        Of time; only told.
    start, product, reference : float, optional
        Rf of the starting material (else the largest spot of the first lane), of the product
        (the largest that grows), and of an internal reference that every share is taken over.

    Returns
    -------
    Follow

    Raises
    ------
    InputError
        If times and lanes don't match, or no lane has a spot at an Rf given.
    LayoutError
        If a plate or its lanes are not found with confidence.
    """
    settings = settings or Settings()
    return answer([prepare(source, settings) for source in sources], times, unit=unit,
                  start=start, product=product, reference=reference)


def answer(
    plates: Sequence[Plate], times: Times | None = None, *, unit: str = "min",
    start: float | None = None, product: float | None = None, reference: float | None = None,
) -> Follow:
    """Return the answer for prepared plates; parameters are those of `follow`."""
    taken = timed(plates, times)
    read = [(time, name, plate, read_lane(plate, lane)) for time, name, plate, lane in taken]
    flags = [flag("no-spot", f"lane {name}, time {time:g}: nothing stands out of the noise, so it "
                  "is left out") for time, name, _, reading in read if not reading.spots]
    read = [one for one in read if one[3].spots]
    if len({time for time, *_ in read}) < 2:
        raise InputError("--times: spots are found at fewer than two times, so nothing can be "
                         "followed; apply more sample, or give more lanes a time")
    readings = [reading for *_, reading in read]
    found = tracks(readings)
    chosen = _chosen(found, readings, start, product, reference)
    table = _Table([plate for _, _, plate, _ in read], readings, found, chosen[2])
    flags += _bare(table, [name for _, name, *_ in read])
    whens = tuple(time for time, *_ in read)
    shares = [tuple(table.level(i, j, time) for j, time in enumerate(whens))
              for i in range(len(found))]
    kinds = _kinds(shares, chosen)
    grown = [i for i, kind in enumerate(kinds) if kind == "product"]
    made = chosen[1]
    if made is None and grown:
        made = max(grown, key=lambda i: shares[i][-1].percent or 0.0)
    first = chosen[0]
    mates = [i for i, kind in enumerate(kinds) if kind in ("product", "intermediate") or
             i == made or (kind == "no change seen" and not shares[i][0].detected)]
    points = tuple(table.point(first, mates, j, time) for j, time in enumerate(whens))
    total = chosen[2] is None
    present = total and any(
        time == 0.0 and any(shares[i][j].detected for i in mates)
        for j, time in enumerate(whens))
    order, alike = _ordered(points, mates, total, present)
    return Follow(
        whens, tuple(name for _, name, *_ in read), unit,
        tuple(Course(track.rf, kind, levels)
              for track, kind, levels in zip(found, kinds, shares, strict=True)),
        first, made, chosen[2], _conversion(shares[first]), points, order, alike,
        tuple(dict.fromkeys((*flags, *_flags(plates, read)))), tuple(readings), found,
    )


def timed(
    plates: Sequence[Plate], times: Times | None
) -> list[tuple[float, str, Plate, Lane]]:
    """Return (time, name, plate, lane) of every lane that has a time, in order of time."""
    lanes = [(plate, lane) for plate in plates for lane in plate.layout.lanes]
    several = len(plates) > 1
    labels = [f"{n}:{lane.name}" if several else lane.name
              for n, plate in enumerate(plates, 1) for lane in plate.layout.lanes]
    names = [lane.name for _, lane in lanes]
    listed = ", ".join(labels)
    if times is None:
        given: list[float | None] = [plate.settings.note(lane.name).time for plate, lane in lanes]
        if all(time is None for time in given):
            raise InputError("the lanes' times are not known: give --times T1,T2,... for lanes "
                             f"{listed}, or time = T below [lane.NAME] in settings.toml")
        if several:
            _once([n for n, time in zip(names, given, strict=True) if time is not None], names)
    elif isinstance(times, Mapping):
        for name in times:
            if name not in names:
                raise InputError(f"--times {name}: there is no such lane; the lanes are {listed}")
        _once(list(times), names)
        given = [times.get(name) for name in names]
    else:
        given = list(times)
        if len(given) != len(lanes):
            raise InputError(f"--times gives {len(given)} times for {len(lanes)} lanes ({listed}): "
                             "give one for each, blank for a lane to leave out, or NAME=TIME")
        for before, after in pairwise([time for time in given if time is not None]):
            if after < before:
                raise InputError(f"--times: {after:g} follows {before:g}, but times must rise from "
                                 "lane to lane: mend the order, or give NAME=TIME")
    out = []
    for time, label, (plate, lane) in zip(given, labels, lanes, strict=True):
        if time is None:
            continue
        if not math.isfinite(time) or time < 0:
            raise InputError(f"--times {time:g}: give times from zero on")
        out.append((float(time), label, plate, lane))
    if len({time for time, *_ in out}) < 2:
        raise InputError("--times: a reaction is followed over two times at least; give more")
    return sorted(out, key=lambda one: one[0])


def _once(given: list[str], names: list[str]) -> None:
    for name in given:
        if names.count(name) > 1:
            raise InputError(f"--times {name}: more than one plate has a lane of that name; give "
                             "the times of all lanes in order, without names")


def _chosen(
    found: Sequence[Track], readings: Sequence[LaneReading], start: float | None,
    product: float | None, reference: float | None,
) -> tuple[int, int | None, int | None]:
    """Return the places of starting material, product and reference among the tracks."""
    over = None if reference is None else track_near(found, reference, "--reference")
    made = None if product is None else track_near(found, product, "--product")
    if start is not None:
        first = track_near(found, start, "--start")
    else:
        free = [i for i, track in enumerate(found)
                if track.places[0] is not None and i not in (over, made)]
        if not free:
            raise InputError("the first lane holds no spot that could be the starting material: "
                             "name it with --start")
        first = max(free, key=lambda i: readings[0].spots[found[i].places[0] or 0].area)
    named = {"--start": first, "--product": made, "--reference": over}
    for (a, i), (b, j) in ((x, y) for n, x in enumerate(named.items())
                           for y in list(named.items())[n + 1:]):
        if i is not None and i == j:
            raise InputError(f"{a} and {b} name the same spot, at Rf {found[i].rf:.3f}: give two")
    if over is not None and found[over].places[0] is None:
        raise InputError(f"--reference {found[over].rf:.3f}: the first lane has no spot there, so "
                         "nothing can be taken over it")
    return first, made, over


class _Table:
    """Areas of the tracked spots in every lane, with covariances, and limits where missing."""

    def __init__(
        self, plates: Sequence[Plate], readings: Sequence[LaneReading], found: Sequence[Track],
        reference: int | None,
    ) -> None:
        self.found, self.reference = found, reference
        self.areas = [areas(reading) for reading in readings]
        self.limits: list[dict[int, float | None]] = []
        self.lone: list[float | None] = []
        spread = across(readings)
        widths = [width_of(track, readings) for track in found]
        for j, (plate, reading) in enumerate(zip(plates, readings, strict=True)):
            missing = [i for i, track in enumerate(found) if track.places[j] is None]
            wanted = [(found[i].rf, widths[i]) for i in missing]
            limits = dict(zip(missing, unseen(plate, reading, wanted, spread), strict=True))
            self.limits.append(limits)
            bound = None
            if len(reading.spots) == 1:
                known = [v for v in limits.values() if v is not None]
                bound = max(known, default=None)
                if not missing:
                    bound = unseen(plate, reading, [(_free(reading.spots[0].rf), widths[0])],
                                   spread)[0]
            self.lone.append(bound)

    def _weights(self, i: int, j: int, over: Sequence[int]) -> tuple[float, float | None]:
        """Return track `i` over the sum of the spots `over` in lane `j`, and its sd."""
        values, covariance = self.areas[j]
        place = self.found[i].places[j]
        assert place is not None
        total = float(values[list(over)].sum())
        share = float(values[place]) / total
        slope = np.zeros(values.size)
        slope[list(over)] -= share / total
        slope[place] += 1.0 / total
        if covariance is None:
            return share, None
        return share, math.sqrt(max(float(slope @ covariance @ slope), 0.0))

    def base(self, j: int) -> list[int] | None:
        """Return the spots of lane `j` that its shares are taken over; None where missing."""
        if self.reference is None:
            return list(range(self.areas[j][0].size))
        place = self.found[self.reference].places[j]
        return None if place is None else [place]

    def level(self, i: int, j: int, time: float) -> Level:
        """Return the share of track `i` in lane `j`."""
        over, place = self.base(j), self.found[i].places[j]
        if over is None:
            return Level(time, None, None, None, place is not None)
        total = float(self.areas[j][0][over].sum())
        if place is None:
            limit = self.limits[j][i]
            if limit is None:
                return Level(time, None, 0.0, None, False)
            whole = total + limit if self.reference is None else total
            return Level(time, None, 0.0, 100.0 * limit / whole, False)
        if self.reference is None and len(over) == 1:
            bound = self.lone[j]
            low = None if bound is None else 100.0 * total / (total + bound)
            return Level(time, 100.0, low, None if low is None else 100.0, True)
        share, sd = self._weights(i, j, over)
        if sd is None or i == self.reference:
            return Level(time, 100.0 * share, None, None, True)
        low, high = share - TWO_SIDED_95 * sd, share + TWO_SIDED_95 * sd
        most = 1.0 if self.reference is None else math.inf
        return Level(time, 100.0 * share, 100.0 * max(0.0, low), 100.0 * min(most, high), True)

    def point(self, first: int, mates: Sequence[int], j: int, time: float) -> Point:
        """Return what lane `j` says of the rate."""
        values, _ = self.areas[j]
        place = self.found[first].places[j]
        others = [p for i in mates if (p := self.found[i].places[j]) is not None]
        blank = Point(time, None, None)
        if self.reference is not None:
            over = self.base(j)
            if over is None:
                return blank
            if place is None:
                limit = self.limits[j][first]
                return blank if limit is None else Point(
                    time, None, None, at_most=limit / float(values[over[0]]))
            return Point(time, *self._weights(first, j, over))
        if place is not None and others:
            return Point(time, *self._weights(first, j, [place, *others]))
        if place is not None:
            known = [v for i in mates if (v := self.limits[j].get(i)) is not None]
            if not known:
                return blank
            area = float(values[place])
            return Point(time, None, None, at_least=area / (area + max(known)))
        limit = self.limits[j][first]
        if not others or limit is None:
            return blank
        return Point(time, None, None, at_most=limit / (float(values[others].sum()) + limit))


def _free(rf: float) -> float:
    return 0.25 if rf > 0.5 else 0.75


def _above(a: Level, b: Level, factor: float = 1.0) -> bool:
    """Return whether `a` is certainly more than `b`, as far as their intervals tell.

    Zou and Donner's interval of a difference (Statistics in Medicine 27, 1693 (2008), from
    memory): the two arms that point at each other add in squares.
    """
    if a.percent is None or a.low is None or b.high is None:
        return False
    least = b.percent or 0.0
    return a.percent - least > factor * math.hypot(a.percent - a.low, b.high - least)


def _kinds(
    shares: Sequence[tuple[Level, ...]], chosen: tuple[int, int | None, int | None]
) -> list[str]:
    out = []
    for i, levels in enumerate(shares):
        first, last = levels[0], levels[-1]
        top = max(levels, key=lambda level: level.percent or 0.0)
        if i == chosen[0]:
            kind = "starting material"
        elif i == chosen[2]:
            kind = "reference"
        elif _above(top, first, STANDS_OUT) and _above(top, last, STANDS_OUT):
            kind = "intermediate"
        elif i == chosen[1] or _above(last, first):
            kind = "product"
        elif _above(first, last):
            kind = "consumed"
        else:
            kind = "no change seen"
        out.append(kind)
    return out


def _conversion(levels: Sequence[Level]) -> tuple[Level, ...]:
    """Return 100 less each level over the first's, with its interval.

    The interval of a ratio whose parts have lopsided intervals of their own is Donner and Zou's
    (Statistical Methods in Medical Research 21, 347 (2012), from memory); for two normal ones it
    is Fieller's.
    """
    first = levels[0]
    out = []
    for level in levels:
        if level is first:
            out.append(Level(level.time, 0.0, 0.0, 0.0, True) if first.percent is not None
                       else Level(level.time, None, None, None, False))
            continue
        if first.percent is None or (level.detected and level.percent is None):
            out.append(Level(level.time, None, None, None, False))
            continue
        value = None if level.percent is None else 100.0 - 100.0 * level.percent / first.percent
        low, high = ratio_interval(level, first)
        out.append(Level(
            level.time, value, None if high is None else max(0.0, 100.0 - 100.0 * high),
            100.0 if value is None else None if low is None else min(100.0, 100.0 - 100.0 * low),
            level.detected))
    return tuple(out)


def ratio_interval(a: Level, b: Level) -> tuple[float | None, float | None]:
    """Return the 95 % interval of `a` over `b`; an end is None where it is not known."""
    x, y = a.percent or 0.0, b.percent or 0.0
    if a.low is None or a.high is None or b.low is None or b.high is None or b.low <= 0:
        return None, None
    floor, ceiling = b.high * (2*y - b.high), b.low * (2*y - b.low)
    if ceiling <= 0 or floor <= 0:
        return None, None
    under = (x*y - math.sqrt(max((x*y)**2 - a.low * (2*x - a.low) * floor, 0.0))) / floor
    over = (x*y + math.sqrt(max((x*y)**2 - a.high * (2*x - a.high) * ceiling, 0.0))) / ceiling
    return float(max(0.0, under)), float(over)


def _ordered(
    points: Sequence[Point], mates: Sequence[int], total: bool, present: bool
) -> tuple[Order, Order | None]:
    if not total:
        return first_order(points, shares=False), None
    if not mates:
        none = Order("cannot tell", "nothing grows beside the starting material, so its share "
                     "can't tell a rate; give --reference", None, 0, 0)
        return none, None
    return (first_order(points, shares=True, present=present),
            first_order(points, shares=True, present=present, alike=True))


def _bare(table: _Table, names: Sequence[str]) -> list[Flag]:
    return [flag("no-spot", f"lane {name}: the reference was not found, so its shares are unknown")
            for j, name in enumerate(names) if table.base(j) is None]


def _flags(
    plates: Sequence[Plate], read: Sequence[tuple[float, str, Plate, LaneReading]]
) -> list[Flag]:
    out = []
    for _, name, _, reading in read:
        out += [flag(f.name, f"lane {name}, Rf {spot.rf:.3f}: {f.message}")
                for spot in reading.spots for f in spot.flags
                if f.name in ("clipped", "merged", "no-uncertainty", "at-bound", "window-short")]
        out += [flag(f.name, f"lane {name}: {f.message}") for f in reading.flags]
    return [*out, *(f for plate in plates for f in plate.flags)]

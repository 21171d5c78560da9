"""A spot's share in each of several lanes, with intervals, and with limits where it is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np

from lanes.confidence import TWO_SIDED_95
from lanes.evidence.area_doubts import Otherwise, areas_otherwise
from lanes.evidence.lane_doubts import stands_out_at
from lanes.evidence.laws import area_by_any_law
from lanes.evidence.tracks import Track, across, areas, spot_of, unseen
from lanes.questions.follow.series import TimePoint
from lanes.reading import LaneReading, Plate

LOW_RF, HIGH_RF = 0.25, 0.75  # free places in a lane of one spot: that in the other half


@dataclass(frozen=True)
class Level:
    """One spot's share in one lane, or the conversion there, in percent with a 95 % interval.

    `percent` is None where the spot was not found (`detected` is False): then `high` is the
    least that would have been found 95 % of the time. For a conversion it is `low`. An end is
    None where it is not known: so where something stands out that is read as no spot (`unread`).
    """

    time: float
    percent: float | None
    low: float | None
    high: float | None
    detected: bool
    unread: bool = False


class Table:
    """Areas of the tracked spots in every lane, with covariances, and limits where missing."""

    def __init__(
        self, plates: Sequence[Plate], readings: Sequence[LaneReading], found: Sequence[Track],
        reference: int | None,
    ) -> None:
        self.found, self.reference = found, reference
        self.areas = [areas(reading) for reading in readings]
        self.otherwise = areas_otherwise(plates, readings)
        self.limits: list[dict[int, float | None]] = []
        self.lone: list[float | None] = []
        self.unread: list[set[int]] = []
        spread = across(readings)
        spots = [spot_of(track, readings) for track in found]
        for j, (plate, reading) in enumerate(zip(plates, readings, strict=True)):
            missing = [i for i, track in enumerate(found) if track.places[j] is None]
            wanted = [(found[i].rf, spots[i]) for i in missing]
            limits = {i: area_by_any_law(plate, reading, limit, spots[i].sigma) for i, limit
                      in zip(missing, unseen(plate, reading, wanted, spread), strict=True)}
            self.unread.append({i for i in missing if stands_out_at(plate, reading, found[i].rf)})
            self.limits.append(limits | dict.fromkeys(self.unread[-1]))
            bound = None
            if len(reading.spots) == 1:
                known = [v for v in limits.values() if v is not None]
                bound = max(known, default=None)
                if not missing:
                    free = unseen(plate, reading, [(_free(reading.spots[0].rf), spots[0])],
                                  spread)[0]
                    bound = area_by_any_law(plate, reading, free, spots[0].sigma)
            self.lone.append(bound)
        self.turned = [self._with(one) for one in self.otherwise]

    def views(self) -> tuple[Table, ...]:
        """Return the table with the noise alone, as it is and as it would be otherwise."""
        return (self._with(None), *self.turned)

    def _with(self, by: Otherwise | None) -> Table:
        out = copy(self)
        out.otherwise, out.turned = (), []
        if by is not None:
            out.areas = [(moved, None if covariance is None else
                          covariance * np.outer(moved / values, moved / values))
                         for (values, covariance), moved in zip(self.areas, by.areas, strict=True)]
        return out

    def weights(
        self, i: int, j: int, over: Sequence[int]
    ) -> tuple[float, float | None, tuple[float, ...]]:
        """Return track `i` over the sum of the spots `over` in lane `j`, and its doubts.

        They are the standard deviation by the noise, by that law which makes it largest, and one
        with its sign for each thing that is assumed of the light.
        """
        share, noise_sd = self.share(i, j, over)
        others = [(one.by, *view.share(i, j, over))
                  for one, view in zip(self.otherwise, self.turned, strict=True)]
        if noise_sd is not None:
            noise_sd = max(noise_sd, *(sd or 0.0 for _, _, sd in others), 0.0)
        return share, noise_sd, tuple(by * (other - share) for by, other, _ in others)

    def share(self, i: int, j: int, over: Sequence[int]) -> tuple[float, float | None]:
        """Return track `i` over the sum of the spots `over` in lane `j`, and its noise alone."""
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
                return Level(time, None, 0.0, None, False, i in self.unread[j])
            whole = total + limit if self.reference is None else total
            return Level(time, None, 0.0, 100.0 * limit / whole, False)
        if self.reference is None and len(over) == 1:
            bound = self.lone[j]
            low = None if bound is None else 100.0 * total / (total + bound)
            return Level(time, 100.0, low, None if low is None else 100.0, True)
        share, noise_sd, moves = self.weights(i, j, over)
        if noise_sd is None or i == self.reference:
            return Level(time, 100.0 * share, None, None, True)
        arm = TWO_SIDED_95 * math.hypot(noise_sd, *moves)
        low, high = share - arm, share + arm
        most = 1.0 if self.reference is None else math.inf
        return Level(time, 100.0 * share, 100.0 * max(0.0, low), 100.0 * min(most, high), True)

    def point(self, first: int, others: Sequence[int], j: int, time: float) -> TimePoint:
        """Return what lane `j` says of the rate."""
        values, _ = self.areas[j]
        place = self.found[first].places[j]
        beside = [p for i in others if (p := self.found[i].places[j]) is not None]
        blank = TimePoint(time, None, None)
        if self.reference is not None:
            over = self.base(j)
            if over is None:
                return blank
            if place is None:
                limit = self.limits[j][first]
                return blank if limit is None else TimePoint(
                    time, None, None, at_most=limit / float(values[over[0]]))
            return self._measured(time, first, j, over)
        if place is not None and beside:
            return self._measured(time, first, j, [place, *beside])
        if place is not None:
            known = [v for i in others if (v := self.limits[j].get(i)) is not None]
            if not known:
                return blank
            area = float(values[place])
            return TimePoint(time, None, None, at_least=area / (area + max(known)))
        limit = self.limits[j][first]
        if not beside or limit is None:
            return blank
        return TimePoint(time, None, None, at_most=limit / (float(values[beside].sum()) + limit))

    def _measured(self, time: float, i: int, j: int, over: Sequence[int]) -> TimePoint:
        share, noise_sd, moves = self.weights(i, j, over)
        return TimePoint(time, share, noise_sd, moves=moves)


def _free(rf: float) -> float:
    return LOW_RF if rf > 0.5 else HIGH_RF


def above(a: Level, b: Level, factor: float = 1.0) -> bool:
    """Return whether `a` is certainly more than `b`, as far as their intervals show.

    Zou and Donner's interval of a difference (Statistics in Medicine 27, 1693 (2008), from
    memory): the two arms that point at each other add in squares.
    """
    if a.percent is None or a.low is None or b.high is None:
        return False
    lower = b.percent or 0.0
    return a.percent - lower > factor * math.hypot(a.percent - a.low, b.high - lower)


def conversion(levels: Sequence[Level]) -> tuple[Level, ...]:
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
        # Nothing is made anew: below 0 only what is measured so, its interval with it.
        floor = 0.0 if value is None or value >= 0.0 else -math.inf
        out.append(Level(
            level.time, value, None if high is None else max(floor, 100.0 - 100.0 * high),
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

"""Spots followed from lane to lane by Rf, and how small one that is missing may be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.evidence.detection_limit import (
    CLEAR,
    NEAR,
    SPAN,
    START_LOW,
    TAILS,
    Lane,
    clear_limit,
    found_95,
    lane_of,
    neighbour_found,
    smallest_found,
)
from lanes.evidence.further_spot import FurtherSpot, spot_like
from lanes.evidence.lookup import NEAR_RF
from lanes.reading import LaneReading, Plate
from lanes.spots.transverse import profiles

Floats = NDArray[np.float64]

# One lane's Rf against another's on the same plate (common practice: some 0.01).
REPEAT_RF = 0.01
SDS = 3.0


@dataclass(frozen=True)
class Track:
    """One substance by its Rf alone: its mean Rf, and its place among each lane's spots.

    A place is None where the lane holds no spot at that Rf.
    """

    rf: float
    places: tuple[int | None, ...]


def tracks(readings: Sequence[LaneReading]) -> tuple[Track, ...]:
    """Return the spots of several lanes grouped by Rf, from origin to front.

    Neighbours in Rf are joined, nearest first, where they lie within three standard deviations
    (a spot's own, and `REPEAT_RF` from lane to lane) and no lane would have two spots in a group.
    """
    groups = sorted(
        ([(lane, place, spot.rf, math.hypot(spot.rf_sd or 0.0, REPEAT_RF))]
         for lane, reading in enumerate(readings) for place, spot in enumerate(reading.spots)),
        key=lambda group: group[0][2],
    )
    while True:
        best, at = math.inf, -1
        for i in range(len(groups) - 1):
            a, b = groups[i], groups[i + 1]
            if {m[0] for m in a} & {m[0] for m in b}:
                continue
            apart = _mean(b) - _mean(a)
            reach = SDS * max(math.hypot(m[3], n[3]) for m in a for n in b)
            if apart <= reach and apart < best:
                best, at = apart, i
        if at < 0:
            break
        groups[at:at + 2] = [groups[at] + groups[at + 1]]
        groups.sort(key=_mean)
    out = []
    for group in groups:
        places: list[int | None] = [None] * len(readings)
        for lane, place, _, _ in group:
            places[lane] = place
        out.append(Track(_mean(group), tuple(places)))
    return tuple(out)


def _mean(group: list[tuple[int, int, float, float]]) -> float:
    weight = [1.0 / sd**2 for _, _, _, sd in group]
    return sum(w * rf for w, (_, _, rf, _) in zip(weight, group, strict=True)) / sum(weight)


def track_near(found: Sequence[Track], rf: float, option: str) -> int:
    """Return the place of the track nearest `rf`.

    Raises
    ------
    InputError
        If none lies within `NEAR_RF`; the message names `option` and lists the Rf there are.
    """
    if not math.isfinite(rf):
        raise InputError(f"{option} {rf} is not a number that can be used: give an Rf")
    nearest = min(range(len(found)), key=lambda i: abs(found[i].rf - rf), default=None)
    if nearest is None or abs(found[nearest].rf - rf) > NEAR_RF:
        listed = ", ".join(f"{one.rf:.3f}" for one in found) or "none"
        raise InputError(f"{option} {rf:g}: no lane has a spot near that Rf; the spots: {listed}")
    return nearest


def areas(reading: LaneReading) -> tuple[Floats, Floats | None]:
    """Return the (c,) areas of a lane's spots and their (c, c) covariance, None where unknown."""
    values = np.array([spot.area for spot in reading.spots])
    covariance = reading.fit.area_covariance()
    if covariance is None or any(spot.area_sd is None for spot in reading.spots):
        return values, None
    return values, covariance


def across(readings: Sequence[LaneReading]) -> Floats | None:
    """Return how the largest spot of all lanes spreads over the strips across its lane."""
    filled = [reading for reading in readings if reading.spots]
    if not filled:
        return None
    reading = max(filled, key=lambda r: max(s.area for s in r.spots))
    shares = profiles(reading.trace, reading.fit)
    if shares is None:
        return None
    row = np.clip(shares[max(range(len(reading.spots)), key=lambda i: reading.spots[i].area)],
                  0.0, None)
    return np.asarray(row / row.sum(), float)


def spot_of(track: Track, readings: Sequence[LaneReading]) -> FurtherSpot:
    """Return a spot like the largest of a track's, which shows its shape best."""
    reading, place = max(
        ((reading, place) for reading, place in zip(readings, track.places, strict=True)
         if place is not None), key=lambda found: found[0].spots[found[1]].area)
    return spot_like(reading, place)


def unseen(
    plate: Plate, reading: LaneReading, wanted: Sequence[tuple[float, FurtherSpot]],
    spread: Floats | None,
) -> tuple[float | None, ...]:
    """Return the area from which a missing spot would have been found, 95 % of the time.

    Parameters
    ----------
    plate, reading
        The lane in which nothing was found there.
    wanted : sequence of (rf, FurtherSpot)
        Where the spots would be, and what they look like.
    spread : (k,) array or None
        The share of such a spot in each strip across the lane.

    Returns
    -------
    tuple of float or None
        None where the place can't be seen, or a spot there would be missed at any size tried.
    """
    if plate.settings.components is not None or not wanted:
        return tuple(None for _ in wanted)
    lane = lane_of(plate, reading, 0)
    if spread is not None:
        lane = replace(lane, across=spread)
    typical = sorted((spot for _, spot in wanted), key=lambda s: s.sigma)[len(wanted) // 2]
    level = clear_limit(lane, reading.fit, typical, reading.limit or 0.0)
    out: list[float | None] = []
    for rf, spot in wanted:
        place = rf * reading.trace.run
        near = np.abs(reading.trace.position - place) < NEAR * spot.sigma
        if not near.any() or not reading.trace.usable[near].all():
            out.append(None)
            continue
        crowd = [c for c in reading.fit.components
                 if abs(c.centre - place) <= CLEAR * (c.sigma + abs(c.tau))]
        if not crowd:
            out.append(level)
            continue
        beside = _beside(lane, reading, place, spot)
        out.append(None if beside is None or level is None else max(beside, level))
    return tuple(out)


def _beside(
    lane: Lane, reading: LaneReading, place: float, spot: FurtherSpot
) -> float | None:
    """Return the area found at `place`, within reach of another spot, 95 % of the time.

    The lane as it is and with its residual turned over and mirrored: four trials, as beside a
    main spot.
    """
    fit = reading.fit
    other = min(fit.components, key=lambda c: abs(c.centre - place))
    apart = abs(other.centre - place)
    reach = apart + SPAN * max(spot.sigma, other.sigma) + TAILS * abs(other.tau)
    low = START_LOW * (reading.limit or other.area)
    if not other.area > low:
        return None
    needed = []
    for sign, mirrored in ((1.0, None), (-1.0, None), (1.0, place), (-1.0, place)):
        part = lane.with_residual(fit, sign, mirrored).cut(place - reach, place + reach)
        needed.append(
            smallest_found(neighbour_found(part, other, place, spot), low, other.area))
        if needed[-1] is None:
            break
    return found_95(needed)

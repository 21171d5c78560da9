"""Runs of fractions poured together: the target's share of them, and how much of it they keep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.evidence.area_doubts import areas_otherwise
from lanes.evidence.detection_limit import NEAR
from lanes.evidence.further_spot import FurtherSpot
from lanes.evidence.lane_doubts import holds_unread, stands_out_at
from lanes.evidence.laws import area_by_any_law
from lanes.evidence.tracks import across, areas, unseen
from lanes.reading import LaneReading, Plate

Floats = NDArray[np.float64]

RUNNERS_UP = 3
# The same amount in two lanes gives areas that differ by about so much, relatively, besides their
# own errors: the lamp and the layer are not the same everywhere (1 to 2 % on drawn plates whose
# lamp falls off by 3 %). How it was applied comes on top and is not known.
LANE_SD = 0.02
# Rf at which a free place is looked for: off the lines by a spot's width, a hundredth apart.
PLACES = np.linspace(0.06, 0.94, 89)


@dataclass(frozen=True)
class Pool:
    """Contiguous fractions poured together, from `first` to `last` (places in the list).

    `purity` and `recovery` are percent with 95 % intervals; an end is None where not known.
    `meets` is whether the lower end of the purity reaches what was asked.
    """

    first: int
    last: int
    purity: float
    low: float | None
    high: float | None
    recovery: float
    recovery_low: float | None
    recovery_high: float | None
    meets: bool


@dataclass(frozen=True)
class Areas:
    """The target's area, the others' and what may be missed, as (n,) arrays by fraction.

    `variances` is (n, 2, 2) of target and others, by the noise; not a number where unknown.
    `otherwise` is (r, 2, n): both, had one of r things been assumed otherwise of the light, with
    `variances_otherwise` (r, n, 2, 2), and `by` (r,) how much of the way there is a standard
    deviation. `unread` (n,) is whether the target is missing where something stands out that is
    read as no spot.
    """

    target: Floats
    found: NDArray[np.bool_]
    unread: NDArray[np.bool_]
    others: Floats
    variances: Floats
    missed: Floats
    target_missed: Floats
    volumes: Floats
    otherwise: Floats
    variances_otherwise: Floats
    by: Floats

    @classmethod
    def of(
        cls, plates: Sequence[Plate], readings: Sequence[LaneReading],
        places: Sequence[int | None], rf: float, spot: FurtherSpot, volumes: Floats,
    ) -> Areas:
        """Read each fraction's areas, and put spots into its lane to learn what is missed."""
        n = len(readings)
        assumed = areas_otherwise(plates, readings)
        out = cls(np.zeros(n), np.zeros(n, bool), np.zeros(n, bool), np.zeros(n),
                  np.zeros((n, 2, 2)), np.full(n, np.nan), np.zeros(n), volumes,
                  np.zeros((len(assumed), 2, n)), np.zeros((len(assumed), n, 2, 2)),
                  np.array([one.by for one in assumed]))
        spread = across(readings)
        for j, (plate, reading, place) in enumerate(zip(plates, readings, places, strict=True)):
            values, covariance = areas(reading)
            sums = np.zeros((2, values.size))
            sums[1] = 1.0
            if place is not None:
                sums[:, place] = (1.0, 0.0)
                out.found[j] = True
            out.target[j], out.others[j] = sums @ values
            if values.size:
                out.variances[j] = np.nan if covariance is None else sums @ covariance @ sums.T
            for r, one in enumerate(assumed):
                out.otherwise[r, :, j] = sums @ one.areas[j]
                turned = sums * (one.areas[j] / values)
                if covariance is not None:
                    out.variances_otherwise[r, j] = turned @ covariance @ turned.T
            # Away from every spot found, and, where the target is missing, at its own place.
            clear = _clear(reading, spot.sigma)
            asked = [(clear, spot)] if clear is not None else []
            asked += [(rf, spot)] if place is None else []
            limits = [_number(area_by_any_law(plate, reading, limit, spot.sigma))
                      for limit in unseen(plate, reading, asked, spread)]
            # Of what stands out unread the area is not known: no limit holds.
            if clear is not None and not holds_unread(plate, reading):
                out.missed[j] = limits[0]
            if place is None:
                out.unread[j] = stands_out_at(plate, reading, rf)
                out.target_missed[j] = math.nan if out.unread[j] else limits[-1]
        return out

    def pool(self, first: int, last: int, asked: float) -> Pool:
        """Return the pool of fractions `first` to `last`.

        A spot that was missed may stand in every fraction at its limit; how far that lowers the
        purity, what else may be assumed of the light, and the areas' own errors, add in squares,
        since none knows of the others.
        """
        v = self.volumes
        inside = slice(first, last + 1)
        share, variance = _poured(v[inside], self.target[inside], self.others[inside],
                                  self.variances[inside])
        otherwise = [_poured(v[inside], both[0, inside], both[1, inside], variances[inside])
                     for both, variances in zip(self.otherwise, self.variances_otherwise,
                                                strict=True)]
        target = float((v * self.target)[inside].sum())
        whole = target + float((v * self.others)[inside].sum())
        # By the law that makes the noise largest.
        variance = max([variance, *(one for _, one in otherwise)])
        variance += self._assumed(np.array([one for one, _ in otherwise]), share)
        sd = math.sqrt(max(variance, 0.0)) if math.isfinite(variance) else math.nan
        missed = float((v * self.missed)[inside].sum())
        arm = TWO_SIDED_95 * sd
        low = share - math.hypot(arm, share - target / (whole + missed))
        high = min(1.0, share + arm)
        recovery, kept_low, kept_high = self._recovery(first, last)
        known = math.isfinite(low)
        low_percent = 100.0 * max(0.0, low) if known else None
        return Pool(first, last, 100.0 * share, low_percent,
                    100.0 * high if math.isfinite(high) else None, recovery, kept_low, kept_high,
                    low_percent is not None and low_percent >= asked)

    def _assumed(self, shares: Floats, share: float) -> float:
        """Return the variance of a share for what it would be otherwise, `shares` (r,)."""
        return float(np.square(self.by * (shares - share)).sum())

    def _recovery(self, first: int, last: int) -> tuple[float, float | None, float | None]:
        v = self.volumes
        amounts, variances = v * self.target, v**2 * self.variances[:, 0, 0]
        # A fraction without the target adds no variance: its limit counts instead.
        variances = np.where(self.found, variances + (LANE_SD * amounts) ** 2, 0.0)
        inside = np.zeros(v.size, bool)
        inside[first:last + 1] = True
        kept, whole = float(amounts[inside].sum()), float(amounts.sum())
        share = kept / whole
        slope = np.where(inside, 1.0 - share, -share) / whole
        targets = v * self.otherwise[:, 0]
        variance = float((slope**2 * variances).sum()) + self._assumed(
            targets[:, inside].sum(axis=1) / targets.sum(axis=1), share)
        arm = TWO_SIDED_95 * math.sqrt(max(variance, 0.0))
        left = float((v * self.target_missed)[~inside].sum())
        low = share - math.hypot(arm, share - kept / (whole + left))
        high = share + arm
        if inside.all() and not math.isnan(arm):
            low = high = 1.0
        return (100.0 * share, 100.0 * max(0.0, low) if math.isfinite(low) else None,
                100.0 * min(1.0, high) if math.isfinite(high) else None)

    def pools(self, asked: float) -> list[Pool]:
        """Return every run of fractions that begins and ends with the target found."""
        ends = [int(i) for i in np.flatnonzero(self.found)]
        return [self.pool(i, j, asked) for i in ends for j in ends if i <= j]


def _poured(
    volumes: Floats, target: Floats, others: Floats, variances: Floats
) -> tuple[float, float]:
    """Return the target's share of fractions poured together, and its variance by the noise."""
    poured = float(volumes @ target)
    whole = poured + float(volumes @ others)
    share = poured / whole
    slope = np.array([1.0 - share, -share]) / whole
    variance = float(np.einsum("i,nij,j,n->", slope, variances, slope, volumes**2))
    alone = LANE_SD * volumes * (slope[0] * target + slope[1] * others)
    return share, variance + float(alone @ alone)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _clear(reading: LaneReading, sigma: float) -> float | None:
    """Return the Rf farthest from every spot where the layer shows; None where there is none."""
    run = reading.trace.run
    best, at = 0.0, None
    for rf in PLACES:
        near = np.abs(reading.trace.position - rf * run) < NEAR * sigma
        if near.any() and reading.trace.usable[near].all():
            room = min((abs(spot.rf - rf) for spot in reading.spots), default=1.0)
            if room > best:
                best, at = room, float(rf)
    return at


def best_first(pool: Pool) -> tuple[float, float, int]:
    """Order by recovery, then by purity; never more fractions than need be."""
    return -pool.recovery, -pool.purity, pool.last - pool.first


def runners_up(good: Sequence[Pool], pools: Sequence[Pool]) -> tuple[Pool, ...]:
    if not good:
        return ()
    best = good[0]
    wider = [p for p in pools if not p.meets and
             ((p.last == best.last and p.first < best.first)
              or (p.first == best.first and p.last > best.last))]
    # Of those, the first step on either side.
    steps = [max((p for p in wider if p.first < best.first), key=lambda p: p.first, default=None),
             min((p for p in wider if p.last > best.last), key=lambda p: p.last, default=None)]
    return (*good[1:1 + RUNNERS_UP], *(p for p in steps if p is not None))

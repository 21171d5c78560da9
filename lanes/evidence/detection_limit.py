"""How small a spot would have been missed: known spots put into a lane's own trace, looked for.

A limit worked out from the noise alone says what a matched filter could find. What the reading
does find depends on every rule it has, so those rules themselves are asked: spots of known size
are added to the trace, and the trace is fitted again as it was before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression
from scipy.stats import t as student

from lanes.confidence import BELOW_ONE_SIDED_95, ONE_SIDED_95
from lanes.evidence.further_spot import FurtherSpot, carried_over_seen, round_spot
from lanes.reading import LaneReading, Plate
from lanes.rounding import TINY
from lanes.spots.deconvolve import THRESHOLD, deconvolve
from lanes.spots.fit import Fit
from lanes.spots.fit_lane import fit_lane
from lanes.spots.model import Component, Peak
from lanes.spots.quantities import HALF_HEIGHT_FACTOR
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.spots.shapes import FWHM, gaussian
from lanes.spots.transverse import BROADEST_MM, NARROWEST_MM, profiles
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

RESOLUTIONS = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
# Lengths in sigmas of the spot put in, or of the one that is there.
CLEAR = 4.5           # from every spot that was found, for a place away from them
APART = 10.0          # between spots put in at once: neither's fit reaches the other
BETWEEN = 2.5         # between places: nearer ones lie under one spot
NEAR = 1.5            # from a place in which the layer has to show: 87 % of a spot put there
FOUND = 2.0           # from a place within which what is found is what was put there
TAKEN = 3.0           # from a place within which another spot leaves no room
SPAN = 14.0           # of lane to either side that a spot's own fit looks at (a choice; see TAILS)
TAILS = 3.0           # and tau more of a tailing spot: all but 5 % of its tail
# Halvings in logarithm: a size within a ratio of 32 is known to 6 %, within 500 to 10 %, which is
# less than trials scatter by.
ROUNDS = 5
START_LOW, START_HIGH = 0.25, 8.0  # times the area that noise alone would let through
NEIGHBOURS = 0.002, 1.0  # of the main spot's area: what a neighbour is looked for between
FEWEST_ALONE = 3.0    # independent places that a scatter is at least taken from
LEAST_SCALE = 1e-6    # of a spot fitted anew where nothing of it is left: an area above 0


@dataclass(frozen=True)
class Lane:
    """What a lane's reading started from.

    Attributes
    ----------
    trace : Trace
    flat : (n,) array
        Its signal less the background.
    noise : Noise
    mm : float
        Millimetres per unit of length.
    baseline_order : str
        The baseline that is fitted with the spots.
    shapes : ShapeDoubt
        How far the plate's spots depart from Gaussians.
    across : (k,) array or None
        The main spot's share in each strip, summing to 1; None for a trace without strips.
    """

    trace: Trace
    flat: Floats
    noise: Noise
    mm: float
    baseline_order: str
    across: Floats | None
    shapes: ShapeDoubt = ASSUMED

    def fitted(self) -> Fit:
        """Return the spots found here, by the same steps as a reading's."""
        return fit_lane(self.trace, self.flat, self.noise, mm=self.mm,
                        baseline_order=self.baseline_order, shapes=self.shapes, trial=True)[0]

    def plus(self, peaks: list[Peak]) -> Lane:
        """Return the lane with `peaks` added, spread across it as the main spot is."""
        more = np.zeros_like(self.flat)
        for p in peaks:
            more += gaussian(self.trace.position, p.centre, p.area, p.sigma)[0]
        return self.with_signal(more)

    def with_signal(self, more: Floats) -> Lane:
        """Return the lane with a signal added that is spread across it as the main spot is."""
        trace = self.trace
        if trace.sheet is not None and self.across is not None:
            spread = trace.sheet.density(self.across[None, :])
            trace = trace.seen_as(trace.sheet.values + more[:, None] * spread)
        return replace(self, trace=trace, flat=self.flat + more)

    def misshapen(self, spot: Component, sign: float) -> Lane:
        """Return the lane with `spot` skewed and flattened as spots of this plate may be.

        By one standard deviation of each of the shape's first two terms; `sign` turns them.
        """
        z = (self.trace.position - spot.centre) / spot.sigma
        terms = np.zeros(self.shapes.sds.size)
        terms[:2] = sign * self.shapes.sds[:2]
        return self.with_signal(spot.height * (self.shapes.basis(z) @ terms))

    def cut(self, low: float, high: float) -> Lane:
        """Return the stretch from `low` to `high`."""
        keep = (self.trace.position >= low) & (self.trace.position <= high)
        return replace(self, trace=self.trace.cut(low, high), flat=self.flat[keep])

    def with_residual(self, fit: Fit, sign: float, mirrored: float | None) -> Lane:
        """Return the lane with the fit's residual turned over, or mirrored about a place.

        What a fit leaves holds the noise and the spot's own misfit: turned and mirrored it is
        as likely, and stands for another plate of the same make.
        """
        t = self.trace
        model = fit.model

        def turned(rest: Floats) -> Floats:
            if mirrored is not None:
                rest = np.interp(2.0 * mirrored - t.position, t.position, rest / t.gain) * t.gain
            return sign * rest

        flat = model + turned(self.flat - model)
        trace, shares = t, profiles(t, fit)
        if t.sheet is not None and shares is not None:
            smooth = fit.peaks.T @ t.sheet.density(shares)
            rest = t.sheet.values - smooth
            trace = t.seen_as(smooth + np.stack([turned(r) for r in rest.T], axis=1))
        return replace(self, trace=trace, flat=flat)


def lane_of(plate: Plate, reading: LaneReading, main: int) -> Lane:
    """Return what `reading` was made from; `main` is the main spot's place in the list."""
    shares = profiles(reading.trace, reading.fit)
    across = None
    if shares is not None:
        across = np.clip(shares[main], 0.0, None)
        across = across / across.sum()
    return Lane(reading.trace, reading.trace.signal - reading.background, reading.noise,
                plate.layout.mm_per_unit, plate.settings.baseline_order, across,
                reading.fit.shapes or ASSUMED)


def clear_limit(lane: Lane, fit: Fit, spot: FurtherSpot, start: float) -> float | None:
    """Return the area that a spot away from all others needs to be found 95 % of the time.

    At every free place of the lane the least area that is found there is narrowed down by
    halves. Those areas scatter as the noise does; the level that one more place stays below with
    95 % follows from their mean and standard deviation by Student's t, places that share their
    noise counted as one. One lane holds few slow waves of the layer, and a spot put in hides
    none of them, so the scatter is never taken as less than that of a real one: one part in
    `THRESHOLD`, since a spot that just shows stands so many standard deviations high, times what
    is unknown of the layer under it.

    Parameters
    ----------
    lane : Lane
    fit : Fit
        The spots that were found in it.
    spot : FurtherSpot
        What is put in.
    start : float
        About the area looked for; a quarter to 8 times as much is tried.

    Returns
    -------
    float, or None where fewer than four places are free, or a larger spot would be missed.
    """
    sigma, position = spot.sigma, lane.trace.position
    places = _free(lane.trace, fit, sigma)
    if len(places) < 4 or not start > 0:
        return None
    low = np.full(len(places), np.log(START_LOW * start))
    high = np.full(len(places), np.log(START_HIGH * start))
    sets = max(1, int(np.ceil(APART / BETWEEN)))
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        for first in range(sets):
            chosen = list(range(first, len(places), sets))
            more = np.sum([np.exp(middle[i]) * spot.at(position, places[i]) for i in chosen],
                          axis=0)
            found = [c.centre for c in lane.with_signal(more).fitted().components]
            for i in chosen:
                if any(abs(centre - places[i]) < FOUND * sigma for centre in found):
                    high[i] = middle[i]
                else:
                    low[i] = middle[i]
    needed = np.exp(0.5 * (low + high))
    share = min(1.0, BETWEEN * sigma / max(lane.noise.correlation_mm, TINY))
    alone = max(FEWEST_ALONE, share * len(places))
    factor = float(student.ppf(BELOW_ONE_SIDED_95, alone - 1.0)) * np.sqrt(1.0 + 1.0 / alone)
    real = carried_over_seen(lane.noise, lane.trace.pitch, spot) / THRESHOLD
    scatter = max(float(needed.std(ddof=1)), float(needed.mean()) * real)
    level = float(needed.mean()) + factor * scatter
    return level if level < START_HIGH * start else None


def _free(trace: Trace, fit: Fit, sigma: float) -> list[float]:
    """Return places 2.5 sigma apart where nothing was found and the layer shows."""
    step = BETWEEN * sigma
    out = []
    for x in np.arange(step, trace.run - step, step):
        near = np.abs(trace.position - x) < NEAR * sigma
        clear = all(abs(x - c.centre) > CLEAR * (c.sigma + abs(c.tau)) for c in fit.components)
        if clear and near.any() and trace.usable[near].all():
            out.append(float(x))
    return out


def neighbour_limits(lane: Lane, fit: Fit, main: int) -> tuple[tuple[float, float | None], ...]:
    """Return how large a neighbour of the main spot must be to be resolved 95 % of the time.

    A spot as wide as the main one is put beside it, on either side, in the lane as it is and
    with its residual turned over and mirrored: four trials for each resolution. In the one the
    main spot is skewed and flattened too, in the other the reverse, by what the plate's spots
    depart from Gaussians: on the next plate it may be. The trials' scatter is
    never taken as less than one part in `THRESHOLD`. So few trials leave noise in the level; no
    neighbour is harder to resolve for standing farther off, so levels are made not to rise with
    resolution (isotonic regression of their logarithms).

    Returns
    -------
    tuple of (resolution, percent of the main spot's area)
        The percent is None where no neighbour up to the main spot's own size is resolved
        every time, or there is no room for one.
    """
    spot = fit.components[main]
    reach = SPAN * spot.sigma + TAILS * abs(spot.tau)
    variants = [
        lane.with_residual(fit, sign, at).misshapen(spot, sign).cut(
            spot.centre - reach, spot.centre + reach)
        for sign, at in ((1.0, None), (-1.0, spot.centre))
    ]
    wide = 2.0 * FWHM * spot.sigma
    out = []
    for resolution in RESOLUTIONS:
        apart = resolution * wide / HALF_HEIGHT_FACTOR
        places = [place for side in (-1.0, 1.0)
                  if _room(lane.trace, fit, main, place := spot.centre + side * apart)]
        level = found_95(
            smallest_found(
                neighbour_found(variant, spot, place, round_spot(spot.sigma), spot.area),
                *NEIGHBOURS)
            for place in places for variant in variants)
        percent = None if level is None or level > 1.0 else 100.0 * level
        out.append((resolution, percent))
    return falling(out)


def falling(levels: Sequence[tuple[float, float | None]]
            ) -> tuple[tuple[float, float | None], ...]:
    """Return levels by resolution with those known made not to rise, nearest in logarithm."""
    known = [percent for _, percent in levels if percent is not None]
    if not known:
        return tuple(levels)
    smooth = iter(np.exp(isotonic_regression(np.log(known), increasing=False).x))
    return tuple((at, None if percent is None else float(next(smooth)))
                 for at, percent in levels)


def _room(trace: Trace, fit: Fit, main: int, place: float) -> bool:
    sigma = fit.components[main].sigma
    near = np.abs(trace.position - place) < sigma
    taken = any(abs(c.centre - place) < TAKEN * sigma
                for i, c in enumerate(fit.components) if i != main)
    return 0.0 < place < trace.run and bool(near.any() and trace.usable[near].all()) and not taken


def neighbour_found(
    lane: Lane, spot: Component, place: float, put: FurtherSpot, unit: float = 1.0
) -> Callable[[float], bool]:
    """Return the trial whether so many `unit` of area of `put` at `place` are found beside `spot`.

    What the fit finds nearest `spot` is `spot`; another must lie nearer `place` than half-way.
    """
    apart = abs(spot.centre - place)
    more = unit * put.at(lane.trace.position, place)

    def found(size: float) -> bool:
        centres = [c.centre for c in lane.with_signal(size * more).fitted().components]
        if len(centres) < 2:
            return False
        centres.remove(min(centres, key=lambda c: abs(c - spot.centre)))
        return any(abs(c - place) < max(0.5 * apart, put.sigma) for c in centres)

    return found


def found_95(needed: Iterable[float | None]) -> float | None:
    """Return the size found 95 % of the time, from those `needed` in a few trials (all above 0).

    Sizes scatter in proportion, and by no less than one part in `THRESHOLD`: a spot that just
    shows stands so many standard deviations high. None where a trial found no size, or none was.
    """
    known: list[float] = []
    for size in needed:
        if size is None:
            return None
        known.append(size)
    if not known:
        return None
    logs = np.log(known)
    scatter = max(float(logs.std(ddof=1)), 1.0 / THRESHOLD)
    return float(np.exp(logs.mean() + ONE_SIDED_95 * scatter))


def smallest_found(found: Callable[[float], bool], low: float, high: float) -> float | None:
    """Return the least size between `low` and `high` that is found, or None where `high` is not.

    Narrowed down by halves of its logarithm: to about a tenth over three powers of ten.
    """
    if not found(high):
        return None
    below, above = np.log(low), np.log(high)
    for _ in range(ROUNDS):
        middle = 0.5 * (below + above)
        if found(float(np.exp(middle))):
            above = middle
        else:
            below = middle
    return float(np.exp(0.5 * (below + above)))


def refitted(lane: Lane, fit: Fit) -> Fit:
    """Return `fit`'s own spots fitted anew to another signal of the same lane, none sought."""
    trace = lane.trace
    scale = []
    for c, peak in zip(fit.components, fit.peaks, strict=True):
        near = (np.abs(trace.position - c.centre) < c.sigma) & trace.usable
        old, new = float(peak[near].sum()), float(lane.flat[near].sum())
        scale.append(max(new / old, LEAST_SCALE) if old > 0 else 1.0)
    start = tuple(replace(c.peak(), area=s * c.area)
                  for c, s in zip(fit.components, scale, strict=True))
    return deconvolve(trace.position, lane.flat, noise=lane.noise, gain=trace.gain,
                      usable=trace.usable, baseline_order=lane.baseline_order, start=start,
                      narrowest=NARROWEST_MM / lane.mm, broadest=BROADEST_MM / lane.mm)


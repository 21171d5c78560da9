"""How far the spots of one plate depart from Gaussians, learned from those that stand alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.spots.cross_profile import cross_profile
from lanes.spots.fit import Fit
from lanes.spots.model import Peak, Problem, peak_shape
from lanes.spots.search_fit import solve_quickly
from lanes.spots.shape_terms import ASSUMED, LENGTH_PRIOR, ShapeDoubt, basis
from lanes.spots.split import merged_peak
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

__all__ = ["ASSUMED", "ShapeDoubt", "SpotShape", "basis", "learn_shapes", "spot_shape"]

Floats = NDArray[np.float64]

PSEUDO_SPOTS = 1.0   # as how many of the plate's own spots, which show more, the assumed counts
REACH = 4.5          # sigmas on either side of a spot in which its shape is looked at
NEIGHBOUR = 2.5      # sigmas of a neighbour that must lie outside
SEEN = 0.9           # share of those samples that must be usable
# A term's noise over its assumed standard deviation, beyond which a spot teaches little of it.
TEACHES = 1.0
MIDDLE = 1.5         # sigmas from its centre that must be seen whole, within the scan's range
TOGETHER = 3.0       # mean spreads within which components may be parts of one spot
MEDIAN_OF_NORMAL = 0.6745  # median size of a normal deviate over its standard deviation
# So much of a spot each counts where lengths' scatter is a median size: that is surer of nothing
# than the root mean square of so few (efficiency at normal deviates, computed).
MEDIAN_EFFICIENCY = 0.37
CLIPPED = 0.1        # share of a place at the end of the scan's range: its shape is not seen
NO_HEIGHT = 1e-12    # signal: so that nothing is divided by 0
# Sigmas of two together, between which the one Gaussian nearest to them is looked for.
ONE_NARROWEST, ONE_BROADEST = 0.2, 3.0
LEAST_SD = 0.003     # no set of spots proves shapes better than this (resampling, optics)


@dataclass(frozen=True)
class SpotShape:
    """One lone spot's terms h3 to h6, (4,), and the noise's covariance of them, (4, 4)."""

    terms: Floats
    covariance: Floats


def spot_shape(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, group: tuple[int, ...]
) -> SpotShape | None:
    """Return the shape of components `group` taken for one spot.

    The terms are fitted by weighted least squares together with first-order corrections of area,
    place and width and a straight line; their covariance follows from the noise's
    autocorrelation.

    Returns
    -------
    SpotShape, or None where the spot tails, or is not seen alone and whole.
    """
    if any(fit.components[i].tau != 0.0 for i in group):
        return None
    return _shape(trace, flat, fit, noise, group)


def _shape(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, group: tuple[int, ...]
) -> SpotShape | None:
    """Return the terms of a spot, beside its tail where it is fitted with one."""
    if any(i in fit.at_bound for i in group):
        return None
    own = (flat - fit.model + fit.peaks[list(group)].sum(axis=0))
    peak = fit.components[group[0]].peak()
    for i in group[1:]:
        peak = merged_peak(peak, fit.components[i].peak())
    if len(group) > 1:
        peak = _as_one(trace, own, peak)
    whole_spot = peak.component()
    for j, other in enumerate(fit.components):
        if j not in group and (abs(other.centre - whole_spot.mean)
                               < REACH * whole_spot.spread + NEIGHBOUR * other.spread):
            return None
    z = (trace.position - whole_spot.mean) / whole_spot.spread
    inside, middle = np.abs(z) < REACH, np.abs(z) < MIDDLE
    use = inside & trace.usable
    if (inside.sum() < 16 or trace.usable[inside].mean() < SEEN
            or not trace.usable[middle].all() or z[0] > -REACH or z[-1] < REACH
            or trace.clipped[middle].max() > CLIPPED):
        return None
    curve, by = peak_shape(trace.position[use], peak)
    design = np.concatenate([
        basis(z[use]) * whole_spot.height, by[: 3 if peak.tau == 0.0 else 4].T,
        np.ones((int(use.sum()), 1)), z[use, None]], axis=1)
    weight = 1.0 / trace.gain[use]
    pull = np.linalg.pinv(design * weight[:, None]) * weight
    whole = np.zeros((trace.position.size, len(pull)))
    whole[use] = pull.T
    covariance = whole.T @ noise.through(trace.gain, whole)
    return SpotShape((pull @ (own[use] - curve))[:4], np.asarray(covariance[:4, :4]))


def shown_shapes(trace: Trace, flat: Floats, fit: Fit, noise: Noise) -> Floats:
    """Return the variance of each component's shape terms that it shows by itself, (c, 4).

    The plate's spots scatter as most of them do; one that departs from its fitted shape by more
    is wrong by what it shows, less what noise alone makes of it. 0 where it does not stand alone.
    The even spots that teach the plate's doubt say nothing of how one tails: what tails is not
    known better than is assumed of any spot.
    """
    out = np.zeros((len(fit.components), len(ASSUMED.sds)))
    for i, c in enumerate(fit.components):
        shape = _shape(trace, flat, fit, noise, (i,))
        if shape is not None:
            out[i] = np.maximum(np.square(shape.terms) - np.diag(shape.covariance), 0.0)
        if c.tau != 0.0:
            out[i] = np.maximum(out[i], np.square(ASSUMED.sds))
    return out


def _as_one(trace: Trace, own: Floats, peak: Peak) -> Peak:
    """Return the one Gaussian nearest to what two components made."""
    near = (np.abs(trace.position - peak.centre) < REACH * peak.sigma) & trace.usable
    if near.sum() < 16:
        return peak
    x = trace.position[near]
    height = max(float(own[near].max()), NO_HEIGHT)
    problem = Problem(x, own[near], 1.0 / (trace.gain[near] * height),
                      "none", ONE_NARROWEST * peak.sigma, ONE_BROADEST * peak.sigma, None)
    return solve_quickly(problem, (peak,)).peaks[0]


def _groups(fit: Fit) -> list[tuple[int, ...]]:
    """Return the components, those that may be parts of one misshapen spot together."""
    groups: list[list[int]] = []
    for i, c in enumerate(fit.components):
        before = fit.components[i - 1] if i else None
        if before is not None and (c.centre - before.centre
                                   < TOGETHER * 0.5 * (c.spread + before.spread)):
            groups[-1].append(i)
        else:
            groups.append([i])
    return [tuple(group) for group in groups]


def _lengths(lanes: tuple[tuple[Trace, Floats, Fit, Noise], ...]) -> tuple[float, float]:
    """Return the median ln(length over width) of the lanes' spots, 0 where round, and its scatter.

    Pairs that are taken for one make spots look longer, which is no reason to think them so: nor
    do they make the scatter larger than what is assumed, to which it is shrunk.
    """
    found = []
    for trace, _, fit, _ in lanes:
        peaks = tuple(c.peak() for c in fit.components)
        for i, p in enumerate(peaks):
            across = None if trace.sheet is None else cross_profile(
                trace.sheet, trace.position, trace.usable, p, (*peaks[:i], *peaks[i + 1:]),
                band=np.inf)
            if across is not None:
                found.append(float(np.log(p.component().spread / across.sigma)))
    if not found:
        return 0.0, LENGTH_PRIOR
    length = min(float(np.median(found)), 0.0)
    scatter = float(np.median(np.abs(np.array(found) - length))) / MEDIAN_OF_NORMAL
    count = MEDIAN_EFFICIENCY * len(found)
    variance = (PSEUDO_SPOTS * LENGTH_PRIOR**2 + count * scatter**2) / (PSEUDO_SPOTS + count)
    return length, min(float(np.sqrt(variance)), LENGTH_PRIOR)


def learn_shapes(lanes: Iterable[tuple[Trace, Floats, Fit, Noise]]) -> ShapeDoubt:
    """Return the doubt that a plate's own strong spots teach (robust empirical Bayes).

    Components that touch are taken for one spot: whether they are two is what the doubt will
    decide. A plate whose spots are mostly lone shows its shapes in the middle of what is seen,
    which the pairs among them, if fewer than half, hardly move: each term's scatter is its median
    size over 0.6745, less what the noise alone would make of it, shrunk towards the assumed one,
    which counts as `PSEUDO_SPOTS` spots.

    Parameters
    ----------
    lanes : iterable of (trace, flat, fit, noise)
        `flat` is the trace's signal less its background, (n,).

    Returns
    -------
    ShapeDoubt
        Of the size of `ASSUMED` where no spot teaches anything.
    """
    lanes = tuple(lanes)
    shapes = [
        shape for trace, flat, fit, noise in lanes for group in _groups(fit)
        if (shape := spot_shape(trace, flat, fit, noise, group)) is not None
    ]
    assumed = np.square(ASSUMED.sds)
    length, length_sd = _lengths(lanes)
    strong = [s for s in shapes
              if (np.diag(s.covariance)[:2] < TEACHES**2 * assumed[:2]).all()]
    if not strong:
        known = length or length_sd < LENGTH_PRIOR
        return replace(ASSUMED, length=length, length_sd=length_sd) if known else ASSUMED
    sizes = np.median(np.abs([s.terms for s in strong]), axis=0) / MEDIAN_OF_NORMAL
    noise_variance = np.median([np.diag(s.covariance) for s in strong], axis=0)
    seen = np.maximum(np.square(sizes) - noise_variance, LEAST_SD**2)
    # The noise left in a term makes a spot teach less of it.
    count = len(strong) * (assumed / (assumed + noise_variance)) ** 2
    variance = (PSEUDO_SPOTS * assumed + count * seen) / (PSEUDO_SPOTS + count)
    return ShapeDoubt(np.sqrt(variance), "plate", len(strong), length, length_sd)

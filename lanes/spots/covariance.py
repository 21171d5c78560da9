"""The covariance of a fit's values: from the noise, and from the doubt of the spots' shapes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.rounding import TINY
from lanes.spots.fit import VALUES, index
from lanes.spots.model import Peak, Problem, Solution, located
from lanes.spots.shape_terms import TERM_APEXES, TERM_AREAS, TERM_WIDTHS, basis
from lanes.spots.shapes import apex
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

SINGULAR = 1e12  # condition number beyond which a fit fixes nothing
# Of a width, to either side: central differences, whose rounding and bend are then both small.
DIFFERENCE = 1e-5


def covariances(
    x: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise, problem: Problem,
    solution: Solution, scaled: Floats | None,
) -> tuple[Floats, Floats] | None:
    """Return the covariance of (centre, area, sigma, tau) of every peak, and their shape errors.

    Weighted least squares under correlated noise C has the covariance
    (J'WJ)^-1 J'W C W J (J'WJ)^-1, with the apex in place of the Gaussian part's mean. Where the
    residual beside a peak exceeds the noise, that peak's part is scaled up by as much. What a
    spot's shape adds to the trace moves the fit by (J'WJ)^-1 J'W of it.

    Parameters
    ----------
    x, gain, usable : (n,) arrays
    noise : Noise
    problem : Problem
    solution : Solution
    scaled : (m,) array or None
        The residual over the noise at the m usable samples; None where noise was judged from it.

    Returns
    -------
    (4c, 4c) covariance by the noise, and (4c, 4c) errors by a unit of each peak's every shape
    term; None where the fit fixes nothing.
    """
    if not solution.peaks or not solution.names:
        return None
    jw = solution.jacobian.T
    data, prior = jw[: problem.x.size], jw[problem.x.size:]
    inverse = _inverse(jw.T @ jw)
    if inverse is None:
        return None
    weighted = np.zeros((x.size, data.shape[1]))
    weighted[usable] = data * problem.weight[:, None]
    middle = weighted.T @ noise.through(gain, weighted)
    middle = middle + prior.T @ prior
    carry = _carry(solution)
    out = carry @ inverse @ middle @ inverse @ carry.T
    if scaled is not None:
        stretch = _stretch(problem.x, solution.peaks, scaled, problem.weight)
        out = out * stretch[:, None] * stretch[None, :]
    return np.asarray(out), _shape_errors(problem, solution.peaks, carry @ inverse @ data.T)


def _inverse(normal: Floats) -> Floats | None:
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), TINY))
    hat = normal * scale[:, None] * scale[None, :]
    if not np.isfinite(hat).all() or np.linalg.cond(hat) > SINGULAR:
        return None
    return np.asarray(np.linalg.inv(hat) * scale[:, None] * scale[None, :])


def _carry(solution: Solution) -> Floats:
    """Return what turns the free values' changes into those of all four values of each peak.

    What was fixed has no row of its own; a tail's apex moves with its widths.
    """
    carry = np.zeros((len(VALUES) * len(solution.peaks), len(solution.names)))
    for j, name in enumerate(solution.names):
        which = located(name)
        if which is not None:
            carry[index(*which), j] = 1.0
    for i, p in enumerate(solution.peaks):
        if p.tau:
            e, t = DIFFERENCE * p.sigma, DIFFERENCE * p.tau
            by_sigma = (apex(p.sigma + e, p.tau) - apex(p.sigma - e, p.tau)) / (2 * e)
            by_tau = (apex(p.sigma, p.tau + t) - apex(p.sigma, p.tau - t)) / (2 * t)
            carry[index(i, "centre")] += (by_sigma * carry[index(i, "sigma")]
                                          + by_tau * carry[index(i, "tau")])
    return carry


def _stretch(
    x: Floats, peaks: tuple[Peak, ...], scaled: Floats, weight: Floats
) -> Floats:
    """Return how many times the noise the residual is beside each peak, for all four values.

    What the shape's terms take up is left out: it is counted by itself.
    """
    stretch = np.ones(len(VALUES) * len(peaks))
    for i, p in enumerate(peaks):
        near = np.abs(x - p.centre) < 2.0 * (p.sigma + abs(p.tau))
        if near.sum() > 8:
            c = p.component()
            terms = basis((x[near] - c.mean) / c.spread) * weight[near, None]
            left = scaled[near] - terms @ np.linalg.lstsq(terms, scaled[near], rcond=None)[0]
            local = float(left @ left) / (int(near.sum()) - terms.shape[1])
            stretch[index(i, VALUES[0]): index(i, VALUES[-1]) + 1] = np.sqrt(max(1.0, local))
    return stretch


def _shape_errors(problem: Problem, peaks: tuple[Peak, ...], moves: Floats) -> Floats:
    """Return the errors of all values by a unit of each peak's every shape term, (4c, 4c).

    The fit's own move, less what the term truly changes in the spot's area, apex and width at
    half height.
    """
    count = len(TERM_AREAS)
    errors = np.zeros((len(VALUES) * len(peaks), count * len(peaks)))
    for i, p in enumerate(peaks):
        c = p.component()
        z = (problem.x - c.mean) / c.spread
        columns = slice(count * i, count * (i + 1))
        errors[:, columns] = moves @ (basis(z) * c.height * problem.weight[:, None])
        errors[index(i, "area"), columns] -= TERM_AREAS * c.area
        errors[index(i, "centre"), columns] -= TERM_APEXES * c.spread
        errors[index(i, "sigma"), columns] -= TERM_WIDTHS * c.spread
    return errors

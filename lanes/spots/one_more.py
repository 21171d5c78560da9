"""One peak more: where a fit that needs another sets out from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.spots.detect import FINEST, candidates, scales
from lanes.spots.model import Peak, Problem
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

# Of the broadest sigma that a fit may take: peaks to be added are looked for up to here.
BROADEST_SOUGHT = 0.5
ANY = 1.0  # standard deviations: one peak is wanted, and the most significant place serves
MISFIT_REACH = 2.5  # sigmas about a peak within which its model's misfit is counted
# A peak split in two, each narrower than it by the last: their distance in its sigmas, and the
# lower one's share. An even pair is the nearer: farther apart it would have shown a valley.
SPLITS, NARROWER = ((1.4, 0.5), (2.0, 0.2), (2.0, 0.8)), 0.85


def starts_with_one_more(
    problem: Problem, x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise,
    model: Floats, peaks: tuple[Peak, ...], tired: bool,
) -> list[tuple[Peak, ...]]:
    """Return the peaks with one more: in the residual, by splitting one, or at the top.

    Parameters
    ----------
    problem : Problem
    x, y, gain, model : (n,) array
        The whole trace, its relative noise, and the sum of `peaks` and baseline there.
    usable : (n,) bool array
    noise : Noise
    peaks : tuple of Peak
    tired : bool
        Whether only one start is wanted where the residual has one.
    """
    trials: list[tuple[Peak, ...]] = []
    seen = candidates(x, y - model, noise, gain, usable,
                      scales(FINEST * problem.narrowest, BROADEST_SOUGHT * problem.broadest), ANY)
    for c in sorted(seen, key=lambda c: -c.significance)[:1]:
        trials.append((*peaks, Peak(c.centre, c.area, c.sigma)))
    # Splitting pays where the model is furthest from the trace.
    off = np.square((y - model) / gain) * usable

    def misfit(p: Peak) -> float:
        return float(off[np.abs(x - p.centre) < MISFIT_REACH * p.sigma].sum())

    ranked = sorted(peaks, key=misfit, reverse=True)
    for p in ranked[: (0 if trials else 1) if tired else 1]:
        others = tuple(q for q in peaks if q is not p)
        for gap, share in SPLITS:
            trials.append((
                *others,
                Peak(p.centre - (1 - share) * gap * p.sigma, share * p.area, NARROWER * p.sigma),
                Peak(p.centre + share * gap * p.sigma, (1 - share) * p.area, NARROWER * p.sigma),
            ))
    if not trials:
        middle = int(np.argmax(np.where(usable, y, -np.inf)))
        sigma = float(np.sqrt(problem.narrowest * problem.broadest))
        trials.append((Peak(float(x[middle]), float(np.ptp(y)) * sigma, sigma),))
    return trials

"""One misshapen spot fitted in the place of two: skewed, flat-topped, both at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lanes.spots.model import Peak, Problem, Solution, located, peak_shape
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

# What the shape's first terms say of the two values below, to first order (computed): h3 is 0.16
# of ln(upper over lower width), h4 is -0.20 of ln(power / 2).
H3_OF_LEAN, H4_OF_POWER = 0.16, 0.20
STARTS = ((0.3, 0.1), (-0.3, 0.1))  # lean and power from which the fit sets out
MOST_EVALUATIONS = 40
FREE = 2  # values beside a Gaussian's


def misshapen(x: Floats, values: Floats) -> Floats:
    """Return height exp(-|z|^p / 2), its two sides of different width.

    Parameters
    ----------
    x : (n,) array
    values : (5,) array
        Centre, ln height, ln sigma, ln(upper over lower width), ln(p / 2).
    """
    centre, ln_height, ln_sigma, lean, power = values
    away = x - centre
    sigma = np.exp(ln_sigma + 0.5 * np.where(away > 0.0, lean, -lean))
    return np.asarray(np.exp(ln_height - 0.5 * np.abs(away / sigma) ** (2.0 * np.exp(power))))


def misshapen_rss(problem: Problem, single: Solution, at: int, doubt: ShapeDoubt) -> float:
    """Return the squares left by one misshapen spot for peak `at`, its prior's among them.

    The other peaks keep to their fit but for first-order changes. The terms of `doubt` reach to
    small departures; this goes on where they end.

    Parameters
    ----------
    problem : Problem
    single : Solution
        All peaks fitted as Gaussians.
    at : int
    doubt : ShapeDoubt
    """
    sds = np.array([doubt.sds[0] / H3_OF_LEAN, doubt.sds[1] / H4_OF_POWER])
    rest = problem.y
    for j, q in enumerate(single.peaks):
        if j != at:
            rest = rest - peak_shape(problem.x, q)[0]
    rows = [k for k, name in enumerate(single.names) if (which := located(name)) and which[0] != at]
    others = single.jacobian[rows, : problem.x.size].T
    basis = np.linalg.qr(others)[0] if rows else np.zeros((problem.x.size, 0))
    data = problem.weigh(rest)

    def residual(values: Floats) -> Floats:
        left = problem.weigh(misshapen(problem.x, values)) - data
        left = left - basis @ (basis.T @ left)
        out = np.concatenate([left, values[3:] / sds])
        return np.asarray(np.clip(np.nan_to_num(out, nan=1e50), -1e50, 1e50))

    p: Peak = single.peaks[at]
    height = max(p.area / (p.sigma * ROOT_2PI), 1e-300)
    best = np.inf
    for lean, power in STARTS:
        start = np.array([p.centre, np.log(height), np.log(p.sigma), lean, power])
        found = least_squares(residual, start, method="lm", max_nfev=MOST_EVALUATIONS * start.size)
        best = min(best, 2.0 * float(found.cost))
    return best

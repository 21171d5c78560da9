"""Whether a peak stands out: in the fit of its whole lane, and beside it alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from lanes.rounding import TINY
from lanes.spots.model import Peak, Solution, peak_shape
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

MIDDLE = 2.0  # of its spreads in which nothing may hide the layer: a pencil line has flanks
REACH = 6.0  # of a peak's spreads on either side: what shows the layer beside it
# White noise beside the layer's own, as a share of its standard deviation: the finest detail is
# the resampling's, and an estimated covariance needs it to be one.
FLOOR = 0.2
LEAST_SAMPLES = 12  # under a peak of four values and a baseline's, to ask anything about it
RANK = 1e-11  # of the largest: directions that a fit fixes by less are not fixed at all


def local_significance(
    x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise, peak: Peak
) -> float:
    """Return a peak's area over its standard deviation, place and width free, from beside it.

    Generalised least squares against a straight line: slow waves of the layer, which a fit of the
    whole lane lets into the area, are seen on either side and taken off. 0 where too little of
    the trace is seen, or something hides the peak's middle.

    Parameters
    ----------
    x, y, gain : (n,) array
        Evenly spaced positions, the trace less every other peak, its relative noise.
    usable : (n,) bool array
    noise : Noise
    peak : Peak
    """
    spread = float(np.hypot(peak.sigma, peak.tau))
    inside = np.nonzero((np.abs(x - peak.centre) < REACH * spread) & usable)[0]
    hidden = (np.abs(x - peak.centre) < MIDDLE * spread) & ~usable
    if hidden.any() or inside.size < LEAST_SAMPLES or peak.area <= 0 or noise.sd <= 0:
        return 0.0
    lag = np.abs(inside[:, None] - inside[None, :])
    acf = np.append(noise.autocorrelation, 0.0)
    g = gain[inside] * noise.sd
    covariance = acf[np.minimum(lag, acf.size - 1)] * np.outer(g, g)
    covariance[np.diag_indices(inside.size)] += (FLOOR * g) ** 2
    value, by = peak_shape(x[inside], peak)
    # In units of the peak's own area: columns of like size.
    columns = np.stack([value, by[0] * spread, by[2] * spread,
                        np.full(inside.size, value.max()),
                        (x[inside] - peak.centre) / spread * value.max()], axis=1)
    try:
        solved = cho_solve(cho_factor(covariance), np.column_stack([columns, y[inside]]))
        normal = columns.T @ solved[:, :-1]
        inverse = np.linalg.inv(normal)
    except (LinAlgError, np.linalg.LinAlgError):
        return 0.0
    share = float(inverse[0] @ (columns.T @ solved[:, -1]))
    variance = float(inverse[0, 0])
    return share / float(np.sqrt(variance)) if variance > 0 else 0.0


def area_significance(x: Floats, solution: Solution) -> Floats:
    """Return each peak's area over its standard deviation with all else free.

    All noise is taken as shared over its correlation length, which is more than a narrow
    spot meets: a weak place has to be sure.
    """
    jw = solution.jacobian
    normal = jw @ jw.T
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), TINY))
    inverse = np.linalg.pinv(normal * scale[:, None] * scale[None, :], rcond=RANK)
    sd = np.sqrt(np.maximum(np.diag(inverse), 0.0)) * scale
    z = np.empty(len(solution.peaks))
    for i, p in enumerate(solution.peaks):
        name = f"p{i}_area"
        outside = not x[0] <= p.centre <= x[-1] or p.area <= 0
        if outside or name not in solution.names:
            z[i] = -1.0
        else:
            z[i] = p.area / max(sd[solution.names.index(name)], TINY)
    return z

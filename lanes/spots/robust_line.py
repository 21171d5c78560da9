"""A straight line through points of which some are odd."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median_line(x: Floats, y: Floats, apart: float) -> tuple[float, float]:
    """Return slope and level by Theil (1950) and Sen (1968): medians, which no odd point moves.

    Parameters
    ----------
    x, y : (n,) array
    apart : float
        Points nearer than this in `x` do not count for the slope; without any others it is 0.
    """
    first, second = np.triu_indices(x.size, 1)
    run, rise = x[first] - x[second], y[first] - y[second]
    far = np.abs(run) > apart
    slope = float(np.median(rise[far] / run[far])) if far.any() else 0.0
    return slope, float(np.median(y - slope * x))

"""Whether a lane's trace shows a valley between two neighbours that the reading lists.

One spot, however uneven, leaves none deeper than `VALLEY` between two maxima, unless it is a ring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.noise_covariance import noise_covariance
from lanes.reading import LaneReading
from lanes.spots.cross_profile import VALLEY

Floats = NDArray[np.float64]

# Neighbours are baseline separated from this resolution on (common practice).
SEPARATED = 1.5
SURE = 2.6    # standard deviations, 99 %
SMOOTH = 0.4  # of the narrower's sigma: a mean so wide lowers a Gaussian's apex by 7 % (computed)
REACH = 4.0   # of that mean's own sigmas, beyond the two apexes
PLACES = 101  # between two apexes, at which the trace is looked at


def shown_valley(reading: LaneReading, lower: int) -> float | None:
    """Return the valley over the lesser apex between spots `lower` and `lower` + 1.

    The lane's other spots are taken off the trace as they were fitted.

    Returns
    -------
    float from 0 on, or None where the trace shows no valley: none at all, none deeper than one
    spot's unevenness leaves, noise counted, or where samples are wanting.
    """
    trace, fit = reading.trace, reading.fit
    low, high = fit.components[lower], fit.components[lower + 1]
    width = SMOOTH * min(low.spread, high.spread)
    near = ((trace.position > low.centre - REACH * width)
            & (trace.position < high.centre + REACH * width))
    use = near & trace.usable
    if not high.centre > low.centre or use.sum() < 3:
        return None
    others = [peak for i, peak in enumerate(fit.peaks) if i not in (lower, lower + 1)]
    seen = trace.signal - reading.background - fit.baseline - np.sum(others, axis=0)
    x, y = trace.position[use], seen[use]
    places = np.linspace(low.centre, high.centre, PLACES)
    by = _means(x, places, width)
    if by is None:
        return None
    smooth = by @ y
    bottom = int(np.argmin(smooth))
    tops = int(np.argmax(smooth[: bottom + 1])), bottom + int(np.argmax(smooth[bottom:]))
    top = min(tops, key=lambda k: float(smooth[k]))
    if not 0 < bottom < PLACES - 1 or smooth[top] <= 0.0:
        return None
    contrast = VALLEY * by[top] - by[bottom]
    covariance = noise_covariance(reading.noise, trace.gain[near])
    inside = use[near]
    covariance = covariance[np.ix_(inside, inside)]
    sd = float(np.sqrt(max(float(contrast @ covariance @ contrast), 0.0)))
    if float(contrast @ y) <= SURE * sd:
        return None
    return max(float(smooth[bottom] / smooth[top]), 0.0)


def _means(x: Floats, places: Floats, width: float) -> Floats | None:
    """Return what takes samples at `x` to their means about `places`, Gaussian weights.

    None where samples are wanting there.
    """
    apart = np.abs(x - places[:, None])
    if apart.min(axis=1).max() > width:
        return None
    weight = np.exp(-0.5 * (apart / width) ** 2)
    return np.asarray(weight / weight.sum(axis=1)[:, None])

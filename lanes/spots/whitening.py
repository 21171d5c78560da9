"""What makes a residual's noise white: the layer's, every spot's misfit, and its shape's doubt."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dtrtri

from lanes.spots.model import Peak, peak_shape
from lanes.spots.shape_terms import ShapeDoubt
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

# A single spot is never quite Gaussian; a misfit of this share of its height is no second spot.
MISFIT = 0.006
# White noise beside the layer's own, as a share of its standard deviation: the finest detail is
# the resampling's, not the plate's.
FLOOR = 0.2
# Of each variance: the white noise that is added where a covariance is none; twice as much each
# time.
RIDGE = 0.01


def whitening(
    x: Floats, peaks: tuple[Peak, ...], sigma: float, gain: Floats, noise: Noise, fine_sd: float,
    shapes: ShapeDoubt | None, misfit: float = MISFIT,
) -> Floats:
    """Return the lower triangular (n, n) matrix that whitens the residual of `peaks` at `x`.

    Parameters
    ----------
    x, gain : (n,) array
        Places, on the grid of `noise.pitch`, and the relative noise there.
    peaks : tuple of Peak
    sigma : float
        Length over which the peaks' misfit is smooth.
    noise : Noise
        Of the layer carried on under a spot.
    fine_sd : float
        Standard deviation of the noise where the layer is seen.
    shapes : ShapeDoubt or None
        Counts as noise too where it is given.
    misfit : float
        Share of the spots' height by which they are uneven.
    """
    height = np.sum([peak_shape(x, p)[0] for p in peaks], axis=0)
    step = np.rint((x - x[0]) / noise.pitch).astype(int)
    lag = np.abs(step[:, None] - step[None, :])
    lags = np.arange(int(lag.max()) + 1)
    shared = np.zeros(lags.size)
    known = min(lags.size, noise.autocorrelation.size)
    shared[:known] = noise.autocorrelation[:known]
    covariance = _between(shared[lag], noise.sd * gain)
    smooth = np.exp(-0.5 * np.square(lags * (noise.pitch / sigma)))
    covariance += _between(smooth[lag], misfit * height)
    if shapes is not None:
        for c in (p.component() for p in peaks):
            covariance += shapes.covariance((x - c.mean) / c.spread, c.height)
    covariance[np.diag_indices(x.size)] += (FLOOR * fine_sd * gain) ** 2
    # An estimated covariance need not quite be one: as much white noise as makes it one.
    ridge, diagonal = 0.0, np.diag(covariance).copy()
    while True:
        # Rows as columns: LAPACK works on the transpose, and no copy is turned round.
        upper, failed = dpotrf(covariance.T, lower=0)
        if not failed:
            return np.asarray(dtrtri(upper, lower=0, overwrite_c=1)[0].T)
        ridge = 2.0 * ridge + RIDGE
        covariance[np.diag_indices(x.size)] = (1.0 + ridge) * diagonal


def _between(correlation: Floats, size: Floats) -> Floats:
    """Return the covariance of values of `size`, made in the place of their `correlation`."""
    correlation *= size[:, None]
    correlation *= size
    return correlation

"""Covariance of a trace's samples: the layer's noise, and what a spot departs from its formula."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import toeplitz
from scipy.optimize import nnls

from lanes.spots.shape_doubt import ShapeDoubt
from lanes.spots.whitening import MISFIT
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

MISFIT_REACH, MISFIT_LENGTH = 1.3, 0.7  # the misfit's envelope and its smoothness, in sigmas
FLOOR = 0.003  # white share of the noise's variance that is always there
# Lengths of the decaying kernels, in samples: from less than one to beyond any correlation that is
# followed (LAG_MM at 1000 dots per inch), each a third longer than the last.
KERNELS = np.geomspace(0.5, 250.0, 22, dtype=np.float64)


def noise_covariance(noise: Noise, gain: Floats) -> Floats:
    """Return the covariance of evenly spaced samples under `noise`, its spectrum made smooth.

    An autocorrelation followed over a few mm has a spectrum that wavers about the true one and
    falls below zero, just at the frequencies of spots; a test would lean on those places. A sum
    of decaying kernels with weights of no negative sign follows it as closely as such a spectrum
    can, and is a covariance at any length.
    """
    found, n = noise.autocorrelation, gain.size
    lags: Floats = np.arange(max(n, found.size), dtype=np.float64) * noise.pitch
    row = np.zeros(n)
    row[0] = 1.0
    if found.size > 2:
        lengths: Floats = noise.pitch * KERNELS

        def kernels(at: Floats) -> Floats:
            ratio = at[:, None] / lengths
            return np.concatenate([np.exp(-0.5 * ratio**2), np.exp(-ratio)], axis=1)

        weights = nnls(kernels(lags[: found.size]), found)[0]
        row = kernels(lags[:n]) @ weights
        row = row / row[0]
        row[0] += FLOOR
    size = noise.sd * gain
    return np.asarray(toeplitz(row) * size[:, None] * size[None, :])


def misfit_covariance(
    z: Floats, height: float, doubt: ShapeDoubt | None = None, rough: float = 1.0
) -> Floats:
    """Return the covariance of a spot's departure from a Gaussian.

    Parameters
    ----------
    z : (n,) array
        Distance from the spot's centre in its sigmas.
    height : float
        Of the spot.
    doubt : ShapeDoubt, optional
        Of the shape's low orders (skewed, flat). What is finer than those is always there, of
        `MISFIT` of the height.
    rough : float
        By how much a spot is more misshapen than others, as a factor of all that.
    """
    smooth = np.exp(-0.5 * ((z[:, None] - z[None, :]) / MISFIT_LENGTH) ** 2)
    envelope = MISFIT * height * np.exp(-0.5 * (z / MISFIT_REACH) ** 2)
    fine = smooth * envelope[:, None] * envelope[None, :]
    return rough**2 * np.asarray(fine if doubt is None else fine + doubt.covariance(z, height))

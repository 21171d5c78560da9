"""Shapes of a spot along its lane, with their derivatives in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erfcx

Floats = NDArray[np.float64]
ROOT_2PI = float(np.sqrt(2.0 * np.pi))
# Where erfcx is not worked out: it overflows at -26, and at -20 is twice its exponential to
# rounding.
FAR_TAIL = -20.0
NO_TAIL = 1e-6  # tau over sigma: so short a tail moves the apex by tau, to rounding
# Sigmas: an apex lies no farther off than this, however long the tail; and what it is found to.
APEX_MOST, APEX_MARGIN, APEX_TO = 8.0, 1e-9, 1e-12
FWHM = 2.0 * float(np.sqrt(2.0 * np.log(2.0)))  # full width at half height over sigma


def gaussian(x: Floats, centre: float, area: float, sigma: float) -> tuple[Floats, Floats]:
    """Return a Gaussian of unit `area` times `area`, and its derivatives.

    Parameters
    ----------
    x : (n,) array

    Returns
    -------
    (n,) array, and (3, n) array of derivatives by centre, area and sigma.
    """
    z = (x - centre) / sigma
    unit = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
    value = area * unit
    return value, np.array([value * z / sigma, unit, value * (z * z - 1.0) / sigma])


def tailed(x: Floats, mean: float | Floats, area: float | Floats, sigma: float | Floats,
           tau: float | Floats) -> tuple[Floats, Floats]:
    """Return an exponentially modified Gaussian whose tail points to smaller `x`.

    A negative `tau` points it to larger `x`. `mean` is that of the Gaussian part. In the scaled
    form with erfcx, stable where the exponential overflows (Foley & Dorsey, Anal. Chem. 55, 730
    (1983), for the shape; from memory).

    Parameters
    ----------
    x : (n,) array
    tau : float
        Not 0.

    All but `x` may be (b, 1) arrays, for as many curves at once.

    Returns
    -------
    (n,) array, and (4, n) array of derivatives by mean, area, sigma and tau; (b, n), (4, b, n).
    """
    side = -np.sign(tau)
    t = np.abs(tau)
    d = (x - mean) * side
    w = (sigma / t - d / sigma) / np.sqrt(2.0)
    # Where w is far below zero erfcx overflows; there the tail is exp(w^2 - ...) times 2.
    core = np.exp(-0.5 * (d / sigma) ** 2)
    low = w < FAR_TAIL
    far_tail = bool(low.any())
    scaled = core * erfcx(np.where(low, 0.0, w) if far_tail else w)
    if far_tail:
        far = 2.0 * np.exp(np.minimum(0.5 * (sigma / t) ** 2 - d / t, 0.0))
        scaled = np.where(low, far, scaled)
    unit = scaled / (2.0 * t)
    value = area * unit
    normal = area * core / (sigma * ROOT_2PI)
    # t f' + f = gaussian, along the tail's direction.
    slope = (normal - value) / t
    bend = (-normal * d / sigma**2 - slope) / t
    by_tau = -value / t + area / (2.0 * t) * (2.0 * w * scaled - 2.0 / np.sqrt(np.pi) * core) * (
        -sigma / (np.sqrt(2.0) * t * t)
    )
    return value, np.array([-side * slope, unit, sigma * bend, np.sign(tau) * by_tau])


def apex(sigma: float, tau: float) -> float:
    """Return how far an exponentially modified Gaussian's apex lies from its Gaussian's mean.

    Solves f' = 0 for the standard form, with the sign of `tailed`: a positive `tau` moves the
    apex to smaller x.
    """
    t = abs(tau) / sigma
    if t < NO_TAIL:
        return -float(tau)
    # At the apex the curve equals its Gaussian part: erfcx(w) = t sqrt(2 / pi).
    target = t * np.sqrt(2.0 / np.pi)

    def gap(z: float) -> float:
        return float(erfcx((1.0 / t - z) / np.sqrt(2.0)) - target)

    z = brentq(gap, 0.0, min(t, APEX_MOST) + APEX_MARGIN, xtol=APEX_TO)
    return float(-np.sign(tau) * z * sigma)

"""Profiles of unit area along and across a lane.

Kept apart from the shapes that are fitted, so that a mistake there can't hide in the truth.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcx

Floats = NDArray[np.float64]

FWHM = 2 * math.sqrt(2 * math.log(2))  # of a Gaussian, in sigma


def gaussian(t: Floats) -> Floats:
    """Return the Gaussian of unit area and unit sigma at `t`."""
    return np.exp(-0.5 * t * t) / math.sqrt(2 * math.pi)


def emg(t: Floats, tau: float) -> Floats:
    """Return the exponentially modified Gaussian at `t`: unit area, unit sigma, tail to +t.

    Foley & Dorsey, J. Chromatogr. Sci. 22, 40 (1984) (from memory), written with the scaled
    complementary error function where the plain form overflows.
    """
    a = (1 / tau - t) / math.sqrt(2)
    out = np.empty_like(t)
    lead = a >= 0
    out[lead] = np.exp(-0.5 * t[lead] ** 2) * erfcx(a[lead])
    out[~lead] = np.exp(0.5 / tau**2 - t[~lead] / tau) * erfc(a[~lead])
    return out / (2 * tau)


@lru_cache(maxsize=1024)
def emg_landmarks(tau: float) -> tuple[float, float]:
    """Return (apex, full width at half height) of `emg`, in sigma.

    The shape g obeys tau g' + g = Gaussian, so at the apex g equals the Gaussian.
    """

    def excess(t: float) -> float:
        a = (1 / tau - t) / math.sqrt(2)
        return float(math.log(erfcx(a)) + 0.5 * math.log(math.pi / 2) - math.log(tau))

    apex = float(brentq(excess, 0.0, tau, xtol=1e-14))
    half = float(emg(np.array([apex]), tau)[0]) / 2

    def above(t: float) -> float:
        return float(emg(np.array([t]), tau)[0]) - half

    first = float(brentq(above, apex - 3, apex, xtol=1e-14))
    last = float(brentq(above, apex, apex + 3 + 3 * tau, xtol=1e-14))
    return apex, last - first


class Along:
    """Profile along the lane at distances u (mm) from the apex, positive toward the front."""

    def __init__(self, fwhm: float, tail: float) -> None:
        # Below this the tail is lost in rounding and the shape is a Gaussian.
        self.tau = abs(tail) if abs(tail) > 1e-3 else 0.0
        self.apex, width = emg_landmarks(self.tau) if self.tau else (0.0, FWHM)
        self.sigma = fwhm / width
        self.turn = -1.0 if tail > 0 else 1.0
        # Beyond this the profile is under a double's resolution of its height.
        self.reach = (9.0 + 40.0 * self.tau) * self.sigma

    def __call__(self, u: Floats) -> Floats:
        t = self.apex + self.turn * u / self.sigma
        return (emg(t, self.tau) if self.tau else gaussian(t)) / self.sigma


class Across:
    """Profile across the lane at offsets v (mm): a Gaussian, or a band with soft ends."""

    def __init__(self, width: float, soft: float | None) -> None:
        self.width = width
        self.soft = soft
        self.reach = 9 * width / FWHM if soft is None else width / 2 + 9 * soft

    def __call__(self, v: Floats) -> Floats:
        if self.soft is None:
            sigma = self.width / FWHM
            return gaussian(v / sigma) / sigma
        scale = self.soft * math.sqrt(2)
        ends = erf((v + self.width / 2) / scale) - erf((v - self.width / 2) / scale)
        return np.asarray(ends / (2 * self.width), float)

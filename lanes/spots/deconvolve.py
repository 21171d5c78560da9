"""Overlapping spots taken apart: a sum of peaks and a low-order term, fitted with lmfit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Component:
    """One fitted peak. `centre` is its apex, `sigma` and `tau` its widths, all in mm.

    `height` is at the apex in signal x mm; `area` in signal x mm^2.
    """

    centre: float
    height: float
    sigma: float
    tau: float
    area: float


@dataclass(frozen=True)
class Attempt:
    """One count of components that was tried, with its scores."""

    components: int
    shape: str
    rss: float
    parameters: int
    aicc: float
    bic: float


@dataclass(frozen=True)
class Fit:
    """What was fitted to one trace.

    Attributes
    ----------
    components : tuple of Component
        From origin to front.
    covariance : (p, p) array or None
        Of (centre, area, sigma, tau) of each component in turn, noise's correlation included.
    baseline, model : (n,) array
        The joint low-order term, and the whole fit with it.
    peaks : (c, n) array
        Each component alone.
    """

    components: tuple[Component, ...]
    covariance: Floats | None
    joint: str
    baseline: Floats
    model: Floats
    peaks: Floats
    r_squared: float | None
    reduced_chi_square: float | None
    aicc: float | None
    bic: float | None
    tried: tuple[Attempt, ...]
    at_bound: tuple[int, ...] = ()

"""A stretch of a lane round some of its spots, with the noise that a test of them needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.noise_covariance import MISFIT_LENGTH, MISFIT_REACH, noise_covariance
from lanes.evidence.whitened_space import Space, make_space
from lanes.reading import LaneReading
from lanes.spots.model import peak_shape
from lanes.spots.shape_terms import basis
from lanes.spots.shapes import ROOT_2PI
from lanes.spots.whitening import MISFIT

Floats = NDArray[np.float64]

REACH = 5.0   # sigmas of window on either side
SHOWN = 0.7   # share of a spot's middle, one sigma to either side, that has to be usable
NO_NOISE = 1e-6  # of the trace's range, where it shows no noise: so that a covariance has a root


@dataclass(frozen=True)
class Window:
    """Usable samples round some spots.

    Attributes
    ----------
    x, y : (n,) array
        Positions, and the trace less baseline and other spots.
    covariance : (n, n) array
        Of the noise, with a smooth misfit of the spots' height.
    nuisance : (n, q) array
        Baseline, and what is uncertain of other spots: columns of no interest.
    """

    x: Floats
    y: Floats
    covariance: Floats
    nuisance: Floats

    def unsure(self, centre: float, sigma: float, area: float, terms: Floats) -> Window:
        """Return the window of a spot whose shape terms have the covariance `terms`, (4, 4)."""
        by = basis((self.x - centre) / sigma) * (area / (sigma * ROOT_2PI))
        return replace(self, covariance=self.covariance + by @ terms @ by.T)

    def space(self, narrowest: float) -> Space:
        """Return the space that spots of sigma `narrowest` or more are fitted in."""
        return make_space(self.x, self.covariance, self.nuisance, narrowest)


def window_of(
    reading: LaneReading, group: Sequence[int], mm: float, more: float = 0.0
) -> Window | None:
    """Return the window round the components `group` of a lane.

    Parameters
    ----------
    reading : LaneReading
    group : sequence of int
    mm : float
        Millimetres per plate unit.
    more : float
        Room on either side besides.

    Returns
    -------
    Window, or None where too little of the trace can be used.
    """
    trace, fit, noise = reading.trace, reading.fit, reading.noise
    parts = [fit.components[i] for i in group]
    wide = max(c.spread for c in parts)
    low = min(c.centre for c in parts) - REACH * wide - more
    high = max(c.centre for c in parts) + REACH * wide + more
    inside = (trace.position > low) & (trace.position < high)
    x = trace.position[inside]
    y = (trace.signal - reading.background - fit.baseline)[inside]
    usable, gain = trace.usable[inside], trace.gain[inside]
    if usable.sum() < 24:
        return None
    middle = 0.5 * (low + high)
    columns = [np.ones_like(x), (x - middle) / (high - low)]
    height = np.zeros_like(x)
    for j, c in enumerate(fit.components):
        peak = c.peak()
        value, by = peak_shape(x, peak)
        if j in group:
            height = height + c.height * np.exp(
                -0.5 * ((x - c.centre) / (MISFIT_REACH * c.spread)) ** 2)
            near = np.abs(x - c.centre) < c.spread
            if not near.any() or usable[near].mean() < SHOWN:
                return None
            continue
        y = y - value
        if low - 2.0 * c.spread < c.centre < high + 2.0 * c.spread:
            columns += [by[k] for k in range(4 if c.tau else 3) if np.any(by[k])]
    if noise.sd <= 0:
        noise = replace(noise, sd=NO_NOISE * float(np.ptp(y)))
    sigma = min(c.sigma for c in parts)
    smooth = np.exp(-0.5 * ((x[:, None] - x[None, :]) / (MISFIT_LENGTH * sigma)) ** 2)
    envelope = MISFIT * height
    covariance = noise_covariance(noise, gain) + envelope[:, None] * envelope * smooth
    both = np.ix_(usable, usable)
    return Window(x[usable], y[usable], covariance[both], np.stack(columns, axis=1)[usable])

"""A lane's trace as spots: fitted, its noise doubted, each spot looked at across the lane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.spots.transverse import BROADEST_MM, NARROWEST_MM, reject_artefacts
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

BESIDE = 4.5  # spreads from a spot, beyond which its misfit is gone
LEAST_BESIDE = 0.2  # share of the lane that must lie there to be judged by
INCREDIBLE = 16.0  # residual variance over the layer's: four times its standard deviation


def fit_lane(
    trace: Trace, flat: NDArray[np.float64], noise: Noise, *, mm: float,
    baseline_order: str = "auto", components: int | None = None,
    shapes: ShapeDoubt = ASSUMED, trial: bool = False,
) -> tuple[Fit, Noise]:
    """Return the spots in a lane's trace, and the noise they were held against.

    Parameters
    ----------
    trace : Trace
    flat : (n,) array
        Its signal less the background.
    noise : Noise
        Of the layer. It is scaled up where the lane shows far more.
    mm : float
        Millimetres per unit of length.
    baseline_order : str
        The baseline fitted with the spots.
    components : int, optional
        How many spots there are, where that is known: then none is doubted.
    shapes : ShapeDoubt
        How far a spot's profile may depart from a Gaussian.
    trial : bool
        As for `deconvolve`.

    Returns
    -------
    Fit, Noise
    """
    def fitted() -> Fit:
        return deconvolve(trace.position, flat, noise=noise, gain=trace.gain, usable=trace.usable,
                          baseline_order=baseline_order, components=components,
                          narrowest=NARROWEST_MM / mm, broadest=BROADEST_MM / mm,
                          shapes=shapes, sheet=trace.sheet, trial=trial)

    fit = fitted()
    for _ in range(2):
        chi = _beside_spots(trace, flat, fit, noise)
        if chi < INCREDIBLE:
            break
        # Compression and few grey levels leave a layer without noise, not a plate without.
        noise = noise.times(float(np.sqrt(chi)))
        fit = fitted()
    if components is None:
        fit = reject_artefacts(trace, flat, fit, noise, mm, baseline_order, shapes)
    return fit, noise


def _beside_spots(trace: Trace, flat: NDArray[np.float64], fit: Fit, noise: Noise) -> float:
    """Return the residual's variance over the noise's where no spot's own misfit can be in it."""
    clear = trace.usable.copy()
    for c in fit.components:
        clear &= np.abs(trace.position - c.mean) > BESIDE * c.spread
    if clear.sum() < LEAST_BESIDE * trace.usable.sum() or noise.local.sd <= 0:
        return fit.reduced_chi_square or 0.0
    rest = (flat - fit.model)[clear] / (trace.gain[clear] * noise.local.sd)
    return float(rest @ rest) / rest.size

"""A lane's trace as spots: fitted, its noise doubted, each spot looked at across the lane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import MAD_SD, SECOND_DIFFERENCE_SD
from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.spots.transverse import BROADEST_MM, NARROWEST_MM, reject_artefacts
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

BESIDE = 4.5  # spreads from a spot, beyond which its misfit is gone
LEAST_BESIDE = 0.2  # share of the lane that must lie there to be judged by
INCREDIBLE = 16.0  # residual variance over the layer's: four times its standard deviation
# Noise of a picture (grain, codes, blocks of compression) changes within a millimetre, a smear of
# matter along the lane does not: what leaves a residual that this noise has less than half of (a
# choice) is a smear.
FINE_MM, SMEARED = 1.0, 0.5
# Matter smeared from the origin on, or up to the front, ends there in a step. So far from the line
# the level inside it is read, and so far the smear reaches at half of that at least: farther than a
# spot at the line does. In standard deviations, what is surely a step. Choices.
INSIDE_MM, LONG_MM, STEP_SDS = 2.0, 8.0, 6.0
LOWEST = 0.1  # quantile of a stretch: the level between its spots


def fit_lane(
    trace: Trace, flat: NDArray[np.float64], noise: Noise, *, mm: float,
    baseline_order: str = "auto", components: int | None = None,
    shapes: ShapeDoubt = ASSUMED, trial: bool = False,
) -> tuple[Fit, Noise, Trace]:
    """Return the spots in a lane's trace, the noise they were held against, and the trace.

    The trace's gain is less where smeared matter makes most of the noise: that is added to the
    spots' signal, and a dark spot does not amplify it as it does the noise of light.

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
    Fit, Noise, Trace
    """
    trace = _up_to_the_lines(trace, flat, noise, mm)

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
        clear, noise = noise.local, noise.times(float(np.sqrt(chi)))
        if _fine(trace, flat, FINE_MM / mm) < SMEARED * noise.local.sd:
            noise = noise.smeared(clear.without_smear or clear.sd)
            trace = replace(trace, gain=np.sqrt(1.0 + np.square(trace.gain) / chi))
        fit = fitted()
    if components is None:
        fit = reject_artefacts(trace, flat, fit, noise, mm, baseline_order, shapes)
    return fit, noise, trace


def _up_to_the_lines(
    trace: Trace, flat: NDArray[np.float64], noise: Noise, mm: float
) -> Trace:
    """Return the trace without what lies beyond a line where smeared matter ends at it.

    No spot's flank and no baseline follows such a step, and what they leave of it would pass for
    noise: beyond the line the smear is not known.
    """
    usable = trace.usable.copy()
    for beyond, within in ((-trace.position, trace.position),
                           (trace.position - trace.run, trace.run - trace.position)):
        outside = trace.usable & (beyond > 0.0)
        inside, along = (trace.usable & (within > 0.0) & (within < length / mm)
                         for length in (INSIDE_MM, LONG_MM))
        if not (outside.any() and inside.any()):
            continue
        level = float(np.median(flat[outside]))
        step = float(np.median(flat[inside])) - level
        lowest = float(np.quantile(flat[along], LOWEST)) - level
        if step > STEP_SDS * noise.local.sd and lowest > 0.5 * step:
            usable &= ~outside
    return trace if (usable == trace.usable).all() else replace(trace, usable=usable)


def _fine(trace: Trace, flat: NDArray[np.float64], apart: float) -> float:
    """Return the standard deviation of what changes along the lane within `apart`."""
    n = max(1, round(apart / trace.pitch))
    if flat.size < 4 * n:
        return np.inf
    second = (flat[2 * n:] - 2.0 * flat[n:-n] + flat[: -2 * n]) / trace.gain[n:-n]
    use = trace.usable[2 * n:] & trace.usable[n:-n] & trace.usable[: -2 * n]
    return MAD_SD * float(np.median(np.abs(second[use]))) / SECOND_DIFFERENCE_SD


def _beside_spots(trace: Trace, flat: NDArray[np.float64], fit: Fit, noise: Noise) -> float:
    """Return the residual's variance over the noise's where no spot's own misfit can be in it."""
    clear = trace.usable.copy()
    for c in fit.components:
        clear &= np.abs(trace.position - c.mean) > BESIDE * c.spread
    if clear.sum() < LEAST_BESIDE * trace.usable.sum() or noise.local.sd <= 0:
        return fit.reduced_chi_square or 0.0
    rest = (flat - fit.model)[clear] / (trace.gain[clear] * noise.local.sd)
    return float(rest @ rest) / rest.size

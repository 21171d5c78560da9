"""A lane's trace taken apart: fitted, its noise doubted, each spot looked at across the lane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.spots.deconvolve import Fit, deconvolve
from lanes.spots.transverse import reject_artefacts
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

INCREDIBLE = 16.0  # residual variance over the layer's: four times its standard deviation
NARROWEST_MM, BROADEST_MM = 0.25, 5.0  # sigma of a spot (common practice: 1 to 2 mm across)


def fit_lane(
    trace: Trace, flat: NDArray[np.float64], noise: Noise, *, mm: float, joint: str = "auto",
    components: int | None = None,
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
    joint : str
        The low-order term fitted with the spots.
    components : int, optional
        How many spots there are, where that is known: then none is doubted.

    Returns
    -------
    Fit, Noise
    """
    def fitted() -> Fit:
        return deconvolve(trace.position, flat, noise=noise, gain=trace.gain, usable=trace.usable,
                          joint=joint, components=components, narrowest=NARROWEST_MM / mm,
                          broadest=BROADEST_MM / mm)

    fit = fitted()
    for _ in range(2):
        chi = fit.reduced_chi_square or 0.0
        if chi < INCREDIBLE:
            break
        # Compression and few grey levels leave a layer without noise, not a plate without.
        noise = noise.times(float(np.sqrt(chi)))
        fit = fitted()
    if components is None:
        fit = reject_artefacts(trace, flat, fit, noise, mm, joint)
    return fit, noise

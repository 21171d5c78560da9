"""What a spot shows across its lane, as what one spot is like along it.

A spot is applied and spreads alike both ways (`lanes.spots.cross_profile`). So its profile across
the lane gives the shape and the width of one spot, and so of each of two: a disc or a ring is flat
both ways, and two substances make a patch longer than wide. How much longer one spot may be is
`LENGTH_PRIOR`, or what the plate's lone spots show where that is less. What tails, streaks or is
overloaded is longer than wide though one: a tail is held against two without regard to the width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from lanes.evidence.whitened_models import stretched
from lanes.evidence.whitened_space import Model
from lanes.questions.shoulder.window import Window
from lanes.reading import LaneReading
from lanes.spots.cross_profile import BAND, CrossProfile, cross_profile
from lanes.spots.shape_terms import LENGTH_PRIOR
from lanes.spots.shapes import FWHM

Floats = NDArray[np.float64]

AS_LONG_AS_WIDE = (0.0, LENGTH_PRIOR)  # ln of a spot's length over its width, and its sd


@dataclass(frozen=True)
class AsAcross:
    """One spot as the profile across the lane has it.

    Attributes
    ----------
    model : Model
        Of centre, ln sigma, area; sigma is that of the Gaussian nearest to it.
    width : (ln sigma, sd)
        What the profile leads to expect along the lane.
    half_width : float
        Full width at half height over that of a Gaussian of its sigma.
    """

    model: Model
    width: tuple[float, float]
    half_width: float


def as_across(
    reading: LaneReading, group: tuple[int, ...], window: Window, length: tuple[float, float]
) -> AsAcross | None:
    """Return what the spot shows across its lane, None where it shows nothing.

    A trace has no such profile. A spot applied as a line, or cut off by its lane's sides, has none
    that says anything of its length.

    Parameters
    ----------
    length : (ln ratio, sd)
        Of a single spot's length over its width.
    """
    sheet, trace = reading.trace.sheet, reading.trace
    if sheet is None or length[0] < -BAND:
        return None
    others = tuple(c.peak() for j, c in enumerate(reading.fit.components) if j not in group)
    found = cross_profile(sheet, trace.position, trace.usable, window.first, others, band=np.inf)
    if found is None or np.log(window.first.sigma / found.sigma) < -BAND:
        return None
    sigma = nearest_gaussian(found)
    last = int(np.nonzero(found.height >= 0.5)[0][-1])
    half = float(np.interp(-0.5, -found.height[last:last + 2], found.distance[last:last + 2]))
    return AsAcross(
        stretched(found.distance / sigma, found.height),
        (float(np.log(sigma)) + length[0], length[1]), 2.0 * half / (FWHM * sigma))


def nearest_gaussian(profile: CrossProfile) -> float:
    """Return the sigma of the Gaussian that leaves the least squares of a profile."""

    def left(ln_sigma: float) -> float:
        bell = np.exp(-0.5 * (profile.distance / np.exp(ln_sigma)) ** 2)
        return -float((bell @ profile.height) ** 2 / (bell @ bell))

    middle = float(np.log(profile.sigma))
    return float(np.exp(minimize_scalar(left, bounds=(middle - 1.0, middle + 1.0),
                                        method="bounded").x))

"""The spot across its lane: where each component lies in its strips."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.questions.shoulder.window import Window
from lanes.reading import LaneReading
from lanes.spots.strip_shape import Strips

Floats = NDArray[np.float64]

SAME_CENTRE = 0.25   # of the spot's half width across: two of one application agree so well
SAME_WIDTH = 0.20    # as ln of the widths' ratio (common practice)
SURE = 2.6           # standard deviations, 99 %
NO_WIDTH = 1e-12     # of half the lane's width: so that nothing is divided by 0
JUST_BELOW = 1e-9    # mm: a sample's place is looked up in spite of rounding


@dataclass(frozen=True)
class Across:
    """Two components across the lane.

    Attributes
    ----------
    centre, centre_sd : float
        Of the smaller less that of the larger, in standard deviations of the larger's profile.
    width, width_sd : float
        ln of the smaller's width over the larger's.
    """

    centre: float
    centre_sd: float
    width: float
    width_sd: float

    @property
    def verdict(self) -> str:
        """"for" one outline at two places, "against" it, or "undecided"."""
        off = (abs(self.centre) > max(SAME_CENTRE, SURE * self.centre_sd)
               or abs(self.width) > max(SAME_WIDTH, SURE * self.width_sd))
        if off:
            return "against"
        sure = SURE * self.centre_sd < 2 * SAME_CENTRE and SURE * self.width_sd < 2 * SAME_WIDTH
        return "for" if sure else "undecided"


def across_lane(
    strips: Strips | None, window: Window, shapes: Floats, areas: Floats
) -> Across | None:
    """Return how two components lie across the lane, None for a trace without strips.

    Parameters
    ----------
    strips : Strips or None
        The window's.
    shapes : (2, m) array
        Each component along the window, of unit area.
    areas : (2,) array
    """
    if strips is None:
        return None
    found, variance = strips.amounts(np.stack([*shapes[:, window.usable]], axis=1))
    if found.sum(axis=1).min() <= 0:
        return None
    place = np.linspace(-1.0, 1.0, found.shape[1])
    large, small = (0, 1) if areas[0] >= areas[1] else (1, 0)
    middle, wide, _, _ = _moments(place, found[large], variance[large])
    centre, width, centre_sd, width_sd = _moments(place, found[small], variance[small])
    if not (wide > 0 and width > 0):
        return Across(0.0, np.inf, 0.0, np.inf)
    return Across((centre - middle) / wide, centre_sd / wide, float(np.log(width / wide)),
                  width_sd / width)


def _moments(place: Floats, row: Floats, variance: Floats) -> tuple[float, float, float, float]:
    """Return mean and standard deviation of a profile, and the noise's of both."""
    total = float(row.sum())
    mean = float(row @ place) / total
    square = float(row @ (place - mean) ** 2) / total
    wide = float(np.sqrt(max(square, 0.0)))
    mean_sd = float(np.sqrt(variance @ (place - mean) ** 2)) / total
    square_sd = float(np.sqrt(variance @ ((place - mean) ** 2 - square) ** 2)) / total
    return mean, wide, mean_sd, square_sd / max(2.0 * wide, NO_WIDTH)


def strips_of(reading: LaneReading, window: Window) -> Strips | None:
    """Return the window's strips, as signal x length; None for a trace without any."""
    trace, use = reading.trace, window.usable
    if trace.strips is None or trace.across is None:
        return None
    first = int(np.searchsorted(trace.position, window.x[0] - JUST_BELOW))
    step = float(trace.across[1] - trace.across[0])
    rows = np.asarray(trace.strips[first:first + window.x.size][use] * step, float)
    return Strips(window.x[use], window.z[use], window.gain[use], rows, window.columns[use],
                  reading.noise)

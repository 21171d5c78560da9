"""One spot more, shaped as a spot of the plate is: what is put into a lane to learn if it shows.

Substances of one plate are applied alike and run alike: where one spot is a comet or a crescent,
the next is too. A Gaussian as wide as the middle of such a spot is taller than it for the same
area, and would be found where the spot itself is missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.reading import LaneReading
from lanes.rounding import TINY
from lanes.spots.fit import Fit
from lanes.spots.quantities import full_width
from lanes.spots.shapes import FWHM
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

# Spreads of a spot to either side up to which it is taken as it was seen; a Gaussian's ends there,
# and of a tail of the same spread a hundredth is left.
REACH = 4.5
# Standard deviations of the noise that a spot's height must be to show how it is shaped: then all
# but a twelfth of what is taken for its shape is.
SHOWS = 12.0
GAUSSIAN_REACH = 6.0  # sigmas: a Gaussian is 1e-8 of its height there
STEPS = 40            # samples to a sigma of a drawn Gaussian: interpolated to 1e-4 of its height


@dataclass(frozen=True)
class FurtherSpot:
    """A spot of unit area that can stand anywhere.

    Attributes
    ----------
    offsets, values : (n,) array
        Distance from its apex, and its signal along the lane there.
    sigma : float
        Of the Gaussian that is as wide at half height.
    """

    offsets: Floats
    values: Floats
    sigma: float

    def at(self, position: Floats, centre: float) -> Floats:
        """Return the spot with its apex at `centre`, at each of `position`."""
        return np.interp(position - centre, self.offsets, self.values, left=0.0, right=0.0)


def round_spot(sigma: float) -> FurtherSpot:
    """Return a Gaussian."""
    z = np.linspace(-GAUSSIAN_REACH, GAUSSIAN_REACH, round(2 * GAUSSIAN_REACH * STEPS) + 1)
    return FurtherSpot(sigma * z, np.exp(-0.5 * z * z) / (sigma * np.sqrt(2.0 * np.pi)), sigma)


def spot_like(
    reading: LaneReading, index: int, parts: Sequence[int] = ()
) -> FurtherSpot:
    """Return a spot shaped along the lane as that at `index` is, `parts` its own parts.

    Its apex and its width are those of the tallest part. Where that stands far out of the noise,
    the shape is what the trace shows, the other spots and the baseline taken off; else what was
    fitted. Its area is that of the fit.
    """
    return _like(reading.trace, reading.trace.signal - reading.background, reading.fit,
                 reading.noise, (index, *parts))


def _like(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, group: tuple[int, ...]
) -> FurtherSpot:
    main = max((fit.components[i] for i in group), key=lambda c: c.height)
    low = min(fit.components[i].mean - REACH * fit.components[i].spread for i in group)
    high = max(fit.components[i].mean + REACH * fit.components[i].spread for i in group)
    for i, other in enumerate(fit.components):
        half = 0.5 * (other.centre + main.centre)  # what lies beyond is the other's
        if i not in group and other.centre < main.centre:
            low = max(low, half)
        elif i not in group:
            high = min(high, half)
    own = fit.peaks[list(group)].sum(axis=0)
    seen = trace.usable & (trace.position > low) & (trace.position < high)
    if main.height > SHOWS * noise.local.sd:
        own = own + np.where(seen, flat - fit.model, 0.0)
    area = sum(fit.components[i].area for i in group)
    return FurtherSpot(trace.position - main.centre, own / max(area, TINY),
                       full_width(main) / FWHM)


def carried_over_seen(noise: Noise, pitch: float, spot: FurtherSpot) -> float:
    """Return a spot's noise where it hides the layer over that where the layer is seen, 1 or more.

    A spot that is put into a trace stands on layer that was seen; a real one hides the layer it
    stands on, and what is carried on under it may be more or less. Either noise is that of the
    spot's area, fitted with a straight line within its reach.
    """
    x = np.arange(-REACH * spot.sigma, REACH * spot.sigma + 0.5 * pitch, pitch)
    columns = np.stack([spot.at(x, 0.0), np.ones(x.size), x / spot.sigma], axis=1)
    pull = np.linalg.pinv(columns)[0][:, None]
    whole, seen = (float((pull.T @ n.through(np.ones(x.size), pull))[0, 0])
                   for n in (noise, noise.local))
    return float(np.sqrt(max(whole / seen, 1.0))) if seen > 0.0 else 1.0

"""Two spots that the reading lists, with a valley between them that the trace shows.

A valley is one under every law from light to signal, since a law is monotonic, and in a clipped or
overloaded spot too; neither a tail nor a flat top has one. A ring has, but is no longer than wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.evidence.noise_covariance import noise_covariance
from lanes.questions.shoulder.window import Window
from lanes.reading import LaneReading
from lanes.spots.cross_profile import BAND, LENGTH_PRIOR, VALLEY, cross_profile
from lanes.spots.model import Peak
from lanes.spots.split import merged_peak

Floats = NDArray[np.float64]

# Neighbours are baseline separated from this resolution on (common practice): no question any more.
SEPARATED = 1.5
SURE = 2.6    # standard deviations, 99 %
SMOOTH = 0.4  # of the narrower's sigma: a mean so wide lowers a Gaussian's apex by 7 % (computed)
PLACES = 101  # between two apexes, at which the trace is looked at


@dataclass(frozen=True)
class Divided:
    """Two listed neighbours: their places in the reading, and the valley over the lesser apex."""

    lower: int
    upper: int
    valley: float

    @property
    def both(self) -> tuple[int, int]:
        """The two as a group to be asked about."""
        return self.lower, self.upper


def neighbours(reading: LaneReading, group: tuple[int, ...], rf: float) -> tuple[int, int] | None:
    """Return the listed pair that the question at `rf` is about, None where there is none.

    It holds the component of `group` nearest to `rf`, and of its two neighbours the closer in
    resolution, unless that is surely separated: the law is part of the resolution's doubt.
    """
    run = reading.trace.run
    at = min(group, key=lambda i: abs(reading.fit.components[i].centre - rf * run))
    near = [(p.resolution, p) for p in reading.pairs
            if at in (p.lower, p.upper) and p.resolution is not None]
    if not near:
        return None
    resolution, closest = min(near, key=lambda each: each[0])
    if resolution - TWO_SIDED_95 * (closest.resolution_sd or 0.0) >= SEPARATED:
        return None
    return closest.lower, closest.upper


def divided(
    reading: LaneReading, both: tuple[int, int], window: Window, length: float
) -> Divided | None:
    """Return the two where the trace shows a valley between them that no one spot has, else None.

    Parameters
    ----------
    reading : LaneReading
    both : (int, int)
        The places of two neighbours in it.
    window : Window
        Of the two.
    length : float
        ln of a single spot's length over its width, as expected on this plate.
    """
    peaks = [reading.fit.components[i].peak() for i in both]
    low, high = peaks
    if not high.centre > low.centre:
        return None
    use = window.usable
    x, y = window.x[use], window.y[use]
    places = np.linspace(low.centre, high.centre, PLACES)
    by = _means(x, places, SMOOTH * min(low.component().spread, high.component().spread))
    if by is None:
        return None
    seen = by @ y
    bottom = int(np.argmin(seen))
    tops = int(np.argmax(seen[: bottom + 1])), bottom + int(np.argmax(seen[bottom:]))
    top = min(tops, key=lambda k: float(seen[k]))
    if not 0 < bottom < PLACES - 1 or seen[top] <= 0.0:
        return None
    # Deeper than one spot's unevenness leaves it, and the noise of the three places counted.
    contrast = VALLEY * by[top] - by[bottom]
    covariance = noise_covariance(reading.noise, window.gain)[np.ix_(use, use)]
    sd = float(np.sqrt(max(float(contrast @ covariance @ contrast), 0.0)))
    if float(contrast @ y) <= SURE * sd or _ringed(reading, both, peaks, length):
        return None
    return Divided(*both, max(float(seen[bottom] / seen[top]), 0.0))


def _means(x: Floats, places: Floats, width: float) -> Floats | None:
    """Return what takes samples at `x` to their means about `places`, Gaussian weights.

    None where samples are wanting there.
    """
    weight = np.exp(-0.5 * ((x - places[:, None]) / width) ** 2)
    near = np.abs(x - places[:, None]).min(axis=1)
    if x.size == 0 or near.max() > width:
        return None
    return np.asarray(weight / weight.sum(axis=1)[:, None])


def _ringed(
    reading: LaneReading, both: tuple[int, int], peaks: list[Peak], length: float
) -> bool:
    """Return whether the two may be the rim of one ring: no longer than wide, and each short.

    A band has no rim; a bare trace shows nothing across, and may be either.
    """
    trace = reading.trace
    if trace.sheet is None:
        return True
    if length < -BAND:
        return False
    others = tuple(c.peak() for i, c in enumerate(reading.fit.components) if i not in both)
    whole = merged_peak(*peaks)
    across = cross_profile(trace.sheet, trace.position, trace.usable, whole, others, band=np.inf)
    if across is None:
        return True
    parts = [p.component() for p in peaks]
    areas = np.array([c.area for c in parts])
    lengths = np.log(np.array([c.spread for c in parts]) / across.sigma)
    short = float(areas @ lengths / areas.sum()) - length
    patch = float(np.log(whole.sigma / across.sigma)) - length
    return patch < LENGTH_PRIOR and short < -LENGTH_PRIOR

"""Two spots that the reading lists, with a valley between them that the trace shows.

A valley is one under every law from light to signal, since a law is monotonic, and in a clipped or
overloaded spot too; neither a tail nor a flat top has one. A ring has, but is no longer than wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lanes.confidence import TWO_SIDED_95
from lanes.evidence.valley import SEPARATED, shown_valley
from lanes.reading import LaneReading
from lanes.spots.cross_profile import BAND, cross_profile
from lanes.spots.shape_terms import LENGTH_PRIOR
from lanes.spots.split import merged_peak


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


def neighbours(
    reading: LaneReading, group: tuple[int, ...], rf: float
) -> tuple[tuple[int, int], ...]:
    """Return the listed pairs that the question at `rf` may be about, the closest first.

    Each holds the component of `group` nearest to `rf` and one of its two neighbours, unless that
    is surely separated: the law is part of the resolution's doubt.
    """
    run = reading.trace.run
    at = min(group, key=lambda i: abs(reading.fit.components[i].centre - rf * run))
    near = [p for p in reading.pairs if at in (p.lower, p.upper) and p.resolution is not None
            and p.resolution - TWO_SIDED_95 * (p.resolution_sd or 0.0) < SEPARATED]
    return tuple((p.lower, p.upper) for p in sorted(near, key=lambda p: p.resolution or 0.0))


def divided(reading: LaneReading, both: tuple[int, int], length: float) -> Divided | None:
    """Return the two where the trace shows a valley between them that no one spot has, else None.

    Parameters
    ----------
    reading : LaneReading
    both : (int, int)
        The places of two neighbours in it.
    length : float
        ln of a single spot's length over its width, as expected on this plate.
    """
    valley = shown_valley(reading, both[0])
    if valley is None or _ringed(reading, both, length):
        return None
    return Divided(*both, valley)


def _ringed(reading: LaneReading, both: tuple[int, int], length: float) -> bool:
    """Return whether the two may be the rim of one ring: no longer than wide, and each short.

    A band has no rim; a bare trace shows nothing across, and may be either.
    """
    trace = reading.trace
    if trace.sheet is None:
        return True
    if length < -BAND:
        return False
    peaks = [reading.fit.components[i].peak() for i in both]
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

"""How the areas of several lanes move together with what is assumed of the light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.reading import LaneReading, Plate
from lanes.spots.law_doubt import Choice, choices, peak_signal, spots_under

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Otherwise:
    """The areas of lanes, had one thing been assumed otherwise: the law, the layer's reflectance.

    Attributes
    ----------
    why : str
        Of `Choice`.
    by : float
        Of the way there, what is a standard deviation.
    areas : tuple of (c,) arrays
        Of each lane's spots, of the same sum over all lanes as by the plates' own law.
    """

    why: str
    by: float
    areas: tuple[Floats, ...]


def areas_otherwise(
    plates: Sequence[Plate], readings: Sequence[LaneReading]
) -> tuple[Otherwise, ...]:
    """Return what else the areas could be, a reason each.

    Parameters
    ----------
    plates, readings
        Lanes with the plate of each. What is assumed is assumed of all of them at once, so that
        what one share gains by another law the others gain too.

    Returns
    -------
    tuple of Otherwise
        Nothing for bare traces, whose light is not known.
    """
    now = [np.array([spot.area for spot in reading.spots]) for reading in readings]
    tops: dict[int, float] = {}
    for plate, reading in zip(plates, readings, strict=True):
        top = peak_signal(reading.trace, reading.fit)
        tops[id(plate)] = max(tops.get(id(plate), 0.0), top)
    moved: dict[str, tuple[float, dict[int, Floats]]] = {}
    for j, (plate, reading) in enumerate(zip(plates, readings, strict=True)):
        signal = plate.signal
        for choice in choices(signal.law, signal.reference, signal.as_read):
            factors = _factors(plate, reading, choice, tops[id(plate)])
            if factors is not None:
                moved.setdefault(choice.why, (choice.by, {}))[1][j] = now[j] * factors
    out = []
    for why, (by, lanes) in moved.items():
        before = sum(float(now[j].sum()) for j in lanes)
        after = sum(float(areas.sum()) for areas in lanes.values())
        if before > 0.0 and after > 0.0:
            out.append(Otherwise(why, by, tuple(
                lanes[j] * (before / after) if j in lanes else values
                for j, values in enumerate(now))))
    return tuple(out)


def _factors(plate: Plate, reading: LaneReading, choice: Choice, top: float) -> Floats | None:
    """Return how many times its area each spot would have; None where nothing is known."""
    law, layer = plate.signal.law, plate.signal.reference
    seen = spots_under(reading.trace, reading.fit, law, law, layer)
    other = spots_under(reading.trace, reading.fit, law, choice.law, layer, choice.layer, top)
    if seen is None or other is None:
        return None
    before = seen.sum(axis=1)
    return np.asarray(np.divide(other.sum(axis=1), before, out=np.ones(len(before)),
                                where=before > 0.0))

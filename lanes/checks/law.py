"""Whether a plate's area percents depend on the law that turned light into signal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.flags import Flag, flag
from lanes.plate.signal import LAW_NAMES, Signal
from lanes.reading import LaneReading
from lanes.spots.law_doubt import OTHER, percents_under
from lanes.spots.quantities import Spot

Floats = NDArray[np.float64]


def law_matters(
    signal: Signal, light: str, readings: Sequence[LaneReading]
) -> tuple[Flag, ...]:
    """Return the remark that area percents leave the noise's interval under the other law."""
    other = OTHER.get(signal.law)
    if other is None or light == "366":
        return ()
    found = [(each, reading) for reading in readings
             if (each := _furthest(signal, other, reading)) is not None]
    if not found:
        return ()
    (_, spot, percent), lane = max(found, key=lambda each: each[0][0])
    half = TWO_SIDED_95 * (spot.area_percent_sd_noise or 0.0)
    names = ", ".join(reading.name for _, reading in found)
    where = f"lane {names}" if len(found) == 1 else f"lanes {names}; most in lane {lane.name}"
    return (flag("law-matters", f"in {where}: the spot at Rf {spot.rf:.2f} holds "
                 f"{spot.area_percent:.1f} area percent (95 % by the noise alone: {half:.1f} to "
                 f"each side); by {LAW_NAMES[other]} it would hold about {percent:.1f}"),)


def _furthest(
    signal: Signal, other: str, reading: LaneReading
) -> tuple[float, Spot, float] | None:
    """Return the spot whose percent leaves its noise's 95 % interval most under the law `other`.

    With it how many half-widths of the interval it moves by, and the percent it would have; None
    where all stay inside.
    """
    if len(reading.spots) < 2:
        return None
    percents = percents_under(reading.trace, reading.fit, signal.law, other, signal.reference)
    if percents is None:
        return None
    moved = [
        (abs(percent - spot.area_percent) / (TWO_SIDED_95 * spot.area_percent_sd_noise), spot,
         float(percent))
        for spot, percent in zip(reading.spots, percents, strict=True) if spot.area_percent_sd_noise
    ]
    # The percents of two spots move by the same amount: the last bit must not choose.
    most = max(moved, key=lambda each: round(each[0], 6), default=None)
    return most if most is not None and most[0] > 1.0 else None

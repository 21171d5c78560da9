"""Spots and pairs by the second hand, read and made ready to be asked about."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from second_hand.drawing import save
from second_hand.shapes import SHAPES
from second_hand.studies import lanes_of_spots, pair_of_spots, single_spot, spot_with_trace
from second_hand.truth import TrueLane, Truth

from lanes.errors import LanesError
from lanes.measuring import prepare, read_lane
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings

LAWS = ("kubelka-munk", "beer-lambert", "saturating", "quenching", "emission")
NEAR_MM = 2.0  # of a lane's true place


def plate_of(image, truth: Truth, folder: Path) -> Plate | None:
    """Return the plate, None where it is refused."""
    path = save(image, truth, folder / "second-hand")
    try:
        plate = prepare(path, Settings(light=truth.light, lanes=len(truth.lanes)))
    except LanesError:
        plate = None
    for made in folder.glob("second-hand*"):
        made.unlink()
    return plate


def read(image, truth: Truth, folder: Path) -> tuple[Plate, tuple[LaneReading, ...]] | None:
    """Return the plate and its readings, None where the plate is refused."""
    plate = plate_of(image, truth, folder)
    try:
        return plate and (plate, tuple(read_lane(plate, lane) for lane in plate.layout.lanes))
    except LanesError:
        return None


def lanes_of(plate: Plate, readings: tuple[LaneReading, ...], truth: Truth
             ) -> Iterator[tuple[TrueLane, LaneReading | None]]:
    """Yield every true lane with its reading, None where the lane was not found."""
    for lane in truth.lanes:
        near = [r for r in readings if r.x_mm is not None and abs(r.x_mm - lane.x_mm) < NEAR_MM]
        yield lane, min(near, key=lambda r: abs(r.x_mm - lane.x_mm)) if near else None


def rf_of(reading: LaneReading, lane: TrueLane) -> float | None:
    """Return where the largest component near the lane's true spots was read, None if nowhere."""
    rf = float(np.average([s.rf for s in lane.spots],
                          weights=[max(s.share_percent, 1e-9) for s in lane.spots]))
    near = [c for c in reading.fit.components if abs(c.centre / reading.trace.run - rf) < 0.08]
    return max(near, key=lambda c: c.area).centre / reading.trace.run if near else None


__all__ = ["LAWS", "SHAPES", "lanes_of", "lanes_of_spots", "pair_of_spots", "plate_of", "read",
           "rf_of", "single_spot", "spot_with_trace"]

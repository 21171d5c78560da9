"""What a question is about, found by name: a lane of the plate, a spot of the lane."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lanes.errors import InputError
from lanes.plate.layout import Lane
from lanes.reading import LaneReading, Plate

NEAR_RF = 0.03  # how far from a given Rf its spot may be


def lane_named(plate: Plate, name: str | None, option: str) -> Lane:
    """Return the lane called `name`, or raise an InputError that lists the lanes there are.

    A plate's only lane need not be named.
    """
    if name is None and len(plate.layout.lanes) == 1:
        return plate.layout.lanes[0]
    for lane in plate.layout.lanes:
        if lane.name == name:
            return lane
    raise no_such_lane(name, option, [lane.name for lane in plate.layout.lanes])


def no_such_lane(name: str | None, option: str, names: Sequence[str]) -> InputError:
    """Return the error that says which lanes there are."""
    listed = ", ".join(names)
    if name is None:
        return InputError(f"several lanes are on the plate: give {option} NAME; the lanes are "
                          f"{listed}")
    if not name.strip():
        return InputError(f"{option} {name!r} is empty: give a lane's name; the lanes are {listed}")
    several = [part.strip() for part in name.split(",")]
    if len(several) > 1 and set(several) <= set(names):
        return InputError(f"{option} {name} names {len(several)} lanes: it takes one at a time, "
                          f"such as {option} {several[0]}")
    return InputError(f"{option} {name}: there is no such lane; the lanes are {listed}")


def spot_near(reading: LaneReading, rf: float, option: str, near: float = NEAR_RF) -> int:
    """Return the place in `reading.spots` of the spot nearest `rf`.

    Raises
    ------
    InputError
        If none is within `near`; the message names `option` and lists the spots there are.
    """
    if not math.isfinite(rf):
        raise InputError(f"{option} {rf} is not a number that can be used: give an Rf")
    spots = reading.spots
    nearest = min(range(len(spots)), key=lambda i: abs(spots[i].rf - rf), default=None)
    if nearest is None:
        raise InputError(f"{option} {rf:g}: lane {reading.name} holds no spot that can be told "
                         "from the layer")
    if abs(spots[nearest].rf - rf) > near:
        listed = ", ".join(f"{spot.rf:.3f}" for spot in spots)
        raise InputError(f"{option} {rf:g}: lane {reading.name} has no spot near that Rf; "
                         f"its spots: {listed}")
    return nearest


def strongest(reading: LaneReading, option: str) -> int:
    """Return the place of the largest spot, or raise an InputError where there is none."""
    spots = reading.spots
    if not spots:
        raise InputError(
            f"{option} {reading.name}: that lane holds no spot that can be told from the layer; "
            "name another, or apply more sample"
        )
    return max(range(len(spots)), key=lambda i: spots[i].area)

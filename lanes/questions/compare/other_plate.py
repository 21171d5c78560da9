"""References on another plate, carried over by a standard that stands on both."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lanes.errors import InputError
from lanes.evidence.lookup import lane_named, strongest
from lanes.measuring import read_lane
from lanes.plate.layout import Lane
from lanes.reading import Plate

# What one standard leaves of the difference between two plates, in Rf: activity, saturation and
# temperature move substances unequally (common practice).
BETWEEN_SD = 0.01
LEAST_RF = 0.05  # below it a standard divides by next to nothing


@dataclass(frozen=True)
class Carried:
    """How Rf are carried over: by the largest spot of lane `bridge` on either plate.

    Relative retardation is Rf(i) / Rf(standard), IUPAC, Pure Appl. Chem. 65, 819 (1993). Where
    it holds, an Rf of the second plate times `scale` is that of the first.
    """

    bridge: str
    standard: float
    other_standard: float

    @property
    def scale(self) -> float:
        """First plate's standard over the second's."""
        return self.standard / self.other_standard

    def more_sd(self, rf: float, repeat_sd: float) -> float:
        """Return the standard deviation that carrying adds to an Rf, as on the first plate.

        Both standards repeat as any spot does; that of the second plate and its references is
        taken to be as good.
        """
        own = rf / self.standard * repeat_sd
        return math.sqrt(2.0 * own**2 + BETWEEN_SD**2)


def relative(rf: float, carried: Carried) -> float:
    """Return the relative retardation of an Rf on the first plate's scale."""
    return rf / carried.standard


def carry(plate: Plate, other: Plate, bridge: str) -> Carried:
    """Return how Rf of `other` are carried over to `plate`.

    Raises
    ------
    InputError
        If the lane is not on both plates, is empty, or its standard did not move.
    """
    rfs = []
    for each, which in ((plate, "this plate"), (other, "the other plate")):
        lane = (on_other(other, bridge, "--bridge") if each is other
                else lane_named(plate, bridge, "--bridge"))
        reading = read_lane(each, lane)
        rf = reading.spots[strongest(reading, "--bridge")].rf
        if rf < LEAST_RF:
            raise InputError(f"--bridge {bridge}: its largest spot stands at Rf {rf:.2f} on "
                             f"{which}, too near the origin to be a standard; name another lane")
        rfs.append(rf)
    return Carried(bridge, rfs[0], rfs[1])


def on_other(other: Plate, name: str, option: str) -> Lane:
    """Return the lane called `name` of the other plate, or raise an InputError that says where.

    That plate's lanes are named by its own settings.
    """
    lanes = {lane.name: lane for lane in other.layout.lanes}
    if name not in lanes:
        raise InputError(f"{option} {name}: there is no such lane on the other plate; its lanes "
                         f"are {', '.join(lanes)}: --other-settings FILE names them")
    return lanes[name]

"""What is passed on: the plate made ready to be read, and the finished reading."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.flags import Flag
from lanes.plate.layout import Layout
from lanes.plate.picture import Picture
from lanes.plate.signal import LAW_NAMES, Signal
from lanes.scan.scan import Scan
from lanes.settings import Settings
from lanes.spots.fit import Fit
from lanes.spots.quantities import Pair, Spot
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace


@dataclass(frozen=True)
class Source:
    """The file a reading came from. `bits`, `mode`, `dpi` and `transfer` are None for a trace."""

    file: str
    sha256: str
    width_px: int | None
    height_px: int | None
    bits: int | None
    mode: str | None
    dpi: float | None
    transfer: str | None


@dataclass(frozen=True)
class Plate:
    """A plate made ready to be read: everything up to the traces.

    `seen` keeps what was worked out once for the plate, so that every question finds the same.
    """

    scan: Scan
    light: str
    layout: Layout
    signal: Signal
    noise: Noise | None
    flags: tuple[Flag, ...]
    settings: Settings
    seen: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)

    @property
    def by(self) -> str:
        """By which law, and from which channel, the signal is."""
        return f"The signal is by {LAW_NAMES[self.signal.law]}, from channel {self.signal.channel}."


@dataclass(frozen=True)
class LaneReading:
    """One lane's figures. Lengths are None where the plate has no scale.

    `limit` is the smallest spot that detection would have found, as area in signal x mm^2.
    `signal` says by which law and from which channel the trace was made; empty for a bare trace.
    `pairs` holds neighbours; `lanes.spots.quantities.pairs` makes any other pair.
    """

    name: str
    role: str | None
    x_mm: float | None
    width_mm: float | None
    run_mm: float | None
    spots: tuple[Spot, ...]
    pairs: tuple[Pair, ...]
    limit: float | None
    fit: Fit
    noise: Noise
    trace: Trace
    background: NDArray[np.float64]
    flags: tuple[Flag, ...]
    signal: str = ""


@dataclass(frozen=True)
class Reading:
    """Everything `measure` found. `layout` and `picture` are None where a trace was read."""

    source: Source
    light: str | None
    law: str | None
    channel: str | None
    layout: Layout | None
    picture: Picture | None
    lanes: tuple[LaneReading, ...]
    flags: tuple[Flag, ...]
    settings: Settings

    def to_rows(self) -> list[dict[str, Any]]:
        """Return one dictionary a spot, as a data frame takes them; unknown is None.

        Keys are lane, role, spot (from 1 at the origin), and the fields of `Spot`; `flags` holds
        the names with blanks between.
        """
        keys = [each.name for each in fields(Spot) if each.name != "flags"]
        return [
            {"lane": lane.name, "role": lane.role, "spot": number,
             **{key: getattr(spot, key) for key in keys},
             "flags": " ".join(flag.name for flag in spot.flags)}
            for lane in self.lanes for number, spot in enumerate(lane.spots, 1)
        ]

    def lane(self, name: str) -> LaneReading:
        """Return the lane called `name`.

        Raises
        ------
        KeyError
            If there is none; the message lists the names there are.
        """
        for lane in self.lanes:
            if lane.name == name:
                return lane
        names = ", ".join(lane.name for lane in self.lanes)
        raise KeyError(f"no lane {name!r}: the lanes are {names}")

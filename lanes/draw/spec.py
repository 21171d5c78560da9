"""What a drawn plate holds and how it is seen: frozen dataclasses, readable from TOML."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from itertools import pairwise
from pathlib import Path
from typing import Any

from lanes.errors import InputError, one_line

LIGHTS = ("white", "254", "366")
MODES = ("rgb", "grey")
TRANSFERS = ("srgb", "linear")
MAX_PIXELS = 30_000_000

# name: (lowest, highest, whole number)
Limits = Mapping[str, tuple[float, float, bool]]

_SPOT: Limits = {
    "rf": (0, 1, False),
    "amount": (1e-6, 1e4, False),
    "width": (0.2, 50, False),
    "across": (0.2, 100, False),
    "tail": (-10, 10, False),
}
_LANE: Limits = {"x": (0, 400, False), "band": (0.5, 200, False)}
_PLATE: Limits = {
    "width": (5, 400, False),
    "height": (5, 400, False),
    "origin": (0, 400, False),
    "front": (0, 400, False),
    "smile": (-20, 20, False),
    "lean": (-0.3, 0.3, False),
    "dpi": (40, 2400, False),
    "margin": (0, 100, False),
    "bed": (0, 1, False),
    "tilt": (-45, 45, False),
    "keystone": (0, 0.5, False),
    "grain": (0, 0.2, False),
    "mottle": (0, 0.2, False),
    "lamp": (0, 0.9, False),
    "noise": (0, 0.2, False),
    "dust": (0, 2000, True),
    "scratches": (0, 100, True),
    "glare": (0, 1, False),
    "blur": (0, 2, False),
    "seed": (0, 2**63 - 1, True),
}


@dataclass(frozen=True)
class SpotSpec:
    """One spot.

    Attributes
    ----------
    rf : float
        Retardation factor of the apex, 0 (origin) to 1 (front).
    amount : float
        Signal integrated over the spot, signal x mm^2.
    width : float or None
        Full width at half height along the lane, mm; by default 1.5 + 1.2 rf.
    across : float or None
        Full width at half height across the lane, mm; by default the lane's band, or round.
    tail : float
        tau/sigma of an exponentially modified Gaussian: positive tails toward the origin.
    colour : (r, g, b) or None
        Relative absorption (white, 254) or emission (366) in each channel, from 0 to 4. By
        default 1, 1, 1 in absorption and a blue emission.
    """

    rf: float
    amount: float
    width: float | None = None
    across: float | None = None
    tail: float = 0.0
    colour: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        _numbers(self, _SPOT)
        if self.colour is not None:
            channels = self.colour
            listed = isinstance(channels, list | tuple) and len(channels) == 3
            if not listed or not all(_within(c, 0, 4) for c in channels):
                raise InputError(
                    f"colour must be three numbers from 0 to 4 (red, green, blue), "
                    f"not {_shown(channels)}"
                )
            object.__setattr__(self, "colour", tuple(float(c) for c in channels))

    @property
    def fwhm(self) -> float:
        """Full width at half height along the lane in mm, the default filled in."""
        return 1.5 + 1.2 * self.rf if self.width is None else self.width


@dataclass(frozen=True)
class LaneSpec:
    """One lane: `x` in mm where it crosses the origin line, and its spots.

    `band` is the width in mm of a sprayed band (flat top, soft ends); None applies a round spot.
    A lane without a name is called by its number from the left.
    """

    x: float
    spots: tuple[SpotSpec, ...] = ()
    name: str | None = None
    band: float | None = None

    def __post_init__(self) -> None:
        _numbers(self, _LANE)
        object.__setattr__(self, "spots", _members("spots", self.spots, SpotSpec))
        name = self.name
        if name is None:
            return
        good = isinstance(name, str) and name.strip() != "" and len(name) <= 40
        if not good or not name.isprintable():
            raise InputError(f"name must be 1 to 40 printable characters, not {_shown(name)}")


@dataclass(frozen=True)
class PlateSpec:
    """One plate and how it is seen. Lengths are in mm, y upward from the lower edge.

    Attributes
    ----------
    width, height : float
        Size of the plate.
    origin, front : float
        Heights of the origin line and of the solvent front in the middle of the plate.
    smile : float
        How far the front sags at the side edges:
        front(x) = front - smile ((x - width/2) / (width/2))^2.
    lean : float
        Sideways way of every lane, mm per mm of height.
    dpi : float
        Dots per inch (at the lower edge, where there is keystone).
    light : {"white", "254", "366"}
        White light, quenching of a green glow, or fluorescence.
    lanes : tuple of LaneSpec
        From left to right.
    margin : float
        Bed seen round the plate; 0 crops to the plate.
    bed : float
        Linear light of the bed under white light; under a lamp it returns about a tenth.
    tilt : float
        Degrees the plate is turned counter-clockwise.
    keystone : float
        Perspective: relative narrowing of the upper edge.
    grain, mottle : float
        Relative standard deviation of the layer, correlated over 0.3 mm and several mm.
    lamp : float
        Relative fall-off of the lamp to the farthest corner.
    noise : float
        Standard deviation of the sensor's noise at full light; it falls as the root of light.
    pencil, ticks, labels : bool
        Whether the two lines, a tick at each lane and the lanes' names are drawn.
    dust, scratches : int
        How many specks and scratches.
    glare : float
        Linear light added at the middle of a bright patch.
    blur : float
        Standard deviation of the optical blur, mm.
    bits : {8, 16}
        Bits a channel.
    mode : {"rgb", "grey"}
        Colour, or grey of the same luminance.
    transfer : {"srgb", "linear"}
        How light becomes a code.
    seed : int
        The same spec and seed give the same pixels.
    """

    width: float = 50.0
    height: float = 100.0
    origin: float = 10.0
    front: float = 85.0
    smile: float = 0.0
    lean: float = 0.0
    dpi: float = 300.0
    light: str = "white"
    lanes: tuple[LaneSpec, ...] = ()
    margin: float = 4.0
    bed: float = 0.06
    tilt: float = 0.0
    keystone: float = 0.0
    grain: float = 0.004
    mottle: float = 0.006
    lamp: float = 0.03
    noise: float = 0.004
    pencil: bool = True
    ticks: bool = True
    labels: bool = True
    dust: int = 0
    scratches: int = 0
    glare: float = 0.0
    blur: float = 0.06
    bits: int = 8
    mode: str = "rgb"
    transfer: str = "srgb"
    seed: int = 0

    def __post_init__(self) -> None:
        _numbers(self, _PLATE)
        for name in ("pencil", "ticks", "labels"):
            if not isinstance(getattr(self, name), bool):
                raise InputError(
                    f"{name} must be true or false, not {_shown(getattr(self, name))}"
                )
        allowed: dict[str, tuple[object, ...]] = {
            "light": LIGHTS, "mode": MODES, "transfer": TRANSFERS, "bits": (8, 16)
        }
        for name, values in allowed.items():
            if getattr(self, name) not in values:
                raise InputError(
                    f"{name} must be one of {', '.join(map(str, values))}, "
                    f"not {_shown(getattr(self, name))}"
                )
        object.__setattr__(self, "lanes", _members("lanes", self.lanes, LaneSpec))
        self._check_lines()
        self._check_lanes()
        columns, rows = self._pixels()
        if columns * rows > MAX_PIXELS:
            raise InputError(
                f"{columns:.0f} x {rows:.0f} pixels are too many (limit {MAX_PIXELS:.0e}): "
                "lower dpi, or draw a smaller plate"
            )

    def lane_name(self, number: int) -> str:
        """Return the name of lane `number`, counted from 0 at the left."""
        return self.lanes[number].name or str(number + 1)

    def front_at(self, x: float) -> float:
        """Return the height of the solvent front at `x`, both in mm."""
        return self.front - self.smile * ((x - self.width / 2) / (self.width / 2)) ** 2

    def rise(self, lane: LaneSpec) -> float:
        """Return how far above the origin line `lane` meets the front, in mm; NaN if never."""
        # The front is a parabola and the lane a straight line: the root that stays finite as
        # the lean goes to nothing.
        half = self.width / 2
        a = self.smile * (self.lean / half) ** 2
        b = 1 + 2 * self.smile * (lane.x - half) * self.lean / half**2
        c = self.origin - self.front_at(lane.x)
        inside = b * b - 4 * a * c
        bottom = b + math.sqrt(inside) if inside >= 0 else 0.0
        return -2 * c / bottom if bottom > 0 else math.nan

    def run(self, lane: LaneSpec) -> float:
        """Return the length of `lane`'s path from origin to front in mm."""
        return self.rise(lane) * math.hypot(1.0, self.lean)

    def _check_lines(self) -> None:
        if self.origin >= self.front:
            raise InputError(
                f"front {self.front:g} is not above origin {self.origin:g}: heights count from "
                "the plate's lower edge"
            )
        top = max(self.front, self.front_at(0))
        if top > self.height:
            raise InputError(
                f"front {top:g} lies above the plate's upper edge at {self.height:g}: "
                "give a lower front or a higher plate"
            )

    def _check_lanes(self) -> None:
        for i, lane in enumerate(self.lanes):
            name = self.lane_name(i)
            if lane.x > self.width:
                raise InputError(
                    f"lane {name!r}: x {lane.x:g} lies outside the plate, which is "
                    f"{self.width:g} mm wide"
                )
            rise = self.rise(lane)
            if not rise > 0 or not 0 <= lane.x + self.lean * rise <= self.width:
                raise InputError(
                    f"lane {name!r} does not reach the front on the plate: "
                    "give less smile or lean, or another x"
                )
        for a, b in pairwise(self.lanes):
            if b.x <= a.x:
                raise InputError(
                    f"lanes must stand from left to right, but x {b.x:g} follows {a.x:g}"
                )
        names = [self.lane_name(i) for i in range(len(self.lanes))]
        for name in names:
            if names.count(name) > 1:
                raise InputError(f"lane name {name!r} stands twice: each lane needs its own")

    def _pixels(self) -> tuple[float, float]:
        # The largest the picture can be, tilt included.
        turn = math.radians(abs(self.tilt))
        cos, sin = math.cos(turn), math.sin(turn)
        across = self.width * cos + self.height * sin + 2 * self.margin
        up = self.width * sin + self.height * cos + 2 * self.margin
        return across * self.dpi / 25.4, up * self.dpi / 25.4


def read_spec(path: str | Path) -> PlateSpec:
    """Read a plate from a TOML file with the fields of `PlateSpec`.

    Lanes are `[[lanes]]` tables, each with a list `spots` of tables.

    Raises
    ------
    InputError
        If the file is missing or not TOML, a key is unknown, or a value can't be.
    """
    where = Path(path).name
    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"plate file {where}: {error.strerror or one_line(error)}; check the "
                         "path, or begin with fixtures/demo.toml") from None
    except (ValueError, RecursionError) as error:
        raise InputError(f"plate file {where} is not TOML: {one_line(error)}; give a description "
                         "such as fixtures/demo.toml") from None
    lanes = []
    for i, lane in enumerate(_tables(where, "lanes", values), 1):
        here = f"{where}, lane {i}"
        spots = [
            _build(SpotSpec, spot, f"{here}, spot {j}")
            for j, spot in enumerate(_tables(here, "spots", lane), 1)
        ]
        lanes.append(_build(LaneSpec, {**lane, "spots": spots}, here))
    plate: PlateSpec = _build(PlateSpec, {**values, "lanes": lanes}, where)
    return plate


def _tables(where: str, key: str, values: Mapping[str, Any]) -> list[dict[str, Any]]:
    found = values.get(key, [])
    if not isinstance(found, list) or not all(isinstance(v, dict) for v in found):
        raise InputError(f"{where}: {key} must be a list of tables, not {_shown(found)}")
    return found


def _build(kind: Any, values: Mapping[str, Any], where: str) -> Any:
    known = [f.name for f in fields(kind)]
    for key in values:
        if key not in known:
            raise InputError(f"{where}: key {key!r} is unknown: the keys are {', '.join(known)}")
    for f in fields(kind):
        if f.name not in values and f.default is MISSING:
            raise InputError(f"{where}: {f.name} is missing: give {f.name} = a number")
    try:
        return kind(**values)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


def _members(name: str, values: Any, kind: type) -> tuple[Any, ...]:
    if not isinstance(values, list | tuple) or not all(isinstance(v, kind) for v in values):
        raise InputError(f"{name} must be a list of {kind.__name__}, not {_shown(values)}")
    return tuple(values)


def _within(value: object, low: float, high: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and low <= value <= high  # type: ignore[operator]  # NaN fails both


def _numbers(spec: Any, limits: Limits) -> None:
    optional = [f.name for f in fields(spec) if f.default is None]
    for name, (low, high, whole) in limits.items():
        value = getattr(spec, name)
        if value is None and name in optional:
            continue
        if not _within(value, low, high) or (whole and not isinstance(value, int)):
            kind = "whole number" if whole else "number"
            raise InputError(
                f"{name} must be a {kind} from {low:g} to {high:g}, not {_shown(value)}"
            )
        object.__setattr__(spec, name, value if whole else float(value))


def _shown(value: object) -> str:
    try:
        text = one_line(repr(value))
    except ValueError:  # a whole number of thousands of digits has no repr
        return "so large a number"
    return text if len(text) <= 60 else text[:57] + "..."

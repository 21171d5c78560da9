"""A plate as planned (lanes, spots, layer, marks) and its light before any camera."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .layer import Layer, layer_light
from .optics import DYES, GLOWS, k_over_s, remission, signal_of, srgb_code
from .pencil import Marks, draw_marks
from .shapes import apex, density, half_width, smooth_field

Floats = NDArray[np.floating]
CHANNELS = ("red", "green", "blue")


@dataclass(frozen=True)
class SpotPlan:
    """A spot to draw: its place (Rf), size in mm, peak signal `height`, dye and shape."""

    rf: float
    along: float
    across: float
    height: float
    dye: str = "black"
    shape: str = "gaussian"
    strength: float = 0.5
    blotch: float = 0.0


@dataclass(frozen=True)
class LanePlan:
    """A lane at `x` mm (at the origin) that leans by `lean` mm a mm."""

    x: float
    spots: tuple[SpotPlan, ...]
    lean: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class PlatePlan:
    """A whole plate in mm, x from its left edge and y up from its lower edge.

    The front lies at `front` in the middle, slopes by `front_slope` and lags by `smile` mm at the
    sides; the origin slopes by `origin_slope`.
    """

    width: float
    height: float
    origin: float
    front: float
    lanes: tuple[LanePlan, ...]
    light: str = "white"
    law: str = "kubelka-munk"
    origin_slope: float = 0.0
    front_slope: float = 0.0
    smile: float = 0.0
    layer: Layer = field(default_factory=Layer)
    marks: Marks = field(default_factory=Marks)

    def origin_at(self, x: Floats | float) -> Floats | float:
        """Return the origin's height at `x`."""
        return self.origin + self.origin_slope * (x - self.width / 2)

    def front_at(self, x: Floats | float) -> Floats | float:
        """Return the front's height at `x`."""
        off = x - self.width / 2
        return self.front + self.front_slope * off - self.smile * (2 * off / self.width) ** 2


@dataclass(frozen=True)
class DrawnSpot:
    """What one spot turned out to be once drawn (see `TrueSpot`)."""

    plan: SpotPlan
    rf: float
    rf_mean: float
    x: float
    y: float
    position: float
    width: float
    areas: dict[str, float]
    colour: tuple[int, int, int]


@dataclass(frozen=True)
class DrawnPlate:
    """Linear light of the plate (rows from the top), its signal, and the spots of each lane."""

    plan: PlatePlan
    scale: float  # pixels per mm
    light: Floats
    signal: Floats  # (rows, columns, 3): of all spots together, under the plan's law
    touched: NDArray[np.bool_]  # not clean layer: spots and marks
    lanes: tuple[tuple[DrawnSpot, ...], ...]


def draw_plate(plan: PlatePlan, scale: float, rng: np.random.Generator) -> DrawnPlate:
    """Return the plate drawn at `scale` pixels a mm."""
    shape = (round(plan.height * scale), round(plan.width * scale))
    amount = np.zeros((*shape, 4), np.float32)  # red, green, blue; quenching at 366 nm
    measured = []
    for lane in plan.lanes:
        measured.append([_add_spot(plan, lane, s, scale, amount, rng) for s in lane.spots])
    signal = signal_of(plan.law, amount[:, :, :3])
    layer = layer_light(plan.layer, plan, shape, scale, rng)
    light = _light_of(plan, layer, signal, amount[:, :, 3])
    light, marked = draw_marks(light, plan, scale, rng)
    height = max((s.height for lane in plan.lanes for s in lane.spots), default=1.0)
    touched = (amount.max(axis=2) > 0.004 * min(height, 1.0)) | marked
    lanes = tuple(tuple(_with_colour(s, light, plan, scale) for s in lane) for lane in measured)
    return DrawnPlate(plan, scale, light, signal, touched, lanes)


def colour_of(light: str, dye: str) -> Floats:
    """Return what a dye does in each channel: absorbs, or glows with under 366 nm."""
    if light == "254":
        return np.ones(3, np.float32)  # the glow is one band: what quenches it does so alike
    if light == "366":
        return np.array(GLOWS[dye], np.float32)
    return np.array(DYES[dye], np.float32)


def quenches(light: str, dye: str) -> bool:
    """Return whether a dye shows dark under 366 nm: it absorbs the lamp and glows with nothing."""
    return light == "366" and dye not in GLOWS


def _add_spot(plan, lane, spot, scale, amount, rng) -> DrawnSpot:
    """Add one spot to `amount` in place, and return its own figures."""
    base = plan.origin_at(lane.x)
    run = plan.front_at(lane.x + lane.lean * (plan.front - base)) - base
    y0 = base + spot.rf * run
    x0 = lane.x + lane.lean * (y0 - base)
    reach = 2.6 * max(spot.across, spot.along)
    rows, cols = amount.shape[:2]
    left, right = (np.clip(round((x0 + s * reach) * scale), 0, cols) for s in (-1, 1))
    down = reach
    if spot.shape in ("streak", "tailed", "comet"):
        down = max(reach, y0 - base + 2.0)
    low, high = np.clip([y0 - down, y0 + reach], 0, plan.height)
    top, bottom = rows - round(high * scale), rows - round(low * scale)
    x = (np.arange(left, right) + 0.5) / scale
    y = plan.height - (np.arange(top, bottom) + 0.5) / scale
    u = x[None, :] - x0 - lane.lean * (y[:, None] - y0)
    v = np.broadcast_to((y - y0)[:, None], u.shape)
    field_ = smooth_field(rng, u.shape, 0.3 * min(spot.across, spot.along) * scale)
    d = density(
        spot.shape, u, v, spot.across, spot.along, spot.strength, spot.blotch, field_
    ).astype(np.float32)
    # nothing that runs stays under the origin but what the drop itself wetted
    d *= (1 / (1 + np.exp(-np.clip((y - base + 0.5) / 0.4, -40, 40)))).astype(np.float32)[:, None]
    own = spot.height * d
    if quenches(plan.light, spot.dye):
        # the light it takes from the layer's own stands for its signal
        amount[top:bottom, left:right, 3] += own
        tone = np.array(plan.layer.leak, np.float32)
        alone = (1 - 10**-own)[:, :, None] * tone
    else:
        tone = colour_of(plan.light, spot.dye)
        amount[top:bottom, left:right, :3] += own[:, :, None] * tone
        alone = signal_of(plan.law, own[:, :, None] * tone)
    areas = dict(
        zip(CHANNELS, (alone.sum(axis=(0, 1), dtype=float) / scale**2).tolist(), strict=True)
    )
    up = y[::-1]
    profile = alone[:, :, int(np.argmax(tone))].sum(axis=1, dtype=float)[::-1]
    place = apex(up, profile)
    mean = float((profile * up).sum() / profile.sum())
    return DrawnSpot(
        plan=spot,
        rf=(place - base) / run,
        rf_mean=(mean - base) / run,
        x=lane.x + lane.lean * (place - base),
        y=place,
        position=place - base,
        width=half_width(up, profile),
        areas=areas,
        colour=(0, 0, 0),
    )


def _light_of(plan: PlatePlan, layer: Floats, signal: Floats, quench: Floats) -> Floats:
    """Return linear light of the plate: the layer's, changed by what lies in it."""
    look = plan.layer
    if plan.light == "254":
        glow = np.array(look.glow, np.float32) * layer
        leak = np.array(look.leak, np.float32)
        return glow * 10 ** -signal[:, :, :1] + leak * (0.6 + 0.4 * layer)
    if plan.light == "366":
        leak = np.array(look.leak, np.float32) * layer
        return leak * 10 ** -quench[:, :, None] + 0.9 * signal
    if plan.law == "bleach":
        stain = np.array(look.stain, np.float32) * (1 - signal[:, :, :1])
        left = np.array(look.leaves, np.float32) * signal[:, :, :1]
        return remission(k_over_s(layer * np.array(look.tint, np.float32)) + stain + left)
    white = layer * np.array(look.tint, np.float32)
    if look.stain is not None:
        white = remission(k_over_s(white) + np.array(look.stain, np.float32))
    if plan.law == "kubelka-munk":
        return remission(k_over_s(white) + signal)
    return white * 10**-signal


def _with_colour(spot: DrawnSpot, light: Floats, plan: PlatePlan, scale: float) -> DrawnSpot:
    row = int(np.clip((plan.height - spot.y) * scale, 1, light.shape[0] - 2))
    col = int(np.clip(spot.x * scale, 1, light.shape[1] - 2))
    tone = light[row - 1 : row + 2, col - 1 : col + 2].mean(axis=(0, 1))
    colour = tuple(round(255 * float(c)) for c in srgb_code(tone))
    return DrawnSpot(**{**spot.__dict__, "colour": colour})

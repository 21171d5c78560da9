"""Parts that several kinds of picture share: compounds, lanes, layers, telephones, scanners."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .camera import Camera
from .layer import Layer
from .optics import GLOWS, STAINED
from .pencil import Marks
from .plate import LanePlan, PlatePlan, SpotPlan

ROUND = ("gaussian", "gaussian", "uneven", "elliptical", "skewed-down", "flat")


@dataclass(frozen=True)
class Compound:
    """What runs to one Rf in every lane that has it."""

    rf: float
    dye: str
    shape: str
    strength: float


def compounds(rng, count: int, dyes, shapes=ROUND, gap: float = 0.11) -> list[Compound]:
    """Return `count` compounds, their Rf between 0.1 and 0.88 and at least `gap` apart."""
    count = min(count, int(0.78 / gap) + 1)
    free = 0.78 - gap * (count - 1)
    rfs = 0.1 + np.sort(rng.uniform(0, free, count)) + gap * np.arange(count)
    return [
        Compound(
            float(rf), str(rng.choice(dyes)), str(rng.choice(shapes)), float(rng.uniform(0, 1))
        )
        for rf in rfs
    ]


def lane_places(rng, count: int, width: float, uneven: float = 0.0) -> list[float]:
    """Return where `count` lanes stand on a plate `width` mm wide."""
    if count == 1:
        return [width * float(rng.uniform(0.42, 0.58))]
    margin = max(6.0, width / (count + 1) * float(rng.uniform(0.75, 1.0)))
    x = np.linspace(margin, width - margin, count)
    step = x[1] - x[0]
    return (x + uneven * step * rng.uniform(-1, 1, count)).tolist()


def fill_lanes(
    rng,
    xs,
    mixture: list[Compound],
    size: tuple[float, float],
    heights: tuple[float, float],
    present: float = 0.6,
    lean: float = 0.0,
    blotch: tuple[float, float] = (0.04, 0.08),
    reference: bool = True,
) -> tuple[LanePlan, ...]:
    """Return lanes that each hold some of the compounds, heavy or faint, widths differing by 30 %.

    The first lane holds one compound alone where `reference`, as a starting material would be.
    Heights are drawn evenly in their logarithm.
    """
    lanes = []
    for i, x in enumerate(xs):
        keep = [c for c in mixture if rng.random() < present]
        if reference and i == 0:
            keep = [mixture[int(rng.integers(len(mixture)))]]
        keep = keep or [mixture[int(rng.integers(len(mixture)))]]
        width = float(rng.uniform(*size))
        spots = []
        for c in keep:
            along = width * (0.85 + 0.3 * c.rf) * float(rng.uniform(0.87, 1.13))
            aspect = float(rng.uniform(0.9, 1.15))
            if c.shape == "elliptical":
                aspect = float(rng.choice([0.75, 1.35]))
            spots.append(
                SpotPlan(
                    rf=c.rf + float(rng.normal(0, 0.003)),
                    along=along,
                    across=along * aspect,
                    height=float(np.exp(rng.uniform(*np.log(heights)))),
                    dye=c.dye,
                    shape=c.shape,
                    strength=c.strength,
                    blotch=float(rng.uniform(*blotch)) * (2.2 if c.shape == "blotchy" else 1),
                )
            )
        tilt = float(lean * rng.uniform(-1, 1))
        lanes.append(LanePlan(float(x), tuple(spots), tilt, name(i, rng)))
    return tuple(lanes)


def name(i: int, rng) -> str:
    """Return a lane's name as it would be pencilled."""
    return "ABCDEFHMPRSTU"[i] if i < 13 and rng.random() < 0.5 else str(i + 1)


def small_plate(rng, lanes_range=(3, 6), light="white", law=None, **more) -> PlatePlan:
    """Return the usual cut plate, some 40 to 70 mm wide, without spots."""
    count = int(rng.integers(lanes_range[0], lanes_range[1] + 1))
    width = float(np.clip(count * rng.uniform(9, 12) + 8, 25, 100))
    height = float(rng.choice([67, 75, 80, 100])) + float(rng.normal(0, 1))
    law = (
        law
        or {
            "white": str(rng.choice(["kubelka-munk", "beer-lambert", "saturating"])),
            "254": "beer-lambert",
            "366": "emission",
        }[light]
    )
    plan = PlatePlan(
        width=width,
        height=height,
        origin=float(rng.uniform(8, 12)),
        front=height - float(rng.uniform(7, 13)),
        lanes=(),
        light=light,
        law=law,
        origin_slope=float(rng.normal(0, 0.008)),
        front_slope=float(rng.normal(0, 0.012)),
        smile=float(rng.choice([0, 0, 0.6, 1.2])),
        layer=any_layer(rng, light),
        marks=Marks(
            pressure=float(rng.uniform(0.25, 0.55)),
            thick=float(rng.uniform(0.25, 0.5)),
            at_lanes=str(rng.choice(["", "ticks", "", "dots"])),
        ),
    )
    xs = lane_places(rng, count, width, 0.06)
    return replace(plan, lanes=tuple(LanePlan(x, ()) for x in xs), **more)


def any_layer(rng, light: str = "white") -> Layer:
    """Return a usual layer's look."""
    warm = rng.uniform(0, 0.05)
    base = rng.uniform(0.80, 0.9)
    leak = {"366": rng.uniform(0.25, 1.4) * np.array([0.022, 0.012, 0.060])}.get(
        light, rng.uniform(0.6, 1.8) * np.array([0.030, 0.016, 0.085])
    )
    glow = rng.uniform(0.8, 1.0) * np.array([rng.uniform(0.08, 0.3), 0.8, rng.uniform(0.15, 0.4)])
    return Layer(
        tint=(base, base - warm / 3, base - warm),
        glow=tuple(glow.tolist()),
        leak=tuple(leak.tolist()),
        grain=float(rng.uniform(0.006, 0.016)),
        mottle=float(rng.uniform(0.004, 0.014)),
        fibre=float(rng.choice([0.0, 0.0, 0.05])),
        gradient=(float(rng.normal(0, 0.03)), float(rng.normal(0, 0.04))),
        above_front=float(rng.uniform(0.97, 1.02)),
        dirt_at_front=float(rng.uniform(0.0, 0.03)),
        edge=str(rng.choice(["square", "square", "round", "chipped"])),
        backing=str(rng.choice(["glass", "aluminium"])),
    )


def spotted(
    rng,
    plan: PlatePlan,
    dyes=STAINED,
    count=(2, 5),
    size=(2.6, 4.6),
    heights=(0.025, 0.9),
    shapes=ROUND,
    gap: float | None = None,
    **more,
) -> PlatePlan:
    """Return the plate with spots of a mixture in its lanes."""
    xs = [lane.x for lane in plan.lanes]
    step = min(np.diff(xs)) if len(xs) > 1 else 15.0
    low, high = min(size[0], 0.50 * step), min(size[1], 0.58 * step)
    run = plan.front - plan.origin
    gap = gap or max(0.1, 1.55 * high / run)
    mixture = compounds(
        rng, int(rng.integers(count[0], count[1] + 1)), list(dyes), list(shapes), gap
    )
    return replace(plan, lanes=fill_lanes(rng, xs, mixture, (low, high), heights, **more))


def telephone(rng, light: str = "white", **more) -> Camera:
    """Return a telephone's camera: its own curve, cast, smoothing, halos and JPEG."""
    warm, green = rng.normal(0, 0.07), rng.normal(0, 0.025)
    made = Camera(
        exposure=float(rng.uniform(0.62, 0.9)),
        cast=(float(1 + warm), float(1 + green), float(1 - 1.2 * warm)),
        tone=str(rng.choice(["s-curve", "filmic", "s-curve", "lifted"])),
        contrast=float(rng.uniform(0.25, 0.8)),
        saturation=float(rng.uniform(1.0, 1.3)),
        vignette=float(rng.uniform(0.05, 0.25)),
        fall=float(rng.uniform(0.0, 0.3)),
        fall_angle=float(rng.uniform(0, 2 * np.pi)),
        blur=float(rng.uniform(0.6, 1.2)),
        noise=(float(rng.uniform(0.4e-4, 3e-4)), float(rng.uniform(0.001, 0.004))),
        denoise=float(rng.choice([0.0, 0.5, 1.0])),
        sharpen=float(rng.uniform(0.2, 1.0)),
        radius=float(rng.uniform(0.9, 2.0)),
        file_format="JPEG",
        quality=int(rng.integers(72, 96)),
        subsampling=int(rng.choice([0, 2, 2])),
    )
    if light != "white":
        made = replace(
            made,
            cast=(1.0, 1.0, 1.0),
            exposure=float(rng.uniform(0.75, 1.15)),
            noise=(float(rng.uniform(1e-4, 5e-4)), float(rng.uniform(0.002, 0.005))),
        )
    return replace(made, **more)


def scanner(rng, **more) -> Camera:
    """Return a flatbed: sRGB, even light, little noise, mostly PNG."""
    jpeg = rng.random() < 0.25
    made = Camera(
        exposure=float(rng.uniform(0.92, 1.02)),
        cast=tuple(rng.normal(1, 0.012, 3).tolist()),
        fall=float(rng.normal(0, 0.02)),
        blur=float(rng.uniform(0.5, 0.9)),
        noise=(1e-5, float(rng.uniform(0.0008, 0.002))),
        sharpen=float(rng.choice([0.0, 0.0, 0.4])),
        file_format="JPEG" if jpeg else "PNG",
        quality=int(rng.integers(85, 96)) if jpeg else None,
        grey=bool(rng.random() < 0.2),
    )
    return replace(made, **more)


def pixels_a_mm(rng, plan: PlatePlan, margins, long_side=(900, 1600)) -> float:
    """Return the scale that makes the picture's long side so many pixels."""
    wide = plan.width + margins[0] + margins[1]
    high = plan.height + margins[2] + margins[3]
    return float(rng.uniform(*long_side)) / max(wide, high)


GLOWING = tuple(GLOWS)

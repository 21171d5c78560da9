"""Plain scans of single spots, pairs and lanes of them, for studies: one shape, one law."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from PIL import Image

from .camera import Camera
from .layer import Layer
from .pencil import Marks
from .plate import LanePlan, PlatePlan, SpotPlan
from .scene import Scene, photograph
from .truth import Truth

DPI = 300.0
LIGHT_OF = {
    "kubelka-munk": "white",
    "beer-lambert": "white",
    "saturating": "white",
    "quenching": "254",
    "emission": "366",
}


def single_spot(shape: str, law: str, seed: int) -> tuple[Image.Image, Truth]:
    """Return a scan of a plate with one spot of a shape in each of 5 to 8 lanes.

    Parameters
    ----------
    shape : str
        A name of `shapes.SHAPES`.
    law : str
        "kubelka-munk", "beer-lambert" or "saturating" (white light), "quenching" (254 nm) or
        "emission" (366 nm).
    """
    rng = np.random.default_rng([11, *shape.encode(), *law.encode(), seed])
    return _scan(rng, law, seed, f"single {shape}", lambda height: (_spot(rng, shape, height),))


def pair_of_spots(
    resolution: float, minor_share: float, width_ratio: float, shape: str, law: str, seed: int
) -> tuple[Image.Image, Truth]:
    """Return a scan whose lanes each hold a pair of spots.

    Parameters
    ----------
    resolution : float
        1.18 (x2 - x1) / (wh1 + wh2), of the shapes as planned; the truth holds what was drawn.
    minor_share : float
        The lesser spot's part of the amount, 0 to 0.5.
    width_ratio : float
        The upper spot's width along the run over the lower one's.
    """
    rng = np.random.default_rng([12, *shape.encode(), *law.encode(), seed])

    def pair(height: float) -> tuple[SpotPlan, ...]:
        low = _spot(rng, shape, height)
        high = replace(low, along=low.along * width_ratio, strength=float(rng.uniform(0, 1)))
        apart = resolution * (low.along + high.along) / 1.18 / RUN
        major, minor = (low, high) if rng.random() < 0.5 else (high, low)
        # amounts go as height x across x along
        scaled = height * minor_share / (1 - minor_share) * major.along / minor.along
        heights = (height, scaled) if major is low else (scaled, height)
        middle = rng.uniform(0.3, 0.7)
        return (
            replace(low, rf=middle - apart / 2, height=heights[0]),
            replace(high, rf=middle + apart / 2, height=heights[1]),
        )

    return _scan(rng, law, seed, f"pair {shape}", pair)


def spot_with_trace(
    shape: str, law: str, seed: int, percents: tuple[float, ...] = (), again: int = 0
) -> tuple[Image.Image, Truth]:
    """Return a scan whose lanes each hold one spot, and a small second one of its shape and width.

    Parameters
    ----------
    percents : tuple of float
        The second's part of each lane's amount; lanes beyond have none.
    again : int
        Another plate of the same make: what is applied and how it runs is the same, its layer, its
        lamp and its scan's noise are not.
    """
    rng = np.random.default_rng([13, *shape.encode(), *law.encode(), seed])
    places = iter(percents)

    def spots(height: float) -> tuple[SpotPlan, ...]:
        main = _spot(rng, shape, height)
        free = [rf for rf in np.linspace(0.08, 0.92, 43)
                if abs(rf - main.rf) * RUN > 3 * main.along]
        rf, percent = float(rng.choice(free)), next(places, 0.0)
        small = replace(main, rf=rf, height=height * percent / (100.0 - percent))
        return (main, small) if percent else (main,)

    noise = np.random.default_rng([14, seed, again])
    return _scan(rng, law, seed, f"trace {shape}", spots, noise)


def lanes_of_spots(
    lanes: tuple[tuple[tuple[float, float], ...], ...], shape: str, law: str, seed: int
) -> tuple[Image.Image, Truth]:
    """Return a scan whose lanes hold spots of given amounts, each substance of its own width.

    Parameters
    ----------
    lanes : tuple of tuples of (rf, amount)
        From left to right; an amount of 1 stands 1 high where a spot is 3 mm long and wide. What
        stands at one Rf is one substance, and varies from lane to lane by 0.2 mm.
    """
    rng = np.random.default_rng([15, *shape.encode(), *law.encode(), seed])
    places = sorted({rf for spots in lanes for rf, _ in spots})
    plans = {rf: replace(_spot(rng, shape, 1.0), along=float(rng.uniform(2.4, 3.2)))
             for rf in places}
    left = iter(lanes)

    def spots(_: float) -> tuple[SpotPlan, ...]:
        out = []
        for rf, amount in next(left):
            plan = plans[rf]
            out.append(replace(plan, rf=rf + float(rng.normal(0.0, 0.2)) / RUN,
                               height=amount * 9.0 / (plan.along * plan.across)))
        return tuple(out)

    return _scan(rng, law, seed, f"lanes {shape}", spots, count=len(lanes))


WIDTH_HEIGHT = (90.0, 90.0)  # mm
ORIGIN, FRONT = 10.0, 80.0  # mm
RUN = FRONT - ORIGIN


def _spot(rng, shape: str, height: float) -> SpotPlan:
    along = float(rng.uniform(2.5, 4.5))
    aspect = float(rng.uniform(0.9, 1.15))
    if shape == "elliptical":
        aspect = 1.4
    across = 6.5 if shape == "band" else min(along * aspect, 5.0)
    blotch = 0.06 + 0.12 * float(rng.uniform(0, 1)) if shape == "blotchy" else 0.02
    return SpotPlan(
        rf=float(rng.uniform(0.2, 0.75)),
        along=along,
        across=across,
        height=height,
        shape=shape,
        strength=float(rng.uniform(0, 1)),
        blotch=blotch,
    )


def _scan(
    rng, law: str, seed: int, kind: str, spots_of, noise=None, count: int | None = None
) -> tuple[Image.Image, Truth]:
    usual = int(rng.integers(5, 9))
    count = count or usual
    width, height = WIDTH_HEIGHT
    xs = np.linspace(10, width - 10, count)
    heights = np.exp(rng.uniform(np.log(0.08), np.log(1.0), count))
    dye = "blue" if law == "emission" else "black"
    lanes = []
    for i, (x, h) in enumerate(zip(xs, heights, strict=True)):
        spots = tuple(replace(s, dye=dye) for s in spots_of(float(h)))
        lanes.append(LanePlan(float(x), spots, 0.0, str(i + 1)))
    warm = float(rng.uniform(0, 0.04))
    plan = PlatePlan(
        width=width,
        height=height,
        origin=ORIGIN,
        front=FRONT,
        lanes=tuple(lanes),
        light=LIGHT_OF[law],
        law="beer-lambert" if law == "quenching" else law,
        layer=Layer(
            tint=(0.86, 0.86 - warm / 2, 0.86 - warm),
            leak=(0.02, 0.012, 0.06),
            grain=float(rng.uniform(0.006, 0.012)),
            mottle=float(rng.uniform(0.003, 0.008)),
        ),
        marks=Marks(pressure=float(rng.uniform(0.3, 0.5)), thick=0.3, at_lanes="ticks"),
    )
    bed = rng.random() < 0.6
    scene = Scene(
        plate=plan,
        scale=DPI / 25.4,
        margins=tuple(rng.uniform(3, 7, 4)) if bed else (-0.8, -0.8, -0.8, -0.8),
        camera=Camera(blur=0.7),
        tilt=float(rng.normal(0, 0.4)) if bed else 0.0,
        ground="grey-bed",
        ground_tint=(1.0, 1.0, 1.0) if plan.light == "white" else (0.04, 0.03, 0.10),
        dpi=DPI,
        scale_known=True,
    )
    image, truth, _ = photograph(scene, kind, seed, rng if noise is None else noise)
    return image, truth

"""The kinds of picture, each a recipe that draws its parameters by its seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from .optics import COLOURED
from .plate import LanePlan, PlatePlan
from .recipes import (
    GLOWING,
    lane_places,
    pixels_a_mm,
    scanner,
    small_plate,
    spotted,
    telephone,
)
from .scene import Scene

KINDS: dict[str, Callable[[np.random.Generator, int], Scene]] = {}
GROUNDS = ("white-paper", "wood", "dark-bench", "speckled", "lined-paper", "blue-paper", "tissue")
VIOLET = (0.16, 0.08, 0.40)  # what a bench sends back under a UV lamp, by eye


def _kind(name: str):
    def keep(recipe):
        KINDS[name] = recipe
        return recipe

    return keep


def _phone(rng, plan: PlatePlan, ground: str | None = None, long_side=(900, 1600), **more) -> Scene:
    """Return a plate photographed by hand from above."""
    margins = tuple(rng.uniform(4, 22, 4).tolist())
    made = Scene(
        plate=plan,
        scale=pixels_a_mm(rng, plan, margins, long_side),
        margins=margins,
        camera=telephone(rng, plan.light),
        tilt=float(rng.normal(0, 2.0)),
        perspective=float(rng.uniform(0, 0.012)),
        ground=ground or str(rng.choice(GROUNDS)),
        exif=int(rng.choice([1, 1, 6, 8, 3])),
        dpi=float(rng.choice([72.0, 0.0])) or None,
    )
    return replace(made, **more)


def _scan(rng, plan: PlatePlan, **more) -> Scene:
    dpi = float(rng.choice([200, 300, 300, 400]))
    made = Scene(
        plate=plan,
        scale=dpi / 25.4,
        margins=tuple(rng.uniform(3, 9, 4).tolist()),
        camera=scanner(rng),
        tilt=float(rng.normal(0, 0.7)),
        ground=str(rng.choice(["grey-bed", "white-bed", "black"])),
        dpi=dpi,
        scale_known=True,
    )
    return replace(made, **more)


@_kind("scan-plain")
def _scan_plain(rng, seed):
    return _scan(rng, spotted(rng, small_plate(rng)))


@_kind("phone-on-white-paper")
def _phone_white(rng, seed):
    return _phone(
        rng, spotted(rng, small_plate(rng)), str(rng.choice(["white-paper", "lined-paper"]))
    )


@_kind("phone-on-wood")
def _phone_wood(rng, seed):
    return _phone(rng, spotted(rng, small_plate(rng)), "wood")


@_kind("phone-dark-bench")
def _phone_dark(rng, seed):
    made = _phone(rng, spotted(rng, small_plate(rng)), "dark-bench")
    return replace(made, glare=float(rng.choice([0, 0.05, 0.12])), tissue=bool(rng.random() < 0.3))


@_kind("crowded-lanes")
def _crowded(rng, seed):
    """Lanes 6 to 7 mm apart with spots some 3.5 mm wide."""
    plan = small_plate(rng)
    count, step = int(rng.integers(7, 13)), float(rng.uniform(6.0, 7.0))
    width = step * (count - 1) + float(rng.uniform(14, 20))
    start = (width - step * (count - 1)) / 2
    lanes = tuple(LanePlan(start + step * i, ()) for i in range(count))
    plan = replace(plan, width=width, lanes=lanes)
    plan = spotted(rng, plan, size=(3.2, 3.6), present=0.7)
    plan = replace(plan, marks=replace(plan.marks, at_lanes="ticks"))
    return _scan(rng, plan) if rng.random() < 0.5 else _phone(rng, plan, long_side=(1500, 2600))


@_kind("permanganate")
def _permanganate(rng, seed):
    """Yellow to brown spots where a purple stain was used up."""
    plan = small_plate(rng, law="bleach")
    deep = rng.uniform(0.9, 2.6)
    leaves = [(0.03, 0.16, 0.75), (0.12, 0.35, 0.9), (0.30, 0.62, 1.2)][int(rng.integers(3))]
    layer = replace(
        plan.layer,
        stain=(0.42 * deep, 1.05 * deep, 0.30 * deep),
        leaves=leaves,
        mottle=float(rng.uniform(0.012, 0.035)),
        gradient=(float(rng.normal(0, 0.06)), float(rng.normal(0, 0.12))),
        streaks=float(rng.uniform(0, 0.02)),
    )
    plan = replace(plan, layer=layer, marks=replace(plan.marks, pressure=0.6))
    return _phone(rng, spotted(rng, plan, dyes=("black",), heights=(0.35, 3.0)))


@_kind("white-on-stained")
def _white_spots(rng, seed):
    """Pale spots on a layer stained blue, brown or pink all over."""
    plan = small_plate(rng, law="bleach")
    stain = [(1.3, 0.45, 0.12), (0.15, 0.4, 0.9), (0.04, 0.7, 0.3)][int(rng.integers(3))]
    layer = replace(plan.layer, stain=stain, leaves=(0.005, 0.01, 0.03), mottle=0.02)
    plan = replace(plan, layer=layer)
    return _phone(rng, spotted(rng, plan, dyes=("black",), heights=(0.2, 1.8)))


@_kind("coloured-dyes")
def _dyes(rng, seed):
    plan = spotted(rng, small_plate(rng), dyes=COLOURED, count=(3, 6), heights=(0.12, 1.1))
    return _phone(rng, plan)


@_kind("quench-254-phone")
def _quench(rng, seed):
    plan = small_plate(rng, light="254")
    plan = spotted(rng, plan, dyes=("black",), heights=(0.05, 0.9))
    made = _phone(
        rng, plan, str(rng.choice(["dark-bench", "blue-paper", "speckled"])), ground_tint=VIOLET
    )
    return replace(made, camera=replace(made.camera, vignette=float(rng.uniform(0.2, 0.5))))


@_kind("quench-254-blue-cast")
def _quench_blue(rng, seed):
    """A lamp whose visible light floods the picture: the layer looks blue-violet, spots darker."""
    plan = small_plate(rng, light="254")
    layer = replace(plan.layer, glow=(0.22, 0.42, 0.62), leak=(0.10, 0.05, 0.24))
    plan = spotted(rng, replace(plan, layer=layer), dyes=("black",), heights=(0.08, 0.9))
    return _phone(
        rng, plan, str(rng.choice(["white-paper", "dark-bench"])), ground_tint=(0.20, 0.14, 0.55)
    )


@_kind("glow-366-phone")
def _glow(rng, seed):
    plan = small_plate(rng, light="366")
    dyes = (*GLOWING, *GLOWING, "black")
    plan = spotted(rng, plan, dyes=dyes, count=(3, 6), heights=(0.05, 0.9))
    plan = replace(plan, marks=replace(plan.marks, pressure=0.75))
    made = _phone(rng, plan, str(rng.choice(["dark-bench", "black"])), ground_tint=VIOLET)
    return replace(made, camera=replace(made.camera, exposure=float(rng.uniform(1.0, 1.6))))


@_kind("tight-crop")
def _tight(rng, seed):
    """Cropped at, or a little inside, the plate's edges: no ground to be seen."""
    plan = spotted(rng, small_plate(rng))
    plan = replace(plan, layer=replace(plan.layer, edge="square"))
    inside = tuple(rng.uniform(-1.6, -0.6, 4).tolist())
    if rng.random() < 0.5:
        return _scan(rng, plan, margins=inside, tilt=float(rng.normal(0, 0.2)))
    made = _phone(rng, plan, margins=inside, tilt=float(rng.normal(0, 0.2)), perspective=0.0)
    return replace(made, scale=pixels_a_mm(rng, plan, inside))


@_kind("pencil-circles")
def _circles(rng, seed):
    plan = spotted(rng, small_plate(rng))
    round_ = str(rng.choice(["loops", "loops", "outlines", "crosses"]))
    plan = replace(plan, marks=replace(plan.marks, circles=round_, names=bool(rng.random() < 0.5)))
    return _phone(rng, plan)


@_kind("thick-pencil")
def _thick(rng, seed):
    plan = spotted(rng, small_plate(rng))
    marks = replace(
        plan.marks,
        thick=float(rng.uniform(0.8, 1.1)),
        pressure=float(rng.uniform(0.5, 0.75)),
        blur=float(rng.choice([0, 0.25, 0.5])),
        double=bool(rng.random() < 0.5),
        origin=str(rng.choice(["line", "line", "dashed"])),
        front=str(rng.choice(["line", "dashed"])),
    )
    return _phone(rng, replace(plan, marks=marks))


@_kind("handwriting")
def _writing(rng, seed):
    plan = spotted(rng, small_plate(rng))
    plan = replace(plan, origin=float(rng.uniform(11, 14)))
    above = str(rng.choice(["EA:H 1:4", "3:7", "12/05", "No. 47", "20% EA", "DCM 5%"]))
    marks = replace(
        plan.marks,
        names=True,
        words_above=above,
        arrow=bool(rng.random() < 0.5),
        words_below=str(rng.choice(["", "Rx 3", "T 45"])),
    )
    marks = replace(marks, names=not marks.words_below)
    return _phone(rng, replace(plan, marks=marks))


@_kind("origin-dots-only")
def _dots(rng, seed):
    plan = spotted(rng, small_plate(rng))
    marks = replace(
        plan.marks,
        origin=str(rng.choice(["dots", "crosses", "ticks"])),
        at_lanes="",
        pressure=float(rng.uniform(0.45, 0.7)),
    )
    return _phone(rng, replace(plan, marks=marks))


@_kind("front-one-side")
def _one_side(rng, seed):
    plan = spotted(rng, small_plate(rng))
    marks = replace(
        plan.marks,
        front=str(rng.choice(["left", "right", "sides"])),
        pressure=float(rng.uniform(0.45, 0.7)),
    )
    plan = replace(plan, marks=marks, front_slope=float(rng.normal(0, 0.004)), smile=0.0)
    return _phone(rng, plan)


@_kind("sloped-front")
def _sloped(rng, seed):
    """A front that slopes by degrees, or smiles; lanes that lean."""
    plan = small_plate(rng)
    sign = rng.choice([-1, 1])
    plan = replace(
        plan,
        front_slope=float(sign * rng.uniform(0.03, 0.08)),
        smile=float(rng.uniform(0.5, 2.5)),
        height=plan.height + 4,
    )
    return _phone(rng, spotted(rng, plan, lean=0.03))


@_kind("front-unmarked")
def _unmarked(rng, seed):
    """No front drawn and none to be seen: it must be asked for."""
    plan = spotted(rng, small_plate(rng))
    layer = replace(plan.layer, above_front=1.0, dirt_at_front=0.0)
    plan = replace(plan, layer=layer, marks=replace(plan.marks, front="none"))
    return _phone(rng, plan, expects="doubt", why_doubt="no front is drawn or to be seen")


def _shaped(rng, shapes, **more):
    plan = spotted(
        rng, small_plate(rng, lanes_range=(3, 5)), shapes=shapes, size=(3.0, 5.5), **more
    )
    return _scan(rng, plan) if rng.random() < 0.5 else _phone(rng, plan)


@_kind("skewed-spots")
def _skewed(rng, seed):
    return _shaped(rng, ("skewed-up", "skewed-down", "tailed"), count=(2, 4))


@_kind("blotchy-spots")
def _blotchy(rng, seed):
    return _shaped(rng, ("blotchy", "uneven"), count=(2, 4), blotch=(0.06, 0.09))


@_kind("flat-and-ring")
def _flat_ring(rng, seed):
    return _shaped(rng, ("flat", "ring", "flat"), count=(2, 4))


@_kind("comets-and-crescents")
def _comets(rng, seed):
    return _shaped(rng, ("comet", "crescent", "streak"), count=(2, 3), gap=0.22)


@_kind("bands")
def _bands(rng, seed):
    """Sprayed bands, wide and low, on a wide plate."""
    count = int(rng.integers(4, 9))
    plan = small_plate(rng)
    width = 12.0 * count + 10
    xs = [11.0 + 12.0 * i for i in range(count)]
    plan = replace(plan, width=width, lanes=tuple(LanePlan(x, ()) for x in xs))
    plan = spotted(rng, plan, shapes=("band",), size=(1.6, 2.6), count=(3, 6))
    lanes = tuple(
        replace(q, spots=tuple(replace(s, across=7.0 + 0.1 * s.along) for s in q.spots))
        for q in plan.lanes
    )
    return _scan(rng, replace(plan, lanes=lanes))


@_kind("shadow-and-glove")
def _shadow_glove(rng, seed):
    plan = spotted(rng, small_plate(rng))
    glove = str(rng.choice(["", "edge", "edge", "over"]))
    made = _phone(
        rng,
        plan,
        shadow=str(rng.choice(["half", "blob"])),
        glove=glove,
        glare=float(rng.choice([0, 0.1])),
    )
    if glove == "over":
        made = replace(made, expects="doubt", why_doubt="a glove covers part of a lane")
    return made


@_kind("ruler-and-tissue")
def _ruler(rng, seed):
    made = _phone(rng, spotted(rng, small_plate(rng)), ruler=True, tissue=bool(rng.random() < 0.6))
    margins = (30.0, 30.0, *made.margins[2:])
    return replace(made, margins=margins, scale=pixels_a_mm(rng, made.plate, margins, (1200, 1900)))


@_kind("two-plates")
def _two(rng, seed):
    first, second = (spotted(rng, small_plate(rng, lanes_range=(2, 4))) for _ in range(2))
    gap = float(rng.uniform(3, 12))
    made = _phone(
        rng,
        first,
        second=second,
        second_at=(first.width + gap, float(rng.normal(0, 3))),
        expects="doubt",
        why_doubt="two plates in one picture",
    )
    left, _, below, above = made.margins
    margins = (left, gap + second.width + 8.0, below + 5.0, above + 8.0)
    return replace(made, margins=margins, scale=pixels_a_mm(rng, first, margins, (1300, 1900)))


@_kind("sideways")
def _sideways(rng, seed):
    plan = spotted(rng, small_plate(rng))
    return _phone(rng, plan, quarter_turns=int(rng.choice([1, 3])), exif=1)


@_kind("upside-down")
def _upside_down(rng, seed):
    plan = spotted(rng, small_plate(rng))
    plan = replace(
        plan, marks=replace(plan.marks, at_lanes=str(rng.choice(["ticks", "dots", "crosses"])))
    )
    made = _phone(rng, plan, exif=1) if rng.random() < 0.7 else _scan(rng, plan)
    return replace(made, quarter_turns=2)


@_kind("perspective")
def _perspective(rng, seed):
    return _phone(
        rng,
        spotted(rng, small_plate(rng)),
        perspective=float(rng.uniform(0.02, 0.045)),
        tilt=float(rng.normal(0, 5)),
    )


@_kind("sparse-lanes")
def _sparse(rng, seed):
    """One spot only, or empty lanes between; lanes unevenly spaced."""
    plan = small_plate(rng, lanes_range=(1, 6))
    xs = lane_places(rng, len(plan.lanes), plan.width, 0.18)
    plan = replace(plan, lanes=tuple(LanePlan(x, ()) for x in xs))
    plan = spotted(rng, plan, count=(1, 2))
    empty = rng.random(len(plan.lanes)) < 0.35
    empty[0] = False
    lanes = tuple(replace(q, spots=()) if e else q for q, e in zip(plan.lanes, empty, strict=True))
    marks = replace(plan.marks, at_lanes="ticks")
    return _phone(rng, replace(plan, lanes=lanes, marks=marks))


@_kind("one-lane")
def _one_lane(rng, seed):
    """One lane on a strip 15 to 30 mm wide, about its middle."""
    plan = spotted(rng, small_plate(rng, lanes_range=(1, 2)), count=(1, 4))
    width = float(rng.uniform(15, 30))
    lane = replace(plan.lanes[0], x=width * float(rng.uniform(0.45, 0.55)))
    return _phone(rng, replace(plan, width=width, lanes=(lane,)))


@_kind("streaked-layer")
def _streaked(rng, seed):
    plan = small_plate(rng)
    layer = replace(
        plan.layer,
        streaks=float(rng.uniform(0.02, 0.05)),
        mottle=float(rng.uniform(0.015, 0.03)),
        fibre=float(rng.uniform(0.05, 0.15)),
        gradient=(float(rng.normal(0, 0.08)), float(rng.normal(0, 0.12))),
        dirt_at_front=float(rng.uniform(0.03, 0.15)),
        edge=str(rng.choice(["broken", "chipped"])),
    )
    plan = spotted(rng, replace(plan, layer=layer), heights=(0.15, 1.0))
    return _phone(rng, plan)


@_kind("low-quality-jpeg")
def _low_quality(rng, seed):
    made = _phone(rng, spotted(rng, small_plate(rng)), long_side=(800, 1100))
    camera = replace(made.camera, quality=int(rng.integers(60, 72)), subsampling=2)
    return replace(made, camera=camera)


@_kind("many-pixels")
def _many_pixels(rng, seed):
    return _phone(rng, spotted(rng, small_plate(rng)), long_side=(2600, 3000))


@_kind("blank")
def _blank(rng, seed):
    """A plate with no spots, or (odd seeds) a bench with no plate."""
    if seed % 2:
        made = _phone(rng, small_plate(rng), str(rng.choice(["wood", "dark-bench", "speckled"])))
        return replace(made, plate=None, expects="doubt", why_doubt="no plate in the picture")
    plan = small_plate(rng)
    plan = replace(plan, marks=replace(plan.marks, at_lanes="ticks"))
    return _phone(rng, plan)

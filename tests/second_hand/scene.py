"""A plate laid somewhere, lit, photographed: the picture and its truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from .camera import Camera, lamp, take
from .layer import plate_mask
from .plate import CHANNELS, DrawnPlate, PlatePlan, draw_plate, quenches
from .surroundings import add_glove, ground, ruler
from .truth import TrueLane, TruePair, TrueSpot, Truth
from .visibility import measure_contrast

Floats = NDArray[np.floating]
ORIENTATIONS = ("upright", "sideways-left", "upside-down", "sideways-right")  # by quarter turns


@dataclass(frozen=True)
class Scene:
    """Everything that makes one picture.

    Attributes
    ----------
    plate, second : PlatePlan or None
        The plate, and another to its right (`second_at` mm from its lower left corner).
    scale : float
        Pixels a mm.
    margins : tuple of float
        Ground seen left, right, below and above the plate, mm; negative cuts into the plate.
    tilt, perspective : float
        Rotation in degrees; relative shift of the corners.
    ground, ground_tint : str, tuple
        What it lies on, and the light that ground sends back (UV lamps).
    tissue, ruler, shadow, glare, glove : bool, bool, str, float, str
        `shadow` is "", "half" or "blob"; `glove` is "", "edge" or "over" (over part of a lane).
    quarter_turns : int
        Quarter turns of the finished picture, counter-clockwise.
    exif, dpi, scale_known : int, float or None, bool
        What the file says, and whether its dots per inch hold for the plate.
    also : tuple of str
        Names of what else was drawn.
    """

    plate: PlatePlan | None
    scale: float
    margins: tuple[float, float, float, float] = (5.0, 5.0, 5.0, 5.0)
    camera: Camera = field(default_factory=Camera)
    tilt: float = 0.0
    perspective: float = 0.0
    ground: str = "grey-bed"
    ground_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    second: PlatePlan | None = None
    second_at: tuple[float, float] = (0.0, 0.0)
    tissue: bool = False
    ruler: bool = False
    shadow: str = ""
    glare: float = 0.0
    glove: str = ""
    quarter_turns: int = 0
    exif: int = 1
    dpi: float | None = None
    scale_known: bool = False
    also: tuple[str, ...] = ()
    expects: str = "read"
    why_doubt: str = ""


class _View:
    """From millimetres of the (first) plate to the picture before it is turned."""

    def __init__(self, scene: Scene, rng: np.random.Generator) -> None:
        left, right, below, above = scene.margins
        w, h = (scene.plate.width, scene.plate.height) if scene.plate else (60.0, 100.0)
        k = scene.scale
        self.shape = (round((h + below + above) * k), round((w + left + right) * k))
        mm = np.array([[0, 0], [w, 0], [w, h], [0, h]])
        px = np.column_stack([(mm[:, 0] + left) * k, (above + h - mm[:, 1]) * k])
        middle = px.mean(axis=0)
        a = np.deg2rad(scene.tilt)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        px = (px - middle) @ turn.T + middle
        px = px + scene.perspective * min(w, h) * k * rng.uniform(-1, 1, (4, 2))
        self.matrix = _homography(mm, px)

    def to_px(self, mm: Floats) -> Floats:
        """Return pixels (column, row; centres integer) of points (n, 2) in mm."""
        p = np.column_stack([mm, np.ones(len(mm))]) @ self.matrix.T
        return p[:, :2] / p[:, 2:] - 0.5


def _homography(a: Floats, b: Floats) -> Floats:
    rows = []
    for (x, y), (u, v) in zip(a, b, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    h = np.linalg.solve(np.array(rows), b.ravel())
    return np.append(h, 1).reshape(3, 3)


def _place(picture: Floats, sheet: Floats, mask: Floats, to_mm: Floats, view: _View, lift: float):
    """Lay a sheet (rows from its top) into the picture; `to_mm` takes its pixels to mm."""
    rows, cols = mask.shape
    full = view.matrix @ to_mm
    corners = np.array([[0, 0, 1], [cols, 0, 1], [cols, rows, 1], [0, rows, 1]]) @ full.T
    corners = corners[:, :2] / corners[:, 2:]
    low = np.clip(np.floor(corners.min(axis=0)).astype(int) - 16, 0, None)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 16, view.shape[::-1])
    if (high - low).min() <= 0:
        return
    size = tuple(int(n) for n in high - low)
    shift = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]])
    back = np.linalg.inv(shift @ full)
    back = (back / back[2, 2]).ravel()[:8].tolist()

    def warp(plane: Floats, how: Image.Resampling) -> Floats:
        image = Image.fromarray(np.ascontiguousarray(plane, np.float32))
        return np.asarray(image.transform(size, Image.Transform.PERSPECTIVE, back, how))

    # the sheet is carried on by one pixel so that its edge does not mix with black
    seen = warp(np.pad(mask[1:-1, 1:-1], 1), Image.Resampling.BILINEAR)[:, :, None]
    window = picture[low[1] : high[1], low[0] : high[0]]
    if lift > 0:
        shade = ndimage.gaussian_filter(seen[:, :, 0], lift, truncate=2.5)
        shade = np.roll(shade, (round(0.8 * lift), round(0.6 * lift)), (0, 1))
        window *= 1 - 0.4 * shade[:, :, None]
    laid = np.stack([warp(sheet[:, :, c], Image.Resampling.BICUBIC) for c in range(3)], axis=2)
    window[:] = window * (1 - seen) + np.clip(laid, 0, None) * seen


def _edge(light: Floats, plan: PlatePlan, scale: float, rng: np.random.Generator) -> None:
    """Draw the cut edge: glass gleams or darkens, aluminium shows as a thin line."""
    t = max(1, round(rng.uniform(0.15, 0.4) * scale))
    gain = rng.uniform(0.7, 1.05, 4)
    if plan.layer.backing == "aluminium":
        gain = rng.uniform(0.55, 0.9, 4)
        t = max(1, round(0.2 * scale))
    for part, g in zip((np.s_[:t], np.s_[-t:], np.s_[:, :t], np.s_[:, -t:]), gain, strict=True):
        light[part] *= g


def _sheet_of(plan: PlatePlan, scale: float, rng) -> tuple[DrawnPlate, Floats, Floats]:
    drawn = draw_plate(plan, scale, rng)
    light = drawn.light.copy()
    _edge(light, plan, scale, rng)
    return drawn, light, plate_mask(plan.layer, light.shape[:2], scale, rng)


def _sheet_to_mm(height: float, scale: float, at=(0.0, 0.0), tilt: float = 0.0) -> Floats:
    a = np.deg2rad(tilt)
    turn = np.array([[np.cos(a), -np.sin(a), at[0]], [np.sin(a), np.cos(a), at[1]], [0, 0, 1]])
    return turn @ np.array([[1 / scale, 0, 0], [0, -1 / scale, height], [0, 0, 1]])


def photograph(
    scene: Scene, kind: str, seed: int, rng
) -> tuple[Image.Image, Truth, DrawnPlate | None]:
    """Return the picture, its truth, and the drawn plate (for those who integrate it)."""
    view = _View(scene, rng)
    picture = ground(scene.ground, view.shape, rng) * np.array(scene.ground_tint, np.float32)
    hidden = np.zeros(view.shape, bool)
    if scene.tissue:
        _lay_tissue(picture, scene, rng)
    if scene.ruler:
        _lay_ruler(picture, scene, view, rng)
    drawn = other = None
    lift = 0.25 * scene.scale
    scale = float(np.clip(scene.scale, 6, 26))
    if scene.second is not None:
        other, light, mask = _sheet_of(scene.second, scale, rng)
        to_mm = _sheet_to_mm(scene.second.height, scale, scene.second_at, rng.normal(0, 1.0))
        _place(picture, light, mask, to_mm, view, lift)
    if scene.plate is not None:
        drawn, light, mask = _sheet_of(scene.plate, scale, rng)
        _place(picture, light, mask, _sheet_to_mm(scene.plate.height, scale), view, lift)
    if scene.glove and scene.plate is not None:
        hidden = _lay_glove(picture, scene, view, rng)
    picture *= lamp(scene.camera, view.shape)[:, :, None]
    if scene.shadow:
        picture *= _shadow(scene.shadow, view.shape, rng)[:, :, None]
    if scene.glare:
        picture += _glare(scene.glare, view.shape, rng)
    picture = np.ascontiguousarray(np.rot90(picture, scene.quarter_turns))
    image = take(picture, scene.camera, rng)
    truth = _truth(scene, kind, seed, image, view, drawn, other, hidden, rng)
    return image, truth, drawn


def _lay_tissue(picture: Floats, scene: Scene, rng) -> None:
    rows, cols = picture.shape[:2]
    made = ground("tissue", (rows, cols), rng) * np.array(scene.ground_tint, np.float32)
    edge = rng.uniform(0.15, 0.5) * cols
    x = np.arange(cols)[None, :] - edge - 0.2 * np.arange(rows)[:, None]
    soft = 1 / (1 + np.exp(np.clip(x / 1.5, -40, 40)))
    picture[:] = picture * (1 - soft[:, :, None]) + made * soft[:, :, None]


def _lay_ruler(picture: Floats, scene: Scene, view: _View, rng) -> None:
    length = scene.plate.height * 1.5
    sheet = ruler(length, scene.scale, rng) * np.array(scene.ground_tint, np.float32)
    side = -1 if rng.random() < 0.5 else 1  # stands upright beside the plate
    x = -5.0 if side < 0 else scene.plate.width + 4.0 + 22.0
    to_mm = _sheet_to_mm(22.0, scene.scale, (x, -0.2 * scene.plate.height), 90 + rng.normal(0, 0.7))
    _place(picture, sheet, np.ones(sheet.shape[:2], np.float32), to_mm, view, 0.3 * scene.scale)


def _lay_glove(picture: Floats, scene: Scene, view: _View, rng) -> NDArray[np.bool_]:
    plan = scene.plate
    thick = rng.uniform(13, 17) * scene.scale
    if scene.glove == "edge":
        place = np.array(
            [[rng.choice([-3.5, plan.width + 3.5]), plan.height * rng.uniform(0.3, 0.7)]]
        )
    else:
        lane = plan.lanes[int(rng.integers(len(plan.lanes)))]
        place = np.array([[lane.x, plan.origin + 0.45 * (plan.front - plan.origin)]])
    to_right = place[0, 0] > plan.width / 2
    toward = rng.uniform(0.2, 0.9) if to_right else np.pi - rng.uniform(0.2, 0.9)
    return add_glove(picture, tuple(view.to_px(place)[0]), toward, thick, rng)


def _shadow(kind: str, shape: tuple[int, int], rng) -> Floats:
    """Return the light left by a shadow's soft edge, or by a hand's or telephone's blob."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    depth = rng.uniform(0.35, 0.6)
    if kind == "half":
        angle = rng.uniform(0, 2 * np.pi)
        d = np.cos(angle) * x + np.sin(angle) * y - rng.uniform(-0.25, 0.25)
        return 1 - depth / (1 + np.exp(-np.clip(d / rng.uniform(0.02, 0.12), -40, 40)))
    cx, cy = rng.uniform(-0.5, 0.5), rng.uniform(0.2, 0.9)
    r2 = ((x - cx) / rng.uniform(0.4, 0.8)) ** 2 + ((y - cy) / rng.uniform(0.6, 1.0)) ** 2
    return 1 - depth / (1 + np.exp(np.clip((r2 - 1) * rng.uniform(2, 5), -40, 40)))


def _glare(height: float, shape: tuple[int, int], rng) -> Floats:
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    cx, cy = rng.uniform(-0.6, 0.6, 2)
    blob = np.exp(
        -(((x - cx) / rng.uniform(0.2, 0.5)) ** 2) - ((y - cy) / rng.uniform(0.1, 0.3)) ** 2
    )
    return height * blob[:, :, None] * np.array([1.0, 0.98, 0.94], np.float32)


def turn_points(px: Floats, quarter_turns: int, shape: tuple[int, int]) -> Floats:
    """Return where points go when a picture of `shape` (rows, columns) is turned."""
    px, (rows, cols) = np.asarray(px, float), shape
    for _ in range(quarter_turns % 4):
        px = np.column_stack([px[:, 1], cols - 1 - px[:, 0]])
        rows, cols = cols, rows
    return px


def _truth(scene, kind, seed, image, view, drawn, other, hidden, rng) -> Truth:
    plan = scene.plate
    turned = view.shape if scene.quarter_turns % 2 == 0 else view.shape[::-1]

    def to_px(mm) -> Floats:
        return turn_points(view.to_px(np.asarray(mm, float)), scene.quarter_turns, view.shape)

    levels = np.asarray(image, np.float32)
    levels = levels if levels.ndim == 3 else levels[:, :, None]
    unseen = np.rot90(hidden, scene.quarter_turns)
    lanes = _lanes_of(drawn, to_px, levels, unseen, scene, rng) if drawn else ()
    others: tuple[TrueLane, ...] = ()
    if other is not None:
        at = np.array(scene.second_at)
        others = _lanes_of(other, lambda mm: to_px(np.asarray(mm) + at), levels, unseen, scene, rng)
    ends = np.linspace(0, plan.width, 5) if plan else np.zeros(0)
    points = lambda mm: tuple(tuple(np.round(p, 2).tolist()) for p in to_px(mm)) if plan else ()  # noqa: E731
    return Truth(
        kind=kind,
        seed=seed,
        light=plan.light if plan else "white",
        law=plan.law if plan else "kubelka-munk",
        width_mm=plan.width if plan else None,
        height_mm=plan.height if plan else None,
        has_scale=scene.scale_known,
        dpi=scene.dpi,
        file_format=scene.camera.file_format,
        quality=scene.camera.quality,
        subsampling=scene.camera.subsampling,
        exif_orientation=scene.exif,
        size_px=turned[::-1],
        orientation=ORIENTATIONS[scene.quarter_turns % 4],
        corners_px=points([[0, 0], [plan.width, 0], [plan.width, plan.height], [0, plan.height]])
        if plan
        else (),
        origin_px=points(np.column_stack([ends, plan.origin_at(ends)])) if plan else (),
        front_px=points(np.column_stack([ends, plan.front_at(ends)])) if plan else (),
        origin_marks=plan.marks.origin if plan else "none",
        front_marks=plan.marks.front if plan else "none",
        lanes=lanes,
        other_plate=others,
        also_drawn=_also(scene),
        expects=scene.expects,
        why_doubt=scene.why_doubt,
    )


def _also(scene: Scene) -> tuple[str, ...]:
    out = list(scene.also)
    if scene.plate is not None:
        marks = scene.plate.marks
        out += [f"pencil {marks.circles} round spots"] if marks.circles else []
        out += ["writing"] if marks.names or marks.words_above or marks.words_below else []
        out += ["arrow"] if marks.arrow else []
        out += [f"{marks.at_lanes} at lanes"] if marks.at_lanes else []
    named = (("second plate", scene.second), ("ruler", scene.ruler), ("tissue", scene.tissue))
    out += [name for name, there in named if there]
    out += [f"shadow {scene.shadow}"] if scene.shadow else []
    out += [f"glove {scene.glove}"] if scene.glove else []
    return (*out, f"ground {scene.ground}")


def _lanes_of(drawn: DrawnPlate, to_px, levels, unseen, scene, rng) -> tuple[TrueLane, ...]:
    plan = drawn.plan
    rows, cols = drawn.touched.shape

    def covered(px) -> NDArray[np.bool_]:
        i = np.clip(np.round(px).astype(int), 0, np.array(unseen.shape[::-1]) - 1)
        return unseen[i[:, 1], i[:, 0]]

    def clean(mm) -> NDArray[np.bool_]:
        col = np.floor(mm[:, 0] * drawn.scale).astype(int)
        row = np.floor((plan.height - mm[:, 1]) * drawn.scale).astype(int)
        edge = 1.5 * drawn.scale
        inside = (col >= edge) & (col < cols - edge) & (row >= edge) & (row < rows - edge)
        out = np.zeros(len(mm), bool)
        out[inside] = ~drawn.touched[row[inside], col[inside]]
        return out & ~covered(to_px(mm))

    flat = [s for lane in drawn.lanes for s in lane]
    figures = measure_contrast(
        levels,
        [(s.x, s.y, s.width, s.plan.across) for s in flat],
        to_px,
        clean,
        (plan.width, plan.height),
        scene.scale,
        rng,
    )
    seen = dict(zip(map(id, flat), figures, strict=True))
    out = []
    for lane, spots in zip(plan.lanes, drawn.lanes, strict=True):
        base = float(plan.origin_at(lane.x))
        top_x = lane.x + lane.lean * (plan.front - base)
        top = float(plan.front_at(top_x))
        ends = np.round(to_px([[lane.x, base], [top_x, top]]), 2).tolist()
        true = _spots_of(plan, sorted(spots, key=lambda s: s.rf), seen, to_px, covered)
        pairs = tuple(
            TruePair(i, i + 1, 1.18 * (b.position_mm - a.position_mm) / (a.width_mm + b.width_mm))
            for i, (a, b) in enumerate(pairwise(true))
        )
        out.append(
            TrueLane(lane.name, lane.x, base, top, tuple(ends[0]), tuple(ends[1]), true, pairs)
        )
    return tuple(out)


def _spots_of(plan, spots, seen, to_px, covered) -> tuple[TrueSpot, ...]:
    total = {c: sum(s.areas[c] for s in spots) for c in CHANNELS}
    out = []
    for s in spots:
        shares = {c: 100 * s.areas[c] / total[c] if total[c] > 0 else 0.0 for c in CHANNELS}
        alike = max(shares.values()) - min(shares.values()) < 0.1
        best = max(CHANNELS, key=lambda c: total[c])
        px = to_px([[s.x, s.y]])
        contrast, ratio = seen[id(s)]
        out.append(
            TrueSpot(
                rf=s.rf,
                rf_mean=s.rf_mean,
                position_mm=s.position,
                x_mm=s.x,
                picture_px=tuple(np.round(px[0], 2).tolist()),
                width_mm=s.width,
                across_mm=s.plan.across,
                areas=s.areas,
                shares=shares,
                law="light taken" if quenches(plan.light, s.plan.dye) else plan.law,
                channel="all" if alike else best,
                share_percent=shares[best],
                colour=s.colour,
                shape=s.plan.shape,
                contrast=contrast,
                contrast_to_noise=ratio,
                covered=bool(covered(px)[0]),
            )
        )
    return tuple(out)

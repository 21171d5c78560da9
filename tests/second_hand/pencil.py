"""What people draw on plates: lines, dots, ticks, crosses, circles, arrows and handwriting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy import ndimage

from .shapes import smooth_field

if TYPE_CHECKING:
    from .plate import PlatePlan

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Marks:
    """Marks on a plate; every length in mm.

    Attributes
    ----------
    origin : str
        "line", "dashed" (drawn in part), "dots", "crosses", "ticks" or "none".
    front : str
        "line", "dashed", "left", "right" (short stroke at one side), "sides" or "none".
    at_lanes : str
        Marks on the origin at each lane: "", "ticks", "dots" or "crosses".
    pressure : float
        Share of light a stroke takes, 0 to 1.
    thick, blur : float
        Width of a stroke, and how far it is smeared (sd).
    double : bool
        Lines are drawn twice.
    circles : str
        Round the spots: "", "loops" or "outlines" (dotted), and "crosses" at their middles.
    names, words_above, words_below : bool or str
        Lane names under the origin; writing beyond the front and at the foot.
    arrow : bool
        An arrow for the direction of the run, at one side.
    """

    origin: str = "line"
    front: str = "line"
    at_lanes: str = ""
    pressure: float = 0.4
    thick: float = 0.35
    blur: float = 0.0
    double: bool = False
    circles: str = ""
    names: bool = False
    words_above: str = ""
    words_below: str = ""
    arrow: bool = False


class _Pen:
    """Strokes on the plate in mm, with a hand's unsteadiness."""

    def __init__(self, plan: PlatePlan, scale: float, rng: np.random.Generator) -> None:
        self.fine = 2 if scale < 18 else 1  # drawn finer, then reduced: smooth edges
        self.scale, self.rng, self.plan = scale, rng, plan
        size = (round(plan.width * scale) * self.fine, round(plan.height * scale) * self.fine)
        self.image = Image.new("L", size, 0)
        self.draw = ImageDraw.Draw(self.image)
        self.thick = plan.marks.thick

    def stroke(
        self, x: Floats, y: Floats, wobble: float = 0.06, thick: float | None = None
    ) -> None:
        """Draw a smooth path through points `x`, `y`."""
        k = self.scale * self.fine
        n = max(2, int(np.hypot(np.diff(x), np.diff(y)).sum() / 0.8) + 2)
        along = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        t = np.linspace(0, along[-1], n)
        px, py = np.interp(t, along, x), np.interp(t, along, y)
        shake = ndimage.gaussian_filter1d(self.rng.normal(size=(2, n)), 2.0, axis=1) * 2.5 * wobble
        px, py = px + shake[0], py + shake[1]
        width = max(1, round((thick or self.thick) * k * self.rng.uniform(0.85, 1.15)))
        points = list(zip(px * k, (self.plan.height - py) * k, strict=True))
        self.draw.line(points, fill=int(self.rng.integers(215, 256)), width=width, joint="curve")

    def dot(self, x: float, y: float, radius: float) -> None:
        k = self.scale * self.fine
        cx, cy, r = x * k, (self.plan.height - y) * k, radius * k
        self.draw.ellipse((cx - r, cy - r, cx + r, cy + r), fill=250)

    def result(self) -> Floats:
        """Return how much pencil lies where, 0 to 1, as the layer's grain took it."""
        image = self.image
        if self.fine > 1:
            image = image.reduce(self.fine)
        out = np.asarray(image, np.float32) / 255
        shape = (round(self.plan.height * self.scale), round(self.plan.width * self.scale))
        out = out[: shape[0], : shape[1]]
        if self.plan.marks.blur:
            out = ndimage.gaussian_filter(out, self.plan.marks.blur * self.scale)
        grip = 0.85 + 0.25 * self.rng.standard_normal(shape, np.float32)
        press = 1 + 0.15 * smooth_field(self.rng, shape, 5 * self.scale)
        return out * np.clip(grip * press, 0.2, 1.25)


def draw_marks(
    light: Floats, plan: PlatePlan, scale: float, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the plate's light with the marks on it, and where they are."""
    pen = _Pen(plan, scale, rng)
    _lines(pen, plan, rng)
    for lane in plan.lanes:
        _lane_marks(pen, plan, lane, rng)
    _around_spots(pen, plan, rng)
    _words(pen, plan, rng)
    cover = pen.result()
    marked = cover > 0.03
    # graphite lies on top: it hides glow and reflects a little grey itself
    dark = light * (1 - np.clip(plan.marks.pressure * cover, 0, 0.92))[:, :, None]
    return dark, marked


def _lines(pen: _Pen, plan: PlatePlan, rng: np.random.Generator) -> None:
    marks, w = plan.marks, plan.width
    margin = rng.uniform(0, 2.5)
    ends = np.array([margin, w - margin])
    for _ in range(2 if marks.double else 1):
        lift = rng.normal(0, 0.45) if marks.double else 0.0
        if marks.origin == "line":
            pen.stroke(ends, plan.origin_at(ends) + lift)
        elif marks.origin == "dashed":
            for a in np.arange(margin, w - 3, 9.0):
                x = np.array([a, a + rng.uniform(4, 7)])
                pen.stroke(x, plan.origin_at(x) + lift)
        x = np.linspace(0.5, w - 0.5, 25)
        if marks.front == "line":
            pen.stroke(x, plan.front_at(x) + lift)
        elif marks.front == "dashed":
            for a in np.arange(1.0, w - 3, 8.0):
                part = np.linspace(a, a + rng.uniform(3.5, 6), 4)
                pen.stroke(part, plan.front_at(part) + lift)
        sides = {"left": (0,), "right": (1,), "sides": (0, 1)}.get(marks.front, ())
        for side in sides:
            length = rng.uniform(4, 8)
            part = np.linspace(0.3, length, 4) if side == 0 else np.linspace(w - length, w - 0.3, 4)
            pen.stroke(part, plan.front_at(part) + lift)


def _lane_marks(pen: _Pen, plan: PlatePlan, lane, rng: np.random.Generator) -> None:
    marks, x = plan.marks, lane.x
    y = float(plan.origin_at(x))
    what = marks.at_lanes or (marks.origin if marks.origin in ("dots", "crosses", "ticks") else "")
    if what == "dots":
        pen.dot(x + rng.normal(0, 0.15), y, rng.uniform(0.3, 0.6))
    elif what == "crosses":
        s = rng.uniform(0.8, 1.3)
        pen.stroke(np.array([x - s, x + s]), np.array([y - s, y + s]))
        pen.stroke(np.array([x - s, x + s]), np.array([y + s, y - s]))
    elif what == "ticks":
        pen.stroke(np.array([x, x]), np.array([y - 1.6, y + 0.9]) + rng.normal(0, 0.2))
    if marks.names and lane.name:
        write(pen, lane.name, x, y - rng.uniform(4.6, 5.4), 3.0, rng)


def _around_spots(pen: _Pen, plan: PlatePlan, rng: np.random.Generator) -> None:
    if not plan.marks.circles:
        return
    for lane in plan.lanes:
        base = float(plan.origin_at(lane.x))
        for s in lane.spots:
            if s.height < 0.08 and rng.random() < 0.5:
                continue  # who circles spots misses faint ones
            y = base + s.rf * (float(plan.front_at(lane.x)) - base)
            x = lane.x + lane.lean * (y - base)
            a, b = s.across * rng.uniform(0.75, 0.95), s.along * rng.uniform(0.75, 0.95)
            start = rng.uniform(0, 2 * np.pi)
            t = start + np.linspace(0, 2 * np.pi * rng.uniform(0.93, 1.08), 40)
            squash = 1 + 0.06 * np.sin(2 * t + start)
            px, py = x + a * squash * np.cos(t), y + b * squash * np.sin(t)
            if plan.marks.circles == "outlines":
                for i in range(0, 36, 4):
                    pen.stroke(px[i : i + 3], py[i : i + 3], 0.03)
            else:
                pen.stroke(px, py)
            if plan.marks.circles == "crosses":
                pen.stroke(np.array([x - 0.7, x + 0.7]), np.array([y, y]), 0.03, 0.25)
                pen.stroke(np.array([x, x]), np.array([y - 0.7, y + 0.7]), 0.03, 0.25)


def _words(pen: _Pen, plan: PlatePlan, rng: np.random.Generator) -> None:
    marks = plan.marks
    if marks.words_above:
        room = plan.height - float(plan.front_at(plan.width / 2))
        size = float(np.clip(room - 3.5, 2.2, 4.0))
        write(
            pen,
            marks.words_above,
            plan.width * rng.uniform(0.4, 0.6),
            plan.height - room / 2 - size / 2 + 0.3,
            size,
            rng,
        )
    if marks.words_below:
        write(pen, marks.words_below, plan.width * rng.uniform(0.4, 0.6), 1.2, 2.6, rng)
    if marks.arrow:
        x = rng.choice([3.0, plan.width - 3.0])
        y = plan.height * rng.uniform(0.45, 0.6)
        pen.stroke(np.array([x, x]), np.array([y - 5, y + 5]))
        pen.stroke(np.array([x - 1.2, x, x + 1.2]), np.array([y + 3, y + 5, y + 3]))


# Strokes of letters on a grid 4 wide and 6 high, as a hand writes them.
_GLYPHS: dict[str, list[list[tuple[float, float]]]] = {
    "0": [[(2, 6), (0.3, 4.5), (0.3, 1.5), (2, 0), (3.7, 1.5), (3.7, 4.5), (2, 6)]],
    "1": [[(1, 4.6), (2.2, 6), (2.1, 0)]],
    "2": [[(0.3, 4.8), (1.8, 6), (3.5, 4.6), (0.2, 0), (3.8, 0.2)]],
    "3": [[(0.4, 5.5), (2, 6), (3.4, 4.7), (1.6, 3.2), (3.6, 1.6), (1.8, 0), (0.2, 0.8)]],
    "4": [[(2.4, 6), (0.2, 2.2), (3.8, 2.2)], [(2.8, 3.8), (2.7, 0)]],
    "5": [[(3.4, 6), (0.8, 6), (0.5, 3.5), (2.2, 3.8), (3.5, 2), (2, 0), (0.2, 0.6)]],
    "6": [[(3, 6), (0.8, 3.4), (0.5, 1.2), (2, 0), (3.5, 1.4), (2, 2.9), (0.6, 1.8)]],
    "7": [[(0.2, 6), (3.8, 5.9), (1.4, 0)]],
    "8": [[(2, 3.2), (0.5, 4.6), (2, 6), (3.4, 4.6), (0.5, 1.5), (2, 0), (3.6, 1.5), (2, 3.2)]],
    "9": [[(3.4, 4.4), (1.8, 6), (0.5, 4.5), (1.9, 3.1), (3.4, 4.4), (2.8, 0)]],
    "A": [[(0, 0), (2, 6), (3.9, 0)], [(0.8, 2.1), (3.2, 2.2)]],
    "B": [[(0.5, 0), (0.5, 6), (2.8, 5.2), (0.6, 3.2), (3.4, 1.8), (0.4, 0)]],
    "C": [[(3.5, 5), (2, 6), (0.3, 3.2), (1.8, 0), (3.6, 0.9)]],
    "D": [[(0.5, 0), (0.5, 6), (3.3, 4.4), (3.2, 1.4), (0.4, 0)]],
    "E": [[(3.4, 5.9), (0.5, 6), (0.5, 0), (3.6, 0.1)], [(0.5, 3.1), (2.8, 3.2)]],
    "F": [[(3.4, 5.9), (0.5, 6), (0.5, 0)], [(0.5, 3.1), (2.8, 3.2)]],
    "H": [[(0.4, 6), (0.5, 0)], [(3.5, 6), (3.4, 0)], [(0.5, 3), (3.4, 3.1)]],
    "M": [[(0, 0), (0.5, 6), (2, 2.2), (3.5, 6), (4, 0)]],
    "P": [[(0.5, 0), (0.5, 6), (3.2, 5), (2.6, 3), (0.6, 2.8)]],
    "R": [[(0.5, 0), (0.5, 6), (3.2, 5), (2.6, 3.2), (0.6, 2.9), (3.6, 0)]],
    "S": [[(3.3, 5.2), (1.8, 6), (0.5, 4.6), (3.3, 1.8), (1.8, 0), (0.2, 0.9)]],
    "T": [[(0, 6), (4, 5.9)], [(2, 6), (1.9, 0)]],
    "U": [[(0.4, 6), (0.5, 1.2), (2, 0), (3.4, 1.2), (3.5, 6)]],
    "X": [[(0.2, 6), (3.7, 0)], [(3.6, 6), (0.2, 0)]],
    "a": [[(3, 3.2), (1.4, 3.6), (0.5, 1.4), (1.6, 0), (3, 1.6), (3, 3.4), (3.2, 0)]],
    "e": [[(0.6, 1.9), (3.2, 2.1), (1.8, 3.6), (0.4, 1.6), (1.8, 0), (3.2, 0.6)]],
    "o": [[(2, 3.6), (0.5, 1.8), (2, 0), (3.4, 1.8), (2, 3.6)]],
    "x": [[(0.5, 3.5), (3.3, 0)], [(3.3, 3.5), (0.4, 0)]],
    ":": [[(1.6, 3), (1.7, 2.7)], [(1.6, 0.6), (1.7, 0.3)]],
    "/": [[(0.2, -0.4), (3.6, 6.2)]],
    "-": [[(0.6, 2.8), (3.2, 2.9)]],
    "%": [[(0.2, 0), (3.6, 6)], [(0.8, 5.6), (0.9, 5)], [(2.9, 1), (3, 0.5)]],
    ".": [[(1.6, 0.1), (1.7, 0)]],
    " ": [],
}


def write(pen: _Pen, text: str, x: float, y: float, size: float, rng: np.random.Generator) -> None:
    """Write `text` centred on `x` with its foot at `y`, letters `size` mm high."""
    step = size * 0.85
    slant = rng.uniform(-0.05, 0.3)
    left = x - step * len(text) / 2
    for i, letter in enumerate(text):
        rise = rng.normal(0, 0.06) * size
        for path in _GLYPHS.get(letter, []):
            p = np.array(path) / 6 * size + rng.normal(0, 0.035 * size, (len(path), 2))
            px = left + i * step + p[:, 0] + slant * p[:, 1]
            pen.stroke(px, y + rise + p[:, 1], 0.03, 0.9 * pen.thick)

"""What else lies on the layer: pencil strokes, lane names, specks and scratches.

Every function returns how much of the light a mark takes, from 0 to 1, on the plate's grid.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter1d

from lanes.draw.spec import PlateSpec

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

STROKE = 0.25  # width of a pencil stroke, mm
TICK = 1.3  # half length of a tick, mm
LETTER = 3.2  # size of the lanes' names, mm


def pencil(spec: PlateSpec, x: Floats, y: Floats, rng: np.random.Generator) -> Plane:
    """Return the pencilled origin line, front, ticks and lane names, as `spec` asks for them."""
    out = np.zeros((y.size, x.size), np.float32)
    middle = spec.width / 2
    front = spec.front - spec.smile * ((x - middle) / middle) ** 2
    for line in (np.full(x.size, spec.origin), front):
        stroke = _stroke(spec, line, x, y, rng)
        if spec.pencil:
            np.maximum(out, stroke, out=out)
    for lane in spec.lanes if spec.ticks else ():
        up = _cover(np.abs(y - spec.origin), TICK, spec)
        np.maximum(out, 0.6 * np.outer(up, _cover(np.abs(x - lane.x), STROKE / 2, spec)), out=out)
    if spec.labels:
        _names(spec, out, x, y)
    return out


def specks(spec: PlateSpec, x: Floats, y: Floats, rng: np.random.Generator) -> Plane:
    """Return `spec.dust` specks of 0.1 to 0.5 mm."""
    out = np.zeros((y.size, x.size), np.float32)
    for _ in range(spec.dust):
        cx, cy = rng.uniform(0, spec.width), rng.uniform(0, spec.height)
        # Most specks are small.
        radius = 0.05 + 0.2 * rng.beta(1, 3)
        flat, turn, depth = rng.uniform(0.4, 1), rng.uniform(0, np.pi), rng.uniform(0.4, 0.9)
        i = np.flatnonzero(np.abs(y - cy) < 1)
        j = np.flatnonzero(np.abs(x - cx) < 1)
        dx, dy = (x[j] - cx)[None, :], (y[i] - cy)[:, None]
        u = dx * np.cos(turn) + dy * np.sin(turn)
        v = (dy * np.cos(turn) - dx * np.sin(turn)) / flat
        window = out[np.ix_(i, j)]
        out[np.ix_(i, j)] = np.maximum(window, depth * _cover(np.hypot(u, v), radius, spec))
    return out


def scratches(spec: PlateSpec, x: Floats, y: Floats, rng: np.random.Generator) -> Plane:
    """Return `spec.scratches` thin straight scratches, 5 to 40 mm long."""
    out = np.zeros((y.size, x.size), np.float32)
    for _ in range(spec.scratches):
        cx, cy = rng.uniform(0, spec.width), rng.uniform(0, spec.height)
        half, turn = rng.uniform(2.5, 20), rng.uniform(0, np.pi)
        thick, depth = rng.uniform(0.03, 0.1), rng.uniform(0.15, 0.5)
        cos, sin = np.cos(turn), np.sin(turn)
        i = np.flatnonzero(np.abs(y - cy) < half * abs(sin) + 1)
        j = np.flatnonzero(np.abs(x - cx) < half * abs(cos) + 1)
        dx, dy = (x[j] - cx)[None, :], (y[i] - cy)[:, None]
        along = np.maximum(np.abs(dx * cos + dy * sin) - half, 0)
        beside = np.hypot(along, dy * cos - dx * sin)
        window = out[np.ix_(i, j)]
        out[np.ix_(i, j)] = np.maximum(window, depth * _cover(beside, thick, spec))
    return out


def _cover(distance: Floats, half: float, spec: PlateSpec) -> Floats:
    # Share of a pixel within `half` of a stroke's middle: keeps edges smooth, thin marks thin.
    pitch = 25.4 / spec.dpi
    inner = np.clip((half - distance) / pitch + 0.5, 0, 1)
    return inner * min(1.0, 2 * half / pitch)


def _stroke(
    spec: PlateSpec, line: Floats, x: Floats, y: Floats, rng: np.random.Generator
) -> Plane:
    # Drawn on a fixed pitch, so that the same seed breaks the stroke alike at every dpi.
    at = np.arange(0, spec.width, 0.1)
    waver = 0.05 * _wander(rng, at.size, 40)
    pressure = 0.72 + 0.3 * _wander(rng, at.size, 2) + 0.15 * _wander(rng, at.size, 60)
    pressure[_wander(rng, at.size, 5) < -1.8] = 0
    ends = rng.uniform(0.8, 2.0, 2)
    height = line + np.interp(x, at, waver)
    force = np.interp(x, at, np.clip(pressure, 0, 1))
    force *= (x > ends[0]) & (x < spec.width - ends[1])
    out = np.zeros((y.size, x.size), np.float32)
    rows = np.flatnonzero((y > height.min() - 1) & (y < height.max() + 1))
    out[rows] = force * _cover(np.abs(y[rows, None] - height), STROKE / 2, spec)
    return out


def _wander(rng: np.random.Generator, n: int, smooth: float) -> Floats:
    out = gaussian_filter1d(rng.standard_normal(n), smooth, mode="reflect")
    out -= out.mean()
    return np.asarray(out / out.std(), float)


def _names(spec: PlateSpec, out: Plane, x: Floats, y: Floats) -> None:
    pitch = 25.4 / spec.dpi
    height = spec.origin - 5 if spec.origin >= 7 else spec.origin / 2
    xs = [lane.x for lane in spec.lanes]
    gaps = [b - a for a, b in pairwise(xs)]
    room = 0.9 * min([*gaps, spec.width])
    for i, lane in enumerate(spec.lanes):
        name = spec.lane_name(i)
        size = min(LETTER, 1.3 * spec.origin) / pitch
        wide = _font(size).getlength(name) * pitch
        font = _font(size * min(1.0, room / wide) if wide else size)
        left, top, right, bottom = (round(v) for v in font.getbbox(name))
        image = Image.new("L", (right - left + 2, bottom - top + 2))
        ImageDraw.Draw(image).text((1 - left, 1 - top), name, fill=255, font=font)
        ink = np.asarray(image, np.float32) / 255 * 0.75
        row = round(float(np.interp(-height, -y, np.arange(y.size)))) - ink.shape[0] // 2
        column = round(float(np.interp(lane.x, x, np.arange(x.size)))) - ink.shape[1] // 2
        r0, c0 = max(row, 0), max(column, 0)
        window = out[r0 : max(row + ink.shape[0], 0), c0 : max(column + ink.shape[1], 0)]
        part = ink[r0 - row :, c0 - column :][: window.shape[0], : window.shape[1]]
        np.maximum(window, part, out=window)


def _font(size: float) -> Any:
    return ImageFont.load_default(max(4, round(size)))

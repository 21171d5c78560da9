"""What lies round a plate: benches, paper, tissue, gloves, a ruler. All in linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont
from scipy import ndimage

from .shapes import smooth_field

Floats = NDArray[np.floating]
COARSE = 900  # grounds are made with this many pixels along the long side, then enlarged


def ground(kind: str, shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return a ground (rows, columns, 3) of a kind that `_GROUNDS` names."""
    factor = max(1.0, max(shape) / COARSE)
    small = (round(shape[0] / factor), round(shape[1] / factor))
    made = _GROUNDS[kind](small, rng).astype(np.float32)
    if factor > 1:
        made = _enlarge(made, shape)
    fine = {"grey-bed": 0.004, "white-bed": 0.004, "black": 0.02}.get(kind, 0.012)
    made = made * (1 + fine * rng.standard_normal(shape, np.float32)[:, :, None])
    return np.clip(made, 0, 1.2).astype(np.float32)


def _enlarge(image: Floats, shape: tuple[int, int]) -> Floats:
    planes = [
        np.asarray(Image.fromarray(image[:, :, c]).resize(shape[::-1], Image.Resampling.BICUBIC))
        for c in range(3)
    ]
    return np.stack(planes, axis=2)


def _plain(colour: tuple[float, float, float], clouds: float):
    def make(shape, rng):
        level = 1 + clouds * smooth_field(rng, shape, max(shape) / 4)
        return level[:, :, None] * np.array(colour)

    return make


def _white_paper(shape, rng):
    tint = np.array([0.86, 0.86, 0.87]) * rng.uniform(0.92, 1.0)
    out = 1 + 0.01 * smooth_field(rng, shape, 60) + 0.006 * smooth_field(rng, shape, 4)
    if rng.random() < 0.4:  # a fold, one side a little darker
        angle, off = rng.uniform(0, np.pi), rng.uniform(0.2, 0.8)
        row, col = np.mgrid[: shape[0], : shape[1]]
        d = np.cos(angle) * (col - off * shape[1]) + np.sin(angle) * (row - off * shape[0])
        out = out - 0.035 / (1 + np.exp(-np.clip(d / 3, -40, 40))) - 0.05 * np.exp(-((d / 2) ** 2))
    return out[:, :, None] * tint


def _lined_paper(shape, rng):
    out = _white_paper(shape, rng)
    step, start = rng.uniform(28, 40), rng.uniform(0, 20)
    row = np.arange(shape[0])[:, None]
    line = np.exp(-(((((row - start + step / 2) % step) - step / 2) / 0.8) ** 2))
    return out * (1 - line[:, :, None] * np.array([0.35, 0.2, 0.08]))


def _wood(shape, rng):
    base = np.array([[0.42, 0.24, 0.11], [0.55, 0.37, 0.20], [0.20, 0.10, 0.05]])[rng.integers(3)]
    rows, cols = shape
    warp = 26 * smooth_field(rng, shape, 260) + 3 * smooth_field(rng, shape, 50)
    y = np.arange(rows)[:, None] + warp
    ring = 0.5 + 0.5 * np.sin(y / rng.uniform(3.5, 7) + 1.5 * np.sin(y / 23))
    pores = smooth_field(rng, (rows, 8 + cols // 40), 1.2)
    pores = np.asarray(
        Image.fromarray(pores.astype(np.float32)).resize((cols, rows), Image.Resampling.BICUBIC)
    )
    out = 1 - 0.22 * ring + 0.09 * pores + 0.08 * smooth_field(rng, shape, 120)
    if rng.random() < 0.6:  # joints between boards
        step, start = rng.uniform(180, 320), rng.uniform(0, 180)
        d = (np.arange(rows)[:, None] - start) % step
        out = out * (1 - 0.7 * np.exp(-(((d - step / 2) / 1.5) ** 2)))
    made = np.clip(out, 0.1, 1.3)[:, :, None] * base
    return np.rot90(made[:, :, :], 2) if rng.random() < 0.5 else made


def _dark_bench(shape, rng):
    base = np.array([0.035, 0.036, 0.04]) * rng.uniform(0.7, 1.8)
    out = 1 + 0.12 * smooth_field(rng, shape, 200) + 0.08 * smooth_field(rng, shape, 6)
    speck = ndimage.gaussian_filter((rng.random(shape) > 0.9985).astype(np.float32), 0.7) * 6
    image = Image.new("F", shape[::-1], 0.0)
    pen = ImageDraw.Draw(image)
    for _ in range(int(rng.integers(3, 12))):
        x, y, a = rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(0, np.pi)
        length = rng.uniform(20, 200)
        pen.line((x, y, x + length * np.cos(a), y + length * np.sin(a)), fill=1.0)
    scratch = ndimage.gaussian_filter(np.asarray(image), 0.5)
    return np.clip(out + speck + 0.8 * scratch, 0.2, 8)[:, :, None] * base


def _speckled(shape, rng):
    base = np.array([0.42, 0.43, 0.45]) * rng.uniform(0.7, 1.1)
    grain = ndimage.gaussian_filter(rng.normal(size=shape), 1.2) * 3
    return (1 + 0.10 * np.clip(grain, -1.5, 1.5) + 0.03 * smooth_field(rng, shape, 150))[
        :, :, None
    ] * base


def _tissue(shape, rng):
    """White tissue: wrinkles seen by their slopes, and an embossed pattern."""
    relief = sum(
        a * np.abs(smooth_field(rng, shape, c)) for a, c in ((22, 150), (9, 60), (3, 20), (0.7, 6))
    )
    slope = np.gradient(ndimage.gaussian_filter(relief, 1.0))
    shade = 0.80 - 0.13 * np.tanh(0.5 * slope[0] + 0.4 * slope[1])
    row, col = np.mgrid[: shape[0], : shape[1]]
    emboss = 0.02 * np.sin(row / 2.6) * np.sin(col / 2.6)
    return (shade + emboss)[:, :, None] * np.array([1.0, 1.0, 1.01])


_GROUNDS = {
    "white-paper": _white_paper,
    "lined-paper": _lined_paper,
    "wood": _wood,
    "dark-bench": _dark_bench,
    "speckled": _speckled,
    "tissue": _tissue,
    "grey-bed": _plain((0.36, 0.36, 0.37), 0.01),
    "white-bed": _plain((0.93, 0.93, 0.94), 0.004),
    "black": _plain((0.012, 0.012, 0.013), 0.15),
    "blue-paper": _plain((0.30, 0.38, 0.62), 0.03),
}


def add_glove(
    picture: Floats, tip: tuple[float, float], toward: float, thick: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Draw a gloved finger in place; return where it lies.

    `tip` is the finger's end (column, row), `toward` the direction (radians) it comes from, `thick`
    its width in pixels.
    """
    tone = np.array([[0.10, 0.16, 0.52], [0.22, 0.10, 0.42], [0.75, 0.76, 0.72]])[rng.integers(3)]
    rows, cols = picture.shape[:2]
    reach = 1.2 * np.hypot(rows, cols)
    mask = Image.new("L", (cols, rows), 0)
    pen = ImageDraw.Draw(mask)
    bend = rng.normal(0, 0.12)
    for i in range(60):
        s = i / 59
        d = toward + bend * s
        r = thick / 2 * (0.86 + 0.5 * min(1.0, s * 3) ** 0.7)
        x, y = tip[0] + s * reach * 0.5 * np.cos(d), tip[1] + s * reach * 0.5 * np.sin(d)
        pen.ellipse((x - r, y - r, x + r, y + r), fill=255)
    soft = np.asarray(mask.filter(ImageFilter.GaussianBlur(1.2)), np.float32) / 255
    depth = ndimage.gaussian_filter(soft[::4, ::4], thick / 14)
    depth = np.asarray(Image.fromarray(depth).resize((cols, rows), Image.Resampling.BILINEAR))
    slope_y, slope_x = np.gradient(depth)
    light = 0.55 + 0.45 * depth**2 - 14 * (0.5 * slope_x + slope_y) * thick / 60
    crease = 0.05 * np.asarray(smooth_field(rng, (rows, cols), thick / 5))
    glove = np.clip(light + crease, 0.12, 1.5)[:, :, None] * tone
    shade = ndimage.shift(depth, (thick / 10, thick / 10), order=1)
    picture *= 1 - 0.45 * np.clip(shade - soft, 0, 1)[:, :, None]
    picture[:] = picture * (1 - soft[:, :, None]) + glove * soft[:, :, None]
    return soft > 0.05


def ruler(length_mm: float, scale: float, rng: np.random.Generator) -> Floats:
    """Return a ruler lying flat (rows, columns, 3), 22 mm wide, its ticks along the upper edge."""
    wide = 22.0
    size = (round(length_mm * scale), round(wide * scale))
    image = Image.new("L", size, 255)
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(size=max(8, round(3.2 * scale)))
    for mm in range(int(length_mm)):
        long = 7 if mm % 10 == 0 else 5 if mm % 5 == 0 else 3
        x = (mm + 2) * scale
        pen.line((x, 0, x, long * scale), fill=40, width=max(1, round(0.16 * scale)))
        if mm % 10 == 0:
            pen.text((x, 8 * scale), str(mm // 10), fill=40, font=font, anchor="mt")
    ink = (255 - np.asarray(image, np.float32)) / 255
    body = np.array([[0.72, 0.66, 0.30], [0.62, 0.63, 0.65], [0.80, 0.80, 0.80]])[rng.integers(3)]
    sheen = 1 + 0.08 * np.cos(np.linspace(0, 3, size[1]))[:, None]
    return ((1 - 0.92 * ink) * sheen)[:, :, None] * body

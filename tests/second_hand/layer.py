"""The layer itself: grain, mottle, fibres, streaks, gradients, and its torn or rounded edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter
from scipy import ndimage

from .shapes import smooth_field

if TYPE_CHECKING:
    from .plate import PlatePlan

Floats = NDArray[np.floating]
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Layer:
    """How a layer looks.

    Attributes
    ----------
    tint : Colour
        Reflectance of the clean layer in white light.
    glow, leak : Colour
        Under 254 nm the layer's glow, and visible light of the lamp that it scatters.
        Under 366 nm `leak` is all there is.
    stain, leaves : Colour
        K/S of a stain over the whole plate, and of what a spot that uses it up leaves behind.
    grain, mottle, fibre, streaks : float
        Relative sd of texture of about 0.1 mm, clouds of 4 mm, fibres, streaks along the run.
    gradient : (float, float)
        Relative change of the layer across and up the whole plate.
    above_front : float
        Relative brightness beyond the front, where the solvent did not wash the layer.
    dirt_at_front : float
        Relative darkening where the solvent left what it carried.
    edge : str
        "square", "round" (aluminium cut with scissors), "chipped", "broken".
    backing : str
        "glass" or "aluminium".
    """

    tint: Colour = (0.86, 0.86, 0.84)
    glow: Colour = (0.16, 0.78, 0.24)
    leak: Colour = (0.035, 0.015, 0.09)
    stain: Colour | None = None
    leaves: Colour = (0.05, 0.25, 0.9)
    grain: float = 0.01
    mottle: float = 0.01
    fibre: float = 0.0
    streaks: float = 0.0
    gradient: tuple[float, float] = (0.0, 0.0)
    above_front: float = 1.0
    dirt_at_front: float = 0.0
    edge: str = "square"
    backing: str = "glass"


def layer_light(
    layer: Layer, plan: PlatePlan, shape: tuple[int, int], scale: float, rng: np.random.Generator
) -> Floats:
    """Return the clean layer's relative brightness, (rows, columns, 1), mean about 1."""
    rows, cols = shape
    grain = rng.standard_normal(shape, np.float32)
    if scale > 8:
        grain = ndimage.gaussian_filter(grain, 0.05 * scale)
        grain /= grain.std()
    out = 1 + layer.grain * grain
    out += layer.mottle * smooth_field(rng, shape, 4 * scale)
    out += 0.5 * layer.mottle * smooth_field(rng, shape, 1.5 * scale)
    if layer.streaks:
        thin = smooth_field(rng, (4, cols), 1.2 * scale)[1]
        wander = smooth_field(rng, (rows, cols), 12 * scale)
        out += layer.streaks * thin[None, :] * (0.7 + 0.4 * wander)
    if layer.fibre:
        out += layer.fibre * _fibres(shape, scale, rng)
    across = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None, :]
    up = np.linspace(0.5, -0.5, rows, dtype=np.float32)[:, None]
    out *= 1 + layer.gradient[0] * across + layer.gradient[1] * up
    x = (np.arange(cols) + 0.5) / scale
    y = plan.height - (np.arange(rows) + 0.5) / scale
    wander = 0.25 * smooth_field(rng, (4, cols), 5 * scale)[1]
    beyond = y[:, None] - np.asarray(plan.front_at(x))[None, :] - wander[None, :]
    if layer.above_front != 1:
        out *= 1 + (layer.above_front - 1) / (1 + np.exp(-np.clip(beyond / 0.25, -40, 40)))
    if layer.dirt_at_front:
        out *= 1 - layer.dirt_at_front * np.exp(-((beyond / 0.45) ** 2))
    return np.clip(out, 0.02, 1.15).astype(np.float32)[:, :, None]


def _fibres(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> Floats:
    """Return short thin curls, -1 or 1, blurred to a fibre's width."""
    image = Image.new("F", (shape[1], shape[0]), 0.0)
    pen = ImageDraw.Draw(image)
    for _ in range(int(rng.integers(8, 25))):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        turn, angle = rng.normal(0, 0.25), rng.uniform(0, 2 * np.pi)
        path = [(x, y)]
        for _ in range(int(rng.integers(4, 12))):
            angle += turn
            x, y = x + 0.5 * scale * np.cos(angle), y + 0.5 * scale * np.sin(angle)
            path.append((x, y))
        pen.line(path, fill=float(rng.choice([-1, -1, 0.7])), width=1)
    return ndimage.gaussian_filter(np.asarray(image, np.float32), 0.6)


def plate_mask(
    layer: Layer, shape: tuple[int, int], scale: float, rng: np.random.Generator
) -> Floats:
    """Return where there is plate (1) and where it is chipped away or rounded off (0)."""
    rows, cols = shape
    mask = Image.new("L", (cols, rows), 255)
    pen = ImageDraw.Draw(mask)
    if layer.edge == "chipped":
        for _ in range(int(rng.integers(1, 3))):
            cx, cy = int(rng.integers(0, 2)) * cols, 0
            size = rng.uniform(2, 6) * scale
            n = 9
            angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
            r = size * rng.uniform(0.55, 1.0, n)
            pen.polygon(
                list(zip(cx + r * np.cos(angle), cy + r * np.sin(angle), strict=True)), fill=0
            )
    if layer.edge == "broken":
        top = [(0, 0)]
        level = rng.uniform(0.5, 2.5) * scale
        for x in np.linspace(0, cols, 24):
            level = abs(level + rng.normal(0, 0.35) * scale)
            top.append((x, min(level, 4 * scale)))
        pen.polygon([*top, (cols, 0)], fill=0)
    if layer.edge == "round":
        radius = rng.uniform(1.0, 2.5) * scale
        mask = Image.new("L", (cols, rows), 0)
        ImageDraw.Draw(mask).rounded_rectangle((0, 0, cols - 1, rows - 1), radius, fill=255)
    out = np.asarray(mask.filter(ImageFilter.GaussianBlur(0.5)), np.float32) / 255
    return np.clip(out, 0, 1)

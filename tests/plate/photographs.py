"""Small pictures of a plate where people lay it: drawn here, with the corners they were drawn by.

Plain geometry and noise: nothing of the program's own drawing model is in it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

SIZE = (700, 560)  # rows, columns
# Corners of an upright plate in them: lower left, lower right, upper right, upper left.
UPRIGHT = np.array([[130.0, 610], [430, 610], [430, 110], [130, 110]])

BEDS = ("bench", "wood", "paper", "tissue", "page", "tray")


def bed(kind: str, rng: np.random.Generator, shape: tuple[int, int] = SIZE) -> Floats:
    """Return (rows, columns, 3) of linear light of what a plate lies on."""
    rows, columns = shape
    noise = rng.normal(0, 1, shape)
    out = np.ones((*shape, 3))
    if kind == "bench":
        speckle = ndimage.gaussian_filter(noise, 1.5)
        out *= np.array([0.10, 0.11, 0.12]) * np.exp(2.0 * speckle)[..., None]
    elif kind == "wood":
        grain = ndimage.gaussian_filter(noise, (1.2, 60)) * 12 + ndimage.gaussian_filter(noise, 40)
        out *= np.array([0.42, 0.26, 0.14]) * np.exp(0.5 * grain)[..., None]
    elif kind in ("paper", "page"):
        out *= (0.90 + 0.012 * ndimage.gaussian_filter(noise, 1.0) * 3)[..., None]
        if kind == "page":  # lines of writing
            for row in range(30, rows - 20, 34):
                for column in range(30, columns - 40, 13):
                    if rng.random() < 0.8:
                        out[row: row + 9, column: column + int(rng.integers(2, 9))] *= 0.25
    elif kind == "tissue":
        folds = ndimage.gaussian_filter(noise, 9) * 16
        out *= (0.80 * np.exp(0.10 * folds + 0.02 * ndimage.gaussian_filter(noise, 1) * 3)
                )[..., None]
    elif kind == "tray":  # steel: bright, streaked along
        out *= (0.45 * np.exp(ndimage.gaussian_filter(noise, (30, 1.0)) * 1.2))[..., None]
    return out


def layer(rng: np.random.Generator, wide: int, high: int, colour: Any = (0.83, 0.82, 0.78)
          ) -> Floats:
    """Return a plate's face, row 0 at its top: spots, an origin line with ticks, a front."""
    out = np.ones((high, wide, 3)) * np.array(colour)
    out *= np.exp(0.01 * ndimage.gaussian_filter(rng.normal(0, 1, (high, wide)), 0.8))[..., None]
    row, column = np.ogrid[:high, :wide]
    scale = high / 100.0
    lanes = (np.arange(4) + 0.5) * wide / 4
    reach = 12.6 * scale  # nine sigmas: beyond, a spot takes nothing off, to rounding
    for i, x in enumerate(lanes):
        for share in (0.25, 0.45, 0.62, 0.8)[: 2 + i % 3]:
            y = high - (10 + 0.78 * 100 * share) * scale
            near = tuple(slice(max(0, int(at - reach)), int(at + reach) + 2) for at in (y, x))
            shape = np.exp(-0.5 * (((row[near[0]] - y) / (1.3 * scale)) ** 2
                                   + ((column[:, near[1]] - x) / (1.4 * scale)) ** 2))
            out[near] *= np.exp(-1.1 * shape[..., None] * np.array([0.4, 0.9, 1.0]))
    for y in (high - 10 * scale, high - 88 * scale):
        line = np.exp(-0.5 * ((row - y) / (0.16 * scale)) ** 2)
        out *= (1 - 0.45 * line)[..., None]
    for x in lanes:
        tick = np.exp(-0.5 * ((column - x) / (0.16 * scale)) ** 2)
        out *= (1 - 0.45 * tick * (np.abs(row - high + 10 * scale) < 1.8 * scale))[..., None]
    return out


def laid(
    ground: Floats, face: Floats, corners: Floats, rng: np.random.Generator,
    rounded: float = 0.0, broken: float = 0.0, shadow: float = 0.3,
) -> Floats:
    """Return `ground` with `face` laid on it at `corners`, and the shadow of its edge."""
    rows, columns = ground.shape[:2]
    unit = np.array([[0, 1.0], [1, 1], [1, 0], [0, 0]])  # u to the right, v downward
    system, value = [], []
    for (u, v), (x, y) in zip(unit, corners, strict=True):
        system += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        value += [u, v]
    h = np.append(np.linalg.solve(np.array(system), np.array(value)), 1.0).reshape(3, 3)
    fine = 2  # samples a pixel, so that an edge is no staircase
    row, column = np.mgrid[: rows * fine, : columns * fine]
    x, y = (column + 0.5) / fine - 0.5, (row + 0.5) / fine - 0.5
    w = h[2, 0] * x + h[2, 1] * y + 1
    u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w
    v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
    high, wide = face.shape[:2]
    tall = high / wide
    inside = (u > 0) & (u < 1) & (v > 0) & (v < 1)
    if rounded:
        du = np.maximum(np.abs(u - 0.5) - 0.5 + rounded, 0)
        dv = np.maximum(np.abs(v - 0.5) * tall - 0.5 * tall + rounded, 0)
        inside &= du**2 + dv**2 < rounded**2
    if broken:
        jag = 0.01 * np.sin(60 * u)
        inside &= (1 - u) + v * tall > broken + jag
    where = [v[inside] * high - 0.5, u[inside] * wide - 0.5]  # the face shows nowhere else

    def of_pixels(fine_values: NDArray[Any]) -> Floats:
        return np.asarray(fine_values.reshape(rows, fine, columns, fine).mean(axis=(1, 3)))

    cover, plate = of_pixels(inside)[..., None], np.empty((rows, columns, 3))
    seen = np.zeros(inside.shape)
    for c in range(3):
        seen[inside] = ndimage.map_coordinates(face[..., c], where, order=1, mode="nearest")
        plate[..., c] = of_pixels(seen)
    dark = np.roll(ndimage.gaussian_filter(cover[..., 0], 2.5), (3, 3), (0, 1))[..., None]
    return ground * (1 - shadow * dark) * (1 - cover) + plate


def taken(scene: Floats, rng: np.random.Generator, lamp: float = 0.15, noise: float = 0.006
          ) -> NDArray[np.float32]:
    """Return the scene as a camera sees it: a lamp to one side, blur, noise; linear light."""
    rows, columns = scene.shape[:2]
    row, column = np.mgrid[:rows, :columns]
    light = 1 - lamp * (column / columns) - 0.4 * lamp * (row / rows)
    seen = ndimage.gaussian_filter(scene * light[..., None], (0.8, 0.8, 0))
    seen = np.clip(seen, 0, 1)
    return np.asarray(
        np.clip(seen + rng.normal(0, noise, seen.shape) * np.sqrt(seen + 0.05), 0, 1), np.float32)


def turned(corners: Floats, degrees: float) -> Floats:
    """Return `corners` turned about their middle."""
    a = np.radians(degrees)
    middle = corners.mean(axis=0)
    return (corners - middle) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + middle


def slanted(corners: Floats, share: float) -> Floats:
    """Return `corners` with the upper side shorter by `share`, as seen from below."""
    out = corners.copy()
    middle = out[2:, 0].mean()
    out[2:, 0] = middle + (out[2:, 0] - middle) * (1 - share)
    return out


def photograph(kind: str, seed: int = 0, **changes: Any) -> tuple[NDArray[np.float32], Floats]:
    """Return (rows, columns, 3) of linear light and the plate's true corners.

    `kind` is a bed, or a bed and what else is in the picture, as in "bench glove".
    """
    rng = np.random.default_rng(seed)
    words = kind.split()
    corners = changes.get("corners", UPRIGHT) + rng.uniform(-12, 12, 2)
    if "turned" in words:
        corners = turned(corners, float(rng.choice([-1, 1]) * rng.uniform(4, 14)))
    if "slanted" in words:
        corners = slanted(corners, 0.12)
    ground = bed(words[0], rng)
    if "ruler" in words:
        ground[60:660, 480:520] = np.array([0.85, 0.8, 0.3])
        ground[60:660:8, 480:492] = 0.1
    if "across" in words:  # a shadow's edge on bed and plate alike
        row, column = np.mgrid[: SIZE[0], : SIZE[1]]
        shade = 1 - 0.45 / (1 + np.exp(-(row - 330 + 0.3 * column) / 6.0))
    face = layer(rng, 300, 500)
    scene = laid(ground, face, corners, rng, rounded=0.05 if "rounded" in words else 0.0,
                 broken=0.16 if "broken" in words else 0.0)
    if "across" in words:
        scene *= shade[..., None]
    if "glove" in words:
        row, column = np.mgrid[: SIZE[0], : SIZE[1]]
        x, y = corners[1]
        thumb = ((column - x) * 0.8 + (row - y) * 0.6) ** 2 / 110**2 \
            + (-(column - x) * 0.6 + (row - y) * 0.8) ** 2 / 45**2 < 1
        soft = ndimage.gaussian_filter(thumb.astype(float), 1.0)[..., None]
        scene = scene * (1 - soft) + soft * np.array([0.12, 0.16, 0.45])
    return taken(scene, rng), corners

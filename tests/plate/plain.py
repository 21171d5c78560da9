"""Plain plates: a flat layer with little grain, lines, ticks and Gaussian spots, and no more."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image

WIDE, HIGH, ORIGIN, FRONT = 40.0, 60.0, 8.0, 52.0  # mm
LANES = (8.0, 20.0, 32.0)
STROKE_MM, BLACK = 0.18, 0.45  # a stroke's standard deviation, and what it takes of the light
# Linear light of the layer.
COLOURS = {"grey": (0.80, 0.80, 0.80), "pink": (0.86, 0.72, 0.74), "yellow": (0.84, 0.80, 0.62),
           "blue": (0.70, 0.78, 0.86)}


class Spot(NamedTuple):
    """A spot in a lane: Rf, sigma in mm and height, Kubelka and Munk's function above the layer."""

    lane: int
    rf: float
    sigma: float
    height: float


SPOTS = (Spot(0, 0.3, 1.2, 0.2), Spot(0, 0.7, 1.0, 0.1), Spot(1, 0.5, 1.1, 0.3))


def codes(
    colour: str = "grey", dpi: float = 150.0, *, grain: float = 0.0, lamp: float = 0.1,
    spots: tuple[Spot, ...] = SPOTS, front: tuple[float, float, float] = (0.0, WIDE, 0.0),
    seed: int = 1,
) -> NDArray[np.uint8]:
    """Return a plate in white light, (rows, columns, 3); `grain` is in codes.

    `front` is where the front's stroke begins and ends, in mm, and its slope.
    """
    rows, columns = round(HIGH * dpi / 25.4), round(WIDE * dpi / 25.4)
    y = (HIGH - (np.arange(rows) + 0.5) * 25.4 / dpi)[:, None]
    x = ((np.arange(columns) + 0.5) * 25.4 / dpi)[None, :]
    layer = np.array(COLOURS[colour])
    absorbed = np.zeros((rows, columns))
    for spot in spots:
        off = (x - LANES[spot.lane]) ** 2 + (y - ORIGIN - spot.rf * (FRONT - ORIGIN)) ** 2
        absorbed += spot.height * np.exp(-0.5 * off / spot.sigma**2)
    f = (1 - layer) ** 2 / (2 * layer) + absorbed[..., None]
    light = 1 + f - np.sqrt(f * f + 2 * f)
    light *= (1 - lamp * ((x / WIDE - 0.3) ** 2 + (y / HIGH - 0.6) ** 2))[..., None]
    first, last, slope = front
    pencil = np.maximum(_stroke(y - ORIGIN) + 0 * x,
                        _stroke(y - FRONT - slope * x) * ((x >= first) & (x <= last)))
    for place in LANES:
        pencil = np.maximum(pencil, _stroke(x - place) * (np.abs(y - ORIGIN) < 1.5))
    light *= (1 - pencil)[..., None]
    srgb = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    noise = np.random.default_rng(seed).normal(0, grain, (rows, columns))[..., None]
    return np.asarray(np.clip(np.rint(255 * srgb + noise), 0, 255), np.uint8)


def _stroke(off: NDArray[np.float64]) -> NDArray[np.float64]:
    return BLACK * np.exp(-0.5 * (off / STROKE_MM) ** 2)


def kept(picture: NDArray[np.uint8], path: Path, dpi: float = 150.0, **how: Any) -> Path:
    """Return `path`, with the picture in it; `how` is what the library's `save` takes."""
    Image.fromarray(picture).save(path, dpi=(dpi, dpi), **how)
    return path

"""How plainly a spot shows in the finished picture.

The same figure is taken at the spot and at many places of clean layer: mean level of a patch 0.6 of
the spot's lesser width wide, less the median of like patches of clean layer round it. The spot's
figure is its contrast; the scatter of the others (1.48 x median absolute deviation, not under 0.3
levels, the rounding's) is the noise. Grain, mottle, compression and the camera's smoothing are all
in both. A spot counts as visible where contrast is 6 times the noise and 3 levels of 255 or more in
one channel: twice the usual limit of detection of 3, so that no reader is asked for a marginal one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .truth import TrueSpot

MIN_CONTRAST_TO_NOISE = 6.0  # twice the limit of detection of common practice (3)
MIN_CONTRAST = 3.0  # levels of 255; less is not seen on a screen
SITES = 60  # places of clean layer tried; scatter then known to 10 %


def is_visible(spot: TrueSpot) -> bool:
    """Return whether any reader should see the spot."""
    return (
        not spot.covered
        and spot.contrast_to_noise >= MIN_CONTRAST_TO_NOISE
        and spot.contrast >= MIN_CONTRAST
    )


def measure_contrast(
    picture: NDArray, spots: list[tuple], to_px, clean, plate_size, scale: float, rng
) -> list[tuple[float, float]]:
    """Return each spot's contrast and contrast to noise in `picture` (rows, columns, channels).

    Parameters
    ----------
    spots : list of (x, y, along, across)
        Place and full widths at half height, in mm of the plate.
    to_px : callable
        From (n, 2) mm of the plate to (n, 2) pixels of the picture.
    clean : callable
        From (n, 2) mm to whether there is clean layer, seen by the camera.
    scale : float
        Pixels a mm in the picture.
    """
    if not spots:
        return []
    size = float(np.median([min(s[2:]) for s in spots]))
    sites = rng.uniform(0.04, 0.96, (SITES * 4, 2)) * np.array(plate_size)
    sites = sites[clean(sites)][:SITES]
    blank = [_figure(picture, s, size, size, to_px, clean, scale) for s in sites]
    blank = np.array([b for b in blank if b is not None])
    noise = np.full(picture.shape[2], 1.0)
    if len(blank) >= 8:
        noise = 1.48 * np.median(np.abs(blank - np.median(blank, axis=0)), axis=0)
    noise = np.maximum(noise, 0.3)
    out = []
    for x, y, along, across in spots:
        place = np.array([x, y])
        figure = _figure(picture, place, along, across, to_px, clean, scale, must=True)
        best = int(np.argmax(np.abs(figure) / noise))
        level = float(abs(figure[best]))
        out.append((round(level, 2), round(level / float(noise[best]), 2)))
    return out


def _patch(picture: NDArray, px: NDArray, half: int) -> NDArray | None:
    x, y = round(px[0]), round(px[1])
    rows, cols = picture.shape[:2]
    if not (half <= x < cols - half and half <= y < rows - half):
        return None
    return picture[y - half : y + half + 1, x - half : x + half + 1].mean(axis=(0, 1))


def _figure(picture, place, along, across, to_px, clean, scale, must=False) -> NDArray | None:
    """Return a patch's level less that of clean layer round it, a channel; None without either."""
    half = max(1, round(0.3 * min(along, across) * scale))
    here = _patch(picture, to_px(place[None])[0], half)
    for far in (1.0, 1.5, 2.5, 4.0):
        angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
        ring = place + far * np.column_stack(
            [1.2 * across * np.cos(angle), 1.4 * along * np.sin(angle)]
        )
        ring = ring[clean(ring)]
        levels = [_patch(picture, p, half) for p in to_px(ring)] if len(ring) else []
        levels = [v for v in levels if v is not None]
        if here is not None and len(levels) >= 3:
            return here - np.median(levels, axis=0)
        if not must:
            break
    return np.zeros(picture.shape[2]) if must else None

"""Thin matter on a plate: specks of dust, scratches and pencil, which are not spots."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.layout import Layout
from lanes.plate.square import Grid

PALEST = 0.02    # of the layer's light
WIDTH_MM = 0.75  # matter narrower than this in some direction is too thin for a spot
# A compressed photograph is smooth over most blocks and carries its grain in the others: half the
# samples then show no grain at all. What 2.3 % of them exceed, 2 standard deviations of Gaussian
# grain, tells it too, on the side, darker or lighter, where strokes and dust take less.
TAIL, TAIL_SD = 0.0228, 2.0


def thin_matter(light: NDArray[np.float32], mm: float) -> NDArray[np.bool_]:
    """Return where `light` is darker or brighter over less than a spot's width.

    Parameters
    ----------
    light : (rows, columns) array
    mm : float
        Spacing of the samples in mm.

    Returns
    -------
    (rows, columns) bool array
        A grey opening and closing (Serra 1982) with a square of 0.75 mm say what a wide feature
        would leave; what exceeds it by 8 standard deviations, and by half of the feature's own
        depth, is thin.
    """
    size = max(3, 2 * round(0.5 * WIDTH_MM / mm) + 1)
    fine = ndimage.gaussian_filter(light, 0.06 / mm, truncate=3.0) if mm < 0.12 else light
    wide = ndimage.uniform_filter(fine, round(6.0 / mm))
    # Dark thin matter is filled by a closing of the light, bright by an opening.
    dark = ndimage.grey_closing(fine, (size, size))
    bright = ndimage.grey_opening(fine, (size, size))
    sides = ((dark, dark - fine), (bright, fine - bright))
    grain = min(_tail(excess / wide) for _, excess in sides)
    thin = np.zeros(light.shape, bool)
    for without, excess in sides:
        middle, spread = _middle(excess)
        sd = np.maximum(spread, grain * wide)
        depth = np.abs(without - wide)
        # Compression leaves a layer smoother than it is: what is paler than any pencil is grain.
        core = excess > middle + np.maximum(8.0 * sd, PALEST * wide) + 0.5 * depth
        skirt = excess > middle + 4.0 * sd + 0.4 * depth
        thin |= ndimage.binary_propagation(core, mask=skirt)
    # What lies between strokes less than a spot's width apart is none: a cross's middle, a letter.
    around = np.pad(ndimage.binary_dilation(thin, iterations=max(1, round(0.1 / mm))), size)
    closed = ndimage.minimum_filter(ndimage.maximum_filter(around, size), size)
    return np.asarray(closed[size:-size, size:-size])


def thick_strokes(layout: Layout, grid: Grid) -> NDArray[np.bool_]:
    """Return where the layout's lines are drawn too thick to be thin matter, (rows, columns)."""
    y, x = grid.y()[:, None], grid.x()[None, :]
    out = np.zeros((grid.rows, grid.columns), bool)
    for line in (layout.origin, layout.front):
        if line.thick > WIDTH_MM / layout.mm_per_unit:
            out |= np.abs(y - line.at(x)) <= 0.5 * line.thick
    return out


def _middle(excess: NDArray[np.floating]) -> tuple[float, float]:
    """Return the median of `excess` and its standard deviation, as if Gaussian."""
    seen = excess[::3, ::3]
    middle = float(np.median(seen))
    return middle, 1.4826 * float(np.median(np.abs(seen - middle)))


def _tail(excess: NDArray[np.floating]) -> float:
    """Return the standard deviation of `excess` by what few samples exceed."""
    seen = excess[::3, ::3]
    return float(np.quantile(seen, 1.0 - TAIL) - np.median(seen)) / TAIL_SD


def without_thin(
    light: NDArray[np.float32], thin: NDArray[np.bool_], mm: float
) -> NDArray[np.float32]:
    """Return `light` with `thin` samples replaced by a blend of their nearest neighbours."""
    if not thin.any():
        return light
    out = light.copy()
    labels, _ = ndimage.label(thin)
    reach = max(3, round(0.8 / mm))
    for place in ndimage.find_objects(labels):
        box = tuple(
            slice(max(0, s.start - reach), min(n, s.stop + reach))
            for s, n in zip(place, light.shape, strict=True)
        )
        keep = (~thin[box]).astype(np.float32)
        sigma = 0.3 / mm
        weight = ndimage.gaussian_filter(keep, sigma)
        blend = ndimage.gaussian_filter(keep * light[box], sigma) / np.maximum(weight, 1e-6)
        hidden = thin[box] & (weight > 1e-6)
        out[box][hidden] = blend[hidden]
    return out

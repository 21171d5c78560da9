"""What a file's own steps leave of the layer: how large they are as signal, and whether they show.

A file keeps light in whole codes, and a compressed one a block's mean and its colour in coarser
steps still. Rounding to a step q leaves a standard deviation of q / sqrt(12). Where grain spreads
the layer over several steps, neighbours are rounded each its own way: that is noise, which averages
out and which the layer shows. Where the layer is smoother than a step, neighbours are rounded
alike, and the step shows as a band or an island of any size, a spot's own included.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import UNIFORM_SD
from lanes.plate.channel import WEIGHTS
from lanes.plate.chroma import TO_LUMA
from lanes.plate.layout import Layout
from lanes.plate.square import Grid
from lanes.scan.scan import Scan
from lanes.scan.transfer import code_table

Floats = NDArray[np.float64]

SPARSE_MM = 1.5   # between points at which the layer's codes are looked at
APART_PX = 3      # pixels of a file without blocks: as far as optics and resampling spread one
NO_STEP = 1e-12   # so that nothing is divided by 0


def relative_step(
    scan: Scan, layout: Layout, channel: str, bare: NDArray[np.bool_], grid: Grid
) -> float:
    """Return the step in which the file keeps the layer's light in a channel, relative to it.

    Steps of luma, of either difference of colour and of the codes they are unpacked in are
    independent, and their squares add.

    Parameters
    ----------
    scan : Scan
    layout : Layout
    channel : str
    bare : (rows, columns) bool array
        Where clean layer shows, on `grid`.
    grid : Grid
    """
    each = max(1, round(SPARSE_MM / grid.mm))
    row, column = np.nonzero(bare[::each, ::each])
    if not row.size:
        return 0.0
    x, y = layout.to_pixels((column * each + 0.5) * grid.pitch, (row * each + 0.5) * grid.pitch)
    codes = scan.codes[np.clip(np.rint(y), 0, scan.height_px - 1).astype(int),
                       np.clip(np.rint(x), 0, scan.width_px - 1).astype(int)]
    level = np.median(codes, axis=0).astype(float)
    weights = np.array([1.0] if len(level) == 1 else
                       [WEIGHTS[channel].get(c, 0.0) for c in ("red", "green", "blue")])
    table = code_table(scan.bits, scan.transfer).astype(float)
    kept = [np.ones(len(level))]
    if scan.colour_step is not None:
        kept.append(scan.colour_step.block_mean * np.ones(len(level)))
        if len(level) == 3:
            back = np.linalg.inv(TO_LUMA)
            kept += [scan.colour_step.codes * back[:, 1], scan.colour_step.codes * back[:, 2]]
    every = np.arange(table.size)
    slope = np.interp(level + 0.5, every, table) - np.interp(level - 0.5, every, table)
    light = float(weights @ np.interp(level, every, table))
    steps = [float(weights @ (slope * step)) for step in kept]
    return float(np.sqrt(np.square(steps).sum())) / max(light, NO_STEP)


def samples_apart(scan: Scan, layout: Layout, grid: Grid) -> int:
    """Return how many samples of `grid` lie between two that are rounded each by itself."""
    lower = layout.corners_px[1] - layout.corners_px[0]
    pixel = layout.width / float(np.hypot(*lower))
    apart = APART_PX if scan.colour_step is None else scan.colour_step.luma_px
    return max(1, round(apart * pixel / grid.pitch))


def unspread(
    values: NDArray[np.float32], bare: NDArray[np.bool_], step: float, apart: int
) -> float:
    """Return the share of rounding's variance that neighbours have in common, from 0 to 1.

    Neighbours rounded each its own way differ by twice rounding's variance in the mean square, or
    by more where their grain shows. Differences beyond a step count as one: few blocks that keep
    their grain do not show that the others are rounded apart.

    Parameters
    ----------
    values : (rows, columns) array
        Of the clean layer where it is `bare`.
    bare : (rows, columns) bool array
    step : float
        As `values`.
    apart : int
        Samples between neighbours that are rounded each by itself: a block's side.
    """
    total = count = 0.0
    for axis in (0, 1):
        size = values.shape[axis]
        near, far = np.arange(size - apart), np.arange(apart, size)
        apart_by = values.take(far, axis) - values.take(near, axis)
        both = bare.take(far, axis) & bare.take(near, axis)
        squares = np.minimum(np.square(apart_by[both]), step**2)
        total, count = total + float(squares.sum(dtype=float)), count + squares.size
    if not count or step <= 0.0:
        return 0.0
    return max(0.0, 1.0 - total / count / (2.0 * (UNIFORM_SD * step) ** 2))


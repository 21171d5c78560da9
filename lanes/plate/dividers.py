"""Lines that divide a plate into strips: scored before it is run, or drawn; no tick, no lane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Blob, Line
from lanes.plate.pencil import BLOCK_MM, WAVER_MM, ridge
from lanes.plate.square import Grid

# Such a line shows along this much of the run, or it is a tick and what else stands above it; it
# leans by no more than this (common practice: by a ruler), and what is shorter than so many blocks
# is no run.
RUNS_ON, ASKEW, FEWEST_BLOCKS = 0.7, 0.02, 6
MARGIN_MM = 1.4  # a stroke's flanks and blur: what bears on the depth of one
# What is so many times as high as it is wide, and no wider than a groove and its rims (common
# practice: 1 mm), is the line itself, or what taking it out left: a streak is as wide as its spot.
DRAWN_OUT, WIDEST_MM = 3.5, 2.2


def of_divider(blob: Blob, dividers: list[float], mm_per_unit: float) -> bool:
    """Return whether a blob is a stretch of a line at one of the x in `dividers`, or its rim."""
    if blob.height < DRAWN_OUT * blob.width or blob.width > WIDEST_MM / mm_per_unit:
        return False
    near = 0.5 * WIDEST_MM / mm_per_unit
    return any(abs(blob.x - x) < near for x in dividers)


def without_dividers(
    ticks: list[tuple[float, float]], light: NDArray[np.float32], grid: Grid, origin: Line,
    front: Line,
) -> list[tuple[float, float]]:
    """Return `ticks` less what runs on up the plate: a line, scored or drawn, that divides it.

    A line made in one go is about as dark along it as where it crosses the origin; a tick that only
    hangs from the origin is none, so that both sides of it are looked at.
    """
    half, beyond = (round(v / grid.mm) for v in (WAVER_MM, MARGIN_MM))
    block = max(1, round(BLOCK_MM / grid.mm))

    def runs_on(x: float) -> bool:
        first = max(0, round(float(grid.row(origin.at(x)))) - block)
        last = min(grid.rows, round(float(grid.row(front.at(x)))) + 1)
        reach = half + round(ASKEW * (last - first))
        middle = round(float(grid.column(x)))
        if middle - reach - beyond < 0 or middle + reach + beyond >= grid.columns:
            return False
        near = light[first:last, middle - reach - beyond: middle + reach + beyond + 1]
        depth = ridge(near, grid.mm, 1)[:, beyond:-beyond]
        depth = depth[: len(depth) // block * block]
        blocks = depth.reshape(-1, block, depth.shape[1]).mean(axis=1)
        if len(blocks) < FEWEST_BLOCKS:
            return False
        rise = np.arange(len(blocks)) / len(blocks)
        across = depth.shape[1] // 2
        slopes = np.linspace(-1.0, 1.0, 9) * (reach - half)
        at = np.rint(across + np.multiply.outer(slopes, rise)).astype(int)
        about = at[:, :, None] + np.arange(-half, half + 1)
        seen = blocks[np.arange(len(blocks))[None, :, None], about].max(axis=2)
        drawn = seen > 0.5 * blocks[:2, across - half: across + half + 1].max()
        return bool(drawn.mean(axis=1).max() > RUNS_ON)

    return [(x, s) for x, s in ticks if not runs_on(x)]

"""What the solvent itself left at its front: a band across the whole plate, which is no spot."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.layout import Floats, Layout
from lanes.plate.square import Grid

NEAR_MM = 2.5     # the front's impurities lie within a spot's width of it (common practice)
# Behind its top it fades out over a few times its width, as what moves little slower than the
# solvent trails it; layer farther off shows what its noise makes of a band.
BESIDE_MM = 8.0
SIDE_MM = 3.0     # of the plate's sides, where the front lags and layer is chipped
BLOCK_MM = 2.0
# Between lanes lies a third of the width or more (common practice); half of that is clear of the
# spots' flanks: what every block but a sixth exceeds is not theirs.
SHARE = 1 / 6
STREAK_MM = 2.0   # full width at half height: a streak is narrower, spots at the front broader
# Times the rows of the band's own zone, to one side: rows that must be known for the rest to serve
# as the ground. Of the plate above the front some may be cut off.
KNOWN = 2.5
# How far the band wanders off the line drawn along it, and blocks over which that is evened out: a
# spot at the front is wide enough for two of them. Choices.
SWAY_MM, SWAY_BLOCKS = 1.0, 5
NO_HEIGHT = 1e-9  # of signal: so that nothing is divided by 0
SURE = 4.0        # standard deviations: about thirty rows are looked at


def without_band(
    values: NDArray[np.float32], layout: Layout, grid: Grid
) -> NDArray[np.float32]:
    """Return `values` less the band along the front that shows between the lanes as in them.

    Solvent carries impurities of its own, and those of the layer, to its front, where they stay
    as a streak all across the plate. What the sample left stands out of it.

    Parameters
    ----------
    values : (rows, columns) array
        Signal above the layer's.
    layout : Layout
        With its front.
    grid : Grid

    Returns
    -------
    (rows, columns) array
        `values` itself where no band shows.
    """
    middle = grid.row(layout.front.at(grid.x()))
    band = _band(values, middle, grid)
    if band is None:
        return values
    # The solvent's edge sways about the line that is drawn along it, and the band with it.
    swayed = middle + _sway(values, middle + band.top, grid)
    followed = _band(values, swayed, grid)
    middle, band = (middle, band) if followed is None else (swayed, followed)
    row = np.rint(middle).astype(int)[None, :] + np.arange(-band.reach, band.reach + 1)[:, None]
    inside = (row >= 0) & (row < grid.rows)
    out = values.copy()
    there = np.broadcast_to(band.height[:, None], row.shape)[inside]
    column = np.broadcast_to(np.arange(grid.columns), row.shape)[inside]
    out[row[inside], column] -= there.astype(np.float32)
    return out


class Band(NamedTuple):
    """A band's height at each row from `reach` below a line to `reach` above; its top's place."""

    height: Floats
    reach: int
    top: int


def _sway(values: NDArray[np.float32], top: Floats, grid: Grid) -> Floats:
    """Return by how many rows the band's middle is off `top` in each column, (columns,).

    The middle is that of its upper half, since a top may be level. A running median over blocks,
    longer than a lane is wide: spots at the front do not turn it.
    """
    off = np.arange(-round(SWAY_MM / grid.mm), round(SWAY_MM / grid.mm) + 1)
    side, width = (max(1, round(v / grid.mm)) for v in (SIDE_MM, BLOCK_MM))
    row = np.clip(np.rint(top).astype(int)[None, :] + off[:, None], 0, grid.rows - 1)
    kept = values[row, np.arange(grid.columns)][:, side: grid.columns - side]
    blocks = kept[:, : kept.shape[1] // width * width].reshape(len(off), -1, width).mean(axis=2)
    upper = np.clip(blocks - 0.5 * blocks.max(axis=0), NO_HEIGHT, None)
    middles = ndimage.median_filter(off @ upper / upper.sum(axis=0), SWAY_BLOCKS, mode="nearest")
    at = side + (np.arange(middles.size) + 0.5) * width
    return np.asarray(np.interp(np.arange(grid.columns), at, middles))


def _band(values: NDArray[np.float32], middle: Floats, grid: Grid) -> Band | None:
    """Return the band along `middle`, the row of each column, that shows between the lanes."""
    reach, near = (round(v / grid.mm) for v in (NEAR_MM + BESIDE_MM, NEAR_MM))
    side, width = (max(1, round(v / grid.mm)) for v in (SIDE_MM, BLOCK_MM))
    row = np.rint(middle).astype(int)[None, :] + np.arange(-reach, reach + 1)[:, None]
    inside = (row >= 0) & (row < grid.rows)
    column = np.arange(grid.columns)
    along = np.where(inside, values[np.clip(row, 0, grid.rows - 1), column], np.nan)
    kept = along[:, side: grid.columns - side]
    blocks = kept[:, : kept.shape[1] // width * width].reshape(len(kept), -1, width).mean(axis=2)
    seen = np.isfinite(blocks).sum(axis=1) >= 0.5 * max(blocks.shape[1], 8)
    if not seen[reach - near: reach + near + 1].all() or seen.sum() < KNOWN * near:
        return None
    shown = np.where(seen[:, None], blocks, 0.0)
    # Row by row where the plate ends before the band does; all at once takes a tenth of that.
    of_rows = np.quantile if np.isfinite(shown).all() else np.nanquantile
    band = np.asarray(of_rows(shown, SHARE, axis=1))
    off = np.arange(-reach, reach + 1)
    # The layer that the solvent has run through may be of another tone than that above it.
    sides = [seen & (side * off > reach - near) for side in (-1, 1)]
    grounds = [float(np.median(band[side])) if side.any() else None for side in sides]
    low, high = (g if g is not None else other for g, other in zip(
        grounds, grounds[::-1], strict=True))
    if low is None or high is None:
        return None
    sd = MAD_SD * float(np.median(np.abs(np.concatenate([
        band[sides[0]] - low, band[sides[1]] - high]))))
    top = reach - near + int(np.argmax(band[reach - near: reach + near + 1]))
    band -= np.where(off < off[top], low, high)
    # Its top may lie at either side of it: it is level there, and the line found a little askew.
    lower = np.flatnonzero(band <= 0.5 * band[top])
    below, above = lower[lower < top].max(initial=-1), lower[lower > top].min(initial=band.size)
    if band[top] <= SURE * sd or (above - below - 1) * grid.mm > STREAK_MM:
        return None
    # It falls away from its top to either side: what rises again is not its. It takes nothing off
    # that is not there, and fades out where it is looked for no more.
    band[top:] = np.minimum.accumulate(band[top:])
    band[top::-1] = np.minimum.accumulate(band[top::-1])
    band = np.maximum(band, 0.0) * np.clip((reach - np.abs(off)) / near, 0.0, 1.0)
    return Band(band, reach, int(off[top]))

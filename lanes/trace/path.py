"""The lane's own path: where its spots really run, which need not be straight up from its tick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lanes.confidence import MAD_SD
from lanes.plate.layout import Lane, Layout
from lanes.plate.signal import Signal

MOST_LEAN = 0.06      # about 3.5 degrees
LEAN_SCATTER = 0.01   # leans met on plates run with care (common practice)
SHIFT_SCATTER_MM = 0.4  # how far samples are put beside their tick
CENTRE_SD_MM = 0.15  # of the centre of gravity of a spot's rows (a choice, not measured)
ORIGIN_MM, FRONT_MM = 1.0, 0.8  # from the lines: what pencil and the front's edge reach over
BLOCK_MM = 0.5  # of rows taken together: a quarter of a small spot
# What stands out: standard deviations over the lane's median, and share of its strongest row (a
# choice: far above noise, so that only spots pull the path).
STANDS_OUT, LEAST_SHARE = 8.0, 0.05
# A row that is so much of its own maximum higher at one of the lane's sides (so much of its width)
# than at the other is a neighbour's spot reaching over: half, where one of the lane's own has
# fallen off on both sides.
REACHES_OVER, SIDE = 0.5, 0.1


def follow(signal: Signal, layout: Layout) -> Layout:
    """Return `layout` with every lane's x and lean fitted to the spots in it.

    Rows that stand out give the centre of gravity across the lane; a straight path through them
    is held towards the tick and the vertical by what is usual, so that a lane with one spot does
    not lean by chance.
    """
    return replace(layout, lanes=tuple(_follow(signal, layout, lane) for lane in layout.lanes))


def _follow(signal: Signal, layout: Layout, lane: Lane) -> Lane:
    grid = signal.grid
    mm = layout.mm_per_unit
    y0, y1 = layout.ends(lane)
    low, high = (int(np.clip(v, 0, grid.rows)) for v in (grid.row(y0 + ORIGIN_MM / mm),
                                                         grid.row(y1 - FRONT_MM / mm)))
    left, right = (int(np.clip(v, 0, grid.columns)) for v in
                   (grid.column(lane.x - 0.5 * lane.width), grid.column(lane.x + 0.5 * lane.width)))
    window = signal.values[low:high, left:right].astype(float)
    if window.shape[0] < 20 or window.shape[1] < 6:
        return lane
    block = max(1, round(BLOCK_MM / grid.mm))
    count = window.shape[0] // block
    rows = window[: count * block].reshape(count, block, -1).mean(axis=1)
    strength = rows.sum(axis=1)
    middle = float(np.median(strength))
    sd = MAD_SD * float(np.median(np.abs(strength - middle)))
    out = strength > max(middle + STANDS_OUT * sd, LEAST_SHARE * float(strength.max()))
    side = max(1, round(SIDE * rows.shape[1]))
    uneven = np.abs(rows[:, :side].mean(axis=1) - rows[:, -side:].mean(axis=1))
    out &= uneven < REACHES_OVER * rows.max(axis=1)
    if not out.any() or sd == 0.0:
        return lane
    x = (np.arange(left, right) + 0.5) * grid.pitch - lane.x
    positive = np.clip(rows[out], 0.0, None)
    centre = (positive @ x) / positive.sum(axis=1)
    y = (low + (np.nonzero(out)[0] + 0.5) * block) * grid.pitch - y0
    # Rows of one spot share its whims: about four of them count as one.
    weight = np.sqrt(strength[out] / strength[out].max()) / (CENTRE_SD_MM / mm) / 2.0
    design = np.stack([weight, weight * y], axis=1)
    prior = np.diag([1.0 / (SHIFT_SCATTER_MM / mm), 1.0 / LEAN_SCATTER])
    shift, lean = np.linalg.lstsq(
        np.concatenate([design, prior]), np.concatenate([weight * centre, [0.0, 0.0]]), rcond=None
    )[0]
    lean = float(np.clip(lean, -MOST_LEAN, MOST_LEAN))
    return replace(lane, x=lane.x + float(shift), lean=lean)

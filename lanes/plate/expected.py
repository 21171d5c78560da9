"""Faint spots where the other lanes lead to expect them: in a row of spots, where a lane lies.

One substance runs as far in every lane, and lanes are applied at even steps. What crosses where a
row and a lane do has far fewer places that noise could have picked, and so needs to stand out less.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import norm

from lanes.plate.blobs import over_the_side
from lanes.plate.layout import Blob, Lane, Layout
from lanes.plate.standing_out import FALSE_A_PLATE, TRIES, USUAL

ROW = 0.02  # Rf: one substance's spots differ by 0.01 to 0.02 from lane to lane (common practice)
# Of a step between lanes: how far from even spacing a lane is applied by hand. Of a lane's width:
# how far from its middle its spot lies.
OFF_STEP, OFF_MIDDLE = 0.2, 0.25
EVEN = 0.25  # of a step: steps that differ by more lead to expect no lane
FEWEST_STEPS = 2  # between lanes, from which what is even is known
BEYOND = 2  # steps past the outermost lane: at most one empty lane lies between
# ln of a blob's size over its row's, up to which it is like a spot of it: twice, as little of a
# substance is smaller, and much of it larger.
ALIKE = 0.7
SIDES, SCALES = 2.0, 3.0  # signs and scales that an expected spot is sought at are one, of so many


def in_lanes(
    faint: tuple[Blob, ...], sure: tuple[Blob, ...], lanes: tuple[Lane, ...], layout: Layout
) -> tuple[Blob, ...]:
    """Return those of `faint` that lie in a lane, in a row of spots of other lanes.

    Parameters
    ----------
    faint : tuple of Blob
        Of the spots' sign, below the limit of what stands out anywhere.
    sure : tuple of Blob
        What stands out anyhow, of the same sign.
    lanes : tuple of Lane
    layout : Layout
        With both lines.
    """
    middles = [(lane.x, lane.lean, OFF_MIDDLE * lane.width) for lane in lanes]
    return _crossing(faint, sure, middles, layout)


def in_new_lanes(
    faint: tuple[Blob, ...], sure: tuple[Blob, ...], lanes: tuple[Lane, ...], layout: Layout
) -> tuple[Blob, ...]:
    """Return those of `faint` that lie in a row of spots, an even step from the lanes found.

    Parameters are those of `in_lanes`.
    """
    xs = np.array([lane.x for lane in lanes])
    if xs.size <= FEWEST_STEPS:
        return ()
    steps = np.diff(xs)
    step = float(np.min(steps))
    step = float(np.mean(steps / np.maximum(np.rint(steps / step), 1.0)))
    if (np.abs(steps / step - np.rint(steps / step)) > EVEN).any():
        return ()
    places = [float(xs[0]) - k * step for k in range(1, BEYOND + 1)]
    places += [float(xs[-1]) + k * step for k in range(1, BEYOND + 1)]
    for low, gap in zip(xs[:-1], steps, strict=True):
        count = round(float(gap) / step)
        places += [float(low) + gap * k / count for k in range(1, count)]
    lean = float(np.median([lane.lean for lane in lanes]))
    inside = [(x, lean, OFF_STEP * step) for x in places if 0.0 < x < layout.width]
    return _crossing(faint, sure, inside, layout)


def places_with(
    new: tuple[Blob, ...], lanes: tuple[Lane, ...], layout: Layout
) -> list[float]:
    """Return the x at the origin of `lanes` and of those that the blobs of `in_new_lanes` make."""
    xs = [lane.x for lane in lanes]
    lean = float(np.median([lane.lean for lane in lanes]))
    half = 0.5 * float(np.min(np.diff(xs)))
    columns: list[list[float]] = []
    for x in sorted(b.x - lean * (b.y - float(layout.origin.at(b.x))) for b in new):
        if columns and x - columns[-1][0] < half:
            columns[-1].append(x)
        else:
            columns.append([x])
    return sorted([*xs, *(float(np.mean(column)) for column in columns)])


def _crossing(
    faint: tuple[Blob, ...], sure: tuple[Blob, ...], places: list[tuple[float, float, float]],
    layout: Layout,
) -> tuple[Blob, ...]:
    """Return those of `faint` in rows of `sure`, at `places`, that stand out of so few.

    A place is its x at the origin, its lean, and how far to each side it reaches.
    """
    rows = np.array([layout.retention(b) for b in sure])
    if not rows.size or not places:
        return ()
    # The share of the plate that is looked at: rows that overlap are one.
    heights = np.linspace(0.0, 1.0, round(10 / ROW))
    high = float((np.abs(heights[:, None] - rows) < ROW).any(axis=1).mean())
    wide = min(1.0, sum(2.0 * reach for _, _, reach in places) / layout.width)
    tries = max(1.0, TRIES * high * wide / (SIDES * SCALES))
    limit = min(USUAL, float(norm.isf(FALSE_A_PLATE / tries)))
    out = []
    for blob in faint:
        if blob.strength < limit or over_the_side(blob, layout):
            continue
        row = [b for b, rf in zip(sure, rows, strict=True)
               if abs(rf - layout.retention(blob)) < ROW and abs(b.x - blob.x) > b.width]
        if row and abs(np.log(_size(blob) / np.median([_size(b) for b in row]))) < ALIKE and any(
            abs(blob.x - x - lean * (blob.y - float(layout.origin.at(blob.x)))) < reach
            for x, lean, reach in places
        ):
            out.append(blob)
    return tuple(out)


def _size(blob: Blob) -> float:
    return float(np.sqrt(blob.width * blob.height))

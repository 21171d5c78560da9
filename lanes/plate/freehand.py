"""A front drawn by hand along the solvent's edge, which no parabola follows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Floats

# A hand that follows a ruler, or a smooth front, keeps within a stroke's width (0.3 mm). What
# departs from a parabola by more, root mean squares, is drawn along an edge of another shape.
RULED_MM = 0.3
# How steep a solvent's edge runs, mm a mm. A choice: a dent in it is wider than it is deep.
STEEPEST = 0.4
HAND_MM = 0.03    # of a line's height: a hand's wavering, which neighbouring blocks share
RANGE_MM = 8.0    # from the parabola, where the stroke may run: a parabola fits half of it or more
# Votes that the steepest step from one block to the next costs: as much as a block that hardly
# shows the line gives. A choice: for less, a path runs from one grain to the next.
STEP_COST = 3.0
# The share of blocks that must show it: what is seen in part may be letters or spots' rims, and a
# path that is free to turn finds some of them anywhere.
THROUGHOUT = 0.8
# Of the polynomial: two waves across the plate. Points at even steps hold a degree up to twice the
# root of their count (Dahlquist & Bjorck, Numerical Methods, 4.3; from memory).
MOST_DEGREE = 8
END = 3           # blocks that a line's end is carried on by: 6 mm, half a lane or so

Follow = Callable[[Floats], tuple[Floats, Floats]]


def departs(rest: Floats, on: NDArray[np.bool_], mm: float) -> bool:
    """Return whether blocks on a line, or others, lie farther off it than a ruled line's would.

    `rest` are departures in samples of `mm`, and `on` whether a block shows a stroke near the
    line, both (blocks,).
    """
    spread = float(np.sqrt(np.mean(rest[on] ** 2))) * mm if on.any() else 0.0
    return float(on.mean()) < THROUGHOUT or spread > RULED_MM


def path_near(votes: Floats, rough: Floats, pitch: float, mm: float) -> Floats | None:
    """Return the rows of the path that gathers the most votes near `rough`, (blocks,).

    None where no path keeps near it: it leaves the rows, or rises more steeply than a path may.

    The votes along it less the cost of its steps are the most there are (dynamic programming).

    Parameters
    ----------
    votes : (rows, blocks) array
        How far each block of each row stands out as a stroke.
    rough : (blocks,) array
        Rows of a curve that follows a part of the stroke.
    pitch, mm : float
        Distance of neighbouring blocks, and of rows, both in mm.
    """
    reach, step = round(RANGE_MM / mm), max(1, round(STEEPEST * pitch / mm))
    middle = np.rint(rough).astype(int)
    low = int(middle.min()) - reach
    count = int(middle.max()) + reach + 1 - low
    rows = np.arange(low, low + count)
    inside = (rows >= 0) & (rows < votes.shape[0])
    seen = np.where(inside[:, None], votes[np.clip(rows, 0, votes.shape[0] - 1)], -np.inf)
    seen[np.abs(rows[:, None] - middle[None, :]) > reach] = -np.inf
    steps = np.arange(-step, step + 1)
    cost = STEP_COST * (steps / step) ** 2
    best, came = seen[:, 0].copy(), np.zeros((middle.size, count), int)
    for k in range(1, middle.size):
        padded = np.pad(best, step, constant_values=-np.inf)
        before = np.lib.stride_tricks.sliding_window_view(padded, steps.size) - cost
        came[k] = np.argmax(before, axis=1)
        best = before[np.arange(count), came[k]] + seen[:, k]
    if not np.isfinite(best).any():
        return None
    path = np.zeros(middle.size, int)
    path[-1] = int(np.argmax(best))
    for k in range(middle.size - 1, 0, -1):
        path[k - 1] = path[k] + steps[came[k, path[k]]]
    return np.asarray(path + low, float)


def freehand(
    follow: Follow, path: Floats, u: Floats, least_vote: float, mm: float
) -> tuple[Floats, Floats, NDArray[np.bool_]] | None:
    """Return a polynomial in `u` along the stroke near `path`, lowest power first, or None.

    Of the degree that the stroke asks for (by BIC, a hand's wavering counted as noise), up to 8;
    None where too few blocks show the stroke, or none of these follows it.

    Parameters
    ----------
    follow : function
        Of rows (blocks,) to each block's own row near them, and its votes.
    least_vote : float
        From which a block shows the stroke.

    Returns
    -------
    coefficients, rest, on : arrays
        `rest` is each block's departure in samples, `on` whether it is kept.
    """
    heights, weights = follow(path)
    on = weights > least_vote
    if float(on.mean()) < THROUGHOUT:
        return None
    count = int(on.sum())
    # Beyond the outermost blocks a high degree turns off: it goes straight on there to the sides.
    sides = [float(np.polynomial.Polynomial.fit(u[on][end], heights[on][end], 1)(side))
             for side, end in ((-1.0, slice(None, END)), (1.0, slice(-END, None)))]
    at, rows = np.append(u[on], [-1.0, 1.0]), np.append(heights[on], sides)
    best, least = None, np.inf
    for degree in range(3, min(MOST_DEGREE, int(2.0 * np.sqrt(count))) + 1):
        fitted = np.polynomial.Polynomial.fit(at, rows, degree, domain=[-1.0, 1.0])
        rest = heights - fitted(u)
        variance = float(np.mean(rest[on] ** 2)) * mm**2
        bic = count * float(np.log(variance + HAND_MM**2)) + degree * float(np.log(count))
        if bic < least and variance <= RULED_MM**2:
            best, least = (np.asarray(fitted.coef, float), rest, on), bic
    return best

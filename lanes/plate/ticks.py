"""Ticks: short pencil strokes across a line, each of which marks a lane."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.layout import Floats, Line
from lanes.plate.pencil import BLOCK_MM, FLANK_MM, WAVER_MM, ridge, ridge_reach
from lanes.plate.square import Grid
from lanes.quantiles import median
from lanes.same import Same

FOUND = 3.0       # standard deviations from which a stroke may be a tick: lanes are weighed later
APART_MM = 2.5    # ticks nearer than this are one: lanes are not put on so near (common practice)
RIM_MM = 1.5      # of the plate's sides: chipped layer, and their shadow
# From a line, to either side: where a tick is read, clear of the line's own stroke.
FROM_MM, TO_MM = 0.35, 1.15
# Standard deviations that one sample of a tick counts by, at least and at most: one dark speck may
# not stand for a stroke, nor one bright one against it.
LEAST_DEPTH, MOST_DEPTH = -3.0, 6.0
STROKE_MM = 0.8   # half of what one stroke and its blur take along the line
BLUR_MM = 0.15    # standard deviation: half a stroke's width
# Quantiles of depth along a line that ends inside the picture: of bare layer, and of the line.
GROUND, DRAWN = 0.1, 0.75
FAR_BLOCKS = 3.0  # blocks beyond a tick, within which the line must go on
# Standard deviations of the third of a half next to the line, from which a stroke reaches it.
TOUCHES = 2.0
# Ticks that stand on the line, or hang from it, and do not cross it: letters do so too, but a tick
# goes on from the line itself, each third of its half showing, has no other stroke beside it, and
# is one of a row. Standard deviations of a third, and of the whole; the fewest of a row: choices.
THIRD, ONE_SIDED, FEWEST_ONE_SIDED = 2.0, 6.0, 2
# What is beside a tick is looked at over so much of its line; and of a stroke's depth, what its
# flanks must lose: a Gaussian spot 1.3 mm wide at half height loses as much, a stroke nearly all.
LAYER_MM, OF_STROKE = 12.0, 0.5
# Standard deviation, relative light, that rounding to 8-bit sRGB codes alone leaves near white (one
# code of 240 is 0.9 % of light there, 0.29 of it): a picture drawn without grain has no less, or
# the last code of a spot's flank would count as a mark.
ROUNDING = 0.0027
# And of the profile along a line, in that grain, where it is white (computed: 0.3 to 0.7 at 20 to 5
# samples a millimetre).
WHITE = 0.6
# What a JPEG adds beside a line, over that rounding, for each code of the step that a block's mean
# is kept in: a block's longest waves are kept in steps about as large (T.81, annex K, from memory),
# of which each is a wave twice the mean's step high, and some four of them round by themselves.
WAVES = 4.0


@lru_cache(maxsize=1)  # both lines and the lanes' ticks ask about one plate
def _upright_grain(light: Same[NDArray[np.float32]], mm: float, block_step: float) -> float:
    """Return the standard deviation of what upright strokes are sought among."""
    rounding = ROUNDING * max(1.0, WAVES * block_step)
    return max(MAD_SD * float(median(np.abs(ridge(light.value, mm, 1)))), rounding)


def find_ticks(
    light: NDArray[np.float32], grid: Grid, origin: Line, block_step: float = 0.0
) -> list[tuple[float, float]]:
    """Find short strokes across the origin line.

    `block_step` is what the file's compression keeps a block's mean in, in codes.

    Returns
    -------
    list of (x, score)
        From left to right, at least 2.5 mm apart; the score counts standard deviations.
    """
    above, below = _halves(light, grid, origin, block_step)
    crossing = [(x, score) for x, score in _peaks(_both(above[1], below[1], grid.mm), grid, FOUND)
                if _touches(x, above, below, grid)]
    up, down = (_one_sided(*half, grid) for half in (above, below))
    row = max((up, down), key=lambda ticks: sum(score for _, score in ticks))
    apart = APART_MM * grid.pitch / grid.mm
    on_both_sides = sum(any(abs(x - other) < apart for other, _ in down) for x, _ in up)
    if len(row) < FEWEST_ONE_SIDED or on_both_sides >= FEWEST_ONE_SIDED:
        return crossing
    return sorted([*row, *((x, score) for x, score in crossing
                           if all(abs(x - own) >= apart for own, _ in row))])


def _touches(
    x: float, above: tuple[Floats, Floats], below: tuple[Floats, Floats], grid: Grid
) -> bool:
    """Whether the clearer half of what stands at `x` begins at the line; a letter begins off it."""
    column, near = round(float(grid.column(x))), round(0.5 * STROKE_MM / grid.mm)
    about = slice(max(0, column - near), column + near + 1)
    thirds, _ = max((above, below), key=lambda half: float(half[1][about].max()))
    return float(thirds[0, about].max()) > TOUCHES


def _peaks(score: Floats, grid: Grid, least: float) -> list[tuple[float, float]]:
    """Return where `score` peaks above `least`, and how high, clear of the plate's sides."""
    mm = grid.mm
    edge = round(RIM_MM / mm)
    peaks = ndimage.maximum_filter1d(score, max(3, round(APART_MM / mm))) == score
    peaks[:edge] = peaks[-edge:] = False
    found: list[tuple[float, float]] = []
    for i in np.nonzero(peaks & (score > least))[0]:
        x = float((i + 0.5) * grid.pitch)
        # A stroke as wide as two samples peaks at both.
        if found and x - found[-1][0] < APART_MM * grid.pitch / mm:
            found[-1] = (0.5 * (x + found[-1][0]), found[-1][1])
        else:
            found.append((x, float(score[i])))
    return found


def without_sides(
    ticks: list[tuple[float, float]], light: NDArray[np.float32], grid: Grid, line: Line
) -> list[tuple[float, float]]:
    """Return `ticks` less those beyond which their line ends: sides of a plate inside a picture.

    Where the picture is taken for the plate its lines end at the plate's own sides, whose shadow
    crosses them as a tick would.
    """
    if not ticks:
        return []
    row, waver = np.rint(grid.row(line.at(grid.x()))).astype(int), round(WAVER_MM / grid.mm)
    rows = np.clip(row + np.arange(-waver, waver + 1)[:, None], 0, grid.rows - 1)
    # Only rows that bear on the line's are worked out.
    first = max(0, int(rows.min()) - ridge_reach(grid.mm))
    depth = ridge(light[first: int(rows.max()) + ridge_reach(grid.mm) + 1], grid.mm, 0)
    along = depth[rows - first, np.arange(grid.columns)].max(axis=0)
    along = ndimage.uniform_filter1d(along, max(1, round(BLOCK_MM / grid.mm)))
    ground, drawn = np.quantile(along, [GROUND, DRAWN])
    shown = along > 0.5 * (ground + drawn)
    near, far = (round(v / grid.mm) for v in (BLOCK_MM, FAR_BLOCKS * BLOCK_MM))

    def goes_on(column: int) -> bool:
        left, right = shown[max(column - far, 0): max(column - near, 0)], shown[
            column + near: column + far]
        return all(side.size == 0 or side.mean() > 0.5 for side in (left, right))

    return [(x, s) for x, s in ticks if goes_on(round(float(grid.column(x))))]


def tick_profile(
    light: NDArray[np.float32], grid: Grid, origin: Line, block_step: float = 0.0
) -> Floats:
    """Return how far what crosses a line stands out at each column, in standard deviations."""
    above, below = _halves(light, grid, origin, block_step)
    return _both(above[1], below[1], grid.mm)


def is_stroke(
    light: NDArray[np.float32], grid: Grid, origin: Line, x: float
) -> bool:
    """Return whether what crosses a line at `x` ends beside it as a stroke does; a spot does not.

    Of a stroke's depth next to nothing is left at its flanks, of a spot's most.
    """
    mm, column = grid.mm, round(float(grid.column(x)))
    row, about = round(float(grid.row(origin.at(x)))), round(0.5 * LAYER_MM / mm)
    flank, reach = round(FLANK_MM / mm), round(TO_MM / mm)
    near = np.arange(max(0, column - reach), min(grid.columns, column + reach + 1))
    best = 0.0, 0.0
    for sign in (1, -1):
        rows = row + sign * np.arange(round(FROM_MM / mm), reach + 1)
        half = light[rows[(rows >= 0) & (rows < grid.rows)]]
        if not half.size or not near.size:
            continue
        # A cross's arms stand elsewhere in each row.
        darkest = near[np.argmin(half[:, near], axis=1)]
        each = np.arange(len(half))
        sides = np.clip([darkest - flank, darkest + flank], 0, grid.columns - 1)
        layer = np.median(half[:, max(0, column - about): column + about + 1], axis=1)
        depth = float(np.median(layer - half[each, darkest]))
        beside = float(np.median(half[each, sides].mean(axis=0) - half[each, darkest]))
        best = max(best, (depth, beside))
    return best[1] >= OF_STROKE * best[0]


def _halves(
    light: NDArray[np.float32], grid: Grid, origin: Line, block_step: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return what stands up above and below a line: thirds of each half, from the line out, and it.

    A third, (3, columns), and a half, (columns,), in standard deviations of what upright strokes
    are sought among.
    """
    mm = grid.mm
    column = np.arange(grid.columns)
    row = np.rint(grid.row(origin.at(grid.x()))).astype(int)
    reach = max(2, round(TO_MM / mm)) + 1
    first, last = np.clip([int(row.min()) - reach, int(row.max()) + reach], 0, grid.rows - 1)
    depth = ridge(light[first: last + 1], mm, 1) / _upright_grain(Same(light), mm, block_step)
    depth = np.clip(depth, LEAST_DEPTH, MOST_DEPTH)

    def half(sign: int) -> tuple[Floats, Floats]:
        steps = np.arange(max(1, round(FROM_MM / mm)), max(2, round(TO_MM / mm)) + 1) * sign
        index = row[:, None] + steps[None, :]
        valid = (index >= 0) & (index < grid.rows)
        shown = np.where(valid, depth[np.clip(index, first, last) - first, column[:, None]], 0.0)
        cuts = np.linspace(0, steps.size, 4).astype(int)  # on a coarse grid thirds share samples
        thirds = [shown[:, a: max(b, a + 1)].mean(axis=1) * np.sqrt(max(b - a, 1))
                  for a, b in pairwise(cuts)]
        return np.array(thirds), np.asarray(shown.sum(axis=1) / np.sqrt(steps.size), float)

    return half(1), half(-1)


def _both(above: Floats, below: Floats, mm: float) -> Floats:
    """Return how far strokes stand out that cross the line, in standard deviations."""
    # Both halves must show, so that a letter below the line does not pass.
    return _in_deviations(np.minimum(above, below) + 0.5 * np.maximum(above, below), mm)


def _in_deviations(profile: Floats, mm: float) -> Floats:
    profile = ndimage.gaussian_filter1d(profile, BLUR_MM / mm)
    middle = float(np.median(profile))
    spread = max(MAD_SD * float(np.median(np.abs(profile - middle))), WHITE)
    return np.asarray((profile - middle) / spread, float)


def _one_sided(thirds: Floats, half: Floats, grid: Grid) -> list[tuple[float, float]]:
    """Return strokes that end on the line from one side, each alone as far as ticks are apart."""
    score = _in_deviations(half, grid.mm)
    whole = ndimage.gaussian_filter1d(thirds, BLUR_MM / grid.mm, axis=1).min(axis=0) > THIRD
    ticks = _peaks(np.where(whole, score, 0.0), grid, ONE_SIDED)
    stroke = round(STROKE_MM / grid.mm)
    near = round(APART_MM / grid.mm)
    alone: list[tuple[float, float]] = []
    for x, s in ticks:
        column = round(float(grid.column(x)))
        beside = np.concatenate([score[max(column - near, 0): max(column - stroke, 0)],
                                 score[column + stroke: column + near]])
        if not (beside > 0.5 * s).any():
            alone.append((x, s))
    return alone

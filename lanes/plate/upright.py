"""Which side of a plate is its lower one: pencil lines tell the axis, marks and bends the end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Layout, Line
from lanes.plate.lines import sure_bent_lines, sure_lines
from lanes.plate.pencil import find_ticks
from lanes.plate.planes import planes_of
from lanes.plate.square import Grid
from lanes.scan.scan import Scan

NEAR = 0.35   # of the height: an origin or a front lies nearer to its edge than this
# Evidence is added up as natural logarithms of odds that the lower end is the origin's.
# A person holds a plate upright in nineteen pictures of twenty (common practice).
PRIOR = 3.0
# Standard deviations a mark stands out by: of the places along a line, half a centimetre apart
# over 10 cm, Gaussian noise takes one in 1600 so far, and grain of the layer a few times more.
MARK = 4.0
MARK_ODDS = 3.0   # of one mark: a line that bears none shows one in less than one of twenty
ENOUGH = 2        # marks that make an origin of a line: one may be a speck of dust
MOST_MARKS = 4    # more say nothing new: they are drawn by one hand
# The origin is ruled, the front is drawn along the solvent's edge, which lags at the sides or in
# the middle by half a millimetre and more. A lens bends both lines alike: only the difference
# speaks, and never alone, for a ruler may slip.
BEND_ODDS_PER_MM, MOST_BEND = 4.0, 2.0
SURE = 3.0        # odds of 20 to 1
DOUBTFUL = 1.5    # odds of 4 to 1


@dataclass(frozen=True)
class Turn:
    """Quarter turns counter-clockwise that bring a plate upright.

    `quarters` is None where it seems to lie sideways and nothing tells which way; `sure` says
    whether the other end is ruled out as the lower one.
    """

    quarters: int | None
    sure: bool


def judge_turn(scan: Scan, layout: Layout) -> Turn:
    """Return the turn that brings a plate upright.

    Pencil lines run across a plate, not along it. Marks stand on its origin, not on its front,
    and the front bends where the origin is ruled. Where no line is seen the plate is left as it
    lies.

    Parameters
    ----------
    scan : Scan
    layout : Layout
        With the plate's corners and size, as it lies in the picture.
    """
    planes = planes_of(scan, layout)
    as_seen = ends_of(planes.fine, planes.fine_grid)
    if any(end.line for end in as_seen):
        return turn_as_seen(lower_odds(*as_seen))
    across = ends_of(*turned(planes.fine, planes.fine_grid))
    return turn_sideways(lower_odds(*across), sum(end.line is not None for end in across))


def turn_as_seen(odds: float) -> Turn:
    """Return the turn of a plate whose lines run across it as it lies."""
    odds += PRIOR
    return Turn(2, True) if odds <= -SURE else Turn(0, odds >= DOUBTFUL)


def turn_sideways(odds: float, lines: int) -> Turn:
    """Return the turn of a plate whose lines, one or two, run along the picture's height."""
    if abs(odds) >= DOUBTFUL:
        return Turn(1 if odds > 0 else 3, abs(odds) >= SURE)
    return Turn(None, False) if lines == 2 else Turn(0, True)


@dataclass(frozen=True)
class End:
    """The line near one end of a plate, if any, its marks, and how far it bends in mm."""

    line: Line | None = None
    marks: int = 0
    bend: float = 0.0


def lower_odds(low: End, high: End) -> float:
    """Return the logarithm of the odds that `low` is the origin's end, by the lines alone."""
    odds = 0.0
    if max(low.marks, high.marks) >= ENOUGH:
        odds += MARK_ODDS * (min(low.marks, MOST_MARKS) - min(high.marks, MOST_MARKS))
    if low.line is not None and high.line is not None:
        odds += float(np.clip(BEND_ODDS_PER_MM * (high.bend - low.bend), -MOST_BEND, MOST_BEND))
    return odds


def ends_of(light: NDArray[np.float32], grid: Grid) -> tuple[End, End]:
    """Return the lower and the upper end of a plate, from its light, lowest row first."""
    height = grid.rows * grid.pitch
    low = sure_lines(light, grid, 0.02 * height, NEAR * height)
    high = sure_lines(light, grid, (1 - NEAR) * height, 0.98 * height)
    return _end(light, grid, low), _end(light, grid, high)


def _end(light: NDArray[np.float32], grid: Grid, lines: tuple[Line, ...]) -> End:
    if not lines:
        return End()
    width = grid.columns * grid.pitch
    middle, near = float(lines[0].at(0.5 * width)), 3.0 * grid.pitch / grid.mm
    bent = sure_bent_lines(light, grid, middle - near, middle + near)
    line = (*bent, *lines)[0]
    bend = float(abs(line.at(0.5 * width) - 0.5 * (line.at(0.0) + line.at(width))))
    marks = sum(score > MARK for _, score in find_ticks(light, grid, line))
    return End(line, marks, bend * grid.mm / grid.pitch)


def turned(light: NDArray[np.float32], grid: Grid) -> tuple[NDArray[np.float32], Grid]:
    """Return a plate's light, lowest row first, turned a quarter counter-clockwise."""
    return light[::-1].T, Grid(grid.columns, grid.rows, grid.pitch, grid.mm)

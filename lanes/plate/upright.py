"""Which side of a plate is its lower one: pencil lines tell the axis, ticks tell the end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Layout, Line
from lanes.plate.lines import sure_lines
from lanes.plate.pencil import find_ticks
from lanes.plate.planes import planes_of
from lanes.plate.square import Grid
from lanes.scan.scan import Scan

TICK = 5.5    # standard deviations a tick must stand out by
ENOUGH = 2    # ticks that make an origin of a line
NEAR = 0.35   # of the height: an origin or a front lies nearer to its edge than this


def judge_turn(scan: Scan, layout: Layout) -> int | None:
    """Return the quarter turns counter-clockwise that bring a plate upright.

    None says that it seems to lie sideways, and that nothing tells which way.

    Pencil lines run across a plate, not along it; ticks cross its origin, not its front. Where
    neither is seen the plate is left as it lies.

    Parameters
    ----------
    scan : Scan
    layout : Layout
        With the plate's corners and size, as it lies in the picture.
    """
    planes = planes_of(scan, layout)
    as_seen = _Ends(planes.fine, planes.fine_grid)
    if as_seen.lines:
        return 2 if as_seen.upside_down else 0
    across = _Ends(*turned(planes.fine, planes.fine_grid))
    if across.upright:
        return 1
    if across.upside_down:
        return 3
    return None if len(across.lines) == 2 else 0


class _Ends:
    """Lines near the lower and the upper end of a plate, and the ticks that cross each."""

    def __init__(self, light: NDArray[np.float32], grid: Grid) -> None:
        height = grid.rows * grid.pitch
        low = sure_lines(light, grid, 0.02 * height, NEAR * height)
        high = sure_lines(light, grid, (1 - NEAR) * height, 0.98 * height)
        self.lines: list[Line] = [*low[:1], *high[:1]]
        self._low = max((_ticks(light, grid, line) for line in low[:1]), default=0)
        self._high = max((_ticks(light, grid, line) for line in high[:1]), default=0)

    @property
    def upright(self) -> bool:
        """Whether ticks cross the lower line and not the upper one."""
        return self._low >= ENOUGH and self._high == 0

    @property
    def upside_down(self) -> bool:
        """Whether ticks cross the upper line and not the lower one."""
        return self._high >= ENOUGH and self._low == 0


def _ticks(light: NDArray[np.float32], grid: Grid, line: Line) -> int:
    return sum(score > TICK for _, score in find_ticks(light, grid, line))


def turned(light: NDArray[np.float32], grid: Grid) -> tuple[NDArray[np.float32], Grid]:
    """Return a plate's light, lowest row first, turned a quarter counter-clockwise."""
    return light[::-1].T, Grid(grid.columns, grid.rows, grid.pitch, grid.mm)

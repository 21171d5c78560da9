"""Which side of a plate is its lower one: lines show the axis, marks, names and bends the end."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.stats import norm

from lanes.plate.blobs import blobs_between
from lanes.plate.layout import OFF_PLATE, Floats, Layout, Line
from lanes.plate.lines import pencil_light, sure_bent_lines, sure_lines
from lanes.plate.marks import Mark, find_marks, names_under
from lanes.plate.planes import Planes, planes_of
from lanes.plate.square import Grid
from lanes.plate.ticks import find_ticks, is_stroke, tick_profile, without_sides
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
MOST_MARKS = 4    # more add nothing: they are drawn by one hand
# The origin is ruled, the front is drawn along the solvent's edge, which lags at the sides or in
# the middle by half a millimetre and more. A lens bends both lines alike: only the difference
# counts, and never alone, for a ruler may slip.
BEND_ODDS_PER_MM, MOST_BEND = 4.0, 2.0
# Half of that least lag, below which a hand's waver along a ruler is likelier: it would outweigh
# the lanes' names, which by themselves only just decide.
SAME_BEND_MM = 0.25
# Lanes are named under their origin, where no solvent comes; one hand in five writes above the
# front (common practice). A lone word is a remark and may stand anywhere.
NAMED_ODDS, NAMES = 1.5, 2
SPOT_MM = 1.2     # what is smaller may be a mark itself
CLEAR_MM = 2.5    # of a line: what lies nearer may be its mark, or hidden by it
UNDER_MM = 1.2    # how far a column of spots meets the line beside its mark: lean and a hand's aim
LEAST_ASIDE = 0.1  # of the width: less of the line shows no standard deviation
MOST_MARKED = 5.0  # odds of 150 to 1: grain's longer tails are not known farther out
SURE = 3.0        # odds of 20 to 1
RIM = 0.02        # of the height: nearer to the plate's edges lies their shadow
REFIT_MM = 3.0    # about a line found straight: where it is looked for once more, bent
# Standard deviation of the largest of a white profile within `UNDER_MM`, in its own (computed; the
# same at 5 to 20 samples a millimetre): a picture without grain has no less.
WHITE = 0.65
DOUBTFUL = 1.5    # odds of 4 to 1


@dataclass(frozen=True)
class Turn:
    """Quarter turns counter-clockwise that bring a plate upright.

    `quarters` is None where it seems to lie sideways and nothing shows which way; `sure` says
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
    planes, whole = planes_of(scan, layout), any(f.name == "bed-unseen" for f in layout.flags)
    pencil = pencil_light(planes)
    as_seen = ends_of(pencil, planes.fine_grid, whole, planes.block_step)
    if any(end.line for end in as_seen):
        odds, named = lower_odds(*as_seen), 0.0
        if odds < SURE:  # no plate is turned before all that speaks against it is heard
            named = named_odds(find_marks(planes), as_seen, layout)
            spots = _spots(planes, layout)
            odds = lower_odds(*_under_spots(as_seen, spots, planes.fine_grid)) + named
            odds += marked_odds(pencil, planes.fine_grid, as_seen, spots, planes.block_step)
        turn = turn_as_seen(odds)
        # Names over the upper line alone are said, unless marks on the lower one outvote them: how
        # a person holds a plate and a hand's slight bends do not.
        return replace(turn, sure=turn.sure and (turn.quarters == 2 or named >= 0.0
                                                 or odds >= SURE))
    light, grid = turned(pencil, planes.fine_grid)
    across = ends_of(light, grid, whole, planes.block_step)
    count = sum(end.line is not None for end in across)
    spots = [(layout.height - y, x) for x, y in _spots(planes, layout)] if count else []
    odds = lower_odds(*_under_spots(across, spots, grid))
    if count and abs(odds) < SURE:
        odds += named_odds(_turned_marks(find_marks(planes), layout.height), across, layout)
        odds += marked_odds(light, grid, across, spots, planes.block_step)
    return turn_sideways(odds, count)


def named_odds(marks: list[Mark], ends: tuple[End, End], layout: Layout) -> float:
    """Return the logarithm of the odds that the lower end is the origin's, by the lanes' names.

    `marks` lie as the plate whose lower and upper `ends` are held against each other.
    """
    low, high = (e.line for e in ends)
    over = [replace(m, y=-m.y) for m in marks]
    below = len(names_under(marks, replace(layout, origin=low))) >= NAMES if low else False
    above = len(names_under(over, replace(layout, origin=Line(tuple(-c for c in high.coefficients))
                                          ))) >= NAMES if high else False
    return NAMED_ODDS * (below - above)


def _turned_marks(marks: list[Mark], height: float) -> list[Mark]:
    return [replace(m, x=height - m.y, y=m.x, wide=m.tall, tall=m.wide) for m in marks]


def _spots(planes: Planes, layout: Layout) -> list[tuple[float, float]]:
    """Return the places of what is as large as a spot, as the plate lies in the picture."""
    whole = replace(layout, origin=Line((-OFF_PLATE,)), front=Line((OFF_PLATE,)))
    smallest = SPOT_MM / layout.mm_per_unit
    return [(b.x, b.y) for b in blobs_between(planes, whole) if min(b.width, b.height) > smallest]


def marked_odds(
    light: NDArray[np.float32], grid: Grid, ends: tuple[End, End],
    spots: list[tuple[float, float]], block_step: float = 0.0,
) -> float:
    """Return the logarithm of the odds that the lower end is the origin's, by marks under spots.

    A sample is put on at a mark, and its spots stand above it: a mark too faint to be parted from
    grain by itself counts where columns of spots meet the line. The rest of the line shows what
    grain makes of as many places.

    Parameters
    ----------
    light : (rows, columns) array
        Lowest row first.
    grid : Grid
    ends : tuple of End
        The lower and the upper one.
    spots : list of (x, y)
    block_step : float
        As for `ends_of`.
    """
    low, high = (e.line for e in ends)
    clear = CLEAR_MM * grid.pitch / grid.mm
    columns = _columns([x for x, y in spots if (low is None or y > float(low.at(x)) + clear)
                        and (high is None or y < float(high.at(x)) - clear)], grid)
    if len(columns) < ENOUGH:
        return 0.0
    at = np.rint(np.array(columns) / grid.pitch - 0.5).astype(int)
    one, two = (0.0 if line is None
                else _marked(tick_profile(light, grid, line, block_step), at, grid.mm)
                for line in (low, high))
    return one - two


def _columns(xs: list[float], grid: Grid) -> list[float]:
    """Return where columns of spots stand whose middles lie at `xs`."""
    columns: list[float] = []
    for x in sorted(xs):
        if not columns or x - columns[-1] > UNDER_MM * grid.pitch / grid.mm:
            columns.append(x)
    return columns


def _under_spots(
    ends: tuple[End, End], spots: list[tuple[float, float]], grid: Grid
) -> tuple[End, End]:
    """Return the ends with those marks alone that stand under columns of spots, where these are.

    A crack or a scratch crosses a line anywhere, a sample is put on at its mark.
    """
    columns = _columns([x for x, _ in spots], grid)
    if len(columns) < ENOUGH:
        return ends
    near = 2.0 * UNDER_MM * grid.pitch / grid.mm  # the lean of a lane is as much again
    low, high = (tuple(x for x in end.marks if min(abs(x - c) for c in columns) < near)
                 for end in ends)
    return replace(ends[0], marks=low), replace(ends[1], marks=high)


def _marked(profile: Floats, at: NDArray[np.intp], mm: float) -> float:
    """Return the logarithm of the odds that marks stand at columns `at` of a line, 0 or more."""
    reach = max(1, round(UNDER_MM / mm))
    best = np.clip(ndimage.maximum_filter1d(profile, 2 * reach + 1), 0.0, 2.0 * MARK)
    aside = np.ones(profile.size, bool)
    for column in at:
        aside[max(column - 2 * reach, 0): column + 2 * reach + 1] = False
    aside[:reach] = aside[-reach:] = False  # a line's end is no mark
    if aside.mean() < LEAST_ASIDE:
        return 0.0
    # A break or a speck in the line is met once: the clearest mark is left out.
    marks = np.sort(best[at])[:-1]
    sd = max(float(best[aside].std()), WHITE) / np.sqrt(marks.size)
    p = float(norm.sf((float(marks.mean()) - float(best[aside].mean())) / sd))
    # The most that a chance of p can count against chance: Sellke, Bayarri & Berger, Am. Stat. 55,
    # 62 (2001), from memory.
    if p >= np.exp(-1.0):
        return 0.0
    return float(min(-np.log(-np.e * p * np.log(p)) if p > 0.0 else MOST_MARKED, MOST_MARKED))


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
    """The line near one end of a plate, if any, where its marks are, and how far it bends in mm."""

    line: Line | None = None
    marks: tuple[float, ...] = ()
    bend: float = 0.0


def lower_odds(low: End, high: End) -> float:
    """Return the logarithm of the odds that `low` is the origin's end, by the lines alone."""
    odds = 0.0
    lower, upper = len(low.marks), len(high.marks)
    if max(lower, upper) >= ENOUGH:
        odds += MARK_ODDS * (min(lower, MOST_MARKS) - min(upper, MOST_MARKS))
    more = high.bend - low.bend
    if low.line is not None and high.line is not None and abs(more) > SAME_BEND_MM:
        odds += float(np.clip(BEND_ODDS_PER_MM * more, -MOST_BEND, MOST_BEND))
    return odds


def ends_of(
    light: NDArray[np.float32], grid: Grid, whole: bool = False, block_step: float = 0.0
) -> tuple[End, End]:
    """Return the lower and the upper end of a plate, from its light, lowest row first.

    `whole` is True where the picture was taken for the plate: its sides may be inside. `block_step`
    is what the file's compression keeps a block's mean in, in codes.
    """
    height = grid.rows * grid.pitch
    low = sure_lines(light, grid, RIM * height, NEAR * height)
    high = sure_lines(light, grid, (1 - NEAR) * height, (1.0 - RIM) * height)
    return (_end(light, grid, low, whole, block_step),
            _end(light, grid, high, whole, block_step))


def _end(
    light: NDArray[np.float32], grid: Grid, lines: tuple[Line, ...], whole: bool,
    block_step: float,
) -> End:
    if not lines:
        return End()
    width = grid.columns * grid.pitch
    middle, near = float(lines[0].at(0.5 * width)), REFIT_MM * grid.pitch / grid.mm
    bent = sure_bent_lines(light, grid, middle - near, middle + near)
    line = (*bent, *lines)[0]
    bend = float(abs(line.at(0.5 * width) - 0.5 * (line.at(0.0) + line.at(width))))
    ticks = find_ticks(light, grid, line, block_step)
    if whole:
        ticks = without_sides(ticks, light, grid, line)
    marks = tuple(x for x, score in ticks if score > MARK and is_stroke(light, grid, line, x))
    return End(line, marks, bend * grid.mm / grid.pitch)


def turned(light: NDArray[np.float32], grid: Grid) -> tuple[NDArray[np.float32], Grid]:
    """Return a plate's light, lowest row first, turned a quarter counter-clockwise."""
    return light[::-1].T, Grid(grid.columns, grid.rows, grid.pitch, grid.mm)

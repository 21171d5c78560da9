"""Lines of which only a part, or only marks, is drawn: a dash at one side, a row of crosses.

What is inferred here is less sure than a line drawn across the plate, and carries a larger
standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.blobs import find_blobs
from lanes.plate.depths import depths
from lanes.plate.layout import Blob, Floats, Layout, Line
from lanes.plate.morphology import extreme
from lanes.plate.planes import Planes, coarsen, off_layer

DASH_MM = 3.0        # shorter strokes are ticks, letters or scratches
LEVEL = 0.1          # rise over run of a dash: 6 degrees
THIN_MM = 0.8        # scatter of a dash about its own straight line and half its width
TURN = 0.0175        # how well a hand draws a dash level: 1 degree (common practice)
MARK_MM = (0.5, 5.0)  # a dot, a cross, a tick
# A pair of short strokes, one at either side of the plate and level with each other, marks a line
# as its ends do: how long and how high one is, of its length, and how far in from the side its
# outer end lies (common practice: the rim, where strokes are not looked for, included).
END_MM, END_TALL, END_IN_MM = 1.0, 0.7, 4.0
ASKEW = 0.06         # rise over run of a line drawn or run askew: 3.4 degrees
SMALL_MM = 2.2       # a dot of pencil as broad as it gets: a blob that broad is a spot
# Standard deviations of a mark, and its share of the strongest: one hand draws them all alike.
MARK_SURE, MARK_SHARE = 8.0, 0.2
FLAT = 0.35          # height over length of a dash and of what it joins: more is writing
SLOPE_FROM = 0.25    # of the plate's width: what is shorter shows no slope
RULED_MM = 0.1       # how well a line's height is known where it is drawn (common practice)
MARKS_APART_MM = 4.0  # samples are put on farther apart (common practice): nearer ones set no row
OVER_MM, SPECK_MM = 3.0, 1.0  # how far above its mark a blob begins, and how large it is at least
CROWDED_MM = 3.0     # marks nearer than this are letters
# Scatter of a row's steps over their mean, up to which it is even: a hand's half a millimetre in
# five.
EVEN = 0.1
# A row's score: a mark under a blob counts 1, any mark this much, evenness this much; and what a
# row must reach, which two marks under blobs do, or three that are even. Choices, of that order.
ANY_MARK, EVEN_ROW, ROW_SCORE = 0.2, 1.5, 2.0
ROW_MM = 0.8         # how far marks put on by eye lie off one line
UNDER_MM = 1.8       # a blob's column passes its mark nearer than this
EDGE_MM = 1.3        # of the rim, where layer chips and shadows pass for strokes
MARK_SD_MM = 0.3     # of a line through marks
CIRCLE_MM = (2.0, 16.0)  # the inside of a circle round a spot; letters' insides are smaller
GAP_MM = 1.0             # that a circle drawn in one pull, or dotted, leaves open
# Names of lanes, as a hand writes them (common practice): how far under the origin line, how large,
# how far the letters of one are apart, and how far one stands off the others' row.
CUT_MM = 0.6             # half of a drawn line's stroke, its wavering and its flanks
UNDER_LINE_MM, NAME_SIZE_MM, JOINED_MM, UNEVEN_MM = (1.0, 9.0), (1.2, 6.0), 1.5, 2.0


@dataclass(frozen=True)
class Mark:
    """A piece of thin matter off the rim: middle, extent and angle, in plate units.

    `beyond` is how far it goes on across the rim, to a side of the plate. Of its `core`, what is at
    least half as deep as its middle, are its slope, its scatter and how tall and how high that is:
    compression leaves waves beside a stroke, which are a part of the piece and never so deep.
    """

    x: float
    y: float
    wide: float
    tall: float
    slope: float
    scatter: float
    beyond: float = 0.0
    core_tall: float = np.inf
    core_y: float = np.nan


def find_marks(planes: Planes, cut: Line | None = None) -> list[Mark]:
    """Return every piece of thin matter 0.5 mm or longer, off the rim.

    Along `cut` thin matter is taken out first, so that what is written close to that line is not a
    piece with it.
    """
    grid = planes.fine_grid
    rim = max(1, round(EDGE_MM / grid.mm))
    thin = np.zeros_like(planes.thin)
    thin[rim:-rim, rim:-rim] = planes.thin[rim:-rim, rim:-rim]
    if cut is not None:
        off = np.arange(grid.rows)[:, None] - grid.row(cut.at(grid.x()))
        thin &= np.abs(off) > CUT_MM / grid.mm
    labels, _ = ndimage.label(thin, structure=np.ones((3, 3)))
    found = []
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        tall, wide = (s.stop - s.start for s in place)
        if max(tall, wide) * grid.mm < MARK_MM[0]:
            continue
        row, column = np.nonzero(labels[place] == number)
        row, column = row + place[0].start, column + place[1].start
        core = _core(planes.fine, row, column)
        slope, scatter = _straight(column[core], row[core])
        mark = Mark(float((column.mean() + 0.5) * grid.pitch), float((row.mean() + 0.5)
                    * grid.pitch), wide * grid.pitch, tall * grid.pitch, slope,
                    scatter * grid.pitch,
                    _across_rim(planes.thin, place[0], place[1], rim) * grid.pitch,
                    float(np.ptp(row[core]) + 1) * grid.pitch,
                    float((row[core].mean() + 0.5) * grid.pitch))
        found.append(mark)
    return found


def _core(
    light: NDArray[np.float32], row: NDArray[np.intp], column: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Return which samples of a piece are at least half as deep as the deepest of its columns.

    Half of the median over the columns; depth is held against the lightest of its samples, which
    lie at its edges.
    """
    own = light[row, column]
    darkest = np.full(int(column.max()) + 1, np.inf, np.float32)
    np.minimum.at(darkest, column, own)
    half = 0.5 * (float(own.max()) + float(np.median(darkest[np.isfinite(darkest)])))
    return np.asarray(own <= half)


def _across_rim(
    thin: NDArray[np.bool_], rows: slice, columns: slice, rim: int
) -> int:
    """Return over how many samples a piece that is cut off by the rim goes on in its own rows."""
    at_left, at_right = columns.start == rim, columns.stop == thin.shape[1] - rim
    if at_left == at_right:
        return 0
    beside = thin[rows, :rim][:, ::-1] if at_left else thin[rows, -rim:]
    gone = ~beside.any(axis=0)
    return int(gone.argmax()) if gone.any() else rim


def _straight(
    column: NDArray[np.intp], row: NDArray[np.intp]
) -> tuple[float, float]:
    """Return the slope of the straight line through samples, and their scatter about it."""
    if np.ptp(column) < 3:
        return 0.0, float(np.std(row))
    slope, start = np.polyfit(column, row, 1)
    return float(slope), float(np.std(row - slope * column - start))


def dashed_line(marks: list[Mark], layout: Layout, low: float, high: float) -> Line | None:
    """Return the line that dashes between heights `low` and `high` are a part of, if any.

    The longest dash leads, and others in line with it join; of one alone the slope is taken only
    from a quarter of the plate's width on.
    """
    unit = layout.mm_per_unit
    dashes = [m for m in marks if m.wide + m.beyond >= DASH_MM / unit and abs(m.slope) < LEVEL
              and m.scatter < THIN_MM / unit and min(m.tall, m.core_tall) < FLAT * m.wide
              and low < m.y < high]
    if not dashes:
        return None
    lead = max(dashes, key=lambda m: m.wide)
    height = {id(m): m.y if np.isnan(m.core_y) else m.core_y for m in dashes}

    def off(m: Mark) -> float:
        return abs(height[id(m)] - height[id(lead)] - lead.slope * (m.x - lead.x))

    own = [m for m in dashes if off(m) < max(ROW_MM / unit, 2.0 * TURN * abs(m.x - lead.x))]
    left, right = (min(m.x - m.wide / 2 for m in own), max(m.x + m.wide / 2 for m in own))
    slope = 0.0
    if right - left > SLOPE_FROM * layout.width:
        x = np.concatenate([[m.x - m.wide / 2, m.x + m.wide / 2] for m in own])
        y = np.concatenate([[height[id(m)] - m.slope * m.wide / 2,
                             height[id(m)] + m.slope * m.wide / 2] for m in own])
        slope = float(np.polyfit(x, y, 1)[0])
    x0 = float(np.mean([m.x for m in own]))
    y0 = float(np.mean([height[id(m)] for m in own]))
    # Half the plate away, a dash drawn a degree askew, or the front not level, is out by this.
    far = max(0.5 * layout.width - 0.5 * (right - left), 0.0)
    sd = float(np.hypot(RULED_MM / unit, TURN * far))
    return Line((y0 - slope * x0, slope), sd)


def ends_of_line(marks: list[Mark], layout: Layout, low: float, high: float) -> Line | None:
    """Return the line of which only its two ends are drawn, one at either side, if any.

    Of several pairs the longer strokes count. Two strokes that stand level at opposite sides are
    not there by chance, so shorter ones pass here than by themselves.
    """
    unit = layout.mm_per_unit
    ends = [m for m in marks if low < m.y < high and m.wide >= END_MM / unit
            and m.tall < END_TALL * m.wide]
    left = [m for m in ends if m.x - 0.5 * m.wide < END_IN_MM / unit]
    right = [m for m in ends if m.x + 0.5 * m.wide > layout.width - END_IN_MM / unit]
    pairs = [(a, b) for a in left for b in right if b.x - a.x > 0.5 * layout.width
             and abs(b.y - a.y) < ASKEW * (b.x - a.x)]
    if not pairs:
        return None
    one, two = max(pairs, key=lambda pair: min(pair[0].wide, pair[1].wide))
    slope = (two.y - one.y) / (two.x - one.x)
    return Line((one.y - slope * one.x, slope), RULED_MM / unit)


def row_of_marks(planes: Planes, blobs: tuple[Blob, ...], layout: Layout, high: float
                 ) -> Line | None:
    """Return the line through a row of origin marks below `high`, if any.

    A row is marks in a line, 4 mm or more apart, over which blobs stand: two of them, or three
    without blobs that are evenly spaced. Marks are what stands out before thin matter is taken
    out of the light, and not after.
    """
    unit = layout.mm_per_unit
    smallest, largest = (v / unit for v in MARK_MM)
    whole = {"mean": coarsen(planes.fine, planes.fine_grid)[0]}
    off = off_layer(layout, planes.fine_grid, planes.step)
    marks = [b for b in find_blobs(depths(whole, planes.grid.mm, off), planes.grid, False)
             if b.y < high and smallest <= max(b.width, b.height) <= largest
             and (max(b.width, b.height) < SMALL_MM / unit
                  or not any(_inside(b, spot) for spot in blobs))]
    strongest = max((m.strength for m in marks), default=0.0)
    spots = [(m.x, m.y) for m in marks if m.strength > max(MARK_SURE, MARK_SHARE * strongest)]
    over = [b for b in blobs if max(b.width, b.height) > SPECK_MM / unit]
    best: tuple[float, list[tuple[float, float]]] = (0.0, [])
    for one, two in combinations(spots, 2):
        if abs(one[0] - two[0]) < MARKS_APART_MM / unit:
            continue
        slope = (two[1] - one[1]) / (two[0] - one[0])
        if abs(slope) > ASKEW:
            continue
        row = [s for s in spots if abs(s[1] - one[1] - slope * (s[0] - one[0])) < ROW_MM / unit]
        score = _row_score(row, over, unit)
        if score > best[0]:
            best = score, row
    if best[0] < ROW_SCORE:
        return None
    x, y = np.array(best[1]).T
    degree = 1 if np.ptp(x) > SLOPE_FROM * layout.width else 0
    c: Floats = np.polynomial.polynomial.polyfit(x, y, degree)
    sd = float(np.hypot(MARK_SD_MM / unit / np.sqrt(max(len(x) - degree, 1)), RULED_MM / unit))
    return Line(tuple(float(v) for v in c), sd)


def _inside(mark: Blob, spot: Blob) -> bool:
    u, v = (mark.x - spot.x) / spot.width, (mark.y - spot.y) / spot.height
    return bool(u * u + v * v < 0.5**2)


def _row_score(row: list[tuple[float, float]], over: list[Blob], unit: float) -> float:
    """Return how many marks of a row have blobs above, less what crowds it; letters crowd."""
    xs = np.sort(np.array([x for x, _ in row]))
    gaps = np.diff(xs)
    under = sum(any(abs(b.x - x) < UNDER_MM / unit and b.y > y + OVER_MM / unit for b in over)
                for x, y in row)
    crowded = float((gaps < CROWDED_MM / unit).sum())
    even = len(xs) >= 3 and float(gaps.std()) < EVEN * float(gaps.mean())
    return under + ANY_MARK * len(row) + (EVEN_ROW if even else 0.0) - crowded


def names_under(marks: list[Mark], layout: Layout) -> tuple[float, ...]:
    """Return the x of what is written under the origin line, word by word, in one row.

    Strokes and letters nearer than `JOINED_MM` are one word; a long one is a remark, not a name.
    """
    unit = layout.mm_per_unit
    near, far = (v / unit for v in UNDER_LINE_MM)
    letters = sorted((m for m in marks if near < float(layout.origin.at(m.x)) - m.y < far
                      and m.tall < NAME_SIZE_MM[1] / unit and m.wide < NAME_SIZE_MM[1] / unit),
                     key=lambda m: m.x - 0.5 * m.wide)
    words: list[list[float]] = []  # left, right, lowest, highest
    for m in letters:
        left, right = m.x - 0.5 * m.wide, m.x + 0.5 * m.wide
        low, high = m.y - 0.5 * m.tall, m.y + 0.5 * m.tall
        if words and left - words[-1][1] < JOINED_MM / unit:
            last = words[-1]
            words[-1] = [last[0], max(last[1], right), min(last[2], low), max(last[3], high)]
        else:
            words.append([left, right, low, high])
    lowest, longest = (v / unit for v in NAME_SIZE_MM)
    names = [w for w in words if w[3] - w[2] >= lowest and w[1] - w[0] <= longest]
    middle = float(np.median([0.5 * (w[2] + w[3]) for w in names])) if names else 0.0
    return tuple(0.5 * (w[0] + w[1]) for w in names
                 if abs(0.5 * (w[2] + w[3]) - middle) < UNEVEN_MM / unit)


def with_circled(blobs: tuple[Blob, ...], planes: Planes) -> tuple[Blob, ...]:
    """Return `blobs`, each in a pencilled circle at least as strong as the plate's usual one.

    Who drew the circle saw a spot there, by a lamp or a stain that this picture may not show.
    """
    grid = planes.fine_grid
    size = 2 * round(0.5 * GAP_MM / grid.mm) + 1
    closed = extreme(extreme(planes.thin, size, np.logical_or), size, np.logical_and)
    inside, _ = ndimage.label(~closed)
    smallest, largest = (v / grid.mm for v in CIRCLE_MM)
    circles = {number for number, place in enumerate(ndimage.find_objects(inside), 1)
               if all(smallest <= s.stop - s.start <= largest for s in place)}
    usual = float(np.median([b.strength for b in blobs])) if blobs else 0.0

    def circled(b: Blob) -> bool:
        row, column = round(float(grid.row(b.y))), round(float(grid.column(b.x)))
        on = 0 <= row < grid.rows and 0 <= column < grid.columns
        return on and int(inside[row, column]) in circles

    return tuple(replace(b, strength=max(b.strength, usual)) if circled(b) else b for b in blobs)

"""Closed quadrilaterals of straight lines, each judged by what its four sides show.

A side of the plate has an edge along it, two different things beside it, and it ends at the
corners. A pencil line has the layer on both sides; a page's rule, a tissue's or a shadow's edge
runs on past the corner, as do the plate's own sides where a pencil line cuts them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from lanes.plate.corners import area, plate_like
from lanes.plate.edges import Edges, Singles

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SMALLEST = 0.03   # of the picture's area: a smaller plate has too few pixels to be read
LARGEST = 0.985   # above it a quadrilateral is the picture itself
# A side on the picture's own border counts for little: above a pencil line, whose edge with one
# thing on both sides reaches a fifth, and below any edge between two things along half of a side.
AT_BORDER = 0.3
TRIM = 0.04         # of a side at each end: corners may be round
BEYOND = 0.14       # of a side: so far past a corner it is looked whether the edge runs on
END = 0.2           # of a side: so far from a corner it is looked whether the edge reaches it
LEAST_BEYOND = 6.0  # pixels past a corner that show anything
# Gloves, tissues and shadows may cover a tenth of a side, and the rest is a whole side still.
ENOUGH = 0.9
AGREED = 0.6        # mean vote from which a difference along a side is beyond doubt
# Times the mean vote that comes by chance: of a mean in a plane, twice its median is met by chance
# once in 16, four times once in 65 000 (2 to the power of the square; Rayleigh's law).
RARE, CERTAIN = 2.0, 4.0
LINE = 0.2          # score of a side whose edge has one thing on both sides: a pencil line's
RUNS_ON = 0.7       # of the score of a side that is lost where the edge runs on past a corner
STOPS_SHORT = 0.5   # of the score that is lost where it does not reach a corner
# Of a side's edge: with less of it past a corner the edge has ended. A choice: rows of spots, which
# close outlines too, leave more of it there, a bed of another tone leaves none.
GOES_ON = 0.1
# Nobody draws four whole lines that stop at four common corners: they are the rims of a plate on a
# bed of its own tone. A printed box is such a frame too, so that it counts for less than sides that
# part two things. All of a side is seen, but for what `ENOUGH` lets off and a rounding.
FRAME, FRAMED = 0.7, 0.95
# Of `stops`, on all four: bed beyond a corner has edges of its own, on which some lines run on.
CLOSES = 0.6
LEAST = 0.1         # score of a side below which no plate is
# Of the root of the picture's area: corners that all lie nearer than this are of one quadrilateral.
# A choice: about as far as `sides` may move a side.
SAME_CORNERS = 0.012
# Mean vote squared, and strength of an edge above the usual: so that nothing is divided by 0.
NO_VOTE, NO_STRENGTH = 1e-9, 1e-3


@dataclass(frozen=True)
class Sides:
    """What each line shows between any two of the lines that cross it: (lines, from, to).

    `score`, `edges` (share with an edge), `steps` (votes that agree on a difference) and `stops`
    (how far it reaches from corner to corner and no farther) are from 0 to 1; `border` is where the
    picture ends and nothing is seen.
    """

    score: Floats
    edges: Floats
    steps: Floats
    stops: Floats
    border: Flags


@dataclass(frozen=True)
class Closed:
    """A quadrilateral and what its sides show, in the order of its corners."""

    corners: Floats
    score: float
    sides: Floats
    edges: Floats
    steps: Floats
    border: Flags
    framed: bool = False  # four whole lines that stop at their corners


def border_only(corners: Floats) -> Closed:
    """Return the picture's own outline as a quadrilateral."""
    return Closed(corners, AT_BORDER, np.full(4, AT_BORDER), np.zeros(4), np.zeros(4),
                  np.ones(4, bool))


def with_borders(lines: list[tuple[float, float]], rows: int) -> Floats:
    """Return lines (row at the middle column, slope) with the picture's first and last edge."""
    return np.array([*lines, (-0.5, 0.0), (rows - 0.5, 0.0)])


class Closing:
    """What the lines of a picture show where they close quadrilaterals.

    Parameters
    ----------
    down, across : Edges
        Of the picture, and of the picture turned over.
    level, upright : (lines, 2) arrays
        Row at the middle column, and slope; of the upright ones in the picture turned over. The
        picture's borders are among them.
    """

    def __init__(self, down: Edges, across: Edges, level: Floats, upright: Floats) -> None:
        self._rows, self._columns = down.strength.shape
        self._x, self._y = _crossings(level, upright, self._rows, self._columns)
        self._upper, self._lower = (sides(down, votes, level, self._x)
                                    for votes in (down.first, down.last))
        self._left, self._right = (sides(across, votes, upright, self._y.T)
                                   for votes in (across.first, across.last))
        top, bottom = np.array(list(combinations(np.argsort(level[:, 0]), 2))).T
        left, right = np.array(list(combinations(np.argsort(upright[:, 0]), 2))).T
        self._of = top[:, None], bottom[:, None], left[None, :], right[None, :]

    def _four(self, name: str) -> Floats:
        """Return bottom, right, top, left: side n runs from corner n to the next."""
        top, bottom, left, right = self._of
        return np.stack([
            getattr(self._lower, name)[bottom, left, right],
            getattr(self._right, name)[right, top, bottom],
            getattr(self._upper, name)[top, left, right],
            getattr(self._left, name)[left, top, bottom]], axis=-1)

    def closed(self, most: int, frames: bool = False) -> list[Closed]:
        """Return up to `most` quadrilaterals, the best first.

        With `frames` four lines may close a plate that have one thing on both sides.
        """
        x, y = self._x, self._y
        each, edges, steps, border = map(self._four, ("score", "edges", "steps", "border"))
        framed = np.zeros(each.shape[:-1], bool)
        if frames:
            stops = self._four("stops")
            framed = (edges.min(axis=-1) > FRAMED) & ~border.any(axis=-1)
            each = np.where(framed[..., None], np.maximum(each, FRAME * edges * stops), each)
            framed &= stops.min(axis=-1) > CLOSES
        worst = each.min(axis=-1)
        score = 0.5 * each.mean(axis=-1) + 0.5 * worst
        # Those after the first with a side that is none are not looked at.
        places = np.flatnonzero(score >= score[worst < LEAST].max(initial=-np.inf))
        order = places[np.argsort(-score.ravel()[places], kind="stable")]
        near = SAME_CORNERS * np.sqrt(self._rows * self._columns)
        out: list[Closed] = []
        for p, q in zip(*np.unravel_index(order, score.shape), strict=True):
            if len(out) == most or worst[p, q] < LEAST:
                break
            top, bottom, left, right = (
                i[min(p, i.shape[0] - 1), min(q, i.shape[1] - 1)] for i in self._of)
            at = ([bottom, bottom, top, top], [left, right, right, left])
            quad = np.stack([x[at], y[at]], axis=-1)
            if any(np.abs(quad - other.corners).max() <= near for other in out):
                continue
            share = area(quad) / (self._rows * self._columns)
            if SMALLEST < share < LARGEST and plate_like(quad):
                out.append(Closed(quad, float(score[p, q]), each[p, q], edges[p, q], steps[p, q],
                                  border[p, q], bool(framed[p, q])))
        return out


def _crossings(level: Floats, upright: Floats, rows: int, columns: int) -> tuple[Floats, Floats]:
    """Return x and y where each level line (rows of both arrays) meets each upright one."""
    xc, yc = 0.5 * (columns - 1), 0.5 * (rows - 1)
    c, m = level[:, 0][:, None], level[:, 1][:, None]
    d, n = upright[:, 0][None, :], upright[:, 1][None, :]
    x = (d + n * (c - m * xc - yc)) / (1.0 - m * n)
    return x, c + m * (x - xc)


def sides(edges: Edges, votes: Singles, lines: Floats, ends: Floats) -> Sides:
    """Return what each line shows between any two of its crossings.

    Parameters
    ----------
    edges : Edges
    votes : (rows, columns, colours) array
        Those of `edges` as the plate's first or as its last side.
    lines : (lines, 2) array
        Row at the middle column, and slope.
    ends : (lines, crossings) array
        Columns at which each line is crossed.
    """
    seen = _Along(edges, votes, lines)
    low, high = ends[:, :, None], ends[:, None, :]
    length = np.maximum(high - low, 1.0)
    count, share, mean = seen.between(low + TRIM * length, high - TRIM * length)
    agreed = np.sqrt(np.square(mean).sum(axis=-1))
    chance = RARE * edges.chance
    steps = np.clip((agreed - chance) / (max(AGREED, CERTAIN * edges.chance) - chance), 0.0, 1.0)
    stretch = _Stretch(low, high, length, share, mean, agreed, steps, float(edges.strength.mean()))
    whole = np.minimum(share / ENOUGH, 1.0)
    stops = ((1.0 - RUNS_ON * _runs_on(seen, stretch))
             * (1.0 - STOPS_SHORT * _stops_short(seen, stretch)))
    score = whole * (LINE + (1.0 - LINE) * steps) * stops
    rows = edges.strength.shape[0]
    at_border = ((lines[:, 0] < 0) | (lines[:, 0] > rows - 1)) & (lines[:, 1] == 0)
    unseen = at_border[:, None, None] | (count < 0.5 * length)
    score = np.where(unseen, AT_BORDER, score)
    return Sides(np.where(high > low, score, 0.0), whole, steps, stops, unseen)


class _Along:
    """What the picture shows along each line, summed up from its first column on."""

    def __init__(self, edges: Edges, votes: Singles, lines: Floats) -> None:
        rows, self._columns = edges.strength.shape
        self._line = np.arange(len(lines))[:, None, None]
        column = np.arange(self._columns)
        middle = 0.5 * (self._columns - 1)
        place = np.rint(lines[:, :1] + lines[:, 1:] * (column - middle)).astype(int)
        known = (place >= 0) & (place < rows)
        place = np.clip(place, 0, rows - 1)
        seen = np.concatenate([known[..., None], edges.strength[place, column][..., None],
                               votes[place, column]], axis=-1) * known[..., None]
        nothing = np.zeros((len(lines), 1, seen.shape[-1]))
        self._total = np.concatenate([nothing, np.cumsum(seen, axis=1)], axis=1)

    def between(self, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats]:
        """Return how many pixels are known between two columns, share of edge, mean votes."""
        a, b = (np.clip(np.rint(c + 0.5), 0, self._columns).astype(int) for c in (low, high))
        between = self._total[self._line, b] - self._total[self._line, a]
        sums = np.where((b > a)[..., None], between, 0.0)
        count = np.maximum(sums[..., 0], 1.0)
        return sums[..., 0], sums[..., 1] / count, sums[..., 2:] / count[..., None]


@dataclass(frozen=True)
class _Stretch:
    """Every line between any two of its crossings, `low` and `high`, and what it shows there."""

    low: Floats
    high: Floats
    length: Floats
    share: Floats
    mean: Floats
    agreed: Floats
    steps: Floats
    usual: float

    def alike(self, share: Floats, mean: Floats) -> tuple[Floats, Floats]:
        """Return how far another part of the line shows the same two things, and the same edge."""
        same = (mean * self.mean).sum(axis=-1) / np.maximum(self.agreed**2, NO_VOTE)
        edge = (share - self.usual) / np.maximum(self.share - self.usual, NO_STRENGTH)
        return same, edge


def _stops_short(seen: _Along, at: _Stretch) -> Floats:
    """Return how far a line ends before either of its crossings."""
    short, trim, end = [], TRIM * at.length, END * at.length
    for first, last in ((at.low + trim, at.low + end), (at.high - end, at.high - trim)):
        known, share, mean = seen.between(first, last)
        same, edge = at.alike(share, mean)
        reached = np.clip(at.steps * same + (1.0 - at.steps) * edge, 0.0, 1.0)
        short.append(np.where(known >= LEAST_BEYOND, 1.0 - reached, 0.0))
    return np.asarray(np.maximum(*short))


def _runs_on(seen: _Along, at: _Stretch) -> Floats:
    """Return how far a line goes on past either of its crossings.

    An edge between two things does if it and their difference do; a mere line if the line does: a
    bed of two tones may show the same difference beyond a corner, but no edge there.
    """
    things, line, trim = [], [], TRIM * at.length
    beyond = np.maximum(BEYOND * at.length, 2 * LEAST_BEYOND)
    for first, last in ((at.low - beyond, at.low - trim), (at.high + trim, at.high + beyond)):
        known, share, mean = seen.between(first, last)
        same, edge = at.alike(share, mean)
        both = np.clip(same, 0.0, 1.0) * np.clip(edge / GOES_ON, 0.0, 1.0)
        things.append(np.where(known >= LEAST_BEYOND, both, 0.0))
        line.append(np.where(known >= LEAST_BEYOND, np.clip(edge, 0.0, 1.0), 0.0))
    return np.asarray(at.steps * np.maximum(*things) + (1.0 - at.steps) * np.maximum(*line))

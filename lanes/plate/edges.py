"""Straight edges: where they run, and whether two different things lie beside them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.grain import without_grain
from lanes.plate.morphology import highest
from lanes.quantiles import median, quantile

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

MOST_TILT = 26.0  # degrees off level: beyond, it is no longer clear which side is the lower one
VOTE = 0.2        # strength from which a pixel votes for a line
LINES = 20        # of each direction: a page's rules may be as many
# What lies beside an edge is looked at from NEAR to FAR, of the picture's longer side. Nearer lie
# the shadow in the joint, a bevel, a pencil line of 1.5 mm; much further a neighbour. On the
# plate's own side no shadow lies, and the layer begins at CLOSE.
CLOSE, NEAR, FAR = 0.006, 0.014, 0.032
ALONG = 0.01        # of the longer side: the piece of an edge that gives one vote
# A vote has half its weight where a step is so many times its noise: the layer's mottle alone
# then counts for next to nothing, a step of five times in full.
HALF_SURE = 2.0
PIECE = 0.06        # of the longer side: over it votes must agree to count in a search for lines
SIDE = 0.3          # of the longer side: about a side's length
OUTSHONE = 2.0      # times weaker than an edge close by: then it counts less
# Of the eye's tone, 0 to 1: a quarter of one of 255 codes, which averaging flat codes won't better.
LEAST_NOISE = 0.001
# Of the longer side: over it a lamp's fall-off is one slope, and an edge fills less than a quarter;
# looked at in so many pieces.
DRIFT, DRIFT_PIECES = 0.4, 11
LINE_WEIGHT = 0.1   # of an edge with one thing on both sides, a mere line, beside a plate's edge
# Times the picture's median step: an edge counts from here, and in full that much further on. Half
# of all pixels lie below 1; a choice: lower, grain is joined into edges, higher, a faint side is
# lost.
EDGE_FROM, EDGE_OVER = 2.0, 4.0
# Four fifths of a picture are no edge: what they stay within is so many standard deviations of
# Gaussian noise.
NO_EDGE, NO_EDGE_SD = 0.8, 1.28
SPENT_PX = 3.0      # from a line found: nearer votes are its own (an edge is blurred over two)
# Of tone: far below a code's step, so that nothing is divided by 0.
NO_STEP, NO_STEPS = 1e-5, 1e-9


@dataclass(frozen=True)
class Edges:
    """The evidence for level edges in a picture; for upright ones, of the picture turned over.

    `strength` (rows, columns) is from 0 to 1 how surely an edge runs there. `first` and `last`
    (rows, columns, colours) are from -1 to 1 how surely what lies below differs from what lies
    above, of brightness and of two opposed colours: as a plate's upper and as its lower side.
    `chance` is the usual size of their mean along a row: what mottle, blocks of compression and
    grain agree on by chance.
    """

    strength: Singles
    first: Singles
    last: Singles
    chance: float


    def sure(self) -> Singles:
        """Return how surely an edge runs between two things; a mere line counts a tenth."""
        piece = max(3, round(PIECE * max(self.strength.shape)))
        apart = np.maximum(*(_agreed(v, piece) for v in (self.first, self.last)))
        return np.asarray(self.strength * (
            LINE_WEIGHT + (1.0 - LINE_WEIGHT) * np.minimum(apart, 1.0)), np.float32)


def look(light: NDArray[np.float32]) -> Floats:
    """Return tone, the eye's cube root of light: in it dark and bright count alike.

    Both are (rows, columns, channels); `light`, which is linear, may be (rows, columns).
    """
    tone = np.cbrt(np.clip(light, 0.0, None)).astype(float)
    return tone if tone.ndim == 3 else tone[:, :, None]


def edges_of(tone: Floats) -> tuple[Edges, Edges]:
    """Return the evidence for level and for upright edges in a picture of tone."""
    colour = _opposed(tone)
    down, across = _votes(colour), _votes(colour.swapaxes(0, 1))
    # Without grain, where a lamp's fall-off passes from one code to the next is no edge.
    least = LEAST_NOISE if without_grain(tone[::3]) else NO_STEP
    return (Edges(_strength(tone, 0, least), *down, _chance(down[0])),
            Edges(_strength(tone, 1, least).T, *across, _chance(across[0])))


def _chance(votes: Singles) -> float:
    """Return the usual size of the mean vote along a side's length of a row."""
    side = max(8, round(SIDE * max(votes.shape)))
    return float(median(np.sqrt(_agreed(votes[::3], side)[:, ::3])))


def _agreed(votes: Singles, size: int) -> Singles:
    """Return the square of the mean vote over `size` columns, (rows, columns)."""
    # Colour by colour: a sum over a short last axis is slow.
    return reduce(np.add, (
        np.square(ndimage.uniform_filter1d(np.ascontiguousarray(one), size, axis=1))
        for one in np.moveaxis(votes, 2, 0)))


def _opposed(tone: Floats) -> Singles:
    """Return brightness, red against blue, and green against both.

    Lamp, shadow and mottle change the first; paper and layer may differ in the others alone.
    """
    if tone.shape[2] != 3:
        return np.asarray(tone, np.float32)
    mix = np.array([[1.0, 1.0, 1.0], [1.0, 0.0, -1.0], [-0.5, 1.0, -0.5]])
    return np.asarray(tone @ (mix / np.sqrt(np.square(mix).sum(axis=1))[:, None]).T, np.float32)


def _strength(tone: Floats, axis: int, least: float) -> Singles:
    """Return from 0 to 1 how surely an edge runs across `axis` at each pixel.

    The picture's noise is no less than `least`.
    """
    steps = np.sqrt(sum(np.square(ndimage.gaussian_filter1d(
        ndimage.gaussian_filter1d(plane, 1.0, axis=axis, order=1), 2.0, axis=1 - axis))
        for plane in np.ascontiguousarray(np.moveaxis(tone, 2, 0), np.float32)))
    noise = max(float(median(steps)), least)
    ridge = steps >= highest(steps, 3, axis)
    sure = np.where(ridge, np.clip((steps / noise - EDGE_FROM) / EDGE_OVER, 0.0, 1.0), 0.0)
    # Beside a long edge a much weaker one is a rule of the page or the shadow's end. Roots are
    # averaged: writing that is ten times as strong along a third of it outshines no edge.
    longer = max(tone.shape)
    long = ndimage.uniform_filter1d(np.sqrt(steps), max(3, round(PIECE * longer)), axis=1 - axis)**2
    most = highest(long, 2 * max(2, round(NEAR * longer)) + 1, axis)
    sure *= np.minimum(1.0, OUTSHONE * long / np.maximum(most, NO_STEPS))
    # An edge that wavers by a pixel is still one line.
    return np.asarray(highest(sure, 3, axis), np.float32)


def _votes(colour: Singles) -> tuple[Singles, Singles]:
    """Return, for each pixel and colour, how surely the zone below differs from that above.

    Of a plate's upper side, whose plate lies below, and of its lower side.
    """
    first, last = (np.empty(colour.shape, np.float32) for _ in range(2))
    for k in range(colour.shape[2]):  # one colour at a time, to need less memory
        first[..., k], last[..., k] = _votes_of(colour[..., k])
    return first, last


def _votes_of(colour: Singles) -> tuple[Singles, Singles]:
    """Return the votes of one colour, (rows, columns)."""
    longer = max(colour.shape)
    close, near, far = (max(fewest, round(share * longer))
                        for fewest, share in ((1, CLOSE), (2, NEAR), (5, FAR)))
    smooth = ndimage.uniform_filter1d(colour, max(3, round(ALONG * longer)), axis=1,
                                      mode="nearest")
    # Sums from the first row on, that row's and the last one's carried on beyond: a zone is then
    # the difference of two stretches of them.
    rows, beyond = len(smooth), far + 1
    total = np.zeros((rows + 1 + 2 * beyond, smooth.shape[1]))
    np.cumsum(smooth, axis=0, dtype=float, out=total[beyond + 1: beyond + 1 + rows])
    total[beyond + 1 + rows:] = total[beyond + rows]
    below, above, within, before = (_zone(total, rows, low, high) for low, high in (
        (near, far), (-far, -near), (close + 1, near), (-near, -close - 1)))
    unknown = [np.isnan(zone[:, 0]) for zone in (below, above)]
    known = ~(unknown[0] | unknown[1])
    first, last = (np.zeros(colour.shape, np.float32) for _ in range(2))
    first[known], last[known] = _agreeing(below, above, within, before, longer, known)
    if not known.all():  # of a bed narrower than that, what there is beyond the edge's own shadow
        for zone, instead, lost in ((below, within, unknown[0]), (above, before, unknown[1])):
            zone[lost] = instead[lost]
        first[~known], last[~known] = _agreeing(below, above, within, before, longer, ~known)
    return first, last


def _agreeing(
    below: Singles, above: Singles, within: Singles, before: Singles, longer: int,
    rows: NDArray[np.bool_],
) -> tuple[Singles, Singles]:
    """Return the votes of both sides from the zones below and above, and those close to the edge.

    Those of `rows`. The weaker of two that agree counts: the layer begins at the edge itself.
    """
    clear = _surely(below, above, longer, rows)

    def both(one: Singles, other: Singles) -> Singles:
        edge = _surely(one, other, longer, rows)
        weaker = np.maximum(np.minimum(edge, clear), np.float32(0.0))
        weaker += np.minimum(np.maximum(edge, clear, out=edge), np.float32(0.0), out=edge)
        return weaker

    return both(within, above), both(below, before)


def _zone(total: Floats, rows: int, low: int, high: int) -> Singles:
    """Return for each row the mean of the rows from `low` to `high` off it; NaN beyond.

    `total` are sums from the first row on, with as many rows more at both ends.
    """
    first, last = (np.clip(np.arange(rows) + end, 0, rows) for end in (low, high + 1))
    # Of a bed, two rows at the picture's border are still enough.
    size = np.where(last - first >= 2, last - first, np.nan).astype(np.float32)[:, None]
    beyond = (len(total) - 1 - rows) // 2
    start, end = beyond + low, beyond + high + 1
    out = np.empty((rows, total.shape[1]), np.float32)
    np.subtract(total[end: end + rows], total[start: start + rows], out=out, casting="same_kind")
    out /= size
    return out


def _surely(one: Singles, other: Singles, longer: int, rows: NDArray[np.bool_]) -> Singles:
    """Return from -1 to 1 how far steps to `one` from the `other` stand out of the picture's own.

    Those of `rows`; 0 where unknown.
    """
    known = np.flatnonzero(np.isfinite(one[:, 0] - other[:, 0]))
    wanted = np.flatnonzero(rows)
    out = np.zeros((wanted.size, one.shape[1]), np.float32)
    if not known.size:
        return out
    first, end = int(known[0]), int(known[-1]) + 1
    one, other = one[first:end], other[first:end]
    coarse = max(1, round(DRIFT * longer / DRIFT_PIECES))
    drift = _medians(one[::coarse, ::coarse] - other[::coarse, ::coarse], DRIFT_PIECES)
    row, column = (np.minimum(np.arange(n) // coarse, k - 1)
                   for n, k in zip(one.shape, drift.shape, strict=True))
    # Where no edge is, the spread of steps is the noise, mottle and codes included.
    few = one[::5, ::5] - other[::5, ::5] - drift[np.ix_(row[::5], column[::5])]
    noise = quantile(np.abs(few), NO_EDGE) / np.float32(NO_EDGE_SD)
    here = (wanted >= first) & (wanted < end)
    at = wanted[here] - first
    step = one[at]
    step -= other[at]
    step -= drift.take(column, axis=1).take(row[at], axis=0)
    size = np.square(step)
    size += np.square(np.float32(HALF_SURE * max(noise, LEAST_NOISE)))
    step /= np.sqrt(size, out=size)
    out[here] = step
    return out


def _medians(image: Singles, size: int) -> Singles:
    """Return the median in a square of an odd `size` about each sample; rims mirror."""
    padded = np.pad(image, size // 2, mode="symmetric")
    about = np.lib.stride_tricks.sliding_window_view(padded, (size, size))
    middle = size * size // 2
    return np.asarray(np.partition(about.reshape(*image.shape, -1), middle, axis=-1)[..., middle])


def find_lines(strength: Singles, most: int = LINES) -> list[tuple[float, float]]:
    """Return the strongest lines along axis 1: row at the middle column, and slope.

    A Hough transform (Duda & Hart 1972; from memory) in row and slope. What has voted for one
    line votes for no other, so that a thick line is found once.
    """
    rows, columns = strength.shape
    block = max(1, columns // 120)
    votes = strength[:, : columns // block * block].reshape(rows, -1, block).mean(axis=2)
    at = (np.arange(votes.shape[1]) + 0.5) * block - 0.5 - 0.5 * (columns - 1)
    slopes = np.tan(np.radians(np.linspace(-MOST_TILT, MOST_TILT, 2 * int(MOST_TILT) + 1)))
    row, k = np.nonzero(votes > VOTE)
    weight = np.asarray(votes[row, k], float)
    # Between two slopes a line's ends stray by this many rows: the votes are spread as far.
    stray = max(1, round(columns / 4 * float(slopes[1] - slopes[0])))
    total = _tally(row, at[k], weight, slopes, rows)
    found: list[tuple[float, float]] = []
    while len(found) < most and row.size > 8:
        spread = ndimage.uniform_filter1d(total, 2 * stray + 1, axis=1)
        i, c = divmod(int(np.argmax(spread)), rows)
        line = _settled(votes, at, c, float(slopes[i]), stray + 2)
        found.append(line)
        spent = (np.abs(row - line[0] - line[1] * at[k]) <= SPENT_PX) \
            | (np.abs(row - c - slopes[i] * at[k]) <= stray)
        if not spent.any():
            break
        total -= _tally(row[spent], at[k[spent]], weight[spent], slopes, rows)
        row, k, weight = row[~spent], k[~spent], weight[~spent]
    return found


def _tally(row: NDArray[np.int_], at: Floats, weight: Floats, slopes: Floats, rows: int) -> Floats:
    """Return the votes of points for each slope and row at the middle column."""
    place = np.rint(row[None, :] - slopes[:, None] * at[None, :]).astype(int)
    valid = (place >= 0) & (place < rows)
    index = (np.arange(slopes.size)[:, None] * rows + place)[valid]
    total = np.bincount(index, np.broadcast_to(weight, place.shape)[valid],
                        minlength=slopes.size * rows)
    return np.asarray(total.reshape(slopes.size, rows), float)


def _settled(votes: Floats, at: Floats, row: float, slope: float, reach: int
             ) -> tuple[float, float]:
    """Return a line moved onto the votes that most of it agrees with."""
    offsets = np.arange(-reach, reach + 1)
    place = np.rint(row + slope * at).astype(int)[None, :] + offsets[:, None]
    inside = (place >= 0) & (place < votes.shape[0])
    near = np.where(inside, votes[np.clip(place, 0, votes.shape[0] - 1), np.arange(at.size)], 0.0)
    # A thumb's edge that meets the side at a slant pulls a mean fit: agreement first, then a fit.
    half = float(np.abs(at).max())
    padded = np.pad(near, ((2 * reach, 2 * reach), (0, 0)))
    tilts = np.linspace(-reach, reach, 2 * reach + 1) / half
    moved = np.rint(tilts[:, None] * at).astype(int)
    index = offsets[:, None] + moved[:, None, :] + 3 * reach
    total = padded[index, np.arange(at.size)].sum(axis=2)
    tilt, k = np.unravel_index(int(np.argmax(total)), total.shape)
    m, c = float(tilts[tilt]), float(offsets[k])
    close = near * (np.abs(offsets[:, None] - (m * at + c)) <= 2.0)
    weight = close.sum(axis=0)
    keep = weight > VOTE
    if keep.sum() >= 6:
        shift = (close * offsets[:, None]).sum(axis=0)[keep] / weight[keep]
        m, c = np.polyfit(at[keep], shift, 1, w=np.sqrt(weight[keep]))
    return float(row + c), float(slope + m)

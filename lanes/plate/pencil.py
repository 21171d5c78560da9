"""Pencil lines across the plate: the origin line and the solvent front."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.freehand import HAND_MM, departs, freehand, path_near
from lanes.plate.layout import Floats, Line
from lanes.plate.morphology import highest
from lanes.plate.square import Grid
from lanes.quantiles import median
from lanes.same import Same

STROKE_MM = 0.3   # about a pencil stroke's width
FLANK_MM = 0.65   # how far beside the stroke its surroundings are read
BLOCK_MM = 2.0
# Of a stroke's depth, where its foot ends: what is left there is as faint as a trace of a spot. Of
# the layer's light: mottle, averaged along the line (common practice: 1 % in a square centimetre).
FOOT, MOTTLE = 0.05, 0.005
REACH_MM = 2.5  # to either side of a line, where the layer beside it is read
WAVER_MM = 0.5  # how far a hand-drawn line and its blur reach beyond a stroke's half depth
# Beside a line: beyond a stroke's foot and within letters 2.5 mm high; of a thick one, beyond its
# edge and its blur.
BESIDE_MM, BLUR_MM = (0.8, 1.2), 0.25
# Blur under which strokes are looked for: of a stroke's width, so that it is hardly lowered, and of
# a sample, so that one sample's noise is.
STROKE_BLUR, SAMPLE_BLUR = 0.35, 0.4
KERNEL_SDS = 4.0  # where the blur's filter ends, which is scipy's own choice
# Times what a sample is darker than the darker of its flanks: its depth is no more than this. A
# choice: nearer to 1, a line on a slope of light is lost, larger, a spot's rim passes for a line.
ONE_SIDED = 1.5
NO_LIGHT, NO_GRAIN = 1e-4, 1e-6  # of full light, and relative: so that nothing is divided by 0
# Standard deviations that a block of a line counts by, at least and at most: one dark spot may not
# outvote the rest of a faint line, nor one bright speck put it out.
LEAST_VOTE, MOST_VOTE = -3.0, 12.0
STEEPEST = 3.0    # degrees off level that a line is drawn, or the plate lies, askew
SAGS_MM = np.arange(-5.0, 5.1, 0.5)  # of a front at its sides, below its middle
APART_MM = 1.5    # lines nearer than this are one, with its two rims
FOLLOW_MM = 0.6   # to either side of a rough line, where each block's own place is looked for
# What counts for that place: deeper than so much of the block's deepest, and so near to it.
OF_DEEPEST, ABOUT_DEEPEST_MM = 0.3, 0.35
# Standard deviations from which a block shows the line, and the share of blocks that must; lower,
# a chain of grain is followed, higher, a faint line is lost.
BLOCK_SHOWS, BLOCKS_SHOW = 2.5, 0.3
STRONGEST = 8.0   # standard deviations: a block counts for the fit by no more, or one spot bends it
# A block farther off the fit is left out: samples, which is what rounding leaves, and standard
# deviations of the others.
OFF_SAMPLES, OFF_SDS = 0.7, 3.0
NO_REST = 1e-12   # samples squared: so that nothing is divided by 0 where a line is exact
# A bend must reduce the squared departures by so much over the number of blocks: it would by 1 over
# it by chance, so that this asks for three and a half standard deviations.
BEND_GAIN = 12.0
MOST_SHARED = 0.95  # correlation of neighbouring blocks: beyond, a line is too short to tell
COVERS = 2.0      # standard deviations from which a block counts as covered by the line found
RIM_MM = 1.5      # of the plate's sides: chipped layer, and their shadow
NEAR_MM = 0.4     # from a line's fitted height, where its darkest row lies


@dataclass(frozen=True)
class Stroke:
    """A line found across the plate.

    `score` is how far it stands out of chance, `coverage` the share of the plate's width in which
    it shows, `thickness` its full width at half depth in mm; `sharpness` is the steepest slope
    across it in depths a width: 1.43 for a Gaussian, more for a stroke with edges.
    """

    line: Line
    score: float
    coverage: float
    thickness: float
    sharpness: float = 0.0
    beside: float = 0.0


def ridge(light: NDArray[np.float32], mm: float, axis: int) -> NDArray[np.float32]:
    """Return how much darker each sample is than its flanks along `axis`, relative to them.

    Capped at the size a pencil stroke reaches among the samples, so that one dark spot can't
    outvote a faint line.
    """
    sigma, shift = _stroke(mm)
    fine = ndimage.gaussian_filter1d(light, sigma, axis=axis)
    one, two = np.roll(fine, shift, axis), np.roll(fine, -shift, axis)
    flank = 0.5 * (one + two)
    depth = (flank - fine) / np.maximum(flank, NO_LIGHT)
    # A slope or the flank of a spot is dark on one side only.
    depth = np.minimum(depth, ONE_SIDED * (np.maximum(np.minimum(one, two), NO_LIGHT) - fine)
                       / np.maximum(flank, NO_LIGHT))
    edge = [slice(None), slice(None)]
    edge[axis] = slice(0, shift + 1)
    depth[tuple(edge)] = 0.0
    edge[axis] = slice(-shift - 1, None)
    depth[tuple(edge)] = 0.0
    return np.asarray(depth, np.float32)


def _stroke(mm: float) -> tuple[float, int]:
    """Return the blur under which strokes are sought, and how far beside them, in samples."""
    return max(SAMPLE_BLUR, STROKE_BLUR * STROKE_MM / mm), max(2, round(FLANK_MM / mm))


def ridge_reach(mm: float) -> int:
    """Return how many samples to either side bear on one of `ridge`."""
    sigma, shift = _stroke(mm)
    return int(KERNEL_SDS * sigma + 0.5) + shift + 2


def find_lines(
    light: NDArray[np.float32], grid: Grid, low: float, high: float, smile: bool,
    margin_mm: float = RIM_MM, sure: float = 0.0, covered: float = 0.0,
) -> list[Stroke]:
    """Find pencilled lines across the plate between heights `low` and `high` (plate units).

    Straight lines up to 3 degrees off level, and where `smile` is True parabolas that sag up to
    5 mm at the sides, are scored by the mean depth along them against its spread by chance.

    Returns
    -------
    list of Stroke
        The best first; at least 1.5 mm apart. Those of a score below `sure`, or a coverage below
        `covered`, are left out.
    """
    blocks, votes, x = _blocks(Same(light), grid, margin_mm)
    if x.size < 4:
        return []
    half = 0.5 * grid.columns * grid.pitch
    u = np.asarray((x - half) / half, np.float64)
    rows = np.arange(max(0, int(low / grid.pitch)), min(grid.rows, int(high / grid.pitch)))
    if rows.size < 5:
        return []
    rows = rows[::2]
    best, how = _best_curves(votes, rows, u, grid, smile)
    strokes: list[Stroke] = []
    apart = max(2, round(0.5 * APART_MM / grid.mm))
    order = np.argsort(best)[::-1]
    taken: list[int] = []
    for i in order[: 40 * apart]:
        if len(taken) == 6:
            break
        if any(abs(i - j) < apart for j in taken):
            continue
        taken.append(int(i))
        slope, sag = how[i]
        rough = rows[i] + slope * u - sag * u**2
        found = _trace_line(blocks, votes, rough, u, grid, smile)
        if found is not None and found.score >= sure and found.coverage >= covered:
            strokes.append(_measured(light, grid, found))
    strokes.sort(key=lambda s: -s.score)
    return strokes


@lru_cache(maxsize=1)  # both lines, which side is up and the front's bend ask about one plate
def _blocks(
    light: Same[NDArray[np.float32]], grid: Grid, margin_mm: float
) -> tuple[Floats, Floats, Floats]:
    """Return means of the depth over blocks along each row, how far each stands out, and where.

    Both are (rows, k), and the blocks' middles (k,).
    """
    depth = ridge(light.value, grid.mm, 0)
    edge = max(1, round(margin_mm / grid.mm))
    depth = depth[:, edge:-edge]
    block = max(1, round(BLOCK_MM / grid.mm))
    starts = np.arange(0, depth.shape[1] - block + 1, block)
    blocks = np.add.reduceat(depth, starts, axis=1)[:, : starts.size] / block
    blocks = blocks[:, :-1] if starts.size > 6 and depth.shape[1] % block else blocks
    middles = (edge + (np.arange(blocks.shape[1]) + 0.5) * block) * grid.pitch
    rest = blocks - np.median(blocks, axis=0)
    sd = MAD_SD * np.median(np.abs(rest), axis=0)
    sd = np.maximum(sd, max(float(np.median(sd)), NO_GRAIN) if sd.size else NO_GRAIN)
    return blocks, np.clip(rest / sd, LEAST_VOTE, MOST_VOTE), np.asarray(middles, np.float64)


def _best_curves(
    votes: Floats, rows: NDArray[np.intp], u: Floats, grid: Grid, smile: bool
) -> tuple[Floats, Floats]:
    """Return the best score of a curve through each of `rows`, and its slope and sag, (r, 2)."""
    slopes = np.tan(np.radians(np.linspace(-STEEPEST, STEEPEST, 25))) * (0.5 * grid.columns)
    sags = SAGS_MM / grid.mm if smile else np.zeros(1)
    # Rows are pooled in threes, so that coarse steps of slope and sag can't miss a line. Nothing
    # votes beyond the plate.
    beyond = int(np.abs(slopes).max() + np.abs(sags).max()) + 2
    pooled = np.pad(highest(votes, 3, 0), ((beyond, beyond), (0, 0)))
    place = (rows[:, None] + beyond) * u.size + np.arange(u.size)
    best = np.full(rows.size, -np.inf)
    how: Floats = np.zeros((rows.size, 2))
    for sag in sags:
        offsets = np.rint(slopes[:, None] * u - sag * u**2).astype(int)
        scores = pooled.take(place + u.size * offsets[:, None, :]).sum(axis=2)
        steepness = scores.argmax(axis=0)
        score = scores[steepness, np.arange(rows.size)]
        better = score > best
        best[better] = score[better]
        how[better] = np.stack([slopes[steepness], np.full(rows.size, sag)], axis=1)[better]
    return best / np.sqrt(u.size), how


def _followed(
    blocks: Floats, votes: Floats, rough: Floats, grid: Grid
) -> tuple[Floats, Floats]:
    """Return each block's row of the line that runs near `rough`, and its vote; 0 where none."""
    reach = max(3, round(FOLLOW_MM / grid.mm))
    at = np.arange(-reach, reach + 1)
    middle = np.rint(rough).astype(int)
    k = np.flatnonzero((middle >= reach) & (middle < grid.rows - reach))
    rows, line = middle[k, None] + at, np.arange(k.size)
    local = np.clip(blocks[rows, k[:, None]], 0.0, None)
    peak = np.argmax(local, axis=1)
    local = np.clip(local - OF_DEEPEST * local[line, peak][:, None], 0.0, None)
    about = max(2, round(ABOUT_DEEPEST_MM / grid.mm))
    local[np.abs(at - at[peak][:, None]) > about] = 0.0
    total = local.sum(axis=1)
    some = total > 0.0
    heights, weights = np.zeros(rough.size), np.zeros(rough.size)
    heights[k[some]] = middle[k[some]] + (local * at).sum(axis=1)[some] / total[some]
    weights[k[some]] = votes[rows[line, peak], k][some]
    return heights, weights


def _trace_line(
    blocks: Floats, votes: Floats, rough: Floats, u: Floats, grid: Grid, smile: bool
) -> Stroke | None:
    """Follow a roughly known line block by block and fit it."""
    heights, weights = _followed(blocks, votes, rough, grid)
    seen = weights > BLOCK_SHOWS
    if seen.sum() < max(4, BLOCKS_SHOW * u.size):
        return None
    degree = 2 if smile else 1
    keep = seen.copy()
    coefficients = np.zeros(degree + 1)
    rest = np.zeros(u.size)
    for _ in range(6):
        if keep.sum() < degree + 3:
            return None
        coefficients = np.asarray(np.polynomial.polynomial.polyfit(
            u[keep], heights[keep], degree,
            w=np.sqrt(np.minimum(weights[keep], STRONGEST))), float)
        rest = heights - np.polynomial.polynomial.polyval(u, coefficients)
        spread = MAD_SD * float(median(np.abs(rest[keep])))
        before, keep = keep, seen & (np.abs(rest) <= max(OFF_SAMPLES, OFF_SDS * spread))
        if np.array_equal(keep, before):
            break
    sd = _height_sd(rest, keep, degree) * grid.pitch
    if degree == 2:
        # Bend only as far as the blocks demand: a straight front is the commoner one.
        straight = np.polynomial.polynomial.polyfit(u[keep], heights[keep], 1)
        flat = heights[keep] - np.polynomial.polynomial.polyval(u[keep], straight)
        bent = rest[keep]
        gain = float((flat**2).sum() / max(float((bent**2).sum()), NO_REST))
        if gain < 1.0 + BEND_GAIN / keep.sum():
            coefficients = np.append(straight, 0.0)
        by_hand = _by_hand(blocks, votes, coefficients, (heights, seen), u, grid)
        if by_hand is not None:
            coefficients, rest, keep = by_hand
            sd = _height_sd(rest, keep, coefficients.size - 1) * grid.pitch
    on = np.rint(np.polynomial.polynomial.polyval(u, coefficients)).astype(int)
    on = np.clip(on, 1, grid.rows - 2)
    column = np.arange(u.size)
    along = np.maximum(np.maximum(votes[on, column], votes[on - 1, column]), votes[on + 1, column])
    score = float(along.mean() * np.sqrt(u.size))
    # From fractional rows over u to mm over x.
    half = 0.5 * grid.columns * grid.pitch
    c = np.append(coefficients, np.zeros(max(0, 3 - coefficients.size)))
    row_poly = np.polynomial.Polynomial(c)(np.polynomial.Polynomial([-1.0, 1.0 / half]))
    mm_poly = (row_poly + 0.5) * grid.pitch
    return Stroke(
        Line(tuple(float(v) for v in mm_poly.coef), max(sd, HAND_MM * grid.pitch / grid.mm)),
        score, float(min(keep.mean(), (along > COVERS).mean())), 0.0,
    )


def _by_hand(
    blocks: Floats, votes: Floats, coefficients: Floats, near: tuple[Floats, NDArray[np.bool_]],
    u: Floats, grid: Grid,
) -> tuple[Floats, Floats, NDArray[np.bool_]] | None:
    """Return the line, its departures and its blocks where the stroke runs along no parabola.

    `near` are each block's row beside the parabola of `coefficients`, and whether it shows a
    stroke there. None where the parabola does, or no path of a hand keeps near it.
    """
    rough: Floats = np.asarray(np.polynomial.polynomial.polyval(u, coefficients), np.float64)
    if not departs(near[0] - rough, near[1], grid.mm):
        return None
    pitch = 0.5 * float(u[1] - u[0]) * grid.columns * grid.mm

    def follow(path: Floats) -> tuple[Floats, Floats]:
        return _followed(blocks, votes, path, grid)

    path = path_near(votes, rough, pitch, grid.mm)
    return None if path is None else freehand(follow, path, u, BLOCK_SHOWS, grid.mm)


def _height_sd(rest: Floats, keep: NDArray[np.bool_], degree: int) -> float:
    """Return the standard deviation of a fitted line's height, the mean over its length.

    `rest` are the blocks' departures from it. A hand's waver is shared by neighbours: so many of
    them count as one as their correlation from each to the next says (an AR(1) series').
    """
    count, free = int(keep.sum()), degree + 1
    both = keep[1:] & keep[:-1]
    variance = float(np.mean(rest[keep] ** 2))
    shared = float((rest[1:] * rest[:-1])[both].sum()) / max(float(both.sum()) * variance, NO_REST)
    shared = float(np.clip(shared, 0.0, MOST_SHARED))
    own = max(count * (1.0 - shared) / (1.0 + shared), free)
    return float(np.sqrt(variance * count / max(1, count - free) * free / own))


def _across(light: NDArray[np.float32], grid: Grid, line: Line) -> Floats:
    """Return how much darker than the layer beside it what lies along `line` is, (blocks, rows).

    Each block is 2 mm of the line long, and reaches 2.5 mm to either side of it.
    """
    reach, rim = round(REACH_MM / grid.mm), min(round(RIM_MM / grid.mm), (grid.columns - 1) // 2)
    column = np.arange(rim, grid.columns - rim)
    at = np.rint(grid.row(line.at(grid.x()[column]))).astype(int)
    offset = np.arange(-reach, reach + 1)
    row = np.clip(at[None, :] + offset[:, None], 0, grid.rows - 1)
    image, width = light[row, column[None, :]], max(1, round(BLOCK_MM / grid.mm))
    blocks = np.array([image[:, i: i + width].mean(axis=1, dtype=float)
                       for i in range(0, max(column.size - width // 2, 1), width)])
    side = max(1, reach // 3)
    low, high = (np.median(side_rows, axis=1, keepdims=True)
                 for side_rows in (blocks[:, :side], blocks[:, -side:]))
    layer = low + (high - low) * (offset + reach) / max(2 * reach, 1)
    return np.asarray(1.0 - blocks / np.maximum(layer, NO_LIGHT))


def _measured(light: NDArray[np.float32], grid: Grid, found: Stroke) -> Stroke:
    """Return a stroke with its thickness, its foot and its sharpness."""
    drawn = _across(light, grid, found.line)
    reach, near = drawn.shape[1] // 2, round(NEAR_MM / grid.mm)
    mean = drawn.mean(axis=0)
    top = reach - near + int(np.argmax(mean[reach - near: reach + near + 1]))
    low, high = _span(mean, top, 0.5 * mean[top])
    wide = float((high - low + 1) * grid.mm)
    seen = drawn[drawn[:, top] > max(0.5 * float(np.max(drawn[:, top], initial=0.0)), MOTTLE)]
    if not len(seen):
        return replace(found, thickness=wide)
    ends = np.array([_span(b, top, max(FOOT * b[top], MOTTLE)) for b in seen])
    # A hand wavers to either side; what was left at the origin in some lanes is no part of it.
    half = float(np.median(np.maximum(reach - ends[:, 0], ends[:, 1] - reach)))
    most = max(wide + 2.0 * WAVER_MM, wide * float(np.sqrt(-np.log2(FOOT))))  # a Gaussian's foot
    foot = float(np.clip((2.0 * half + 1.0) * grid.mm, wide, most))
    slopes = np.abs(np.diff(seen, axis=1)).max(axis=1) / seen[:, top]
    widths = [np.ptp(_span(b, top, 0.5 * b[top])) + 1 for b in seen]
    line = replace(found.line, thick=foot * grid.pitch / grid.mm)
    thick, middle = max(0.5 * wide + BLUR_MM - BESIDE_MM[0], 0.0), (low + high) // 2
    first, last = (round((v + thick) / grid.mm) for v in BESIDE_MM)
    off = np.arange(first, last + 1)
    above, below = (seen[:, np.clip(middle + side * off, 0, 2 * reach)].mean(axis=1)
                    for side in (1, -1))
    beside = float(np.median(np.maximum(above, below) / seen[:, top]))
    return replace(found, line=line, thickness=wide, sharpness=float(np.median(slopes * widths)),
                   beside=beside)


def _span(depth: Floats, top: int, level: float) -> tuple[int, int]:
    """Return the first and the last sample about `top` that lie deeper than `level`."""
    low = high = top
    while low > 0 and depth[low - 1] > level:
        low -= 1
    while high < depth.size - 1 and depth[high + 1] > level:
        high += 1
    return low, high

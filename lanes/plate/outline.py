"""The plate's outline: its four corners against the bed it lies on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.errors import LayoutError
from lanes.plate.closed import Closing, border_only, with_borders
from lanes.plate.corners import area, overlap, shares, within
from lanes.plate.edges import edges_of, find_lines, look
from lanes.plate.sides import (
    WELL_SEEN,
    Fit,
    cut_off,
    judge,
    layer_between,
    refine,
    seen_at,
    slope_sds,
)
from lanes.quantiles import median

Floats = NDArray[np.float64]

COARSE = 500   # rows or columns of the picture in which the plate is first looked for
MOST = 24      # quadrilaterals of edges that are judged in full
ACCEPTED = 0.35     # score from which a quadrilateral may be a plate
SURE_SIDE = 0.6    # a side seen: an edge along three quarters of it, two things beside it
CLOSE = 0.1        # two scores nearer than this are taken as equal
# Of the outer outline's worst side: an inner one with a worse side is spots and lines by chance.
HOLDS = 0.5
SAME = 0.88        # overlap (common over joint area) of two outlines of one plate
HELD = 0.97        # of a plate: what an outline about it holds at least, as sides are found to 1 %
APART = 0.05       # of the smaller of two plates side by side: what both outlines hold
OTHER_LOOK = 0.15  # of tone: plates in one picture share layer and lamp
NARROWEST = 0.15   # shorter over longer side: a strip of 200 mm is 30 mm wide, a ruler's is less
# Of the picture's longer side, what a plate's shorter one is at least: a strip of 100 x 6 mm that
# fills it. A band so narrow has flanks too steep for `cut_off`.
SLIMMEST = 0.06
SMALL = 0.15       # of the largest plate's area, or the picture's: less is a label or a scrap

EVEN_TONE = 1e-3   # of tone, from darkest to brightest: less than one code of 255, nothing is seen
# Share of each side with an edge, and with two things beside it, for a plate among several or one
# that bounds another. Choices: lower, halves of a page with writing pass.
EDGED, PARTED = 0.6, 0.6
# Where the whole picture may be the plate: samples within so much of the layer's tone are bare (at
# least of a dark layer's), and so many of them must be. A spot of 10 % of the light departs by
# 0.035.
BARE, DARK_TONE, MOSTLY_BARE = 0.035, 0.2, 0.7
# In the picture's own units, and of tone: what rounding leaves, and so that nothing is divided by
# 0.
ON_SIDE, NO_SPREAD = 1e-9, 1e-6


@dataclass(frozen=True)
class Outline:
    """Corners in pixels (lower left, lower right, upper right, upper left), and confidence.

    Pixel centres lie at whole numbers. `seen` is False where no bed shows and the image's own
    edges are the plate's. `rivals` are other outlines that fit nearly as well: not empty where
    the outline is in doubt. `slope_sds` are the standard deviations of the slopes of the lower, the
    right, the upper and the left side.
    """

    corners_px: Floats
    confidence: float
    seen: bool
    rivals: tuple[Floats, ...] = ()
    slope_sds: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)


def find_outline(light: NDArray[np.float32]) -> Outline:
    """Find the plate in an image of linear light; the first where there are several.

    Parameters
    ----------
    light : (rows, columns) or (rows, columns, channels) array

    Returns
    -------
    Outline

    Raises
    ------
    LayoutError
        If the image shows neither a plate on a bed nor a bare layer.
    """
    return find_outlines(light)[0]


def find_outlines(
    light: NDArray[np.float32], sample: Callable[[Floats, Floats], Floats] | None = None
) -> tuple[Outline, ...]:
    """Find every plate in an image of linear light, by rows from the upper left.

    Candidates are closed by long straight edges; each is scored by what its four sides show and
    by the evenness of the zone inside them. The picture's own edges compete with them.

    Parameters
    ----------
    light : (rows, columns) or (rows, columns, channels) array
    sample : function, optional
        Tone at rows and columns of `light`, where a finer picture than `light` is at hand.

    Returns
    -------
    tuple of Outline

    Raises
    ------
    LayoutError
        If the image shows neither a plate on a bed nor a bare layer.
    """
    step = _step(light.shape)
    small = look(reduced(light, round(step)) if step >= 1.0 else enlarged(light, round(1.0 / step)))
    refuse_even(small)
    down, across = edges_of(small)

    def judged(frames: bool) -> list[Judged]:
        # A rim with one thing on both sides is as strong a line as any, and no difference.
        level, upright = (
            with_borders(find_lines(e.strength if frames else e.sure()), len(e.strength))
            for e in (down, across))
        closing = Closing(down, across, level, upright)
        pairs = [(judge(small, quad), quad.corners)
                 for quad in closing.closed(MOST, frames)]
        return _distinct(small, [pair for pair in pairs if pair[0].even])

    whole_corners = _whole(small.shape)
    whole = judge(small, border_only(whole_corners))
    for frames in (False, True):
        best = judged(frames)
        plates = _plates(small, best)
        if plates and plates[0][0].score >= whole.score:
            break
    else:
        return (_whole_image(small, light.shape, whole, plates, step),)
    if sample is None:
        tone = look(light)

        def sample(row: Floats, column: Floats) -> Floats:
            return seen_at(tone, row, column)
    out = []
    for found, corners in plates:
        rivals = _rivals(found, corners, best, plates, step)
        if (frames or found.score - whole.score < CLOSE) and overlap(corners, whole_corners) < SAME:
            rivals = (*rivals, _up(whole_corners, step))
        # A rim with one thing on both sides is where its line is: there is no half-way tone.
        sides = refine(sample, _up(corners, step), (found.steps < PARTED) if frames else None)
        out.append(Outline(sides, min(1.0, found.score), True, rivals,
                           tuple(float(sd) for sd in slope_sds(sample, sides))))
    return tuple(_in_rows(out))


def refuse_even(tone: Floats) -> None:
    """Raise LayoutError where a picture, (rows, columns, channels) of tone, shows nothing."""
    if float(np.ptp(tone)) < EVEN_TONE:
        raise LayoutError("the image is one even tone: there is no plate in it; scan the plate")


def reduced(light: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Return `light` averaged over blocks of `step` x `step` pixels."""
    rows, columns = light.shape[0] // step * step, light.shape[1] // step * step
    tall = reduce(np.add, (light[i:rows:step, :columns] for i in range(step)))
    total = reduce(np.add, (tall[:, i::step] for i in range(step)))
    return np.asarray(total / np.float32(step**2), np.float32)


def enlarged(light: NDArray[np.float32], times: int) -> NDArray[np.float32]:
    """Return `light` with `times` x `times` pixels in the place of each, smoothly."""
    zoom = (times, times, *(1,) * (light.ndim - 2))
    return np.asarray(ndimage.zoom(light, zoom, order=1, mode="nearest", grid_mode=True),
                      np.float32)


def _step(shape: tuple[int, ...]) -> float:
    """Return how many of the picture's pixels are one of those that the plate is looked for in.

    A small picture is enlarged: a bed of a few pixels would be too narrow to be seen beside a side.
    """
    longer = max(shape[:2])
    return float(max(1, round(longer / COARSE))) if longer >= COARSE / 3 else (
        1.0 / np.ceil(COARSE / 2 / longer))


def _up(corners: Floats, step: float) -> Floats:
    return (corners + 0.5) * step - 0.5


def whole_outline(shape: tuple[int, ...]) -> Outline:
    """Return the outline of a picture of `shape` (rows, columns)."""
    return Outline(_whole(shape), 1.0, False)


def _whole(shape: tuple[int, ...]) -> Floats:
    rows, columns = shape[:2]
    return np.array(
        [[-0.5, rows - 0.5], [columns - 0.5, rows - 0.5], [columns - 0.5, -0.5], [-0.5, -0.5]]
    )


Judged = tuple[Fit, Floats]


def _distinct(tone: Floats, judged: list[Judged]) -> list[Judged]:
    """Return the best of each group of outlines that are the same, the best first.

    One that the layer goes on beyond, up to the sides of another, is that other's.
    """
    out: list[Judged] = []
    for fit, corners in sorted(judged, key=lambda pair: -pair[0].score):
        if fit.score < 0.5 * ACCEPTED:
            break
        same = next((i for i, (_, other) in enumerate(out)
                     if overlap(corners, other) >= SAME), None)
        if same is None:
            out.append((fit, corners))
        elif fit.sides.min() > WELL_SEEN and layer_between(tone, out[same][1], corners):
            out[same] = fit, corners
    return out


def _plates(tone: Floats, best: list[Judged]) -> list[Judged]:
    """Return the plates among distinct outlines in a picture of tone, the largest score first."""
    picture = float(tone.shape[0] * tone.shape[1])
    # A plate fills a good part of its picture, or differs from what it lies on: a row of broad
    # spots does neither.
    good = [(fit, c) for fit, c in best
            if fit.score >= ACCEPTED and _bounded(fit)
            and min(_width_and_height(c)) >= SLIMMEST * max(tone.shape[:2])
            and (fit.stands_out or area(c) >= SMALL * picture) and cut_off(tone, fit, c)]
    chosen: list[Judged] = []
    for fit, corners in good:
        # Circles drawn round a row of spots close outlines, too, with the same layer on both sides;
        # so does a row of broad spots that touch, which is as uneven as no layer is; and a streak
        # along a lane is narrower than any plate.
        rivals = [c for other, c in good if c is not corners and _whole_sides(other)
                  and _narrow(c) >= NARROWEST and other.stands_out and other.layer_like
                  and other.sides.min() >= HOLDS * fit.sides.min()]
        # No plate holds another plate: of two, one in the other, the outer one is a page or a tray.
        # The outline of a row has gaps along it: the plates it holds fit as well, pieces worse.
        held = any(within(inner, corners) for inner in rivals) or _row(
            corners, [c for other, c in good if any(c is r for r in rivals)
                      and other.score > fit.score - CLOSE])
        if not held and all(_apart(corners, other) for _, other in chosen):
            chosen.append((fit, corners))
    if not chosen:
        return []
    largest = max(area(c) for _, c in chosen)
    first = chosen[0]
    return [pair for pair in chosen
            if pair is first or (area(pair[1]) >= SMALL * largest and _narrow(pair[1]) >= NARROWEST
                                 and _whole_sides(pair[0])
                                 and np.abs(pair[0].look - first[0].look).max() < OTHER_LOOK)]


def _bounded(fit: Fit) -> bool:
    """Return whether a plate may run out of the picture here: by two sides, the others sure."""
    return not fit.border.any() or bool(
        fit.border.sum() <= 2 and fit.sides[~fit.border].min() >= SURE_SIDE)


def _apart(one: Floats, two: Floats) -> bool:
    """Return whether two outlines have next to nothing in common."""
    a, b, common = shares(one, two)
    return common < APART * min(a, b)


def _whole_sides(fit: Fit) -> bool:
    """Return whether all four sides are seen as edges between two things."""
    return bool(not fit.border.any() and fit.edges.min() > EDGED and fit.steps.min() > PARTED)


def _width_and_height(corners: Floats) -> tuple[float, float]:
    """Return the mean lengths of opposite sides."""
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return float(sides[0] + sides[2]) / 2, float(sides[1] + sides[3]) / 2


def _narrow(corners: Floats) -> float:
    sides = _width_and_height(corners)
    return min(sides) / max(sides)


def _rivals(
    fit: Fit, corners: Floats, best: list[Judged], plates: list[Judged], step: float
) -> tuple[Floats, ...]:
    """Return outlines that may be the plate instead of `corners`, and are no other plate.

    Those that fit as well, save a page about it; and those it holds: then it may be a page.
    """
    taken = [c for _, c in plates]
    return tuple(
        _up(other, step) for rival, other in best
        if rival.score >= ACCEPTED and not any(c is other for c in taken)
        and not _row(other, taken)
        and ((rival.stands_out and within(other, corners)) or (
            fit.score - rival.score < CLOSE and overlap(corners, other) > APART
            and not within(corners, other)))
    )


def _row(outline: Floats, plates: list[Floats]) -> bool:
    """Return whether `outline` is that of several plates side by side, with bed between them.

    Halves of one plate would fill it.
    """
    held: list[Floats] = []
    for plate in plates:
        if shares(plate, outline)[2] > HELD * area(plate) and all(_apart(plate, c) for c in held):
            held.append(plate)
    return len(held) > 1 and sum(map(area, held)) < HELD * area(outline)


def _inside(corners: Floats, size: int) -> NDArray[np.bool_]:
    """Return which points of a square of `size` x `size` lie inside `corners`, from 0 to 1."""
    row, column = np.mgrid[:size, :size] / (size - 1.0)
    inside = np.ones((size, size), bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= (b[0] - a[0]) * (row - a[1]) - (b[1] - a[1]) * (column - a[0]) <= ON_SIDE
    return inside


def _in_rows(found: list[Outline]) -> list[Outline]:
    """Return outlines as one reads: rows from the top, each from the left."""
    out: list[Outline] = []
    rest = sorted(found, key=lambda o: float(o.corners_px[:, 1].mean()))
    while rest:
        line = float(rest[0].corners_px[:, 1].max())
        row = [o for o in rest if float(o.corners_px[:, 1].mean()) < line]
        out += sorted(row, key=lambda o: float(o.corners_px[:, 0].mean()))
        rest = [o for o in rest if not any(o is r for r in row)]
    return out


def _whole_image(
    small: Floats, shape: tuple[int, ...], whole: Fit, plates: list[Judged], step: float
) -> Outline:
    """Take the image as the plate, if most of it is bare layer.

    A layer is even but for the lamp, which falls off smoothly; a plate and its bed are not.
    """
    tone = _without_specks(sum(np.moveaxis(small, 2, 0)) / small.shape[2])
    near = BARE * max(float(median(tone)), DARK_TONE)
    bare = float(np.mean(np.abs(_less_lamp(tone)) < near))
    if bare < MOSTLY_BARE:
        raise LayoutError(
            "no plate found in the image: scan the whole plate on an even bed, crop to the plate, "
            "or give --corners"
        )
    rivals = tuple(_up(c, step) for fit, c in plates if whole.score - fit.score < CLOSE)
    return Outline(_whole(shape), float(bare), False, rivals)


def _less_lamp(tone: Floats) -> Floats:
    """Return tone less the quadratic surface that most of it follows.

    Least squares with Cauchy's weights, renewed until spots and writing no longer pull.
    """
    v, u = (np.linspace(-1.0, 1.0, size) for size in tone.shape)
    few_v, few_u = (grid.ravel() for grid in np.meshgrid(v[::4], u[::4], indexing="ij"))
    a = np.stack([np.ones_like(few_u), few_u, few_v, few_u**2, few_u * few_v, few_v**2], axis=-1)
    b = tone[::4, ::4].ravel()
    weight = np.ones(b.size)
    for _ in range(6):
        weighed = (a * np.square(weight)[:, None]).T  # normal equations: six terms, all of size 1
        surface = np.linalg.lstsq(weighed @ a, weighed @ b, rcond=None)[0]
        rest = b - a @ surface
        spread = MAD_SD * float(np.median(np.abs(rest))) + NO_SPREAD
        weight = 1.0 / np.sqrt(1.0 + np.square(rest / (2.0 * spread)))
    level, by_u, by_v, by_uu, by_uv, by_vv = surface
    left = tone - (level + u * (by_u + by_uu * u))
    left -= (v * (by_v + by_vv * v))[:, None]
    left -= np.outer(by_uv * v, u)
    return np.asarray(left)


def _without_specks(image: Floats) -> Floats:
    """Return the median of three samples by three about each; rims mirror."""
    padded = np.pad(image, 1, mode="symmetric")
    low, middle, high = _sorted(padded[:-2], padded[1:-1], padded[2:])
    columns = [(rows[:, :-2], rows[:, 1:-1], rows[:, 2:]) for rows in (low, middle, high)]
    # Of columns sorted by themselves: the largest low, the median middle and the smallest high one.
    return _sorted(reduce(np.maximum, columns[0]), _sorted(*columns[1])[1],
                   reduce(np.minimum, columns[2]))[1]


def _sorted(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the smallest, the median and the largest of three at each place."""
    a, b = np.minimum(a, b), np.maximum(a, b)
    b, c = np.minimum(b, c), np.maximum(b, c)
    return np.minimum(a, b), np.maximum(a, b), c

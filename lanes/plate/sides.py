"""How well a quadrilateral fits a plate: its sides' edges, what lies on both sides, its margin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.candidates import cross

Floats = NDArray[np.float64]

BLOCKS, PLACES = 16, 5  # a side is judged in so many pieces, each a mean of so many profiles
STRIP = 0.018           # of the picture's longer side: how far beside an edge is looked
# Of the eye's tone, 0 to 1: less across an edge is lost in a lamp's drift over the strip.
JUST_SEEN = 0.012
SURE = 4.0              # standard deviations of a difference between strips
ROUGHER = 1.8           # ratio of textures that tells paper from layer where the tone is one
# A side on the picture's own border says nothing for or against the plate. Below what four faint
# but whole edges reach, above what pencil lines (edges with one tone on both sides) do.
AT_BORDER = 0.42
MARGIN = 0.1            # of the plate's size: the zone inside its edges where few spots come


@dataclass(frozen=True)
class Fit:
    """How well a quadrilateral fits: `score` and each of `sides` from 0 to 1.

    `edges` is the share of each side along which an edge runs, `steps` the share along which
    both sides look different, `border` which sides lie on the picture's border; `margin` is the
    share of the zone inside the worst side that looks like the rest of the plate. `look` is the
    plate's median tone.
    """

    score: float
    sides: Floats
    edges: Floats
    steps: Floats
    border: NDArray[np.bool_]
    margin: float
    look: Floats


def texture(tone: Floats) -> Floats:
    """Return how far each pixel stands off its neighbours' mean, of a picture of tone."""
    grey = tone.mean(axis=2)
    return np.asarray(np.abs(grey - ndimage.uniform_filter(grey, 3)), float)


def judge(tone: Floats, rough: Floats, corners: Floats) -> Fit:
    """Return how well `corners` (in pixels of `tone`) fit a plate."""
    sides = [_side(tone, rough, corners[i], corners[(i + 1) % 4]) for i in range(4)]
    edges, steps = np.array([s[0] for s in sides]), np.array([s[1] for s in sides])
    border = np.array([s[2] for s in sides])
    each = np.where(border, AT_BORDER, edges * (0.2 + 0.8 * steps))
    margin, tone_inside = _margin(tone, corners)
    score = (0.5 * float(each.mean()) + 0.5 * float(each.min())) * (0.4 + 0.6 * margin)
    return Fit(score, each, edges, steps, border, margin, tone_inside)


def _side(
    tone: Floats, rough: Floats, a: Floats, b: Floats
) -> tuple[float, float, bool]:
    """Return along how much of a side an edge runs, both sides differ; and if it is a border."""
    reach = max(8.0, STRIP * max(tone.shape))
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([-along[1], along[0]])
    t = np.linspace(0.04, 0.96, BLOCKS * PLACES) * np.hypot(*(b - a))
    d = np.arange(-reach, reach + 0.25, 0.5)
    column = a[0] + np.add.outer(t * along[0], d * outward[0])
    row = a[1] + np.add.outer(t * along[1], d * outward[1])
    rows, columns = tone.shape[:2]
    inside = (row > -1) & (row < rows) & (column > -1) & (column < columns)
    if inside[:, d > 2.0].mean() < 0.3:
        return 0.0, 0.0, True
    seen = np.stack([ndimage.map_coordinates(plane, [row, column], order=1, mode="nearest")
                     for plane in np.moveaxis(tone, 2, 0)], axis=-1)
    grain = rough[np.clip(np.rint(row), 0, rows - 1).astype(int),
                  np.clip(np.rint(column), 0, columns - 1).astype(int)]
    pieces = seen.reshape(BLOCKS, PLACES, d.size, -1).mean(axis=1)
    # Beyond the picture its outermost pixels stand for the bed, where it shows at all.
    known = inside[:, d <= 3.0].reshape(BLOCKS, PLACES, -1).all(axis=(1, 2))
    if known.sum() < 4:
        return 0.0, 0.0, True
    return (*_found(pieces[known], seen.reshape(BLOCKS, PLACES, d.size, -1)[known],
                    grain.reshape(BLOCKS, PLACES, d.size)[known], d, reach), False)


def _found(
    pieces: Floats, seen: Floats, grain: Floats, d: Floats, reach: float
) -> tuple[float, float]:
    smooth = ndimage.gaussian_filter1d(pieces, 2.0, axis=1)
    slope = np.sqrt(np.square(np.gradient(smooth, axis=1)).sum(axis=2))
    on = slope[:, np.abs(d) <= 2.5].max(axis=1)
    off = slope[:, (np.abs(d) > 4.0) & (np.abs(d) < reach - 1)]
    edge = (on > 2.0 * np.median(off, axis=1)) & (on >= 0.9 * np.percentile(off, 85, axis=1))
    edge &= on > 6e-4
    # A tick or a label may stand in one strip: medians do not mind.
    # What is drawn along a line, and its blur, is as wide as the gap between the strips.
    inner, outer = d < -0.45 * reach, d > 0.45 * reach
    within, beyond = (seen[:, :, part] for part in (inner, outer))
    apart = np.median(beyond, axis=(1, 2)) - np.median(within, axis=(1, 2))
    noise = np.sqrt(sum(np.square(1.25 * part.std(axis=(1, 2))) for part in (within, beyond))
                    / (PLACES * inner.sum() / 8))
    away, doubt = np.sqrt(np.square(apart).sum(axis=1)), np.sqrt(np.square(noise).sum(axis=1))
    step = (away > JUST_SEEN) & (away > SURE * doubt)
    # Of each strip the outermost part alone: a line's blur reaches into the rest.
    far = np.abs(d) > 0.7 * reach
    one, two = (np.median(grain[:, :, part & far]) + 1e-4 for part in (inner, outer))
    if max(one, two) > ROUGHER * min(one, two):
        step[:] = True
    return float(edge.mean()), float(step.mean())


def _margin(tone: Floats, corners: Floats) -> tuple[float, Floats]:
    """Return how much of the zone inside the sides looks like the plate, and that look."""
    u, v = np.meshgrid(np.linspace(0.02, 0.98, 40), np.linspace(0.02, 0.98, 40))
    low, right, high, left = corners[0], corners[1], corners[2], corners[3]
    at = ((1 - u) * (1 - v))[..., None] * low + (u * (1 - v))[..., None] * right \
        + (u * v)[..., None] * high + ((1 - u) * v)[..., None] * left
    seen = np.stack([ndimage.map_coordinates(plane, [at[..., 1], at[..., 0]], order=1,
                                             mode="nearest")
                     for plane in np.moveaxis(tone, 2, 0)], axis=-1)
    bands = (u < MARGIN, u > 1 - MARGIN, v < MARGIN, v > 1 - MARGIN)
    middle = np.median(seen, axis=(0, 1))
    # A lamp that falls off bends the whole: a plane is taken out, by medians of thirds.
    tilt = [np.median(seen[:, 27:] - middle, axis=(0, 1)) - np.median(seen[:, :13] - middle,
                                                                      axis=(0, 1)),
            np.median(seen[27:] - middle, axis=(0, 1)) - np.median(seen[:13] - middle,
                                                                   axis=(0, 1))]
    flat = seen - middle - 1.5 * ((u - 0.5)[..., None] * tilt[0] + (v - 0.5)[..., None] * tilt[1])
    off = np.sqrt(np.square(flat).mean(axis=2))
    usual = max(0.04, 3.0 * float(np.median(off)))
    # The least even of the four: writing on a page beside the plate lies at one side of it.
    return min(float((off[band] < usual).mean()) for band in bands), middle


def refine(
    sample: Callable[[Floats, Floats], Floats], corners: Floats
) -> Floats:
    """Move each side to the half-way tone of its edge.

    Parameters
    ----------
    sample : function
        Takes rows and columns, of any one shape, to tone with a last axis of channels.
    corners : (4, 2) array
        In the pixels that `sample` takes.
    """
    scale = float(np.hypot(*(corners[1] - corners[0])))
    reach = max(6.0, 0.02 * scale)
    lines = [_edge(sample, corners[i], corners[(i + 1) % 4], reach) for i in range(4)]
    refined = np.array([cross(lines[i - 1], lines[i]) for i in range(4)])
    moved = np.hypot(*(refined - corners).T)
    return np.where((moved < 2 * reach)[:, None], refined, corners)


def _edge(
    sample: Callable[[Floats, Floats], Floats], a: Floats, b: Floats, reach: float
) -> tuple[Floats, Floats]:
    """Return a point and direction of the edge near the side from `a` to `b`."""
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([-along[1], along[0]])  # rows grow downward: this points off the plate
    t = np.linspace(0.05, 0.95, 120) * np.hypot(*(b - a))
    d = np.linspace(-reach, reach, 4 * int(reach) + 1)
    seen = sample(a[1] + np.add.outer(t * along[1], d * outward[1]),
                  a[0] + np.add.outer(t * along[0], d * outward[0]))
    # Of several channels, the mixture in which plate and bed differ most.
    apart = np.median(seen[:, -d.size // 4:], axis=(0, 1)) \
        - np.median(seen[:, : d.size // 4], axis=(0, 1))
    size = float(np.hypot.reduce(apart))
    tone = seen @ (apart / size) if size > 0 else seen.mean(axis=2)
    low, high = _window(np.median(tone, axis=0))
    tone, d = tone[:, low:high], d[low:high]
    few = max(2, d.size // 4)
    inner, outer = tone[:, :few].mean(1), tone[:, -few:].mean(1)
    level = 0.5 * (inner + outer)
    rising = np.sign(np.median(outer - inner))
    beyond = (tone - level[:, None]) * rising > 0
    # The outermost sample still on the plate's side: marks on the plate can't pass for it.
    last = d.size - 1 - np.argmax(~beyond[:, ::-1], axis=1)
    shift = d[np.clip(last, 0, d.size - 1)] + 0.5 * (d[1] - d[0])
    good = np.abs(outer - inner) > 0.3 * np.median(np.abs(outer - inner))
    good &= ~beyond[:, :2].any(axis=1)
    if good.sum() < 20:
        return a, along
    t, shift = t[good], shift[good]
    keep = np.ones(t.size, bool)
    slope = offset = 0.0
    for _ in range(6):
        slope, offset = np.polyfit(t[keep], shift[keep], 1)
        rest = np.abs(shift - slope * t - offset)
        keep = rest <= max(0.3, 2.5 * float(np.median(rest)))
    return a + offset * outward, along + slope * outward


def _window(profile: Floats) -> tuple[int, int]:
    """Return the part of a profile across an edge that holds its innermost step alone.

    A plate on white paper casts a shadow: its own edge comes first, the shadow's end after it.
    """
    slope = np.abs(ndimage.gaussian_filter1d(np.gradient(profile), 1.5))
    top = float(slope.max())
    peaks = np.nonzero((slope >= ndimage.maximum_filter1d(slope, 5)) & (slope > 0.5 * top))[0]
    if peaks.size < 2 or top <= 0:
        return 0, profile.size
    first = int(peaks[0])
    later = peaks[peaks > first + 6]
    if later.size == 0:
        return 0, profile.size
    # Up to the turn between the two steps: there the shadow is deepest.
    turn = first + int(np.argmin(slope[first: int(later[0]) + 1]))
    return max(0, 2 * first - turn - 4), max(turn + 1, first + 5)

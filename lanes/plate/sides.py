"""How well a quadrilateral fits a plate: its sides' edges, what lies on both sides, its margin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.candidates import cross, plate_like
from lanes.plate.closed import Closed
from lanes.plate.edges import FAR, Edges

Floats = NDArray[np.float64]

REACH = 0.018           # of the picture's longer side: lines nearer than this are told apart by looks
EDGE = 3.0              # pixels of the wrong look that an edge at the right place outweighs
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


def fit(tone: Floats, quad: Closed) -> Fit:
    """Return how well a quadrilateral of a picture of tone fits a plate."""
    margin, tone_inside = _margin(tone, quad.corners)
    return Fit(quad.score * (0.4 + 0.6 * margin), quad.sides, quad.edges, quad.steps, quad.border,
               margin, tone_inside)


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


def settle(tone: Floats, edges: tuple[Edges, Edges], corners: Floats) -> Floats:
    """Move each side to where the layer ends, within the reach of what told that a side is there.

    Of two lines close by, a side and a rule of the page, a pencil line and a side, only the one
    has the layer's look all the way up to it and the bed's from there on.
    """
    reach = max(6.0, REACH * max(tone.shape[:2]))
    lines = [_ends(tone, edges, corners[i], corners[(i + 1) % 4], reach) for i in range(4)]
    settled = np.array([cross(lines[i - 1], lines[i]) for i in range(4)])
    moved = np.hypot(*(settled - corners).T)
    return settled if (moved < 3 * reach).all() and plate_like(settled) else corners


def _ends(
    tone: Floats, edges: tuple[Edges, Edges], a: Floats, b: Floats, reach: float
) -> tuple[Floats, Floats]:
    """Return a point and direction of the line near the side where the layer's look ends."""
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([-along[1], along[0]])
    t = np.linspace(0.05, 0.95, 96) * np.hypot(*(b - a))
    d = np.arange(-2 * reach, 2 * reach + 0.25, 0.5)
    row = a[1] + np.add.outer(t * along[1], d * outward[1])
    column = a[0] + np.add.outer(t * along[0], d * outward[0])
    rows, columns = tone.shape[:2]
    seen = np.stack([ndimage.map_coordinates(plane, [row, column], order=1, mode="nearest")
                     for plane in np.moveaxis(tone, 2, 0)], axis=-1)
    known = (row > -1) & (row < rows) & (column > -1) & (column < columns)
    # Of each side the look beyond the reach, which a lamp may change along the side.
    inner, outer = (ndimage.median_filter(np.median(seen[:, part], axis=1), size=(25, 1),
                                          mode="nearest")[:, None]
                    for part in (d < -reach, d > reach))
    apart = outer - inner
    size = np.square(apart).sum(axis=2)
    # From -1, the layer's look, to 1, the bed's; a joint's shadow is no more than either.
    like = np.clip(2 * ((seen - inner) * apart).sum(axis=2) / np.maximum(size, 1e-9) - 1, -1, 1)
    like[~known] = 0.0
    so_far = np.cumsum(like, axis=1) * (d[1] - d[0])
    level = abs(along[0]) > abs(along[1])
    strength = edges[0].strength if level else edges[1].strength.T
    edge = strength[np.clip(np.rint(row), 0, rows - 1).astype(int),
                    np.clip(np.rint(column), 0, columns - 1).astype(int)] * known
    worth = EDGE * edge - so_far + so_far.min(axis=1, keepdims=True)
    first = int(np.argmax(d >= -reach))
    shifts = np.arange(first, int(np.argmax(d > reach)))
    share = (t - t[0]) / (t[-1] - t[0])
    start, end = (s.ravel() for s in np.meshgrid(shifts, shifts, indexing="ij"))
    cut = np.rint(start[:, None] * (1 - share) + end[:, None] * share).astype(int)
    best = int(np.argmax(worth[np.arange(t.size), cut].sum(axis=1)))
    one, two = d[start[best]], d[end[best]]
    slope = (two - one) / (t[-1] - t[0])
    return a + (one - slope * t[0]) * outward, along + slope * outward


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

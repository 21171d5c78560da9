"""How well a quadrilateral fits a plate: its sides' edges, what lies on both sides, its margin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.closed import TRIM, Closed
from lanes.plate.corners import cross, plate_like
from lanes.plate.edges import CLOSE, FAR, NEAR
from lanes.plate.square import cells
from lanes.quantiles import median

Floats = NDArray[np.float64]

REACH = 0.012           # of the plate's width, to either side: how far a side may be moved
# A hand's cut wanders as a Brownian path does, so that what it strays from its own line shows how
# far that line strays from a square one: the slope of a path's regression has the variance
# 6/5 s^2 / L, what is left about it s^2 L / 15 (computed), a ratio of 18 / L^2. Over this many
# pieces the noise of each is averaged away.
WANDERS, WANDER_PIECES = 18.0, 5
PIECES, SAMPLES = 60, 4  # a side is followed in so many pieces, each a mean of so many profiles
# Of looks from -1, the layer, to 1, the bed: half a step darker than the darker of both.
DARKER = 2.0
SHADOW = 0.2            # weight as bed of a joint's shadow, which may look like the layer
MARGIN = 0.1            # of the plate's size: the zone inside its edges where few spots come
# Of tone: 8 % of a bright layer's light, by which half of a layer does not depart from its look
# (common practice: stains are blotchy by less); and how many times what departs a bed differs.
# Spots joined to a quadrilateral depart by as much inside it as they stand out of the layer. A
# shadow may lie across a plate: four sides seen so well, to their corners, need no even inside;
# round spots make none.
UNEVEN, STANDS_OUT, WELL_SEEN = 0.025, 4.0, 0.8

# Of what parts both things beside a side: the most that changes across a step of twice CLOSE. A
# blur of 1 % of the picture leaves 0.45 of it, a broad band's flank a third or less (computed).
SHARP = 0.45
PARTS = 0.6             # share of a side along which two things lie beside it: it parts them

MARGIN_WEIGHT = 0.6     # of the score: lost where the zone inside the worst side is no layer's
# Of the plate's size: where its inside is looked at, the rim itself left out; and a side, whose
# corners may be round.
INSIDE, ALONG = (0.02, 0.98), (0.04, 0.96)
THIRDS_APART = 2 / 3    # of a side: what the medians of its outer thirds are apart by
# Of tone, and times the median departure: what departs more is no layer. Choices: lower, mottle in
# the margin costs a plate its score, higher, writing on a page passes.
DEPARTS, DEPARTS_TIMES = 0.04, 3.0
# Between a line on the layer and the plate's side beyond it lies the layer: what looks there more
# than so many times as much like it as like what lies beyond the side (a choice).
LAYERS = 3.0
LEAST_REACH_PX = 5.0    # of the picture: how far a side may be moved on a small one
LEAST_GAP_PX = 4.0      # of the coarse picture: sides nearer than this are one, and its blur
# Of looks, and of tone squared: so that nothing is divided by 0.
NO_CHANGE, NO_STEP = 1e-6, 1e-12


@dataclass(frozen=True)
class Fit:
    """How well a quadrilateral fits: `score` and each of `sides` from 0 to 1.

    `edges` is the share of each side along which an edge runs, `steps` the share along which
    both sides look different, `border` which sides lie on the picture's border; `margin` is the
    share of the zone inside the worst side that looks like the rest of the plate. `look` is the
    plate's median tone, `even` whether the inside may be a layer's, `stands_out` whether it is
    parted from what lies about it by more than its own unevenness. `layer_like` is True where that
    unevenness is a layer's, or its sides are seen so well that a shadow may lie across it.
    """

    score: float
    sides: Floats
    edges: Floats
    steps: Floats
    border: NDArray[np.bool_]
    margin: float
    look: Floats
    even: bool
    stands_out: bool = True
    layer_like: bool = True


def judge(tone: Floats, quad: Closed) -> Fit:
    """Return how well a quadrilateral of a picture of tone fits a plate."""
    margin, tone_inside, off = _margin(tone, quad.corners)
    well_seen = bool(quad.sides.min() > WELL_SEEN) or quad.framed
    stands_out = well_seen or _least_step(tone, quad) > STANDS_OUT * off
    score = quad.score * (1.0 - MARGIN_WEIGHT + MARGIN_WEIGHT * margin)
    return Fit(score, quad.sides, quad.edges, quad.steps, quad.border, margin, tone_inside,
               off <= UNEVEN or stands_out, stands_out, off <= UNEVEN or well_seen)


def layer_between(tone: Floats, inner: Floats, outer: Floats) -> bool:
    """Return whether the layer goes on from the sides of `inner` to those of `outer` about it.

    Then what closes the inner one is a line on the layer, as a front near the upper edge is.
    """
    share = np.linspace(TRIM, 1.0 - TRIM, PIECES)[:, None]
    compared = []
    for i in range(4):
        near, far = (c[i] + share * (c[(i + 1) % 4] - c[i]) for c in (inner, outer))
        along = (near[-1] - near[0]) / np.hypot(*(near[-1] - near[0]))
        outward = np.array([-along[1], along[0]])  # rows grow downward: this points off the plate
        gap = ((far - near) @ outward)[:, None] * outward
        wide = float((gap @ outward).mean())
        if abs(wide) < LEAST_GAP_PX:
            continue
        inside, between, beyond = (
            seen_at(tone, at[:, 1], at[:, 0])
            for at in (near - 0.5 * gap, near + 0.5 * gap, far + 0.5 * gap))
        like, unlike = (float(np.median(np.square(between - other).mean(axis=1)))
                        for other in (inside, beyond))
        compared.append(wide > 0.0 and unlike > LAYERS**2 * like)
    return bool(compared) and all(compared)


def _least_step(tone: Floats, quad: Closed) -> float:
    """Return by how much tone changes across that side where it changes least."""
    longer = max(tone.shape[:2])
    depth = np.linspace(NEAR * longer, FAR * longer, 5)
    share = np.linspace(TRIM, 1.0 - TRIM, PIECES)[:, None]
    places = []
    for a, b in zip(quad.corners[~quad.border], np.roll(quad.corners, -1, axis=0)[~quad.border],
                    strict=True):
        along = (b - a) / np.hypot(*(b - a))
        places += [(a[1] + share * (b - a)[1] + side * along[0],
                    a[0] + share * (b - a)[0] - side * along[1]) for side in (depth, -depth)]
    if not places:
        return np.inf
    row, column = np.moveaxis(np.array(places), 1, 0)
    looks = seen_at(tone, row, column).mean(axis=2)
    steps = np.median(looks[::2] - looks[1::2], axis=1)
    return float(np.sqrt(np.square(steps).mean(axis=1)).min())


def cut_off(tone: Floats, fit: Fit, corners: Floats) -> bool:
    """Return whether a plate ends at each side that parts two things, as at an edge.

    A band that fills a layer has sides, too: its flanks are slopes.
    """
    longer = max(tone.shape[:2])
    close, near, far = (max(1, round(share * longer)) for share in (CLOSE, NEAR, FAR))
    depth = np.arange(-far, far + 1.0)
    share = np.linspace(TRIM, 1.0 - TRIM, PIECES)[:, None]
    for i in np.flatnonzero(~fit.border & (fit.steps > PARTS)):
        a, b = corners[i], corners[(i + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        across = np.median(seen_at(tone, a[1] + share * (b - a)[1] + depth * along[0],
                                   a[0] + share * (b - a)[0] - depth * along[1]), axis=0)
        parted = across[: far - near + 1].mean(axis=0) - across[far + near:].mean(axis=0)
        most = np.square(across[2 * close:] - across[: -2 * close]).sum(axis=1).max()
        if most < SHARP**2 * np.square(parted).sum():
            return False
    return True


def seen_at(tone: Floats, row: Floats, column: Floats) -> Floats:
    """Return tone, (rows, columns, channels), at places of any one shape, by linear interpolation.

    Beyond the picture its rim is seen. What scipy returns channel by channel, in a third of the
    time where there are many places (timed).
    """
    rows, columns, channels = tone.shape
    first, down = cells(row, rows)
    at, across = cells(column, columns)
    at += first * np.intp(columns)
    flat = tone.reshape(-1, channels)
    down, across = down[..., None], across[..., None]
    total = np.zeros((*at.shape, channels))
    for corner, tall, wide in ((at, 1.0 - down, 1.0 - across), (at + 1, 1.0 - down, across),
                               (at + columns, down, 1.0 - across),
                               (at + (columns + 1), down, across)):
        part = flat.take(corner, axis=0)
        part *= tall
        part *= wide
        total += part
    return total


def _margin(tone: Floats, corners: Floats) -> tuple[float, Floats, float]:
    """Return how much of the zone inside the sides looks like the plate, that look, and by how
    much half of the inside departs from it."""
    u, v = np.meshgrid(np.linspace(*INSIDE, 40), np.linspace(*INSIDE, 40))
    low, right, high, left = corners[0], corners[1], corners[2], corners[3]
    at = ((1 - u) * (1 - v))[..., None] * low + (u * (1 - v))[..., None] * right \
        + (u * v)[..., None] * high + ((1 - u) * v)[..., None] * left
    seen = seen_at(tone, at[..., 1], at[..., 0])
    bands = (u < MARGIN, u > 1 - MARGIN, v < MARGIN, v > 1 - MARGIN)
    middle = _medians(seen)
    # A lamp that falls off bends the whole: a plane is taken out, by medians of thirds.
    rest = seen - middle
    tilt = [_medians(rest[:, 27:]) - _medians(rest[:, :13]),
            _medians(rest[27:]) - _medians(rest[:13])]
    slope = (u - 0.5)[..., None] * tilt[0] + (v - 0.5)[..., None] * tilt[1]
    flat = rest - 1.0 / THIRDS_APART * slope
    off = np.sqrt(np.square(flat).mean(axis=2))
    usual = max(DEPARTS, DEPARTS_TIMES * float(median(off)))
    # The least even of the four: writing on a page beside the plate lies at one side of it.
    even = min(float((off[band] < usual).mean()) for band in bands)
    return even, middle, float(median(off))


def _medians(seen: Floats) -> Floats:
    """Return the median of each channel, the last axis."""
    return np.array([median(one) for one in np.moveaxis(seen, -1, 0)])


def refine(sample: Callable[[Floats, Floats], Floats], corners: Floats,
           kept: NDArray[np.bool_] | None = None) -> Floats:
    """Move each side to the half-way tone of its edge, but for those to be `kept`.

    Parameters
    ----------
    sample : function
        Takes rows and columns, of any one shape, to tone with a last axis of channels.
    corners : (4, 2) array
        In the pixels that `sample` takes.
    """
    scale = float(np.hypot(*(corners[1] - corners[0])))
    reach = max(LEAST_REACH_PX, REACH * scale)
    lines = [(a, b - a) if kept is not None and kept[i] else _ends(sample, a, b, reach)[:2]
             for i, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True))]
    moved = np.array([cross(lines[i - 1], lines[i]) for i in range(4)])
    near = np.hypot(*(moved - corners).T) < 3 * reach
    return moved if near.all() and plate_like(moved) else corners


def slope_sds(sample: Callable[[Floats, Floats], Floats], corners: Floats) -> Floats:
    """Return the standard deviation of each side's slope, (4,), by how it wanders.

    Parameters are those of `refine`.
    """
    reach = max(LEAST_REACH_PX, REACH * float(np.hypot(*(corners[1] - corners[0]))))
    return np.array([_ends(sample, corners[i], corners[(i + 1) % 4], reach)[2] for i in range(4)])


def _ends(
    sample: Callable[[Floats, Floats], Floats], a: Floats, b: Floats, reach: float
) -> tuple[Floats, Floats, float]:
    """Return a point and direction of the line near the side where the layer's look ends, and the
    standard deviation of its slope."""
    along = (b - a) / np.hypot(*(b - a))
    outward = np.array([-along[1], along[0]])  # rows grow downward: this points off the plate
    t = np.linspace(*ALONG, PIECES * SAMPLES) * np.hypot(*(b - a))
    d = np.linspace(-2 * reach, 2 * reach, 8 * round(reach) + 1)
    seen = sample(a[1] + np.add.outer(t * along[1], d * outward[1]),
                  a[0] + np.add.outer(t * along[0], d * outward[0]))
    like = _like(seen.reshape(PIECES, SAMPLES, d.size, -1).mean(axis=1), d, reach)
    t = t.reshape(PIECES, SAMPLES).mean(axis=1)
    piece = np.arange(PIECES)
    # Least where all before looks like the layer and all after like the bed.
    so_far = np.cumsum(like, axis=1)
    shifts = np.nonzero(np.abs(d) <= reach)[0]
    share = (t - t[0]) / (t[-1] - t[0])
    start, end = (s.ravel() for s in np.meshgrid(shifts, shifts, indexing="ij"))
    cut = np.rint(start[:, None] * (1 - share) + end[:, None] * share).astype(int)
    best = cut[int(np.argmin(so_far[piece, cut].sum(axis=1)))]
    # The line that most of it agrees with, made finer by the pieces that end close to it.
    around = best[:, None] + np.arange(-4, 5)
    own = around[piece, np.argmin(np.take_along_axis(so_far, around, axis=1), axis=1)]

    def between(cut: NDArray[np.intp]) -> Floats:
        before, after = like[piece, cut], like[piece, cut + 1]
        part = np.clip(before / np.minimum(before - after, -NO_CHANGE), 0.0, 1.0)
        return np.asarray(d[cut] + (d[1] - d[0]) * part)

    ends = between(own)
    keep = np.abs(own - best) < 4
    if keep.sum() < PIECES // 3:
        ends, keep = d[best], np.ones(PIECES, bool)
    slope, offset = np.polyfit(t[keep], ends[keep], 1)
    # What ends farther off counts here, too; a thumb over a fifth of a side does not.
    cuts = shifts[:-1]
    off = between(cuts[np.argmin(so_far[:, cuts], axis=1)]) - offset - slope * t
    off = ndimage.uniform_filter1d(off - np.median(off), WANDER_PIECES)
    wander = MAD_SD * float(np.median(np.abs(off)))
    return (a + offset * outward, along + slope * outward,
            float(np.sqrt(WANDERS)) * wander / float(t[-1] - t[0]))


def _like(seen: Floats, d: Floats, reach: float) -> Floats:
    """Return from -1, like the layer, to 1, like the bed, how profiles across a side look."""
    # Of each side the look beyond the reach, which a lamp may change along the side.
    inner, outer = (ndimage.median_filter(np.median(seen[:, zone], axis=1), size=(15, 1),
                                          mode="nearest")[:, None]
                    for zone in (d < -reach, d > reach))
    apart = outer - inner
    size = np.maximum(np.square(apart).sum(axis=2), NO_STEP)
    like = 2 * ((seen - inner) * apart).sum(axis=2) / size - 1
    # The shadow in the joint is darker than both: it lies beside the plate, as does what follows.
    steady = ndimage.median_filter(like, size=(9, 1), mode="nearest")
    bed_darker = float(np.median(apart.sum(axis=2))) < 0
    shadow = (steady > DARKER if bed_darker else steady < -DARKER) & (np.abs(d) <= reach)
    after = np.logical_or.accumulate(shadow, axis=1)
    return np.asarray(np.where(after, np.maximum(like, SHADOW), like).clip(-1.0, 1.0))

"""Blobs: every place on the layer that stands out of its noise, darker or lighter, in any colour.

Found in two dimensions before any lane is decided. Each channel, and all of them together, weighed
by the noise they share, is held at several scales against the layer's own noise.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.chroma import is_colour_step
from lanes.plate.depths import SIDE_MM, Depths, layer_depths
from lanes.plate.flood import flood
from lanes.plate.layout import Blob, Layout
from lanes.plate.planes import Planes
from lanes.plate.square import Grid
from lanes.plate.standing_out import (
    KERNEL_SDS,
    OTHER_WAY,
    RESOLVED,
    SIGMAS_MM,
    SURROUND,
    USUAL,
    Answer,
    hidden_noise,
    significances,
    spread_of,
)
from lanes.plate.wide_bands import joined
from lanes.quantiles import median

# A channel's light on the layer below this share of the brightest one's has few codes, whose
# noise can't be judged.
DIM = 0.25
SHARE = 0.45       # of a blob's own peak: what lies above is what its place and width come from
FAINTEST = 0.6  # of the limit: what else is measured, for those who know where to look
# Relative light: the noise of a layer of which nothing is bare. A choice, about a scan's usual one.
UNKNOWN_NOISE = 0.01
BROUGHT_IN = 0.25  # of the limit, from a stronger blob: so much parts the channels' noise
STEEP = 5.0        # standard deviations of smoothed noise that a hill rises by, and a saddle falls
# Width at half height over sigma, of a Gaussian; and over the extent of one cut at SHARE, 2.53
# sigma.
FWHM_SIGMAS, FWHM_EXTENT = 2.355, 0.93
# Of a blob's extent squared: what the filter's own blur leaves of it at least, half of the extent.
LEAST_OWN = 0.25


BESIDE_MM = 1.3   # of a line: where a mark's halves, or a second stroke, are left of its mask
MARK_MM = 2.2     # a dot, a cross or a tick is narrower, a spot left at the origin as wide or wider
DRAWN_OUT = 3.5   # width over height: a strip along a line; half a spot has less
# A small blob is pencil where thin matter that reaches this much farther than the blob's own half
# fills this share of the square about it; a speck of dust or a scratch across fills less.
STROKE_NEAR_MM, STROKE_LONG, STROKE_SHARE = 0.4, 2.0, 0.12
# Spots are darker than the layer unless what is lighter stands out this much more: a plate of
# dark spots has pale rims and gaps between them.
LIGHTER = 1.1
# Under 366 nm the layer glows weakly, and spots that shine are many times brighter: a tenth of what
# stands out is enough.
SHINES = 0.1
SIDE_NEAR_MM = 0.3  # a coarse sample: how near its half depth comes to where the search ends


def blobs_between(
    planes: Planes, layout: Layout, faintest: float = 1.0
) -> tuple[Blob, ...]:
    """Return every blob between the lines of `layout`, darker and lighter, from left to right.

    With `faintest` below 1 also what stands out by that share of the limit: its strength is below
    `USUAL`.

    What is left of the pencil beside the two lines is none: narrow, or drawn out along them. Nor
    is a step of colour that the file's compression made.
    """
    seen = layer_depths(planes, layout)
    found = find_blobs(seen, planes.grid, None, faintest)
    strokes = long_strokes(planes)
    kept = tuple(b for b in found if not (
        _pencil_beside(b, layout) or _on_stroke(b, strokes, planes, layout)
        or is_colour_step(b, seen.layer, planes, layout)))
    sure = tuple(b for b in kept if b.strength >= USUAL)
    whole = joined(sure, layout.width, layout.mm_per_unit)  # nothing faint bridges two lanes' bands
    return tuple(sorted((*whole, *(b for b in kept if b.strength < USUAL)),
                        key=lambda b: (b.x, b.y)))


def long_strokes(planes: Planes) -> NDArray[np.int32]:
    """Return the extent in coarse samples of the piece of thin matter that each sample is of."""
    step, (rows, columns) = planes.step, (planes.grid.rows, planes.grid.columns)
    thin = planes.thin[: rows * step, : columns * step]
    coarse = thin.reshape(rows, step, columns, step).any(axis=(1, 3))
    labels, count = ndimage.label(coarse, structure=np.ones((3, 3)))
    length = np.zeros(count + 1, np.int32)
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        length[number] = max(s.stop - s.start for s in place)
    return np.asarray(length[labels])


def _on_stroke(
    blob: Blob, strokes: NDArray[np.int32], planes: Planes, layout: Layout
) -> bool:
    """Whether a small blob is where strokes meet or thicken: an arrow's head, a cross, a letter."""
    grid, unit = planes.grid, layout.mm_per_unit
    if min(blob.width, blob.height) > MARK_MM / unit:
        return False
    half = 0.5 * max(blob.width, blob.height) + STROKE_NEAR_MM / unit
    low, high = (np.clip(np.rint([grid.row(blob.y - half), grid.row(blob.y + half)]), 0,
                         grid.rows - 1).astype(int))
    left, right = (np.clip(np.rint([grid.column(blob.x - half), grid.column(blob.x + half)]), 0,
                           grid.columns - 1).astype(int))
    near = strokes[low: high + 1, left: right + 1]
    long = near > STROKE_LONG * half / grid.pitch
    return bool(long.mean() > STROKE_SHARE)


def _pencil_beside(blob: Blob, layout: Layout) -> bool:
    unit = layout.mm_per_unit
    for line in (layout.origin, layout.front):
        near = abs(blob.y - float(line.at(blob.x))) < BESIDE_MM / unit + 0.5 * line.thick
        if near and (blob.width < MARK_MM / unit or blob.width > DRAWN_OUT * blob.height):
            return True
    return False


def over_the_side(blob: Blob, layout: Layout) -> bool:
    """Whether what stands out there does not end before the plate's side.

    A finger, a clip or a shadow reaches in over the side; a spot is applied clear of it.
    """
    rim = (SIDE_MM + SIDE_NEAR_MM) / layout.mm_per_unit
    return min(blob.x, layout.width - blob.x) - 0.5 * blob.width < rim


def is_lighter(blobs: tuple[Blob, ...], asked: str, lamp: str = "white") -> bool:
    """Return whether spots are lighter than the layer: as asked, or as most that stands out is.

    Under a `lamp` of 366 nm they shine, unless hardly anything does and what quenches is clear.
    """
    if asked != "auto":
        return asked == "light"
    # A yellow spot on a violet layer is darker in blue and lighter in green: the colour that shows
    # most on either side decides. By the root, so that one scratch can't outvote spots, of
    # what lies beyond the limit, so that many places of noise can't.
    light, dark = (
        max((sum(max(b.seen.get(c, 0.0) - USUAL, 0.0) ** 0.5 for b in blobs if b.lighter == side)
             for c in {c for b in blobs for c in b.seen}), default=0.0)
        for side in (True, False))
    return light >= SHINES * dark if lamp == "366" else light > LIGHTER * dark


def find_blobs(
    seen: Depths, grid: Grid, bright: bool | None, faintest: float = 1.0
) -> tuple[Blob, ...]:
    """Return the blobs among `seen`, by significance.

    Parameters
    ----------
    seen : Depths
    grid : Grid
        Of the depths.
    bright : bool or None
        Lighter blobs only, darker ones only, or both.
    faintest : float
        Share of the limit from which on a blob is returned.

    Returns
    -------
    tuple of Blob
        From left to right.
    """
    usable = [i for i, level in enumerate(seen.layer) if level >= DIM * seen.layer.max()]
    if bright:  # a dark layer has no bright channel
        usable = list(range(len(seen.layer)))
    hidden = hidden_noise(seen, grid.mm)
    found: list[Blob] = []
    for sign in (1.0, -1.0) if bright is None else (1.0 if bright else -1.0,):
        one = seen.depth[usable] * np.float32(sign)
        spread = [spread_of(d[seen.bare]) for d in one]
        one = np.stack([np.maximum(d, np.float32(-OTHER_WAY * s))
                        for d, s in zip(one, spread, strict=True)])
        answers, excess = significances(one, seen, grid.mm, hidden)
        found += _regions(excess, sign, seen, grid, answers, usable, faintest)
        del answers, excess  # the other side's take as much memory
    return tuple(sorted(found, key=lambda blob: (blob.x, blob.y)))


def _regions(
    excess: NDArray[np.floating], sign: float, seen: Depths, grid: Grid,
    answers: list[Answer], usable: list[int], faintest: float,
) -> list[Blob]:
    """Part what exceeds the limit into blobs, and measure each; then what is fainter."""
    if excess.max() <= faintest:
        return []
    depth = np.clip(sign * seen.depth[usable], 0.0, None)
    known = bool(seen.bare.any())
    noise = np.array([max(float(np.std(seen.depth[i][seen.bare])) if known else UNKNOWN_NOISE,
                          RESOLVED) for i in usable])
    height = np.sqrt(np.square(depth / noise[:, None, None]).sum(axis=0)).astype(np.float32)
    pieces = _pieces(excess, SHARE, faintest)
    found: list[Standing] = []
    for sigma in SIGMAS_MM[:3]:
        smooth = ndimage.gaussian_filter(height, sigma / grid.mm, truncate=KERNEL_SDS)
        ground = float(median(smooth[seen.bare])) if seen.bare.any() else 0.0
        spread = MAD_SD * float(median(np.abs(smooth[seen.bare] - ground))) if (
            seen.bare.any()) else 1.0
        height_here = smooth - ground
        labels, peaks = flood(height_here, pieces, STEEP * spread)
        boxes = ndimage.find_objects(labels)
        for label, (row, column) in enumerate(peaks, start=1):
            rise = float(smooth[row, column] - ground) / max(STEEP * spread, RESOLVED)
            if min(float(excess[row, column]), rise) <= faintest:
                continue
            here = np.array([answer.at(row, column) for answer in answers])
            own = Hill(labels, label, (row, column), height_here, boxes[label - 1])
            blob = _measured(own, sigma, sign, grid, here, seen, usable)
            found.append(Standing(blob, rise, here))
    return _distinct(_less_leaks(found, grid.mm / grid.pitch), faintest)


def _pieces(excess: NDArray[np.floating], low: float, high: float) -> NDArray[np.int32]:
    """Return the number of the piece above `low` that each place is of, 0 in those of no `high`."""
    pieces, count = ndimage.label(excess > low, structure=np.ones((3, 3)))
    reaches = np.zeros(count + 1, bool)
    reaches[pieces[excess > high]] = True
    reaches[0] = False
    return np.asarray(np.where(reaches[pieces], pieces, 0), np.int32)


class Standing(NamedTuple):
    """A blob, its top's rise over the least that is asked, and how it exceeds each scale's limit.

    `exceeds` is (scales, channels), the last row of channels all together where there are several.
    """

    blob: Blob
    rise: float
    exceeds: NDArray[np.floating]


def _less_leaks(found: list[Standing], mm_per_unit: float) -> list[Standing]:
    """Return what stands out by itself: less what filters bring in from stronger blobs beside.

    A Gaussian spot of sigma b leaves b^2/(b^2 + s^2) exp(-d^2/2(b^2 + s^2)) of its depth at a
    distance d in a filter of sigma s, less the same in that of the surroundings. All channels
    together are no sum: where something is brought in, each channel counts by itself.
    """
    narrow = np.square(SIGMAS_MM)
    wide = narrow * SURROUND**2
    out = []
    of_all = np.array([(b.x, b.y, b.width, b.height, b.strength) for b, _, _ in found])
    x, y, width, height, strength = of_all.reshape(-1, 5).T
    exceeds = np.maximum(np.array([own.exceeds for own in found]), 0.0)
    b2 = (mm_per_unit**2 * width * height / FWHM_SIGMAS**2)[:, None]
    for own in found:
        leaks = np.zeros_like(own.exceeds)
        b = own.blob
        apart = (np.square((b.x - x) / (0.5 * np.maximum(width, b.width)))
                 + np.square((b.y - y) / (0.5 * np.maximum(height, b.height)))) > 1.0
        others = np.flatnonzero(apart & (strength > b.strength))
        if others.size:
            d2 = mm_per_unit**2 * (np.square(b.x - x[others]) + np.square(b.y - y[others]))
            near, far = b2[others] + narrow, b2[others] + wide
            here = (np.exp(-0.5 * d2[:, None] / near) / near
                    - np.exp(-0.5 * d2[:, None] / far) / far) / (1.0 / near - 1.0 / far)
            leak = here[:, :, None] * exceeds[others]
            largest = np.abs(leak).argmax(axis=0)[None]
            leaks = np.take_along_axis(leak, largest, axis=0)[0]
        channels = len(own.blob.seen)
        left = own.exceeds - np.maximum(leaks, 0.0)
        brought = np.abs(leaks[:, :channels]).max(axis=1) > BROUGHT_IN
        left[brought, channels:] = 0.0
        out.append(own._replace(blob=_as_strong(own.blob, left)))
    return out


def _as_strong(blob: Blob, exceeds: NDArray[np.floating]) -> Blob:
    """Return `blob` as strong as it `exceeds` the limits, (scales, channels)."""
    best = exceeds.max(axis=0) * USUAL
    return replace(blob, strength=float(best.max()),
                   seen=dict(zip(blob.seen, best.tolist(), strict=False)))


def _distinct(found: list[Standing], faintest: float) -> list[Blob]:
    """Return each blob once, then what is faint and lies apart from all of them."""
    blobs: list[Blob] = []
    faint: list[Blob] = []
    for blob, rise, _ in found:
        sure = min(blob.strength / USUAL, rise)
        if sure <= faintest:
            continue
        if sure <= 1.0:
            faint.append(replace(blob, strength=sure * USUAL))
        elif all(_apart(blob, other) for other in blobs):
            blobs.append(blob)
    return [*blobs, *(b for b in faint if all(_apart(b, other) for other in blobs))]


def _apart(blob: Blob, other: Blob) -> bool:
    """Whether two blobs are two: what is seen again at a broader scale is one."""
    u = (blob.x - other.x) / (0.5 * max(other.width, blob.width))
    v = (blob.y - other.y) / (0.5 * max(other.height, blob.height))
    return bool(u * u + v * v > 1.0)


class Hill(NamedTuple):
    """One hill of a landscape: its label, its top's place, and the box that holds it."""

    labels: NDArray[np.int32]
    label: int
    peak: tuple[int, int]
    height: NDArray[np.floating]
    box: tuple[slice, ...]


def _measured(
    hill: Hill, sigma: float, sign: float, grid: Grid, exceeds: NDArray[np.floating],
    seen: Depths, usable: list[int],
) -> Blob:
    """Return the blob that `hill` is, whose top `exceeds` the limits, (scales, channels)."""
    peak, height = hill.peak, hill.height
    top = float(height[peak])
    box = hill.box
    own = (hill.labels[box] == hill.label) & (height[box] > SHARE * top)
    pieces, _ = ndimage.label(own)
    piece = pieces[peak[0] - box[0].start, peak[1] - box[1].start]
    own = pieces == piece if piece else own
    rows, columns = np.nonzero(own)
    weight = np.asarray(height[box][own], float)
    y, x = (float(v @ weight / weight.sum()) for v in (rows, columns))
    # The filter's own blur is taken out.
    extent = [(np.ptp(v) + 1) * grid.mm * FWHM_EXTENT for v in (columns, rows)]
    blur = FWHM_SIGMAS * sigma
    wide, tall = (float(np.sqrt(max(e * e - blur**2, LEAST_OWN * e * e))) for e in extent)
    unit = grid.mm / grid.pitch
    centre_row, centre_column = y + box[0].start, x + box[1].start
    light = tuple(float(median(seen.depth[i][box][own])) for i in range(len(seen.channels)))
    blob = Blob((centre_column + 0.5) * grid.pitch, (centre_row + 0.5) * grid.pitch, wide / unit,
                tall / unit, 0.0, sign > 0, light, {seen.channels[i]: 0.0 for i in usable})
    return _as_strong(blob, exceeds)

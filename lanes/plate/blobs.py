"""Blobs: every place on the layer that stands out of its noise, darker or lighter, in any colour.

Found in two dimensions before any lane is decided. Each channel, and all of them together, weighed
by the noise they share, is held at several scales against the layer's own noise.
"""

from __future__ import annotations

from dataclasses import replace
from functools import reduce
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.stats import norm, t

from lanes.confidence import MAD_SD
from lanes.plate.bands import Bands
from lanes.plate.chroma import is_colour_step
from lanes.plate.depths import SIDE_MM, Depths, layer_depths
from lanes.plate.flood import flood
from lanes.plate.layout import Blob, Layout
from lanes.plate.planes import Image, Planes
from lanes.plate.square import Grid
from lanes.plate.wide_bands import joined
from lanes.quantiles import median, quantile, row_medians

# Blobs that the noise of a blank plate makes, over all places, scales, channels and signs: one
# plate in twenty shows one, if its noise is Gaussian.
FALSE_A_PLATE = 0.05
# Standard deviations in mm that blobs are sought at: from the narrowest spot to a broad one, each
# 1.5 times the last, so that one between two of them loses 4 % of its significance.
SIGMAS_MM = (0.4, 0.6, 0.9, 1.35, 2.0)
SURROUND = 2.2     # the surroundings a blob is held against, in its own sigmas
MAD_SHARE = 0.37   # efficiency of the median absolute deviation for Gaussian noise (Huber 1981)
# A channel's light on the layer below this share of the brightest one's has few codes, whose
# noise can't be judged.
DIM = 0.25
# Relative light that no code of 8 bits resolves where it is averaged over a blob: a tenth of the
# step at a pale layer's code.
RESOLVED = 0.0009
# A compressed photograph is smooth over most blocks and carries its grain in the others, where the
# median sees none. What 2.3 % of the places exceed, two standard deviations of Gaussian noise,
# sees it, on the side where less lies.
FEW, FEW_SD = 0.0228, 2.0
SHARE = 0.45       # of a blob's own peak: what lies above is what its place and width come from
# Mottle and grain have longer tails than a Gaussian. The side that holds no blobs shows them: where
# it reaches one place in a thousand, in Gaussian standard deviations, widens the noise, up to here;
# beyond, that side holds blobs itself.
TAIL, MOST_TAIL = 1e-3, 1.5
# Places, scales, channels and signs that are tried on a plate of the usual size, and the standard
# deviations of a blob at the limit there.
TRIES = 2e4
USUAL = float(norm.isf(FALSE_A_PLATE / TRIES))
FAINTEST = 0.6  # of the limit: what else is measured, for those who know where to look
# Standard deviations that a place may depart the other way before it is held there: what surrounds
# a strong blob seems to, and may not count for it.
OTHER_WAY = 3.0
# Of all places: where fewer are bare layer, the noise is judged from all that are looked at.
FEW_BARE = 0.02
# Degrees of freedom: on a small plate the noise is known by few places, and Student's t would ask
# for more than any spot shows. A choice, on the side of showing blobs.
FEWEST_PLACES = 4.0
# Standard deviations: one place may not set by itself what the channels' noise has in common.
CAPPED = 4.0
OWN_NOISE = 0.05   # of each channel's variance, taken as its own: grain is never shared to the last
# Squared length of all channels, over their number, from which it counts by its root: beyond, the
# cube root falls short. A length of 60 in three channels is worth 0.93 of its root in one channel
# (by the distributions, two-sided; 0.87 at 27, 0.95 at 100).
FAR, OF_LENGTH = 9.0, 0.93
NO_LENGTH = 1e-12  # so that 0 has a root
# Relative light: the noise of a layer of which nothing is bare. A choice, about a scan's usual one.
UNKNOWN_NOISE = 0.01
KERNEL_SDS = 3.0   # where a Gaussian filter is cut off: 0.3 % of it lies beyond
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
    found: list[Blob] = []
    for sign in (1.0, -1.0) if bright is None else (1.0 if bright else -1.0,):
        one = seen.depth[usable] * np.float32(sign)
        spread = [_spread(d[seen.bare]) for d in one]
        one = np.stack([np.maximum(d, np.float32(-OTHER_WAY * s))
                        for d, s in zip(one, spread, strict=True)])
        bands = Bands(one, SURROUND * max(SIGMAS_MM) / grid.mm)
        answers = [_answers(bands, seen, grid.mm, sigma) for sigma in SIGMAS_MM]
        # A threshold apart for every scale: fewer places, and fewer that show the noise.
        tops = (row / np.float32(limit) for z, limit in answers for row in z)
        excess = np.zeros(seen.inside.shape, np.float32)
        excess[seen.inside] = reduce(np.maximum, tops)
        found += _regions(excess, sign, seen, grid, answers, usable, faintest)
    return tuple(sorted(found, key=lambda blob: (blob.x, blob.y)))


def _spread(values: NDArray[np.floating]) -> float:
    if values.size == 0:
        return 1.0
    return max(MAD_SD * float(median(np.abs(values - median(values)))), RESOLVED)


def _answers(bands: Bands, seen: Depths, mm: float, sigma: float) -> tuple[Image, float]:
    """Return each channel's significance at a scale, and that of all together, and the limit.

    Significances are those of the places inside, (channels, places).
    """
    s = sigma / mm
    whole = bands.between(s, SURROUND * s).reshape(len(bands), -1)
    inside = np.flatnonzero(seen.inside)
    stack = whole.take(inside, axis=1)
    clean = np.flatnonzero(seen.bare) if seen.bare.mean() > FEW_BARE else inside
    if not clean.size:
        return np.zeros((1, inside.size), np.float32), 1.0
    rest = whole.take(clean, axis=1)
    rest -= row_medians(rest)[:, None]
    sd = np.maximum(_noise(rest), RESOLVED / np.sqrt(1 + s * s)).astype(np.float32)
    z = stack
    z /= sd[:, None]
    area = 4 * np.pi * sigma**2  # of independent places, for noise as wide as the filter
    places = max(1.0, float(inside.size) * mm**2 / area)
    independent = max(FEWEST_PLACES, MAD_SHARE * float(clean.size) * mm**2 / area)
    tries = places * len(SIGMAS_MM) * (len(stack) + (len(stack) > 1)) * 2
    limit = float(t.isf(FALSE_A_PLATE / tries, independent))
    if len(stack) > 1:
        rest /= sd[:, None]
        z = np.concatenate([z, _together(z, np.clip(rest, -CAPPED, CAPPED, out=rest))[None]])
    tail = np.array([-quantile(row, TAIL) for row in z]) / float(norm.isf(TAIL))
    z /= np.clip(tail, 1.0, MOST_TAIL)[:, None].astype(np.float32)
    return z, limit


def _noise(rest: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return each channel's standard deviation where nothing stands out, (channels, places)."""
    low, high = np.array([[quantile(row, np.float64(share)) for row in rest]
                          for share in (FEW, 1.0 - FEW)])
    few = np.minimum(-low, high) / FEW_SD
    return np.asarray(np.maximum(MAD_SD * row_medians(np.abs(rest)), few))


def _together(z: Image, rest: NDArray[np.floating]) -> Image:
    """Return the significance of all channels together, signed by their mean.

    The channels share most of the layer's grain: their covariance weighs what they share less
    than what parts them. The squared length in whitened channels is chi-squared; it is returned
    as the standard deviations of one channel that are as unlikely.
    """
    k = z.shape[0]
    rest = rest - rest.mean(axis=1, dtype=float)[:, None].astype(rest.dtype)
    covariance = np.asarray(rest @ rest.T, float) / max(rest.shape[1] - 1, 1)
    covariance += OWN_NOISE * np.eye(k)
    length = (z * (np.linalg.inv(covariance).astype(np.float32) @ z)).sum(axis=0)
    # Wilson & Hilferty's cube root (PNAS 17, 684 (1931)) makes chi-squared nearly normal.
    normal = (np.cbrt(np.maximum(length, NO_LENGTH) / k) - 1 + 2 / (9 * k)) / np.sqrt(2 / (9 * k))
    normal = np.where(length > FAR * k, np.sqrt(length) * OF_LENGTH, normal)
    return np.asarray(np.maximum(normal, 0.0) * np.sign(z.sum(axis=0)), np.float32)


def _regions(
    excess: NDArray[np.floating], sign: float, seen: Depths, grid: Grid,
    answers: list[tuple[Image, float]], usable: list[int], faintest: float,
) -> list[Blob]:
    """Part what exceeds the limit into blobs, and measure each; then what is fainter."""
    if excess.max() <= faintest:
        return []
    depth = np.clip(sign * seen.depth[usable], 0.0, None)
    known = bool(seen.bare.any())
    noise = np.array([max(float(np.std(seen.depth[i][seen.bare])) if known else UNKNOWN_NOISE,
                          RESOLVED) for i in usable])
    height = np.sqrt(np.square(depth / noise[:, None, None]).sum(axis=0)).astype(np.float32)
    number = np.cumsum(seen.inside).reshape(seen.inside.shape) - 1  # of each place inside
    blobs: list[Blob] = []
    faint: list[Blob] = []
    for sigma in SIGMAS_MM[:3]:
        smooth = ndimage.gaussian_filter(height, sigma / grid.mm, truncate=KERNEL_SDS)
        ground = float(median(smooth[seen.bare])) if seen.bare.any() else 0.0
        spread = MAD_SD * float(median(np.abs(smooth[seen.bare] - ground))) if (
            seen.bare.any()) else 1.0
        labels, peaks = flood(smooth - ground, excess > SHARE, STEEP * spread)
        height_here, boxes = smooth - ground, ndimage.find_objects(labels)
        for label, (row, column) in enumerate(peaks, start=1):
            sure = min(float(excess[row, column]),
                       float(smooth[row, column] - ground) / max(STEEP * spread, RESOLVED))
            if sure <= faintest:
                continue
            here = [(z[:, number[row, column]], limit) for z, limit in answers]
            own = Hill(labels, label, (row, column), height_here, boxes[label - 1])
            blob = _measured(own, sigma, sign, grid, here, seen, usable)
            if sure <= 1.0:
                faint.append(replace(blob, strength=min(blob.strength, sure * USUAL)))
            elif all(_apart(blob, other) for other in blobs):
                blobs.append(blob)
    for blob in faint:
        if all(_apart(blob, other) for other in blobs):
            blobs.append(blob)
    return blobs


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
    hill: Hill, sigma: float, sign: float, grid: Grid, here: list[tuple[Image, float]],
    seen: Depths, usable: list[int],
) -> Blob:
    """Return the blob that `hill` is; `here` are the significances at its top, scale by scale."""
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
    strength: dict[str, float] = {}
    for i, name in enumerate([seen.channels[j] for j in usable]):
        strength[name] = max(float(z[i] / limit) for z, limit in here)
    together = max((float(z[-1] / limit) for z, limit in here if len(usable) > 1), default=0.0)
    best = max(together, *strength.values())
    centre_row, centre_column = y + box[0].start, x + box[1].start
    light = tuple(float(median(seen.depth[i][box][own])) for i in range(len(seen.channels)))
    return Blob(
        (centre_column + 0.5) * grid.pitch, (centre_row + 0.5) * grid.pitch, wide / unit,
        tall / unit, best * USUAL, sign > 0, light,
        {name: value * USUAL for name, value in strength.items()},
    )

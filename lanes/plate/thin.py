"""Thin matter on a plate: specks of dust, scratches and pencil, which are not spots."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD
from lanes.plate.layout import Layout
from lanes.plate.morphology import dilated, extreme, reached
from lanes.plate.square import Grid
from lanes.quantiles import median, quantile

PALEST = 0.02    # of the layer's light
BLACK = 1e-6     # of full white: light below it is none, and no share can be taken of it
WIDTH_MM = 0.75  # matter narrower than this in some direction is too thin for a spot
# A compressed photograph is smooth over most blocks and carries its grain in the others: half the
# samples then show no grain at all. What 2.3 % of them exceed, 2 standard deviations of Gaussian
# grain, shows it too, on the side, darker or lighter, where strokes and dust take less.
TAIL, TAIL_SD = 0.0228, 2.0
BLEND_MM = 0.3   # standard deviation over which neighbours are blended
BESIDE_MM = 0.8  # from a piece of thin matter, within which they lie
# Standard deviation under which a finely sampled picture is looked at, so that grain does not hide
# strokes; and the spacing of samples from which there is no need to.
SMOOTH_MM, COARSE_MM = 0.06, 0.12
KERNEL_SDS = 3.0   # where that filter is cut off: 0.3 % of it lies beyond
BLEND_SDS = 4.0    # where the blend's filter ends, which is scipy's own choice
LEVEL_MM = 6.0     # side of the square whose mean is the layer's light: as wide as a broad spot
# Standard deviations, and share of the feature's depth, that thin matter stands out by; and what
# lies about it as its skirt. Lower, grain is taken out, higher, faint pencil is left in.
CORE_SDS, CORE_SHARE = 8.0, 0.5
# A Gaussian as wide at half height as matter is thin loses half of its own depth, which is what
# is narrower than twice that width, not the spot that a stroke crosses. A piece most of whose core
# loses less is wider: a band.
TWICE, MOST = 2, 0.5
SKIRT_SDS, SKIRT_SHARE = 4.0, 0.4
WORTH_SDS = 3.9    # just below a skirt's: samples that stand out by less are not looked at further
GROW_MM = 0.1      # beyond its edge: what the picture's blur leaves of a stroke
NO_WEIGHT = 1e-6   # of a blend: beyond its neighbours' reach, so that nothing is divided by 0
TILE = 64        # side in samples: what a kernel's surroundings do not outweigh

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Box = tuple[slice, ...]


def thin_matter(light: NDArray[np.float32], mm: float) -> NDArray[np.bool_]:
    """Return where `light` is darker or brighter over less than a spot's width.

    Parameters
    ----------
    light : (rows, columns) array
    mm : float
        Spacing of the samples in mm.

    Returns
    -------
    (rows, columns) bool array
        A grey opening and closing (Serra 1982) with a square of 0.75 mm give what a wide feature
        would leave; what exceeds it by 8 standard deviations, and by half of the depth that is
        left, is thin, unless it is a band of 0.75 mm or more at half height.
    """
    size = max(3, 2 * round(0.5 * WIDTH_MM / mm) + 1)
    fine = light
    if mm < COARSE_MM:
        fine = ndimage.gaussian_filter(light, SMOOTH_MM / mm, truncate=KERNEL_SDS)
    wide = np.maximum(ndimage.uniform_filter(fine, round(LEVEL_MM / mm)), BLACK)
    # Dark thin matter is filled by a closing of the light, bright by an opening.
    dark = extreme(extreme(fine, size, np.maximum), size, np.minimum)
    bright = extreme(extreme(fine, size, np.minimum), size, np.maximum)
    few = (slice(None, None, 3), slice(None, None, 3))
    grain = min(_tail((dark - fine)[few] / wide[few]), _tail((fine - bright)[few] / wide[few]))
    grow = max(1, round(GROW_MM / mm))
    thin = _less_bands(*_stands_out(dark - fine, dark, wide, grain), fine, mm)
    lighter, core = _stands_out(fine - bright, bright, wide, grain)
    if thin.any() and lighter.any():
        # Layer between a stroke and a spot, as in a circle drawn round one, is no bright matter: it
        # is wide once the stroke is filled.
        filled = np.where(dilated(thin, grow), dark, fine)
        bright = extreme(extreme(filled, size, np.minimum), size, np.maximum)
        lighter, core = _stands_out(filled - bright, bright, wide, grain)
    thin |= _less_bands(lighter, core, -fine, mm)
    # What lies between strokes less than a spot's width apart is none: a cross's middle, a letter.
    around = np.pad(dilated(thin, grow), size)
    closed = extreme(extreme(around, size, np.logical_or), size, np.logical_and)
    return np.asarray(closed[size:-size, size:-size])


def _less_bands(thin: Mask, core: Mask, fine: Image, mm: float) -> Mask:
    """Return `thin` matter, dark in `fine`, less the pieces that are bands."""
    if not core.any():
        return thin
    lost, own = (_filled(fine, side / mm) - fine for side in (WIDTH_MM, TWICE * WIDTH_MM))
    labels, count = ndimage.label(thin)
    inside = labels[core]
    narrow = np.bincount(inside, lost[core] > CORE_SHARE * own[core], count + 1)
    kept = narrow >= MOST * np.bincount(inside, minlength=count + 1)
    return thin & kept[labels]


def _filled(image: Image, side: float) -> Image:
    """Return `image`, what is dark in it filled where a square of `side` samples does not fit.

    Squares have odd numbers of samples: between two, the mean of both counts, by how near it is.
    """
    half = max(0.5 * side, 1.0)
    below = int(half)
    out = np.zeros_like(image)
    for reach, share in ((below, below + 1 - half), (below + 1, half - below)):
        if share > 0.0:
            size = 2 * reach + 1
            out += np.float32(share) * extreme(
                extreme(image, size, np.maximum), size, np.minimum)
    return out


def _stands_out(
    excess: Image, without: Image, wide: Image, grain: float
) -> tuple[Mask, Mask]:
    """Return where `excess` over a picture `without` thin matter shows some, and its core."""
    few = (slice(None, None, 3), slice(None, None, 3))
    middle, spread = _middle(excess[few])
    place = np.flatnonzero(excess > middle + WORTH_SDS * spread)
    excess, level = excess.take(place), wide.take(place)
    depth = np.abs(without.take(place) - level)
    sd = np.maximum(spread, grain * level)
    # Compression leaves a layer smoother than it is: what is paler than any pencil is grain.
    pencil = np.maximum(CORE_SDS * sd, PALEST * level)
    core = excess > pencil + middle + CORE_SHARE * depth
    if not core.any():
        return (np.zeros(without.shape, bool),) * 2
    skirt = excess > SKIRT_SDS * sd + middle + SKIRT_SHARE * depth
    middles = _mask(place[core], without.shape)
    return reached(middles, _mask(place[skirt], without.shape)), middles


def _mask(place: NDArray[np.intp], shape: tuple[int, ...]) -> Mask:
    """Return a mask of `shape` that is True at the flat indices `place`."""
    out = np.zeros(shape, bool)
    out.ravel()[place] = True
    return out


def thick_strokes(layout: Layout, grid: Grid) -> NDArray[np.bool_]:
    """Return where the layout's lines are drawn too thick to be thin matter, (rows, columns)."""
    y, x = grid.y()[:, None], grid.x()[None, :]
    out = np.zeros((grid.rows, grid.columns), bool)
    for line in (layout.origin, layout.front):
        if line.thick > WIDTH_MM / layout.mm_per_unit:
            out |= np.abs(y - line.at(x)) <= 0.5 * line.thick
    return out


def _middle(excess: NDArray[np.floating]) -> tuple[float, float]:
    """Return the median of `excess` and its standard deviation, as if Gaussian."""
    middle = float(median(excess))
    return middle, MAD_SD * float(median(np.abs(excess - middle)))


def _tail(excess: NDArray[np.floating]) -> float:
    """Return the standard deviation of `excess` by what few samples exceed."""
    return float(quantile(excess, 1.0 - TAIL) - median(excess)) / TAIL_SD


class Bridge:
    """Thin matter of one plate, and what stands beside it: to be bridged in any of its channels.

    Parameters
    ----------
    thin : (rows, columns) bool array
    mm : float
        Spacing of the samples in mm.
    """

    def __init__(self, thin: Mask, mm: float) -> None:
        self._sigma = BLEND_MM / mm
        self._pieces: list[_Piece] = []
        labels, _ = ndimage.label(thin)
        reach = max(3, round(BESIDE_MM / mm))
        left = thin.copy()
        # Where the surroundings of two lie over each other the later one's count.
        for place in reversed(ndimage.find_objects(labels)):
            box = tuple(slice(max(0, s.start - reach), min(n, s.stop + reach))
                        for s, n in zip(place, thin.shape, strict=True))
            for tile in _tiles(left, box):
                self._take(thin, left, box, tile)

    def _take(self, thin: Mask, left: Mask, box: Box, tile: Box) -> None:
        """Take what is left in a tile as a piece of its own, with all that bears on it."""
        # Beyond its kernel's end nothing bears on a sample: a line's own stretch is worked out,
        # not the whole box about it.
        kernel = int(BLEND_SDS * self._sigma + 0.5)
        outer = tuple(slice(max(b.start, t.start - kernel), min(b.stop, t.stop + kernel))
                      for b, t in zip(box, tile, strict=True))
        inner = tuple(slice(t.start - o.start, t.stop - o.start)
                      for t, o in zip(tile, outer, strict=True))
        keep = (~thin[outer]).astype(np.float32)
        down, across = (_blur(s.stop - s.start, self._sigma)[i]
                        for s, i in zip(outer, inner, strict=True))
        weight = down @ keep @ across.T
        hidden = left[tile] & (weight > NO_WEIGHT)
        if hidden.any():
            self._pieces.append(
                _Piece(tile, outer, down, across, keep, np.maximum(weight, NO_WEIGHT), hidden))
            left[tile] &= ~hidden

    def over(self, light: Image) -> Image:
        """Return `light` with thin samples replaced by a blend of their nearest neighbours."""
        if not self._pieces:
            return light
        out = light.copy()
        for p in self._pieces:
            blend = p.down @ (p.keep * light[p.outer]) @ p.across.T
            out[p.tile][p.hidden] = (blend / p.weight)[p.hidden]
        return out


@lru_cache(maxsize=256)  # pieces are of few sizes
def _blur(samples: int, sigma: float) -> Image:
    """Return the matrix that blurs so many samples, (samples, samples); ends mirror."""
    return ndimage.gaussian_filter1d(np.eye(samples, dtype=np.float32), sigma, axis=0)


class _Piece(NamedTuple):
    """A tile of thin matter: where it is, what is kept about it, and the weight of that.

    `down` and `across` blur what is `outer` to the tile, along rows and columns.
    """

    tile: Box
    outer: Box
    down: Image
    across: Image
    keep: Image
    weight: Image
    hidden: Mask


def _tiles(mask: Mask, box: Box) -> Iterator[Box]:
    """Yield the rectangles, within tiles of `TILE` samples, that hold what `mask` has in `box`."""
    for top in range(box[0].start, box[0].stop, TILE):
        for left in range(box[1].start, box[1].stop, TILE):
            here = mask[top: min(top + TILE, box[0].stop), left: min(left + TILE, box[1].stop)]
            if here.any():
                yield tuple(
                    slice(start + int(at[0]), start + int(at[-1]) + 1)
                    for start, at in ((top, np.nonzero(here.any(axis=1))[0]),
                                      (left, np.nonzero(here.any(axis=0))[0])))


def without_thin(light: Image, thin: Mask, mm: float) -> Image:
    """Return `light` with `thin` samples replaced by a blend of their nearest neighbours."""
    return Bridge(thin, mm).over(light)

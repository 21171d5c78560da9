"""How surely each place stands out of the layer's noise: at several scales, in every channel."""

from __future__ import annotations

from functools import reduce
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtri, stdtrit

from lanes.confidence import MAD_SD
from lanes.plate.bands import Bands
from lanes.plate.depths import Depths
from lanes.plate.planes import Image, Mask, enlarge
from lanes.quantiles import about_median, median, quantile

# Blobs that the noise of a blank plate makes, over all places, scales, channels and signs: one
# plate in a hundred shows one, if its noise is Gaussian. A choice: plates are to be read without
# one false spot in 95 of 100, and most others have another cause.
FALSE_A_PLATE = 0.01
# Standard deviations in mm that blobs are sought at: from the narrowest spot to a broad one, each
# 1.5 times the last, so that one between two of them loses 4 % of its significance.
SIGMAS_MM = (0.4, 0.6, 0.9, 1.35, 2.0)
# Samples of a sigma that a blurred picture is kept in, at least: what it holds of finer detail is
# 3e-6 of it (a Gaussian's transform at half the rate of sampling).
SAMPLES = 1.6
SURROUND = 2.2     # the surroundings a blob is held against, in its own sigmas
MAD_SHARE = 0.37   # efficiency of the median absolute deviation for Gaussian noise (Huber 1981)
# Relative light that no code of 8 bits resolves where it is averaged over a blob: a tenth of the
# step at a pale layer's code.
RESOLVED = 0.0009
# A compressed photograph is smooth over most blocks and carries its grain in the others, where the
# median sees none. What 2.3 % of the places exceed, two standard deviations of Gaussian noise,
# sees it, on the side where less lies.
FEW, FEW_SD = 0.0228, 2.0
# Mottle and grain have longer tails than a Gaussian. The side that holds no blobs shows them: where
# it reaches one place in a thousand, in Gaussian standard deviations, widens the noise, up to here;
# beyond, that side holds blobs itself.
TAIL, MOST_TAIL = 1e-3, 1.5
TAIL_SDS = -float(ndtri(TAIL))
# Places, scales, channels and signs that are tried on a plate of the usual size, and the standard
# deviations of a blob at the limit there.
TRIES = 2e4
USUAL = -float(ndtri(FALSE_A_PLATE / TRIES))
# Times that noise is judged anew with what did not stand out of it: a choice.
MOST_ROUNDS = 3
LITTLE = 0.1  # of what stood out before: so much less changes no noise
# Of a filter's sigma: samples of a row so near each other show the noise no better than one.
SKIPPED = 0.5
# Noise about a place is judged in cells of this side, over so much about them: a window that holds
# a dozen or more of the broadest filter's independent places.
CELL_MM, UNEVEN_MM = 2.0, 8.0
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
KERNEL_SDS = 3.0   # where a Gaussian filter is cut off: 0.3 % of it lies beyond


def spread_of(values: NDArray[np.floating]) -> float:
    """Return the standard deviation of `values` by their median absolute deviation."""
    if values.size == 0:
        return 1.0
    return max(MAD_SD * float(median(np.abs(values - median(values)))), RESOLVED)


class Answer(NamedTuple):
    """What one scale answers, in standard deviations of the layer's noise.

    `z` is (channels, rows, columns), a last channel all together where there are several; its
    samples are `step` of the depths' a side. What exceeds `limit` stands out.
    """

    z: Image
    limit: float
    step: int

    def at(self, row: int, column: int) -> NDArray[np.floating]:
        """Return by how much each channel exceeds the limit at a place of the depths."""
        return np.asarray(self.z[:, row // self.step, column // self.step] / self.limit)


def significances(
    depth: Image, seen: Depths, mm: float, hidden: list[float]
) -> tuple[list[Answer], Image]:
    """Return what each scale answers, and how far each place inside exceeds its limit at best.

    Parameters
    ----------
    depth : (channels, rows, columns) array
        Positive where what is sought stands out.
    seen : Depths
        Of which the places inside, and those that are bare, are taken.
    mm : float
        Side of a sample.
    hidden : list of float
        What `hidden_noise` returns.

    Returns
    -------
    list of Answer
        For each of `SIGMAS_MM`.
    (rows, columns) array

    What surely stands out is no noise: the layer about a strong spot, from which the filters take
    the spot off, seems to depart the other way, up to nine millimetres about it. All that is no
    bare layer is taken out first, and held against what noise is left; what does not stand out of
    that is noise, and put back, until nothing more is. The other way about, from all the plate's
    noise down, broad spots on a layer that is uneven hid one another.
    """
    strong = seen.inside & ~seen.bare
    pieces, count = ndimage.label(strong)
    whole = _at_scales(depth, mm)
    for _ in range(MOST_ROUNDS):
        others = _at_scales(np.where(strong, np.float32(0.0), depth), mm) if strong.any() else whole
        answers = [_answers(*of_scale, strong, seen, mm) for of_scale in zip(
            whole, others, SIGMAS_MM, hidden, _steps(mm), strict=True)]
        # A threshold apart for every scale: fewer places, and fewer that show the noise.
        tops = (enlarge(answer.z.max(axis=0) / np.float32(answer.limit), strong.shape, answer.step)
                for answer in answers)
        excess = np.where(seen.inside, reduce(np.maximum, tops), np.float32(0.0))
        stand_out = np.unique(pieces[excess > 1.0])
        left = np.isin(np.arange(count + 1), stand_out[stand_out > 0])[pieces]
        if np.count_nonzero(strong & ~left) <= LITTLE * np.count_nonzero(strong):
            break
        strong = left
    return answers, np.maximum(excess, np.float32(0.0))


def hidden_noise(seen: Depths, mm: float) -> list[float]:
    """Return, for each of `SIGMAS_MM`, how much larger noise is where the layer is hidden.

    Bare layer is held against a surface that follows its slow waves; what is no bare layer, a spot
    or a tall wave itself, lies on a surface that is carried on under it and follows none.
    """
    depth = np.where(seen.inside & ~seen.bare, np.float32(0.0), seen.depth)
    if not seen.bare.any():
        return [1.0] * len(SIGMAS_MM)
    both = []
    for images in (_at_scales(depth, mm), _at_scales(depth + seen.waves, mm)):
        shown = (image[:, _every(seen.bare, step)]
                 for image, step in zip(images, _steps(mm), strict=True))
        both.append([_noise(rest) if rest.size else np.ones(len(rest)) for rest in shown])
    return [max(1.0, float(np.median(one / np.maximum(own, RESOLVED))))
            for own, one in zip(*both, strict=True)]


def _steps(mm: float) -> list[int]:
    """Return how many samples `mm` apart are one, a side, at each of `SIGMAS_MM`: 1 or 2.

    At 4 a spot's top would lie up to 0.7 mm beside the sample that stands for it.
    """
    return [2 if sigma >= 2.0 * SAMPLES * mm else 1 for sigma in SIGMAS_MM]


def _at_scales(depth: Image, mm: float) -> list[Image]:
    """Return `depth` less its surroundings at each of `SIGMAS_MM`."""
    steps = _steps(mm)
    bands = Bands(depth, SURROUND * max(SIGMAS_MM) / mm, max(steps))
    return [bands.between(sigma / mm, SURROUND * sigma / mm, step)
            for sigma, step in zip(SIGMAS_MM, steps, strict=True)]


def _every(mask: Mask, step: int) -> Mask:
    """Return a `mask` at the middle of each block of `step` samples a side."""
    row, column = (np.minimum(np.arange(0, n, step) + step // 2, n - 1) for n in mask.shape)
    return np.asarray(mask[row][:, column])


def _answers(
    whole: Image, others: Image, sigma: float, hidden: float, step: int, strong: Mask,
    seen: Depths, mm: float,
) -> Answer:
    """Return each channel's significance at a scale, and that of all together, and the limit.

    `others` are the depths without what is `strong`; `hidden` is how much larger noise is where no
    bare layer is seen.
    """
    inside, bare, taken = (_every(mask, step) for mask in (seen.inside, seen.bare, strong))
    mm *= step
    s = sigma / mm
    clean = np.flatnonzero(bare if bare.mean() > FEW_BARE else inside)
    if not clean.size:
        return Answer(np.zeros((1, *inside.shape), np.float32), 1.0, step)
    skipped = max(1, round(s * SKIPPED))
    rest = others.reshape(len(others), -1).take(clean[::skipped], axis=1)
    centres, spread = _centres(rest)
    rest -= centres[:, None]
    sd = np.maximum(spread, RESOLVED / np.sqrt(1 + s * s)).astype(np.float32)
    z = np.where(taken, whole, others) / sd[:, None, None]
    area = 4 * np.pi * sigma**2  # of independent places, for noise as wide as the filter
    places = max(1.0, np.count_nonzero(inside) * mm**2 / area)
    independent = max(FEWEST_PLACES, MAD_SHARE * float(clean.size) * mm**2 / area)
    tries = places * len(SIGMAS_MM) * (len(z) + (len(z) > 1)) * 2
    limit = -float(stdtrit(independent, FALSE_A_PLATE / tries))
    uneven = _unevenness(z, bare & ~taken, mm)
    if len(z) > 1:
        rest /= sd[:, None]
        together = _together(z, np.clip(rest, -CAPPED, CAPPED, out=rest))
        z = np.concatenate([z, together[None]])
    z /= np.where(bare, uneven, uneven * np.float32(hidden))
    few = z.reshape(len(z), -1).take(np.flatnonzero(inside & ~taken)[::skipped], axis=1)
    tail = np.array([-quantile(one, TAIL) for one in few]) / TAIL_SDS
    z /= np.clip(tail, 1.0, MOST_TAIL)[:, None, None].astype(np.float32)
    return Answer(z, limit, step)


def _unevenness(z: Image, clean: Mask, mm: float) -> Image:
    """Return how much larger than over the whole plate the noise is about each place, at least 1.

    Shadow, a lens, a compressed picture and a smeared layer make one part of a plate noisier. It is
    judged by the side that holds no blobs, where the layer is `clean`.
    """
    step = max(1, round(CELL_MM / mm))
    squares = np.square(np.clip(z, -CAPPED, 0.0)).mean(axis=0)
    shown = (z < 0.0).sum(axis=0, dtype=np.uint8) / np.float32(len(z))
    shown *= clean
    cells = []
    for values in (squares * (shown > 0.0), shown):
        rows = np.add.reduceat(values, np.arange(0, clean.shape[0], step))
        cell = np.add.reduceat(rows, np.arange(0, clean.shape[1], step), axis=1)
        cells.append(ndimage.gaussian_filter(cell, UNEVEN_MM / (step * mm), truncate=KERNEL_SDS))
    ratio = np.sqrt(np.maximum(cells[0] / np.maximum(cells[1], NO_LENGTH), 1.0))
    return np.asarray(enlarge(ratio, clean.shape, step), np.float32)


def _noise(rows: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return each channel's standard deviation where nothing stands out, (channels, places)."""
    return _centres(rows)[1]


def _centres(rows: NDArray[np.floating]) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """Return each channel's median, and what `_noise` returns."""
    centres, sizes, low, high = (np.array(each) for each in zip(
        *(about_median(row, np.float64(FEW)) for row in rows), strict=True))
    return centres, np.asarray(np.maximum(MAD_SD * sizes, np.minimum(-low, high) / FEW_SD))


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
    inverse = np.linalg.inv(covariance).astype(np.float32)
    length = (z * np.tensordot(inverse, z, 1)).sum(axis=0)
    # Wilson & Hilferty's cube root (PNAS 17, 684 (1931)) makes chi-squared nearly normal.
    normal = (np.cbrt(np.maximum(length, NO_LENGTH) / k) - 1 + 2 / (9 * k)) / np.sqrt(2 / (9 * k))
    normal = np.where(length > FAR * k, np.sqrt(length) * OF_LENGTH, normal)
    return np.asarray(np.maximum(normal, 0.0) * np.sign(z.sum(axis=0)), np.float32)

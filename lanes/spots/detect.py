"""Where spots may be: places along a trace that stand out of the noise, at any width."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.fft import irfft, next_fast_len, rfft

from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

WIDER = 2.5  # the surroundings a spot is held against, in its own sigmas
STEP = 1.35  # ratio of one scale to the next
# Of the narrowest sigma that a fit may take: spots are looked for from there on, and fits may
# narrow.
FINEST = 1.6
# Sigmas of the wider Gaussian at which a kernel ends: a two-thousandth of it lies beyond.
KERNEL_SDS = 3.5
NO_VARIANCE = 1e-30  # of the kernel's answer: an estimated autocorrelation need not quite be one
# Sigmas of the broader of two places, but at most so many of the stronger's, within which they are
# one spot's answer at two widths.
ONE_SPOT, ONE_SPOT_MOST = 1.3, 1.5
KEPT = 0.8   # of the threshold: what a fitted peak needs to stay
# Standard deviation of a lone Gaussian's area, all free, over area, times height over noise times
# root samples per sigma: the Cramer-Rao limit (computed).
AREA_SD = 0.919937


@dataclass(frozen=True)
class Candidate:
    """A place that stands out: its centre and sigma (mm), area, and significance."""

    centre: float
    sigma: float
    area: float
    significance: float


def scales(narrowest: float, broadest: float) -> Floats:
    """Return the sigmas at which spots are looked for, each `STEP` times the last."""
    count = max(2, int(np.ceil(np.log(broadest / narrowest) / np.log(STEP))) + 1)
    return np.asarray(narrowest * STEP ** np.arange(count))


def significance(
    signal: Floats, noise: Noise, gain: Floats, sigma: float, doubts: Floats | None = None
) -> tuple[Floats, Floats]:
    """Return significance and area of a spot of width `sigma` at every sample.

    A difference of two Gaussians of equal area answers to a spot and not to a level or a slope;
    its standard deviation follows from the noise's autocovariance.

    Parameters
    ----------
    signal, gain : (n,) array
    noise : Noise
    sigma : float
        In mm, as `noise.pitch`.
    doubts : (n, k) array, optional
        What the signal may hold besides, each column with one standard deviation.

    Returns
    -------
    two (n,) arrays
    """
    rows = signal[None, :] if doubts is None else np.concatenate([signal[None, :], doubts.T])
    return _significance(_Carried(rows, _reach(sigma / noise.pitch)), noise, gain, sigma)


def _reach(s: float) -> int:
    """Return how many samples to either side a kernel for spots of `s` samples ends."""
    return int(np.ceil(KERNEL_SDS * WIDER * s))


@lru_cache(maxsize=64)  # lanes of one plate are looked through at the same widths
def _kernel(s: float) -> tuple[Floats, float, Floats]:
    """Return the kernel for spots of `s` samples, its answer to one, and its overlap with itself.

    The answer is to a Gaussian of unit height.
    """
    reach = _reach(s)
    at = np.arange(-reach, reach + 1)
    inner = np.exp(-0.5 * (at / s) ** 2)
    outer = np.exp(-0.5 * (at / (WIDER * s)) ** 2)
    kernel = inner / inner.sum() - outer / outer.sum()
    return kernel, float(kernel @ inner), np.correlate(kernel, kernel, "full")[kernel.size - 1:]


class _Carried:
    """Rows carried on past their ends with their last values, and transformed once for all kernels.

    Parameters
    ----------
    rows : (k, n) array
    reach : int
        The longest kernel's, to either side.
    """

    def __init__(self, rows: Floats, reach: int) -> None:
        self._reach, self._count = reach, rows.shape[1]
        self._size = next_fast_len(self._count + 2 * reach, real=True)
        whole = np.pad(rows, [(0, 0), (reach, reach)], mode="edge")
        self._transformed = rfft(whole, self._size, axis=1)

    def through(self, kernel: Floats) -> Floats:
        """Return the rows convolved with a symmetric `kernel`, no longer than the longest."""
        middle = np.zeros(self._size)
        reach = kernel.size // 2
        middle[: reach + 1], middle[self._size - reach:] = kernel[reach:], kernel[:reach]
        whole = irfft(self._transformed * rfft(middle).real, self._size, axis=1)
        return np.asarray(whole[:, self._reach: self._reach + self._count])


def _significance(
    rows: _Carried, noise: Noise, gain: Floats, sigma: float
) -> tuple[Floats, Floats]:
    """Return `significance` of the first of `rows`; the others are its doubts."""
    s = sigma / noise.pitch
    kernel, answer, overlap = _kernel(s)
    answer /= np.sqrt(2 * np.pi) * sigma  # to a spot of unit area
    area, *doubts = rows.through(kernel) / answer
    m = min(overlap.size, noise.autocorrelation.size)
    shared = overlap[:m] * noise.autocorrelation[:m]
    sd = noise.sd * np.sqrt(max(float(shared[0] + 2 * shared[1:].sum()), NO_VARIANCE)) / answer
    if sd == 0.0:  # nothing can be held against no noise
        return np.zeros_like(area), area
    spread = sd * ndimage.uniform_filter1d(gain, max(1, round(2 * s)))
    if doubts:
        spread = np.sqrt(spread**2 + np.square(doubts).sum(axis=0))
    return area / spread, area


def candidates(
    position: Floats, signal: Floats, noise: Noise, gain: Floats, usable: NDArray[np.bool_],
    sigmas: Floats, threshold: float, doubts: Floats | None = None,
) -> list[Candidate]:
    """Return the local maxima of significance over position and width, above `threshold`.

    Parameters
    ----------
    position, signal, gain : (n,) array
    usable : (n,) bool array
        A place hidden by pencil is no candidate; it is bridged for its neighbours' sake.
    sigmas : (k,) array
    threshold : float
        In standard deviations.
    doubts : (n, k) array, optional
        As for `significance`.

    Returns
    -------
    list of Candidate
        In order of position.
    """
    if not usable.all():
        signal = np.interp(position, position[usable], signal[usable])
    rows = signal[None, :] if doubts is None else np.concatenate([signal[None, :], doubts.T])
    carried = _Carried(rows, _reach(float(max(sigmas)) / noise.pitch))
    stack = [_significance(carried, noise, gain, float(s)) for s in sigmas]
    z = np.stack([a for a, _ in stack])
    area = np.stack([b for _, b in stack])
    z[:, ~usable] = 0.0
    top = ndimage.maximum_filter(z, size=(3, 3), mode="nearest") == z
    found = [(float(z[k, i]), int(k), int(i))
             for k, i in zip(*np.nonzero(top & (z > threshold)), strict=True)]
    # One spot answers at several widths: the most significant stands for its surroundings.
    found.sort(reverse=True)
    kept = _strongest([(k, i) for _, k, i in found], sigmas, position)
    # Two spots with a valley answer best as one broad one: look for the valley at finer widths.
    # Those it falls into may be there already, in their own right.
    maxima = {place for k, i in kept for place in _maxima(z, sigmas, position, k, i, threshold)}
    kept = _strongest(sorted(maxima, key=lambda place: (-z[place], place)), sigmas, position)
    return [Candidate(float(position[i]), float(sigmas[k]), float(area[k, i]), float(z[k, i]))
            for k, i in sorted(kept, key=lambda place: place[1])]


def _strongest(
    places: list[tuple[int, int]], sigmas: Floats, position: Floats
) -> list[tuple[int, int]]:
    """Return the places, the most significant first, that no earlier one stands for."""
    kept: list[tuple[int, int]] = []
    for k, i in places:
        if all(abs(position[i] - position[j])
               > ONE_SPOT * min(max(sigmas[k], sigmas[m]), ONE_SPOT_MOST * sigmas[m])
               for m, j in kept):
            kept.append((k, i))
    return kept


VALLEY = 4.0  # standard deviations by which significance must dip between two maxima


def _maxima(
    z: Floats, sigmas: Floats, position: Floats, k: int, i: int, threshold: float
) -> list[tuple[int, int]]:
    """Return the maxima that a broad one falls into at the finer width that shows the most.

    The broad one itself where there is none: of widths that show as many, the broadest counts.
    """
    inside = np.nonzero(np.abs(position - position[i]) < 2.0 * sigmas[k])[0]
    best = [(k, i)]
    for finer in range(k - 1, -1, -1):
        row = z[finer, inside]
        peaks = [int(j) for j in range(1, row.size - 1)
                 if row[j] > threshold and row[j] >= row[j - 1] and row[j] > row[j + 1]]
        kept: list[int] = []
        for j in peaks:
            if kept and row[kept[-1]: j + 1].min() > min(row[kept[-1]], row[j]) - VALLEY:
                if row[j] > row[kept[-1]]:
                    kept[-1] = j
                continue
            kept.append(j)
        if len(kept) > len(best):
            best = [(finer, int(inside[j])) for j in kept]
    return best


def limit(noise: Noise, gain: Floats, sigma: float, threshold: float) -> float | None:
    """Return the area of the smallest spot of width `sigma` found half of the time, if known.

    It has to stand out of the noise to be seen, and to be significant with its place, width and
    area all free to be kept: of the two, the larger.
    """
    one = np.zeros(4 * int(np.ceil(8 * sigma / noise.pitch)) + 1)
    middle = one.size // 2
    at = (np.arange(one.size) - middle) * noise.pitch
    spot = np.exp(-0.5 * (at / sigma) ** 2) / (np.sqrt(2 * np.pi) * sigma)
    z, _ = significance(spot, noise, np.ones(one.size), sigma)
    if z[middle] <= 0:
        return None
    seen = threshold / z[middle]
    kept = KEPT * threshold * AREA_SD * noise.sd * np.sqrt(2 * np.pi * sigma * noise.correlation_mm)
    return float(max(seen, kept) * np.median(gain))

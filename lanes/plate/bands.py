"""Differences of Gaussian blurs at many scales of one image, through its cosine transform."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

TRUNCATE = 3.0  # standard deviations at which a kernel ends


class Bands:
    """One stack of images, blurred at any scale without convolving it anew.

    An image mirrored at its rims, half a sample out, is diagonal in the cosine transform of the
    second kind for every symmetric kernel (Martucci, IEEE Trans. Signal Process. 42, 1038
    (1994), from memory): each further scale costs one inverse transform, however wide it is.

    Parameters
    ----------
    images : (channels, rows, columns) array
    broadest : float
        The largest sigma that will be asked for, in samples.
    coarsest : int
        What every `step` that will be asked for divides.
    """

    def __init__(self, images: Image, broadest: float, coarsest: int = 1) -> None:
        self._shape = images.shape[1:]
        beyond = int(TRUNCATE * broadest + 0.5)
        self._size = tuple(_fast(n, beyond, coarsest) for n in self._shape)
        if self._size != self._shape:
            more = [(0, size - n) for size, n in zip(self._size, self._shape, strict=True)]
            images = np.pad(images, [(0, 0), *more], mode="symmetric")
        self._transformed = fft.dctn(images, axes=(1, 2))

    def __len__(self) -> int:
        """Return how many images there are."""
        return len(self._transformed)

    def between(self, narrow: float, wide: float, step: int = 1) -> Image:
        """Return the images blurred with sigma `narrow` less the same with `wide`, in samples.

        At the middle of every block of `step` samples a side, the last ones of which may reach
        beyond the image: the lowest cosines alone, transformed back, are the blurred image there.
        What that leaves out is what the cut-off kernel's ripples do, less than 3e-3 of the
        image's own scatter, where `narrow` is no less than 1.6 `step`.
        """
        size = tuple(n // step for n in self._size)
        kept = self._transformed[:, : size[0], : size[1]]
        kept = kept * (_between(narrow, wide, self._size, step) / np.float32(step**2))
        rows, columns = (-(-n // step) for n in self._shape)
        whole = fft.idctn(kept, axes=(1, 2), overwrite_x=True)
        return np.asarray(whole[:, :rows, :columns], np.float32)


def _fast(samples: int, beyond: int, unit: int) -> int:
    """Return a multiple of `unit` whose transform is fast: of the given length, or more of its
    mirror image.

    A kernel sees `beyond` samples past the rim; what lies farther out is of no consequence.
    """
    def fast(length: int) -> int:
        return unit * int(fft.next_fast_len(-(-length // unit), real=True))

    if fast(samples) == samples:
        return samples
    return -(-samples // unit) * unit if beyond > samples else fast(samples + beyond)


@lru_cache(maxsize=8)  # one plate's depths are blurred at few scales, some ten times each
def _between(narrow: float, wide: float, size: tuple[int, ...], step: int) -> Image:
    """Return what the difference of two Gaussian kernels leaves of each pair of low cosines."""
    one, two = ([_response(sigma, n)[: n // step] for n in size] for sigma in (narrow, wide))
    return (np.outer(*one) - np.outer(*two)).astype(np.float32)


def _response(sigma: float, samples: int) -> Floats:
    """Return what a Gaussian kernel, cut off and of sum 1, leaves of each cosine."""
    reach = int(TRUNCATE * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    angle = np.pi * np.arange(samples) / samples
    return np.asarray(np.cos(np.outer(angle, at)) @ (kernel / kernel.sum()))

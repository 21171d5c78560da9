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
    """

    def __init__(self, images: Image, broadest: float) -> None:
        self._shape = images.shape[1:]
        beyond = int(TRUNCATE * broadest + 0.5)
        self._size = _fast(self._shape[0], beyond), _fast(self._shape[1], beyond)
        if self._size != self._shape:
            more = [(0, size - n) for size, n in zip(self._size, self._shape, strict=True)]
            images = np.pad(images, [(0, 0), *more], mode="symmetric")
        self._transformed = fft.dctn(images, axes=(1, 2))

    def __len__(self) -> int:
        """Return how many images there are."""
        return len(self._transformed)

    def between(self, narrow: float, wide: float) -> Image:
        """Return the images blurred with sigma `narrow` less the same with `wide`, in samples."""
        whole = fft.idctn(self._transformed * _between(narrow, wide, self._size), axes=(1, 2),
                          overwrite_x=True)
        return np.asarray(whole[:, : self._shape[0], : self._shape[1]], np.float32)


def _fast(samples: int, beyond: int) -> int:
    """Return a length whose transform is fast: the given one, or more of its mirror image.

    A kernel sees `beyond` samples past the rim; what lies farther out is of no consequence.
    """
    fast = fft.next_fast_len(samples, real=True)
    if fast == samples or beyond > samples:
        return samples
    return int(fft.next_fast_len(samples + beyond, real=True))


@lru_cache(maxsize=8)  # one plate's depths are blurred at few scales, some ten times each
def _between(narrow: float, wide: float, size: tuple[int, int]) -> Image:
    """Return what the difference of two Gaussian kernels leaves of each pair of cosines."""
    one, two = ([_response(sigma, n) for n in size] for sigma in (narrow, wide))
    return (np.outer(*one) - np.outer(*two)).astype(np.float32)


def _response(sigma: float, samples: int) -> Floats:
    """Return what a Gaussian kernel, cut off and of sum 1, leaves of each cosine."""
    reach = int(TRUNCATE * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    angle = np.pi * np.arange(samples) / samples
    return np.asarray(np.cos(np.outer(angle, at)) @ (kernel / kernel.sum()))

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
    """

    def __init__(self, images: Image) -> None:
        self._shape = images.shape[1:]
        self._transformed = fft.dctn(images, axes=(1, 2))

    def between(self, narrow: float, wide: float) -> Image:
        """Return the images blurred with sigma `narrow` less the same with `wide`, in samples."""
        one, two = ([_response(sigma, n) for n in self._shape] for sigma in (narrow, wide))
        response = np.outer(*one) - np.outer(*two)
        return np.asarray(
            fft.idctn(self._transformed * response.astype(np.float32), axes=(1, 2)), np.float32)


@lru_cache(maxsize=64)
def _response(sigma: float, samples: int) -> Floats:
    """Return what a Gaussian kernel, cut off and of sum 1, leaves of each cosine."""
    reach = int(TRUNCATE * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    angle = np.pi * np.arange(samples) / samples
    return np.asarray(np.cos(np.outer(angle, at)) @ (kernel / kernel.sum()))

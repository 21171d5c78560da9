"""Differences of blurs through the cosine transform against the library's own blurs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from lanes.plate.bands import Bands


@pytest.mark.parametrize("shape", [(64, 60), (197, 131), (20, 197)])  # fast, and of large primes
def test_bands_are_differences_of_blurs(shape: tuple[int, int]) -> None:
    images = np.random.default_rng(3).normal(size=(2, *shape)).astype(np.float32)
    found = Bands(images, 8.0).between(3.0, 8.0)
    for image, band in zip(images, found, strict=True):
        narrow, wide = (ndimage.gaussian_filter(image.astype(float), s, truncate=3.0)
                        for s in (3.0, 8.0))
        np.testing.assert_allclose(band, narrow - wide, atol=2e-6)


def test_bands_of_every_second_sample_are_those_between_the_samples() -> None:
    """At the middle of each block of two a side, as a blurred image is known from its samples."""
    images = np.random.default_rng(4).normal(size=(2, 61, 90)).astype(np.float32)
    bands = Bands(images, 8.0, 2)
    whole, half = bands.between(3.2, 7.0), bands.between(3.2, 7.0, 2)
    assert half.shape == (2, 31, 45)
    for axis in (1, 2):  # midway between samples, by the cubic through the two on either side
        a, b, c, d = (whole.take(range(i, whole.shape[axis] - 3 + i), axis) for i in range(4))
        whole = (9.0 * (b + c) - a - d) / 16.0
    between = whole[:, 1::2, 1::2]
    inner = half[:, 1: 1 + between.shape[1], 1: 1 + between.shape[2]]
    assert np.abs(inner - between).max() < 0.01 * half.std()

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

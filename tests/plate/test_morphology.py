"""Masks grown, opened and followed, against scipy.ndimage's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from lanes.plate.morphology import dilated, extreme, highest, opened, reached


@pytest.mark.parametrize("shape", [(40, 31), (3, 50), (2, 2), (1, 9)])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_they_are_scipy_s_own(shape: tuple[int, int], share: float) -> None:
    rng = np.random.default_rng(4)
    mask = rng.random(shape) < share
    core = mask & (rng.random(shape) < 0.1)
    for times in (1, 2, 3):
        np.testing.assert_array_equal(dilated(mask, times),
                                      ndimage.binary_dilation(mask, iterations=times))
    np.testing.assert_array_equal(opened(mask), ndimage.binary_opening(mask))
    np.testing.assert_array_equal(reached(core, mask),
                                  ndimage.binary_propagation(core, mask=mask))


def test_what_is_given_is_left_as_it_was() -> None:
    mask = np.zeros((5, 5), bool)
    mask[2, 2] = True
    before = mask.copy()
    assert dilated(mask).sum() == 5
    np.testing.assert_array_equal(mask, before)


@pytest.mark.parametrize("size", [3, 5, 9, 17])
@pytest.mark.parametrize("rows", [20, 128, 150])
def test_running_extremes_are_the_librarys(size: int, rows: int) -> None:
    image = np.random.default_rng(size).normal(size=(rows, 41)).astype(np.float32)
    np.testing.assert_array_equal(extreme(image, size, np.maximum),
                                  ndimage.maximum_filter(image, size))
    np.testing.assert_array_equal(extreme(image, size, np.minimum),
                                  ndimage.minimum_filter(image, size))
    for axis in (0, 1):
        np.testing.assert_array_equal(highest(image, size, axis),
                                      ndimage.maximum_filter1d(image, size, axis=axis))

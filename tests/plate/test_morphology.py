"""Masks grown, opened and followed, against scipy.ndimage's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from lanes.plate.morphology import dilated, opened, reached


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

"""The path of a stroke drawn by hand, where no parabola follows it."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.plate.freehand import path_near

PITCH, MM = 2.0, 0.1  # mm: of blocks, and of rows


def test_the_path_follows_the_votes() -> None:
    votes = np.zeros((60, 20))
    rows = np.rint(30 + 4 * np.sin(np.arange(20) / 4)).astype(int)
    votes[rows, np.arange(20)] = 1.0
    path = path_near(votes, np.full(20, 30.0), PITCH, MM)
    assert path is not None
    np.testing.assert_array_equal(path, rows)


@pytest.mark.parametrize("rough", [
    np.linspace(0.0, 4000.0, 20),            # steeper than any hand's
    np.where(np.arange(20) < 3, 900.0, 30),  # out of the plate at its end
])
def test_no_path_keeps_near_a_curve_no_hand_drew(rough: np.ndarray) -> None:
    assert path_near(np.zeros((60, 20)), rough, PITCH, MM) is None

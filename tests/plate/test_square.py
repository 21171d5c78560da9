"""Light on the plate's even grid: a plate that lies straight is read as any other is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from lanes.plate.layout import plate_to_pixels, project
from lanes.plate.square import at_places, choose_grid, places


@pytest.mark.parametrize("reduce", [1, 2, 3])
@pytest.mark.parametrize("corner", [(-0.5, 120.5), (3.2, 118.9), (-2.0, 125.0)])
def test_a_straight_plate_is_read_as_any_other(reduce: int, corner: tuple[float, float]) -> None:
    left, bottom = corner
    corners = np.array([[left, bottom], [left + 97.0, bottom], [left + 97.0, bottom - 110.0],
                        [left, bottom - 110.0]])
    grid, _ = choose_grid(97.0, 110.0, corners, 1.0)
    light = np.random.default_rng(0).random((121 // reduce, 97 // reduce)).astype(np.float32)
    where = places(grid, reduce, 97.0, 110.0, corners)
    assert where[0].shape == (grid.rows, 1)
    homography = plate_to_pixels(97.0, 110.0, corners)
    column, row = project(homography, grid.x()[None, :], grid.y()[:, None])
    expected = ndimage.map_coordinates(
        light, [(row + 0.5) / reduce - 0.5, (column + 0.5) / reduce - 0.5], order=1,
        mode="nearest")
    np.testing.assert_allclose(at_places(light, where), expected, atol=3e-4)


def test_a_tilted_plate_is_not_taken_for_a_straight_one() -> None:
    corners = np.array([[0.0, 100.0], [100.0, 100.01], [100.0, 0.0], [0.0, 0.0]])
    grid, reduce = choose_grid(100.0, 100.0, corners, 1.0)
    assert places(grid, reduce, 100.0, 100.0, corners)[0].shape == (grid.rows, grid.columns)
    sideways = np.roll(np.array([[0.0, 9.0], [9.0, 9.0], [9.0, 0.0], [0.0, 0.0]]), 1, axis=0)
    assert places(grid, 1, 9.0, 9.0, sideways)[0].shape == (grid.rows, grid.columns)

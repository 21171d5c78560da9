"""A side moved to where the layer ends; corners and what they share."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from lanes.plate.corners import overlap, shares, within
from lanes.plate.sides import refine, slope_sds

SQUARE = np.array([[0.0, 1.0], [1, 1], [1, 0], [0, 0]])
TRUE = np.array([[40.3, 160.3], [160.3, 160.3], [160.3, 40.3], [40.3, 40.3]])


def scene(layer: float, bed: float, shadow: float = 0.0) -> Any:
    """Return a function that gives tone near a square plate, with a shadow beside its sides."""
    fine = 10  # samples a pixel: a side at 40.3 is no staircase
    row, column = np.mgrid[: 200 * fine, : 200 * fine] / fine - 0.45
    plate = (np.abs(row - 100.3) < 60) & (np.abs(column - 100.3) < 60)
    off = np.maximum(np.maximum(np.abs(row - 100.3), np.abs(column - 100.3)) - 60, 0)
    tone = np.where(plate, layer, bed * (1 - shadow * np.exp(-off / 2.0)))
    tone = ndimage.gaussian_filter(tone.reshape(200, fine, 200, fine).mean(axis=(1, 3)), 0.7)
    tone += np.random.default_rng(1).normal(0, 0.002, tone.shape)

    def sample(row: Any, column: Any) -> Any:
        return ndimage.map_coordinates(tone, [row, column], order=1, mode="nearest")[..., None]

    return sample


@pytest.mark.parametrize(("layer", "bed"), [(0.9, 0.4), (0.4, 0.9), (0.9, 0.88)])
@pytest.mark.parametrize("moved", [-1.5, 1.5])
def test_a_side_is_moved_to_the_half_way_tone(layer: float, bed: float, moved: float) -> None:
    found = refine(scene(layer, bed), TRUE + moved)
    assert np.abs(found - TRUE).max() < 0.25


def test_a_shadow_on_brighter_paper_is_no_part_of_the_plate() -> None:
    """Leaving it, the tone passes the layer's own once more: that is no side."""
    found = refine(scene(0.88, 0.94, shadow=0.25), TRUE + 1.0)
    assert np.abs(found - TRUE).max() < 1.0


def test_spots_by_the_side_do_not_move_it() -> None:
    plain = scene(0.9, 0.4)

    def sample(row: Any, column: Any) -> Any:
        spot = (np.abs(row - 70) < 8) & (np.abs(column - 44) < 3)
        return np.where(spot[..., None], 0.3, plain(row, column))

    assert np.abs(refine(sample, TRUE + 1.0) - TRUE).max() < 0.5


def test_a_straight_side_is_sure() -> None:
    assert slope_sds(scene(0.9, 0.4), TRUE).max() < 0.0005


def test_a_cut_that_wanders_shows_how_far_a_side_is_from_square() -> None:
    """Sides cut as Brownian paths, 1 px of straying in 25 px of way: their slopes by their sds."""
    rng = np.random.default_rng(7)
    ratios = []
    for _ in range(12):
        cut = np.cumsum(rng.normal(0.0, 0.2, 240))

        def sample(row: Any, column: Any, cut: Any = cut) -> Any:
            right = 160.3 + np.interp(row, np.arange(240.0), cut)
            return np.where(column < right, 0.9, 0.4)[..., None]

        corners = refine(sample, TRUE + np.array([[0.0], [1.0], [1.0], [0.0]]) * cut[100])
        (x0, y0), (x1, y1) = corners[1], corners[2]
        ratios.append((x1 - x0) / (y0 - y1) / slope_sds(sample, corners)[1])
    assert 0.5 < np.sqrt(np.mean(np.square(ratios))) < 2.0


def test_areas_and_what_is_shared() -> None:
    a, b, common = shares(2 * SQUARE, 2 * SQUARE + np.array([1.0, 0.5]))
    np.testing.assert_allclose([a, b, common], [4.0, 4.0, 1.5])
    assert shares(SQUARE, SQUARE + 3.0)[2] == 0.0
    # A square turned by 45 degrees in one of its own size: an octagon of 2 (sqrt 2 - 1).
    middle = SQUARE - 0.5
    turn = np.array([[1.0, 1.0], [-1.0, 1.0]]) / np.sqrt(2)
    np.testing.assert_allclose(shares(middle, middle @ turn)[2], 2 * (np.sqrt(2) - 1))
    np.testing.assert_allclose(overlap(SQUARE, SQUARE + np.array([0.5, 0.0])), 1 / 3)


def test_within_is_apart_from_the_sides() -> None:
    assert within(0.5 * SQUARE + 0.25, SQUARE)
    assert not within(SQUARE * np.array([1.0, 0.6]), SQUARE)  # cut off by a line from side to side
    assert not within(SQUARE, 0.5 * SQUARE + 0.25)

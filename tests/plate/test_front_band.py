"""What the solvent left along its front is no spot of each lane; what the sample left there is."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes.plate.front_band import without_band
from lanes.plate.layout import Layout, Line
from lanes.plate.square import Grid

GRID = Grid(600, 400, 0.1, 0.1)
LAYOUT = Layout(40.0, 60.0, True, 1.0, np.zeros((4, 2)), Line((8.0,)), Line((50.0, 0.02, -0.002)))
NOISE = (0.002 * np.random.default_rng(4).standard_normal((600, 400))).astype(np.float32)


def beyond() -> NDArray[np.float64]:
    """Return each sample's height above the front."""
    return np.asarray(GRID.y()[:, None] - LAYOUT.front.at(GRID.x())[None, :])


def spot(x: float, above: float) -> NDArray[np.float64]:
    square = ((GRID.x()[None, :] - x) / 1.2) ** 2 + ((beyond() - above) / 1.0) ** 2
    return np.asarray(0.3 * np.exp(-0.5 * square))


def test_a_band_across_the_plate_is_taken_off() -> None:
    band = 0.03 * np.exp(-((beyond() / 0.5) ** 2))
    left = without_band((NOISE + band).astype(np.float32), LAYOUT, GRID)
    assert np.abs(left - NOISE)[:, 35:-35].max() < 0.009
    np.testing.assert_array_equal(left[np.abs(beyond()) > 5.2], NOISE[np.abs(beyond()) > 5.2])


def test_a_band_that_sways_about_the_front_is_taken_off_wherever_it_runs() -> None:
    """Where it leaves the line by as much as it is wide, the rest of it was a spot of that lane."""
    sway = -0.5 + 0.5 * np.exp(-(((GRID.x() - 24.0) / 7.0) ** 2))
    band = 0.1 * np.exp(-(((beyond() - sway) / 0.6) ** 2))
    left = without_band((NOISE + band + spot(10.0, -1.0)).astype(np.float32), LAYOUT, GRID)
    rest = left - spot(10.0, -1.0)
    assert np.abs(rest)[:, 35:-35].max() < 0.03
    assert np.abs(rest[np.abs(beyond()) < 2.0].mean()) < 0.002


def test_a_level_band_beside_the_line_is_taken_off() -> None:
    """1.6 mm wide, and level as it dries: its top is anywhere on it, the line to one side."""
    band = 0.03 / (1.0 + (np.abs(beyond() + 0.4) / 0.8) ** 12)
    left = without_band((NOISE + band).astype(np.float32), LAYOUT, GRID)
    assert np.abs(left - NOISE)[:, 35:-35].max() < 0.009


def test_a_band_that_trails_behind_the_front_is_taken_off_to_its_end() -> None:
    """What glows under 366 nm: sharp at the front, and a third as bright every 2 mm behind it."""
    band = 0.15 * np.exp(np.minimum(beyond(), 0.0) / 2.0) / (1.0 + np.exp(beyond() / 0.15))
    left = without_band((NOISE + band).astype(np.float32), LAYOUT, GRID)
    rows = left[:, 35:-35].mean(axis=1)
    assert np.abs(left - NOISE)[np.abs(beyond()) > 0.6].max() < 0.009
    assert np.abs(rows).max() < 0.006


@pytest.mark.parametrize("above", [-0.04, 0.04])
def test_layer_of_another_tone_above_the_front_is_no_part_of_its_band(above: float) -> None:
    tone = above / (1.0 + np.exp(-beyond() / 0.1))
    band = 0.1 * np.exp(-((beyond() / 0.5) ** 2))
    left = without_band((NOISE + tone + band).astype(np.float32), LAYOUT, GRID) - NOISE - tone
    assert np.abs(left)[np.abs(beyond()) > 1.5].max() < 0.004


@pytest.mark.parametrize("count", [1, 2, 3])
def test_spots_at_the_front_stay(count: int) -> None:
    spots = sum(spot(x, -1.0) for x in np.linspace(6.0, 34.0, count))
    band = 0.03 * np.exp(-((beyond() / 0.5) ** 2))
    left = without_band((NOISE + band + spots).astype(np.float32), LAYOUT, GRID)
    assert left.sum() == pytest.approx(float(np.sum(spots)), rel=0.05)


@pytest.mark.parametrize("count", [4, 5])
def test_a_row_of_spots_at_the_front_is_no_band(count: int) -> None:
    spots = sum(spot(x, -1.0) for x in np.linspace(6.0, 34.0, count))
    values = (NOISE + spots).astype(np.float32)
    assert without_band(values, LAYOUT, GRID) is values


def test_without_a_band_nothing_is_changed() -> None:
    values = (NOISE + spot(12.0, 0.0)).astype(np.float32)
    assert without_band(values, LAYOUT, GRID) is values

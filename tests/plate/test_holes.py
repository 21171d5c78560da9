"""A hole in the layer is no spot: it ends sharply, whatever a spot's depth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from plain import FRONT, HIGH, LANES, ORIGIN, SPOTS, codes, kept
from scipy import ndimage

import lanes
from lanes.plate.holes import holes

MM = 0.1
Y, X = np.meshgrid(*(np.arange(0.0, 20.0, MM),) * 2, indexing="ij")


def shown(dark: NDArray[np.floating], blur: float) -> dict[str, NDArray[np.float32]]:
    """Return what a picture blurred by `blur` mm shows of a layer less what is `dark`."""
    noise = 0.005 * np.random.default_rng(3).standard_normal(X.shape)
    light = ndimage.gaussian_filter(0.8 * (1.0 - dark), blur / MM) + noise
    return {"red": light.astype(np.float32), "green": (0.9 * light).astype(np.float32)}


def ragged(radius: float) -> NDArray[np.bool_]:
    """Return a hole of three corners about the middle."""
    angle = np.arctan2(Y - 12.0, X - 9.0)
    return np.hypot(X - 9.0, Y - 12.0) < radius * (1.0 + 0.4 * np.cos(3.0 * angle))


@pytest.mark.parametrize("blur", [0.05, 0.1])
@pytest.mark.parametrize("radius", [1.0, 2.0])
def test_a_hole_is_seen_with_its_edge(blur: float, radius: float) -> None:
    hole = ragged(radius)
    found = holes(shown(0.96 * hole, blur), MM)
    assert found is not None
    assert found[hole].all()
    assert not found[ndimage.distance_transform_edt(~hole) * MM > 0.6].any()


@pytest.mark.parametrize("inside", [
    np.hypot((X - 9.0) / 1.3, Y - 12.0) < 1.5,
    np.maximum(np.abs(X - 9.0) / 3.0, np.abs(Y - 12.0)) < 1.0,
])
def test_an_even_outline_is_a_spots_however_sharp_it_is_drawn(inside: NDArray[np.bool_]) -> None:
    assert holes(shown(0.96 * inside, 0.1), MM) is None


@pytest.mark.parametrize("height", [3.0, 20.0, 100.0])
def test_a_spot_black_in_all_colours_is_none(height: float) -> None:
    """As narrow as a spot is (0.4 mm at a standard deviation), by Kubelka and Munk's function."""
    f = height * np.exp(-0.5 * ((X - 9.0) ** 2 + (Y - 12.0) ** 2) / 0.4**2)
    assert holes(shown(1.0 - (1.0 + f - np.sqrt(f * f + 2.0 * f)), 0.05), MM) is None


def test_nor_what_is_dark_in_one_colour_or_broken_off_the_rim() -> None:
    stamped = shown(0.96 * ragged(2.0), 0.1)
    stamped["green"] = shown(0.0 * X, 0.1)["green"]
    assert holes(stamped, MM) is None
    assert holes(shown(0.96 * (X + Y < 5.0), 0.1), MM) is None


def test_a_lane_with_a_hole_is_read_and_says_so(tmp_path: Path) -> None:
    dpi = 150.0
    picture = codes(grain=0.5, dpi=dpi)
    row, column = np.indices(picture.shape[:2]) * 25.4 / dpi
    rise = HIGH - ORIGIN - 0.3 * (FRONT - ORIGIN)
    angle = np.arctan2(row - rise, column - LANES[1])
    picture[np.hypot(column - LANES[1], row - rise) < 1.3 * (1.0 + 0.4 * np.cos(3 * angle))] = 12
    lane = lanes.measure(kept(picture, tmp_path / "plate.png"), light="white", dpi=dpi).lane("2")
    assert [s.rf for s in lane.spots] == [
        pytest.approx(s.rf, abs=0.01) for s in SPOTS if s.lane == 1]
    assert "masked" in [flag.name for flag in lane.flags]

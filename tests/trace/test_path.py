"""The lane's path: where spots off their tick are followed, and where it stays put."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.signal import Signal
from lanes.plate.square import Grid
from lanes.trace.path import MOST_LEAN, follow

PITCH = 0.15
GRID = Grid(400, 260, PITCH, PITCH)
X, Y = GRID.x()[None, :], GRID.y()[:, None]
ORIGIN, FRONT = 8.0, 52.0


def layout(*lanes: Lane) -> Layout:
    corners = np.array([[0, 400], [260, 400], [260, 0], [0, 0]], float)
    return Layout(39.0, 60.0, True, 1.0, corners, Line((ORIGIN,)), Line((FRONT,)), lanes)


def signal(*spots: tuple[float, float, float], noise: float = 0.002, seed: int = 0) -> Signal:
    """Return spots given as (x, rise above the origin line, height), 1 mm of sigma, in noise."""
    values = np.random.default_rng(seed).normal(0, noise, (GRID.rows, GRID.columns))
    for x, rise, height in spots:
        values += height * np.exp(-0.5 * ((X - x) ** 2 + (Y - ORIGIN - rise) ** 2))
    values = values.astype(np.float32)
    none = np.zeros(values.shape, bool)
    return Signal(values, np.ones_like(values), ~none, values, none, np.zeros_like(values), GRID,
                  "white", "kubelka-munk", "mean", 0.86, ())


def followed(lane: Lane, *spots: tuple[float, float, float], **options: Any) -> Lane:
    return follow(signal(*spots, **options), layout(lane)).lanes[0]


def on_path(x: float, lean: float) -> list[tuple[float, float, float]]:
    return [(x + lean * rise, rise, 0.2) for rise in (6.0, 15.0, 24.0, 38.0)]


@pytest.mark.parametrize("lean", [-0.04, -0.02, 0.0, 0.02, 0.04])
@pytest.mark.parametrize("shift", [0.0, 0.4])
def test_a_leaning_lane_is_followed(lean: float, shift: float) -> None:
    lane = followed(Lane("1", 20.0, 8.0), *on_path(20.0 + shift, lean))
    rise = np.array([6.0, 38.0])
    found: NDArray[np.float64] = lane.x + lane.lean * rise
    # Held somewhat towards tick and vertical: within a tenth of the spots' sigma of 1 mm,
    # and three tenths where the lean is at its worst.
    np.testing.assert_allclose(found, 20.0 + shift + lean * rise, atol=0.1 + 5 * abs(lean))
    if lean:
        assert np.sign(lane.lean) == np.sign(lean)
        assert abs(lane.lean) <= MOST_LEAN


def test_one_spot_moves_the_lane_but_hardly_leans_it() -> None:
    lane = followed(Lane("1", 20.0, 8.0), (20.5, 20.0, 0.2))
    assert lane.x + lane.lean * 20 == pytest.approx(20.5, abs=0.15)
    assert abs(lane.lean) < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_an_empty_lane_stays_where_its_tick_is(seed: int) -> None:
    lane = Lane("1", 20.0, 8.0)
    assert followed(lane, seed=seed) == lane


def test_no_lean_beyond_what_is_possible() -> None:
    lane = followed(Lane("1", 20.0, 12.0), *on_path(20.0, 0.15))
    assert abs(lane.lean) <= MOST_LEAN


def test_each_lane_is_followed_on_its_own_and_keeps_the_rest() -> None:
    lanes = (Lane("a", 10.0, 7.0, role="reference", confidence=0.9), Lane("b", 20.0, 7.0),
             Lane("c", 30.0, 7.0))
    spots = [*on_path(10.3, 0.0), *on_path(29.8, 0.02)]
    found = follow(signal(*spots), layout(*lanes)).lanes
    assert [lane.name for lane in found] == ["a", "b", "c"]
    assert (found[0].role, found[0].confidence, found[0].width) == ("reference", 0.9, 7.0)
    assert found[0].x == pytest.approx(10.3, abs=0.15)
    assert found[1] == lanes[1]
    assert found[2].lean > 0.005


def test_the_rest_of_the_layout_is_as_it_was() -> None:
    before = layout(Lane("1", 20.0, 8.0))
    after = follow(signal(*on_path(20.2, 0.01)), before)
    assert (after.origin, after.front, after.width) == (before.origin, before.front, before.width)


def test_a_neighbour_s_large_spot_that_reaches_over_pulls_no_lane() -> None:
    lane = Lane("2", 20.0, 8.0)
    spots = on_path(20.0, 0.0)
    beside = [(20.0 - 5.5, 19.0, 40.0)]  # in the gap between two of the lane's own, and 200 times
    assert followed(lane, *spots, *beside).x == pytest.approx(followed(lane, *spots).x, abs=0.1)

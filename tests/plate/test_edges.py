"""Straight edges and what lies beside them, on small drawn pictures of tone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lanes.plate.closed import Closing, sides, with_borders
from lanes.plate.edges import Edges, edges_of, find_lines, look
from lanes.plate.outline import CLOSE

SHAPE = (200, 240)
PLATE = (50.0, 150.0, 60.0, 180.0)  # top, bottom, left, right: its outermost rows and columns


def blank(noise: float = 0.004, seed: int = 3) -> Any:
    """Return a picture of one tone with a camera's noise, which is not alike from row to row."""
    rng = np.random.default_rng(seed)
    return 0.8 + rng.normal(0, noise, (*SHAPE, 3))


def inside() -> Any:
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    top, bottom, left, right = PLATE
    return (row >= top) & (row <= bottom) & (column >= left) & (column <= right)


def along(edges: Edges, row: int) -> float:
    """Return how far the votes along a row agree."""
    return float(np.sqrt(np.square(edges.first[row].mean(axis=0)).sum()))


def test_a_faint_step_along_a_whole_row_outweighs_strong_marks_on_a_tenth_of_it() -> None:
    tone = blank()
    tone[100:] += 0.006  # under two thirds of a code's step, and little above one pixel's noise
    tone[40:44, 50:62] -= 0.3
    tone[44:60, 52:60] -= 0.2
    down, _ = edges_of(tone)
    assert along(down, 100) > 0.6
    assert along(down, 44) < 0.5 * along(down, 100)


def test_a_difference_of_colour_alone_is_seen() -> None:
    """Paper with a brightener and a layer may be equally bright."""
    tone = blank()
    tone[100:] += np.array([0.005, 0.0, -0.005])
    assert along(edges_of(tone)[0], 100) > 0.6


def test_a_pencil_line_is_an_edge_with_one_thing_on_both_sides() -> None:
    tone = blank()
    tone[100:102] -= 0.2
    down, _ = edges_of(tone)
    assert down.strength[100].mean() > 0.9
    assert along(down, 100) < 0.2


def test_a_lamps_slope_is_no_difference() -> None:
    tone = blank() + 0.3 * np.linspace(0, 1, SHAPE[0])[:, None, None]
    down, _ = edges_of(tone)
    assert max(along(down, row) for row in range(20, 180, 10)) < 0.3


def test_a_lamps_slope_in_whole_codes_has_no_edges() -> None:
    """A picture without grain passes from one code to the next along whole rows."""
    light = np.linspace(245.0, 225.0, SHAPE[0]).round()[:, None, None] * np.ones((1, SHAPE[1], 3))
    down, _ = edges_of(look((light / 255.0) ** 2.2))
    assert down.strength[5:-5].max() < 0.05
    light[100:] -= 6.0  # and a plate's side has one still
    down, _ = edges_of(look((light / 255.0) ** 2.2))
    assert down.strength[100].mean() > 0.5


def test_an_upright_edge_is_a_level_one_of_the_picture_turned_over() -> None:
    tone = blank()
    tone[:, 90:] -= 0.1
    _, across = edges_of(tone)
    turned, _ = edges_of(tone.swapaxes(0, 1))
    np.testing.assert_allclose(across.first, turned.first, atol=1e-6)
    np.testing.assert_allclose(across.strength, turned.strength, atol=1e-6)


def test_a_slanted_edge_is_found_among_a_pages_rules() -> None:
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    tone = blank(0.002)
    tone[6::9] -= 0.02  # 22 rules, more than are searched for
    true = 110 - 0.08 * (column - 0.5 * (SHAPE[1] - 1))
    tone[(row > true) & (column > 40) & (column < 200)] = 0.84
    down, _ = edges_of(tone)
    best = min(abs(c - 110) + 100 * abs(m + 0.08) for c, m in find_lines(down.sure()))
    assert best < 2.5


@pytest.mark.parametrize(("first", "last", "low", "high"), [
    (60, 180, 0.95, 1.01), (0, 240, 0.2, 0.4), (60, 240, 0.2, 0.4), (60, 140, 0.2, 0.6),
    (60, 100, 0.0, 0.3)])
def test_a_side_ends_at_its_corners(first: int, last: int, low: float, high: float) -> None:
    """Whole from corner to corner; running on past both or one; stopping short of one."""
    strength = np.zeros(SHAPE, np.float32)
    votes = np.zeros((*SHAPE, 1), np.float32)
    strength[80, first:last] = 1.0
    votes[80, first:last] = 0.9
    found = sides(Edges(strength, votes, votes, 0.05), votes, np.array([[80.0, 0.0]]),
                  np.array([[60.0, 180.0]]))
    assert low <= float(found.score[0, 0, 1]) <= high


def test_what_agrees_by_chance_in_the_same_picture_is_no_difference() -> None:
    """Blocks of compression agree over long pieces: their votes count for less."""
    strength = np.ones(SHAPE, np.float32)
    votes = np.full((*SHAPE, 1), 0.4, np.float32)
    at = np.array([[80.0, 0.0]]), np.array([[60.0, 180.0]])
    quiet, loud = (float(sides(Edges(strength, votes, votes, c), votes, *at).steps[0, 0, 1])
                   for c in (0.05, 0.25))
    assert quiet > 0.5
    assert loud == 0.0


def judged(tone: Any) -> Any:
    down, across = edges_of(tone)
    level, upright = (with_borders(find_lines(e.sure()), len(e.strength)) for e in (down, across))
    return Closing(down, across, level, upright).closed(8)


def off(corners: Any) -> float:
    top, bottom, left, right = PLATE
    true = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
    return float(np.abs(corners - true).max())


def test_a_plate_a_hair_off_its_paper_is_closed_by_its_own_four_sides() -> None:
    """With a pencil line from side to side, a rule of the page close by, and a smudge."""
    tone = blank(0.003)
    tone[7::25] -= 0.008
    tone[inside()] = blank(0.003, 4)[inside()] + np.array([0.006, 0.0, -0.006])
    tone[70:72, 60:181] -= 0.1
    tone[20:30, 20:30] -= 0.4
    quad, *others = judged(tone)
    assert off(quad.corners) < 2.5
    assert not quad.border.any()
    assert all(quad.score > other.score + CLOSE for other in others if off(other.corners) > 2.5)


def test_a_thumb_on_a_side_leaves_it_a_side() -> None:
    tone = blank(0.003)
    tone[inside()] += 0.05
    row, column = np.mgrid[: SHAPE[0], : SHAPE[1]]
    tone[(row - 110) ** 2 + (column - 185) ** 2 < 9**2] = 0.3
    quad = judged(tone)[0]
    assert off(quad.corners) < 2.5
    assert quad.score > 0.8

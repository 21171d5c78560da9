"""What a file's steps leave of the layer: how large they are, and what grain makes of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plain import kept

from lanes.plate.code_steps import relative_step, unspread
from lanes.plate.layout import Layout, Line
from lanes.plate.square import choose_grid
from lanes.scan.scan import read_scan

MM = 25.4 / 150
BARE = np.ones((240, 200), bool)


@pytest.mark.parametrize(("how", "step"), [
    # The file's own step and the code it is unpacked in. T.81, table K.1: 16 eighths at quality 50
    # and 8 at 75; a grey file has no colour.
    ({}, 1.0), ({"quality": 50}, np.hypot(2.0, 1.0)), ({"quality": 75}, np.hypot(1.0, 1.0))])
def test_the_step_is_the_files_own(how: dict[str, int], step: float, tmp_path: Path) -> None:
    """At a layer of code 200: its light less than that of 201 and 199, by the curve's slope."""
    flat = np.full((240, 200), 200, np.uint8)
    scan = read_scan(kept(flat, tmp_path / ("a.jpg" if how else "a.png"), **how), dpi=150)
    wide, high, mm = 200 * MM, 240 * MM, 1.0
    corners = np.array([[0.0, 240.0], [200.0, 240.0], [200.0, 0.0], [0.0, 0.0]])
    layout = Layout(wide, high, True, mm, corners, Line((5.0,)), Line((35.0,)))
    grid, _ = choose_grid(wide, high, corners, mm)
    light = ((np.array([199.5, 200.0, 200.5]) / 255 + 0.055) / 1.055) ** 2.4
    found = relative_step(scan, layout, "mean", BARE, grid)
    assert found == pytest.approx(step * (light[2] - light[0]) / light[1], rel=0.01)


@pytest.mark.parametrize(("grain", "least", "most"), [(0.0, 0.8, 1.0), (0.5, 0.0, 0.05),
                                                    (1.5, 0.0, 0.0)])
def test_grain_of_half_a_code_spreads_it(grain: float, least: float, most: float) -> None:
    noise = np.random.default_rng(5).normal(0, grain, BARE.shape)
    ramp = 0.02 * np.arange(BARE.shape[0])[:, None]
    rounded = np.rint(ramp + noise) - ramp
    assert least <= unspread(rounded.astype(np.float32), BARE, 1.0, 3) <= most


def test_blocks_rounded_each_by_itself_have_nothing_in_common() -> None:
    rng = np.random.default_rng(7)
    blocks = np.kron(rng.uniform(-0.5, 0.5, (30, 25)), np.ones((8, 8))).astype(np.float32)
    assert unspread(blocks, BARE, 1.0, 8) < 0.15
    one_value = np.zeros_like(blocks)
    assert unspread(one_value, BARE, 1.0, 8) == 1.0
    assert unspread(one_value, ~BARE, 1.0, 8) == 0.0
    assert unspread(one_value, BARE, 0.0, 8) == 0.0
    one_value[3, 5] = 1000.0  # one speck does not make grain of the rest
    assert unspread(one_value, BARE, 1.0, 8) > 0.99

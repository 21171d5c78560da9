"""Pencilled lines and ticks against those that were drawn."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from drawn import XS, plate, squared
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from lanes.draw import LaneSpec, draw
from lanes.plate.dividers import without_dividers
from lanes.plate.layout import Layout, Line
from lanes.plate.pencil import Stroke, find_lines
from lanes.plate.square import Grid
from lanes.plate.thin import thick_strokes
from lanes.plate.ticks import find_ticks

Light = NDArray[np.float32]
BARE: dict[str, Any] = {"pencil": False, "ticks": False, "labels": False, "lanes": ()}


@lru_cache(maxsize=8)
def layer(seed: int = 0) -> tuple[Light, Grid]:
    light, grid = squared(draw(plate(seed=seed, **BARE)))
    light.setflags(write=False)
    return light, grid


def lined(
    depth: float, height: float, slope: float = 0.0, sag: float = 0.0, gap: float = 0.0
) -> tuple[Light, Grid, NDArray[np.float64]]:
    """Return a bare layer with one straight or sagging stroke 0.25 mm wide, and its heights.

    `gap` breaks the stroke: of every so many mm it is missing over two fifths.
    """
    light, grid = layer()
    x, y = grid.x(), grid.y()
    line = height + slope * (x - 20) - sag * ((x - 20) / 20) ** 2
    distance = np.abs(y[:, None] - line)
    cover = np.clip((0.125 - distance) / grid.pitch + 0.5, 0, 1) * min(1.0, 0.25 / grid.pitch)
    force = np.where((x % gap) < 0.4 * gap, 0.0, depth) if gap else np.full(x.size, depth)
    return (light * (1 - cover * force)).astype(np.float32), grid, line


def along(height: NDArray[np.float64], depth: float = 0.3) -> tuple[Light, Grid]:
    """Return a bare layer with one stroke 0.25 mm wide at `height` in each column."""
    light, grid = layer()
    distance = np.abs(grid.y()[:, None] - height)
    cover = np.clip((0.125 - distance) / grid.pitch + 0.5, 0, 1) * min(1.0, 0.25 / grid.pitch)
    return (light * (1 - depth * cover)).astype(np.float32), grid


def origin(light: Light, grid: Grid) -> list[Stroke]:
    return find_lines(light, grid, 0.02 * 60, 0.45 * 60, smile=False)


def front(light: Light, grid: Grid) -> list[Stroke]:
    return find_lines(light, grid, 0.45 * 60, 0.99 * 60, smile=True)


@pytest.mark.parametrize(
    "stroke",
    [
        {"depth": 0.4}, {"depth": 0.05}, {"depth": 0.02}, {"depth": 0.3, "gap": 6.0},
        {"depth": 0.3, "slope": 0.04}, {"depth": 0.3, "slope": -0.03},
    ],
    ids=["plain", "faint", "very faint", "broken", "tilted", "tilted down"],
)
def test_the_origin_lines_height(stroke: dict[str, float]) -> None:
    light, grid, line = lined(height=12.3, **stroke)
    best = origin(light, grid)[0]
    np.testing.assert_allclose(best.line.at(grid.x()), line, atol=0.05)
    assert best.score > 15
    assert best.coverage > 0.8


@pytest.mark.parametrize(
    "stroke",
    [
        {"depth": 0.3}, {"depth": 0.3, "sag": 3.0}, {"depth": 0.3, "sag": 4.5},
        {"depth": 0.3, "sag": -3.0}, {"depth": 0.05, "sag": 2.0},
        {"depth": 0.3, "sag": 2.0, "slope": 0.02},
    ],
    ids=["straight", "smile", "broad smile", "frown", "faint smile", "tilted smile"],
)
def test_the_fronts_height(stroke: dict[str, float]) -> None:
    light, grid, line = lined(height=48.2, **stroke)
    best = front(light, grid)[0]
    np.testing.assert_allclose(best.line.at(grid.x()), line, atol=0.05)
    assert best.score > 15


@pytest.mark.parametrize("depth", [0.4, 0.08])
@pytest.mark.parametrize("shape", ["waves", "dent", "lagging at one side", "fast at the edges"])
def test_a_front_drawn_by_hand_is_followed_where_no_parabola_does(
    shape: str, depth: float
) -> None:
    """The solvent's edge is no parabola: what is traced along it counts where each lane is."""
    x = layer()[1].x()
    u = x / 20.0 - 1.0
    height = 48.0 + {
        "waves": 0.9 * np.sin(x / 4.5 + 1.0), "dent": -2.0 * np.exp(-0.5 * ((x - 26.0) / 4.0) ** 2),
        "lagging at one side": -3.0 * np.exp(-x / 8.0), "fast at the edges": 3.0 * u**4}[shape]
    light, grid = along(height, depth)
    best = front(light, grid)[0]
    lanes = (x > 4.0) & (x < 36.0)
    off = best.line.at(x[lanes]) - height[lanes]
    assert np.abs(off).max() < 0.3  # a stroke's width: 0.005 of a run of 60 mm
    assert best.coverage > 0.8
    assert best.thickness < 0.6  # it is measured along the stroke, and is as thin as that


@pytest.mark.parametrize(
    "changes",
    [
        {}, {"light": "254"}, {"light": "366"}, {"tilt": 2}, {"smile": 3}, {"smile": -2},
        {"grain": 0.012, "noise": 0.01, "mottle": 0.015}, {"dpi": 200}, {"seed": 1},
        {"dust": 40, "scratches": 4},
    ],
    ids=str,
)
def test_lines_among_spots(changes: dict[str, Any]) -> None:
    drawing = draw(plate(**changes))
    light, grid = squared(drawing)
    x = np.linspace(2, 38, 50)
    for found, name in ((origin(light, grid), "origin"), (front(light, grid), "front")):
        truth = np.polynomial.polynomial.polyval(x, drawing.truth["lines"][name])
        off = found[0].line.at(x) - truth
        assert abs(off.mean()) < 0.05
        # The drawn pencil itself wavers about its line by 0.05 mm.
        assert np.abs(off).max() < 0.15


def test_the_stated_sd_is_no_less_than_a_hand_drawn_lines_waver() -> None:
    offs, sds = [], []
    for seed in range(6):
        light, grid = squared(draw(plate(seed=seed, labels=False, lanes=())))
        stroke = origin(light, grid)[0]
        offs.append(float(stroke.line.at(20.0)) - 8.0)
        sds.append(stroke.line.sd)
    assert np.sqrt(np.mean(np.square(offs))) < 1.5 * np.mean(sds)
    assert max(sds) < 0.1


def test_a_slow_waver_counts_by_how_far_neighbours_share_it() -> None:
    """A hand's sway of 3 mm: few places along the line are independent of each other."""
    light, grid = layer()
    x, y = grid.x(), grid.y()
    rng = np.random.default_rng(3)
    offs, sds = [], []
    for _ in range(24):
        wide = 3.0 / grid.pitch
        sway = ndimage.gaussian_filter1d(rng.normal(size=x.size + 8 * round(wide)), wide)
        line = 9.0 + 0.08 * (sway / sway.std())[4 * round(wide):][: x.size]
        cover = np.clip((0.125 - np.abs(y[:, None] - line)) / grid.pitch + 0.5, 0.0, 1.0)
        stroke = origin((light * (1.0 - 0.4 * cover)).astype(np.float32), grid)[0]
        offs += (stroke.line.at(np.array(XS)) - 9.0).tolist()
        sds.append(stroke.line.sd)
    assert float(np.sqrt(np.mean(np.square(offs)))) < 1.5 * float(np.mean(sds))


@pytest.mark.parametrize("seed", range(4))
def test_a_bare_layer_has_no_line(seed: int) -> None:
    light, grid = layer(seed)
    found = origin(light, grid) + front(light, grid)
    assert not [s for s in found if s.score > 6]


@pytest.mark.parametrize("kind", ["edge", "slope"])
def test_a_change_of_tone_is_no_line(kind: str) -> None:
    light, grid = layer()
    y = grid.y()
    tone = np.where(y < 12, 0.8, 1.0) if kind == "edge" else 0.5 + 0.5 * y / y.max()
    found = origin((light * tone[:, None]).astype(np.float32), grid)
    assert not [s for s in found if s.score > 6]


def test_nothing_is_found_outside_the_heights_asked_for() -> None:
    light, grid, _ = lined(0.3, 12.3)
    assert not [s for s in find_lines(light, grid, 20, 27, smile=False) if s.score > 6]


@pytest.mark.parametrize(
    "changes", [{}, {"light": "254"}, {"light": "366"}, {"tilt": 2}, {"seed": 3}], ids=str
)
def test_ticks(changes: dict[str, Any]) -> None:
    light, grid = squared(draw(plate(**changes)))
    found = find_ticks(light, grid, Line((8.0,)))
    assert len(found) == len(XS)
    np.testing.assert_allclose([x for x, _ in found], XS, atol=0.15)
    assert min(score for _, score in found) > 5.5


def test_a_line_that_divides_the_plate_is_no_tick() -> None:
    """Plates are scored into strips before they are run: the score crosses the origin, too."""
    light, grid = squared(draw(plate()))
    for i, x in enumerate((15.0, 25.0)):
        column = round(float(grid.column(x)))
        for row in range(grid.rows):  # leaning by a hundredth
            at = column + round(0.01 * (2 * i - 1) * row)
            light[row, at: at + 2] *= 0.7
    ticks = find_ticks(light, grid, Line((8.0,)))
    assert [x for x, _ in ticks] == pytest.approx([10, 15, 20, 25, 30], abs=0.4)
    kept = without_dividers(ticks, light, grid, Line((8.0,)), Line((50.0,)))
    assert [x for x, _ in kept] == pytest.approx(XS, abs=0.4)


@pytest.mark.parametrize(("foot", "head"), [(-2.5, 0.0), (0.0, 2.5), (-2.5, -0.1)])
def test_ticks_that_do_not_cross_the_line(foot: float, head: float) -> None:
    """They hang from the line, or stand on it; none of them is taken for a line up the plate."""
    empty = tuple(LaneSpec(x) for x in XS)
    light, grid = squared(draw(plate(ticks=False, labels=False, lanes=empty)))
    for x in XS:
        rows = slice(*(round(float(grid.row(8.0 + y))) for y in (foot, head)))
        column = round(float(grid.column(x)))
        light[rows, column: column + round(0.4 / grid.mm)] *= 0.6
    ticks = find_ticks(light, grid, Line((8.0,)))
    np.testing.assert_allclose([x for x, _ in ticks], np.add(XS, 0.2), atol=0.2)
    assert min(score for _, score in ticks) > 5.5
    assert without_dividers(ticks, light, grid, Line((8.0,)), Line((50.0,))) == ticks


def test_ticks_of_an_empty_plate() -> None:
    light, grid = squared(draw(plate(lanes=tuple(LaneSpec(x) for x in (7, 15.5, 31)))))
    found = find_ticks(light, grid, Line((8.0,)))
    np.testing.assert_allclose([x for x, _ in found], [7, 15.5, 31], atol=0.15)


def in_a_jpeg(quality: int, seed: int, ticks: tuple[float, ...] = ()) -> tuple[Light, Grid]:
    """Return a layer 50 mm wide with less grain than a code, and a line at 12.375 mm, unpacked."""
    rng = np.random.default_rng(seed)
    slow = ndimage.zoom(rng.standard_normal((21, 41)), 10, order=3)[:200, :400]
    codes = 230.0 + 0.6 * slow + 0.6 * rng.standard_normal((200, 400))
    codes[100:102] = 145.0
    for x in ticks:
        codes[92:110, round(x / 0.125): round(x / 0.125) + 2] = 190.0
    packed = io.BytesIO()
    Image.fromarray(np.clip(np.rint(codes), 0, 255).astype(np.uint8)).save(
        packed, "JPEG", quality=quality)
    light = (np.asarray(Image.open(packed), np.float32) / 255.0) ** 2.2
    return light[::-1], Grid(200, 400, 0.125, 0.125)


@pytest.mark.parametrize(("quality", "block_step"), [(75, 8 / 8), (60, 13 / 8)])
def test_waves_that_a_jpeg_makes_beside_a_line_are_no_ticks(
    quality: int, block_step: float
) -> None:
    """The step is that of T.81, table K.1, at this quality."""
    line, alone = Line((12.375,)), 0
    for seed in range(6):
        light, grid = in_a_jpeg(quality, seed)
        alone += len(find_ticks(light, grid, line))
        assert not find_ticks(light, grid, line, block_step)
        light, grid = in_a_jpeg(quality, seed, (12.0, 24.0, 36.0))
        found = find_ticks(light, grid, line, block_step)
        np.testing.assert_allclose([x for x, _ in found], [12.1, 24.1, 36.1], atol=0.2)
    assert alone > 3  # in grain that compression took away they would stand out


@pytest.mark.parametrize("name", ["1", "I", "l|", "HHH", "++"])
@pytest.mark.parametrize("height", [8.0, 12.0])
def test_labels_are_no_ticks(name: str, height: float) -> None:
    lanes = tuple(LaneSpec(x, name=name + " " * i) for i, x in enumerate(XS))
    light, grid = squared(draw(plate(ticks=False, labels=True, origin=height, lanes=lanes)))
    assert not [x for x, score in find_ticks(light, grid, Line((height,))) if score > 5.5]


@pytest.mark.parametrize("thick", [0.3, 1.2])
def test_a_lines_foot_holds_its_wavering_and_no_more(thick: float) -> None:
    light, grid = layer()
    x, y = grid.x(), grid.y()
    line = 12.3 + 0.15 * np.sin(x / 1.7)
    edge = np.clip((0.5 * thick - np.abs(y[:, None] - line)) / 0.1 + 0.5, 0, 1)
    spots = np.exp(-0.5 * (np.hypot(y[:, None] - 13.5, (x - 8) % 12 - 6) / 0.8) ** 2)
    found = origin((light * (1 - 0.4 * edge) * (1 - 0.3 * spots)).astype(np.float32), grid)[0]
    # The stroke, its wavering to either side, and the blur at its edges.
    assert thick + 0.1 < found.line.thick < thick + 0.6
    assert thick - 0.1 < found.thickness < thick + 0.3


def test_a_thick_line_is_taken_out_of_the_light_and_a_thin_one_is_left_to_others() -> None:
    grid = Grid(300, 200, 0.1, 0.1)
    layout = Layout(20.0, 30.0, True, 1.0, np.zeros((4, 2)), Line((5.0,), thick=0.5),
                    Line((25.0, 0.02), thick=1.5))
    hidden = thick_strokes(layout, grid)
    assert not hidden[:200].any()
    np.testing.assert_allclose(hidden.sum(axis=0) * 0.1, 1.5, atol=0.11)
    assert hidden[250, 5]
    assert not hidden[241, 5]

"""A plate that lies sideways or upside down is turned where its pencil shows how, or is flagged."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from drawn import XS, plate, scan_of

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.errors import LayoutError
from lanes.plate import frame
from lanes.plate.layout import Line
from lanes.plate.locate import locate
from lanes.plate.square import Grid
from lanes.plate.ticks import find_ticks, without_sides
from lanes.plate.upright import (
    NAMED_ODDS,
    End,
    Turn,
    _under_spots,
    ends_of,
    lower_odds,
    marked_odds,
    turn_as_seen,
    turn_sideways,
)
from lanes.scan.scan import Scan
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("outlined_once")
DPI = 150  # of what `plate` draws


@lru_cache(maxsize=8)
def lying(quarters: int, **changes: Any) -> Scan:
    """Return the scan of a plate turned clockwise by so many quarters."""
    drawing = draw(plate(**changes))
    upright = scan_of(drawing)
    codes = np.ascontiguousarray(np.rot90(upright.codes, -quarters))
    return scan_of(drawing, codes=codes, width_px=codes.shape[1], height_px=codes.shape[0])


@pytest.mark.parametrize("tilt", [0.0, 3.0])
@pytest.mark.parametrize("quarters", [0, 1, 2, 3])
def test_a_plate_is_turned_by_its_pencil(quarters: int, tilt: float) -> None:
    layout = locate(lying(quarters, tilt=tilt), Settings())
    assert (layout.width, layout.height) == pytest.approx((40, 60), abs=0.4)
    assert layout.origin.at(20) == pytest.approx(8, abs=0.2)
    assert layout.front.at(20) == pytest.approx(50, abs=0.2)
    np.testing.assert_allclose([lane.x for lane in layout.lanes], XS, atol=0.3)
    names = [f.name for f in layout.flags]
    assert ("turned" in names) == (quarters > 0)
    if quarters:
        text = next(f for f in layout.flags if f.name == "turned").message
        assert f"--turn {90 * quarters}" in text


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_marks_turn_a_plate_whose_outline_is_in_doubt_too(
    quarters: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = frame._found(lying(quarters))[0]
    whole = np.array([[0.0, 400.0], [400.0, 400.0], [400.0, 0.0], [0.0, 0.0]])
    monkeypatch.setattr(frame, "_found", lambda _: (replace(found, rivals=(whole,)),))
    layout = locate(lying(quarters), Settings())
    assert {"outline-doubtful", "turned"} <= {f.name for f in layout.flags}
    assert layout.origin.at(20) == pytest.approx(8, abs=0.2)


def test_what_it_was_turned_by_is_what_turn_does() -> None:
    """The corners of a plate that was turned are those of one turned by --turn."""
    found = locate(lying(1), Settings())
    upright = locate(lying(0), Settings(turn=0))
    assert found.width == pytest.approx(upright.width, abs=0.05)
    assert [lane.x for lane in found.lanes] == pytest.approx(
        [lane.x for lane in upright.lanes], abs=0.1)


def test_it_is_left_as_it_lies_where_asked() -> None:
    layout = locate(lying(2), Settings(turn=0))
    assert "turned" not in [f.name for f in layout.flags]
    assert layout.origin.at(20) == pytest.approx(10, abs=0.2)


def test_places_given_are_of_the_plate_as_it_lies() -> None:
    layout = locate(lying(2), Settings(origin=10.0, front=52.0))
    assert layout.origin.at(20) == 10
    assert "turned" not in [f.name for f in layout.flags]


def test_without_ticks_a_plate_on_its_side_is_refused_and_not_guessed() -> None:
    with pytest.raises(LayoutError, match="--turn 90 or 270"):
        locate(lying(1, ticks=False, labels=False), Settings())
    layout = locate(lying(2, ticks=False, labels=False), Settings())
    assert "turned" not in [f.name for f in layout.flags]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("quarters", [1, 3])
def test_the_lanes_names_turn_a_plate_that_lies_on_its_side(
    quarters: int, seed: int
) -> None:
    layout = locate(lying(quarters, ticks=False, seed=seed), Settings())
    assert layout.origin.at(20) == pytest.approx(8, abs=0.2)
    np.testing.assert_allclose([lane.x for lane in layout.lanes], XS, atol=0.3)
    assert {"turned", "upside-down"} <= {f.name for f in layout.flags}  # one hand in five: said


def test_names_over_the_upper_line_alone_are_flagged() -> None:
    """Upside down, its origin drawn with a bend of 0.5 mm that the front lacks."""
    upright = lying(0, ticks=False, seed=1, smile=0.5)
    rows, columns = upright.codes.shape[:2]
    u = np.linspace(-1.0, 1.0, columns)
    sag = np.rint(0.5 * (1.0 - u * u) * DPI / 25.4).astype(int)
    bent = upright.codes[np.clip(np.arange(rows)[:, None] - sag, 0, rows - 1), np.arange(columns)]
    for codes, doubtful in ((bent, False), (bent[::-1, ::-1], True)):
        layout = locate(replace(upright, codes=np.ascontiguousarray(codes)), Settings())
        assert bool({"turned", "upside-down"} & {f.name for f in layout.flags}) == doubtful


def pencilled(marks: str, bend_mm: float) -> tuple[np.ndarray, Grid]:
    """Return a layer of 40 x 70 mm, lowest row first: origin at 9 mm with marks, front at 62."""
    grid = Grid(700, 400, 0.1, 0.1)
    light = np.random.default_rng(5).normal(0.8, 0.004, (700, 400))
    x, y = grid.x()[None, :], grid.y()[:, None]
    front = 62.0 - bend_mm * ((x - 20.0) / 20.0) ** 2
    light *= np.where(np.abs(y - 9.0) < 0.2, 0.7, 1.0)
    light *= np.where(np.abs(y - front) < 0.2, 0.7, 1.0)
    for at in (10.0, 20.0, 30.0):
        u, v = x - at, y - 9.0
        stroke = {
            "dots": np.hypot(u, v) < 0.6,
            "crosses": (np.abs(np.abs(u) - np.abs(v)) < 0.2) & (np.abs(u) < 1.2),
            "": np.zeros(light.shape, bool),
        }[marks]
        light[stroke] *= 0.7
    return light.astype(np.float32), grid


@pytest.mark.parametrize("marks", ["dots", "crosses"])
def test_marks_of_any_kind_make_the_origin(marks: str) -> None:
    light, grid = pencilled(marks, 0.0)
    assert turn_as_seen(lower_odds(*ends_of(light, grid))) == Turn(0, True)
    over = light[::-1, ::-1]
    assert turn_as_seen(lower_odds(*ends_of(over, grid))) == Turn(2, True)


def test_a_bent_line_is_taken_for_the_front_and_flagged_as_a_guess() -> None:
    light, grid = pencilled("", 1.0)
    odds = lower_odds(*ends_of(light, grid))
    assert turn_as_seen(odds) == Turn(0, True)
    assert turn_sideways(odds, 2) == Turn(1, False)
    odds = lower_odds(*ends_of(light[::-1, ::-1], grid))
    assert turn_as_seen(odds) == Turn(0, False)
    assert turn_sideways(odds, 2) == Turn(3, False)


def test_two_like_lines_decide_nothing() -> None:
    light, grid = pencilled("", 0.0)
    odds = lower_odds(*ends_of(light, grid))
    assert turn_sideways(odds, 2) == Turn(None, False)
    assert turn_as_seen(odds) == turn_as_seen(-odds) == Turn(0, True)


def test_cracks_across_the_front_are_no_marks_of_lanes() -> None:
    """Samples are put on at marks, and their spots stand over these: a crack crosses anywhere."""
    grid = Grid(600, 400, 0.1, 0.1)
    spots = [(10.0, 20.0), (20.0, 20.0), (20.3, 35.0), (30.0, 40.0)]
    ends = End(Line((8.0,))), End(Line((50.0,)), (5.0, 20.9, 26.0))
    assert turn_as_seen(lower_odds(*ends)) == Turn(2, True)
    assert turn_as_seen(lower_odds(*_under_spots(ends, spots, grid))) == Turn(0, True)
    marked = ends[0], replace(ends[1], marks=(10.5, 20.9, 29.0))
    assert _under_spots(marked, spots, grid) == marked
    # One column tells of no row of lanes: then every mark counts.
    assert _under_spots(ends, spots[1:3], grid) == ends


@pytest.mark.parametrize("bend", [-0.2, -1e-14, 1e-14, 0.2])
def test_a_bend_too_slight_to_be_known_does_not_outweigh_names(bend: float) -> None:
    line = Line((9.0,))
    odds = lower_odds(End(line), End(line, bend=bend)) if bend > 0.0 else lower_odds(
        End(line, bend=-bend), End(line))
    assert turn_sideways(odds + NAMED_ODDS, 2) == Turn(1, False)
    assert turn_sideways(odds - NAMED_ODDS, 2) == Turn(3, False)


def test_a_guessed_end_is_flagged() -> None:
    """A plate without ticks whose bent line lies at the picture's lower end."""
    layout = locate(lying(2, ticks=False, labels=False, smile=1.5), Settings())
    assert "upside-down" in [f.name for f in layout.flags]


def test_a_plates_sides_inside_the_picture_are_no_marks() -> None:
    """A line from 10 to 30 mm with a mark in its middle; the plate's sides cross both its ends."""
    grid = Grid(600, 400, 0.1, 0.1)
    light = 0.8 + 0.005 * np.random.default_rng(2).standard_normal((600, 400))
    x, y = grid.x()[None, :], grid.y()[:, None]
    light -= 0.2 * ((np.abs(y - 8.0) < 0.2) & (np.abs(x - 20.0) < 10.0))
    for at in (10.0, 20.0, 30.0):
        light -= 0.2 * ((np.abs(x - at) < 0.2) & (np.abs(y - 8.0) < (1.2 if at == 20.0 else 60.0)))
    image, line = light.astype(np.float32), Line((8.0,))
    ticks = find_ticks(image, grid, line)
    assert [round(x) for x, _ in ticks] == [10, 20, 30]
    assert [round(x) for x, _ in without_sides(ticks, image, grid, line)] == [20]
    inside, every = (ends_of(image, grid, whole=whole)[0].marks for whole in (True, False))
    assert len(inside) < len(every)


@pytest.mark.parametrize("seed", range(3))
def test_marks_too_faint_to_be_seen_alone_count_where_spots_stand_above_them(seed: int) -> None:
    """Strokes a tenth as dark as the line, under five columns; the other line has as many aside."""
    grid = Grid(600, 400, 0.1, 0.1)
    light = 0.8 + 0.01 * np.random.default_rng(seed).standard_normal((600, 400))
    x, y = grid.x()[None, :], grid.y()[:, None]
    columns = (6.0, 13.0, 19.5, 27.0, 34.0)
    for height, aside in ((8.0, 0.0), (50.0, 3.2)):
        light -= 0.2 * (np.abs(y - height) < 0.2)
        for at in columns:
            light -= 0.02 * ((np.abs(x - at - aside) < 0.2) & (np.abs(y - height) < 1.2))
    ends = End(Line((8.0,))), End(Line((50.0,)))
    spots = [(at, 16.0 + 0.8 * at) for at in columns]
    image = light.astype(np.float32)
    assert marked_odds(image, grid, ends, spots) > 2.0
    assert marked_odds(image[::-1], grid, (End(Line((10.0,))), End(Line((52.0,)))),
                       [(at, 60.0 - y) for at, y in spots]) < -2.0
    # One spot, or none between the lines, is no evidence.
    assert marked_odds(image, grid, ends, spots[:1]) == 0.0
    assert marked_odds(image, grid, ends, [(at, 55.0) for at in columns]) == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_one_stroke_across_a_line_makes_no_row_of_marks(seed: int) -> None:
    """Three columns of spots, and a scratch across the upper line where one of them meets it."""
    grid = Grid(600, 400, 0.1, 0.1)
    light = 0.8 + 0.01 * np.random.default_rng(seed).standard_normal((600, 400))
    x, y = grid.x()[None, :], grid.y()[:, None]
    for height in (8.0, 50.0):
        light -= 0.2 * (np.abs(y - height) < 0.2)
    light -= 0.1 * ((np.abs(x - 20.0) < 0.2) & (np.abs(y - 50.0) < 1.2))
    spots = [(at, 16.0 + 0.8 * at) for at in (10.0, 20.0, 30.0)]
    ends = End(Line((8.0,))), End(Line((50.0,)))
    assert abs(marked_odds(light.astype(np.float32), grid, ends, spots)) < 1.0


def test_the_last_codes_of_a_spots_flank_are_no_marks_where_there_is_no_grain() -> None:
    """Codes drawn without noise: spots 4 mm below the front, and nothing else about either line."""
    grid = Grid(600, 400, 0.1, 0.1)
    x, y = grid.x()[None, :], grid.y()[:, None]
    codes = np.full((600, 400), 235.0)
    spots = [(8.0, 20.0), (16.0, 46.0), (24.0, 46.0), (32.0, 45.9)]
    for at, height in spots:
        codes -= 100.0 * np.exp(-0.5 * ((x - at) ** 2 + (y - height) ** 2))
    light = (np.round(codes) / 255.0) ** 2.2
    for height in (8.0, 50.0):
        light = np.where(np.abs(y - height) < 0.15, 0.2, light)
    image = light.astype(np.float32)
    ends = ends_of(image, grid)
    assert [end.marks for end in ends] == [(), ()]
    assert abs(marked_odds(image, grid, ends, spots)) < 1.0


def test_names_under_the_origin_are_heard_against_marks_on_the_front() -> None:
    """Two specks on the front alone would turn the plate."""
    empty = lying(0, ticks=False)
    codes = empty.codes.copy()
    per_mm = DPI / 25.4
    layout = locate(empty, Settings())
    for x in (13.0, 26.0):
        column, row = (int(np.rint(v)) for v in layout.to_pixels(x, layout.front.at(x)))
        codes[row - round(1.2 * per_mm): row + round(1.2 * per_mm), column: column + 2] //= 2
    assert "turned" not in [f.name for f in locate(replace(empty, codes=codes), Settings()).flags]


@pytest.mark.parametrize("rf", [0.93, 0.95, 0.97])
def test_spots_that_reach_the_front_are_no_marks_on_it(rf: float) -> None:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.4, 1.5), SpotSpec(rf, 2.0))) for x in XS)
    layout = locate(lying(0, ticks=False, labels=False, lanes=lanes), Settings())
    assert "turned" not in [f.name for f in layout.flags]
    assert layout.origin.at(20) == pytest.approx(8, abs=0.2)


def test_ticks_are_strokes_where_a_spot_was_left_on_them_too() -> None:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.0, 0.3), SpotSpec(0.4, 1.5))) for x in XS)
    layout = locate(lying(2, lanes=lanes), Settings())
    assert "turned" in [f.name for f in layout.flags]
    assert layout.origin.at(20) == pytest.approx(8, abs=0.2)

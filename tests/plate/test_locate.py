"""The layout of drawn plates: found, given, and refused where what is given does not fit."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from drawn import SPOTS, XS, plate, scan_of

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.errors import InputError, LanesError, LayoutError
from lanes.plate.layout import Layout
from lanes.plate.lines import sure_lines
from lanes.plate.locate import locate
from lanes.plate.square import Grid
from lanes.scan.scan import Scan
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("outlined_once")
MM = 25.4 / 150


@lru_cache(maxsize=16)
def scan(**changes: Any) -> Scan:
    return scan_of(draw(plate(**changes)))


@lru_cache(maxsize=64)
def _located(drawn: tuple[Any, ...], light: str, dpi: float | None, settings: Settings) -> Layout:
    return locate(replace(scan(**dict(drawn)), dpi=dpi), settings, light)


def located(light: str = "white", dpi: float | None = 150, drawn: Any = None, **settings: Any
            ) -> Layout:
    return _located(tuple((drawn or {}).items()), light, dpi, Settings(**settings))


def refused(kind: type[LanesError], drawn: Any = None, dpi: float | None = 150, **settings: Any
            ) -> str:
    """Return the one line with which `settings` are refused."""
    with pytest.raises(kind) as caught:
        located(drawn=drawn, dpi=dpi, **settings)
    text = str(caught.value)
    assert len(text.splitlines()) == 1
    assert "--" in text  # an option that mends it
    return text


def xs(layout: Layout) -> list[float]:
    return [lane.x for lane in layout.lanes]


def names(layout: Layout) -> list[str]:
    return [lane.name for lane in layout.lanes]


@pytest.mark.parametrize("tilt", [0.0, 3.0])
@pytest.mark.parametrize("light", ["white", "254", "366"])
def test_all_is_found(light: str, tilt: float) -> None:
    layout = located(light, drawn={"light": light, "tilt": tilt})
    assert layout.scaled
    assert layout.width == pytest.approx(40, abs=2 * MM)
    assert layout.height == pytest.approx(60, abs=2 * MM)
    # Corners against a dark bed lie up to half a pixel out, which shifts what counts from them.
    assert layout.origin.at(20) == pytest.approx(8, abs=0.15)
    assert layout.front.at(20) == pytest.approx(50, abs=0.15)
    np.testing.assert_allclose(xs(layout), XS, atol=0.3)
    assert names(layout) == ["1", "2", "3"]
    assert set(layout.found) == {"plate", "origin", "front", "lanes"}
    assert all(0 < v <= 1 for v in layout.found.values())


def test_a_plate_without_spots_has_its_lanes_by_the_ticks() -> None:
    layout = located(drawn={"lanes": tuple(LaneSpec(x) for x in (7, 19, 31.5))})
    np.testing.assert_allclose(xs(layout), [7, 19, 31.5], atol=0.3)


def test_a_plate_without_ticks_has_its_lanes_by_the_spots() -> None:
    layout = located(drawn={"ticks": False, "labels": False})
    np.testing.assert_allclose(xs(layout), XS, atol=0.4)


def test_lines_given_are_taken_and_not_looked_for() -> None:
    layout = located(origin=9.5, front=44)
    assert layout.origin.coefficients == (9.5,)
    assert layout.front.coefficients == (44.0,)
    assert layout.origin.sd > 0  # a ruler is read to a tenth of a millimetre
    assert "origin" not in layout.found
    assert "front" not in layout.found


def test_one_line_given_and_one_found() -> None:
    layout = located(front=45)
    assert layout.origin.at(20) == pytest.approx(8, abs=0.15)
    assert layout.front.at(20) == 45
    layout = located(origin=9)
    assert layout.origin.at(20) == 9
    assert layout.front.at(20) == pytest.approx(50, abs=0.15)


def test_lanes_given_by_place() -> None:
    layout = located(lanes=(9.0, 25.0))
    assert xs(layout) == [9, 25]
    assert "lanes" not in layout.found


def test_lanes_given_by_number() -> None:
    np.testing.assert_allclose(xs(located(lanes=3)), XS, atol=0.3)
    assert len(located(lanes=2).lanes) == 2
    assert "lanes" not in located(lanes=3).found


def test_a_lane_missing_from_an_even_row_is_filled_in() -> None:
    drawn = {"ticks": False, "labels": False, "width": 60,
             "lanes": tuple(LaneSpec(x, SPOTS) for x in (10, 20, 40, 50))}
    np.testing.assert_allclose(xs(located(drawn=drawn, lanes=5)), [10, 20, 30, 40, 50], atol=0.5)


def test_names_and_roles_given() -> None:
    layout = located(names=("a", "b", "c"), roles=("reference", "sample", "sample"))
    assert names(layout) == ["a", "b", "c"]
    assert [lane.role for lane in layout.lanes] == ["reference", "sample", "sample"]
    assert [lane.role for lane in located().lanes] == [None] * 3


def test_the_lanes_width_given() -> None:
    assert [lane.width for lane in located(lane_width=4.5).lanes] == [4.5] * 3


def test_the_width_found_holds_the_spots_and_no_neighbour() -> None:
    wide = located().lanes[0].width
    # Three sigma on each side of the broadest spot, 2.68 mm at half height, are 6.8 mm.
    assert 5 < wide < 10
    bands = located(drawn={"lanes": tuple(LaneSpec(x, SPOTS, band=6) for x in XS)})
    assert 7 < bands.lanes[0].width < 10


@pytest.mark.parametrize(
    ("given", "size"),
    [
        ({"plate_width": 80}, (80, 120)), ({"plate_height": 30}, (20, 30)),
        ({"plate_width": 100, "plate_height": 200}, (100, 200)), ({"dpi": 75}, (80, 120)),
    ],
)
def test_a_size_given_sets_the_scale(given: dict[str, float], size: tuple[float, float]) -> None:
    layout = located(**given)
    assert layout.scaled
    assert (layout.width, layout.height) == pytest.approx(size, rel=0.01)
    for name, value in given.items():
        if name != "dpi":
            assert getattr(layout, name.removeprefix("plate_")) == value
    # What is found scales with it.
    assert layout.origin.at(layout.width / 2) / layout.height == pytest.approx(8 / 60, rel=0.02)


def test_dots_per_inch_given_stand_above_the_files() -> None:
    assert located(dpi=150).width == pytest.approx(40, abs=2 * MM)
    with_setting = locate(replace(scan(), dpi=600), Settings(dpi=150), "white")
    assert with_setting.width == pytest.approx(40, abs=2 * MM)


def test_without_a_scale_lengths_are_pixels() -> None:
    layout = located(dpi=None)
    assert not layout.scaled
    assert [f.name for f in layout.flags] == ["scale-unknown"]
    assert layout.width * MM == pytest.approx(40, abs=2 * MM)
    assert layout.origin.at(layout.width / 2) * MM == pytest.approx(8, abs=0.15)
    np.testing.assert_allclose(np.array(xs(layout)) * MM, XS, atol=0.3)


@pytest.mark.parametrize("dpi", [None, 150])
@pytest.mark.parametrize("tilt", [0.0, 3.0])
def test_lengths_in_each_unit_are_one_place(dpi: float | None, tilt: float) -> None:
    """8 mm of 60 are 13.33 %, and at 150 dots an inch 47.24 pixels, turned or not."""
    drawn = {"tilt": tilt}
    unit = 1.0 if dpi else 1 / MM
    for origin, front in (("13.3333%", "75%"), (f"{8 / MM}px", f"{45 / MM}px")):
        layout = located(dpi=dpi, drawn=drawn, origin=origin, front=front,
                         lanes=("25%", f"{20 / MM}px"), lane_width="12%")
        assert layout.origin.at(20 * unit) == pytest.approx(8 * unit, abs=2 * MM * unit)
        assert layout.front.at(20 * unit) == pytest.approx(45 * unit, abs=2 * MM * unit)
        np.testing.assert_allclose(xs(layout), [10 * unit, 20 * unit], atol=2 * MM * unit)
        assert layout.lanes[0].width == pytest.approx(4.8 * unit, abs=MM * unit)


@pytest.mark.parametrize("given", [{"origin": 8.0}, {"front": 50.0}, {"lanes": (10.0, 20.0)},
                                   {"lane_width": 5.0}])
def test_a_bare_number_without_a_scale_is_refused(given: dict[str, Any]) -> None:
    text = refused(InputError, dpi=None, **given)
    name = next(iter(given)).replace("_", "-")
    assert f"--{name} " in text
    for way in ("--plate-width MM", "12% of", "120px of the picture"):
        assert way in text


def test_lanes_in_several_units_must_rise_all_the_same() -> None:
    assert "does not rise" in refused(InputError, lanes=("80%", 10.0))


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (2, 0, 3, 1), (3, 2, 1, 0)])
def test_corners_given_in_any_order(order: tuple[int, ...]) -> None:
    whole = located()
    given = tuple((float(x), float(y)) for x, y in whole.corners_px[list(order)])
    layout = located(corners=given)
    np.testing.assert_allclose(layout.corners_px, whole.corners_px)
    assert "plate" not in layout.found


@pytest.mark.parametrize("corners", [
    ((0, 0), (100, 0), (100, 100), (5000, 100)), ((-90, 0), (100, 0), (100, 100), (0, 100)),
    ((10, 10), (100, 10), (100, 100), (90, 20)), ((10, 10), (10, 10), (100, 100), (10, 100)),
])
def test_corners_that_are_no_plates(corners: Any) -> None:
    assert "--corners" in refused(InputError, corners=corners)


def test_the_whole_image_is_taken_when_asked_for() -> None:
    layout = located(whole_image=True, origin="20%", front="80%")
    columns = scan().width_px
    np.testing.assert_allclose(layout.corners_px[1], [columns - 0.5, scan().height_px - 0.5])
    assert layout.flags == ()


def test_a_plate_that_is_not_in_the_picture() -> None:
    assert "--plate 2: one plate is seen" in refused(InputError, which_plate=2)


def test_an_impossible_scale_of_the_file_is_flagged_and_not_used() -> None:
    layout = located(dpi=30)
    assert not layout.scaled
    assert [f.name for f in layout.flags] == ["scale-implausible"]


@pytest.mark.parametrize(("size", "doubted"), [((40.0, 60.0), False), ((42.0, 60.0), False),
                                               ((60.0, 40.0), True), ((50.0, 60.0), True)])
def test_a_stated_size_that_is_not_the_outlines_is_flagged(
    size: tuple[float, float], doubted: bool
) -> None:
    layout = located(plate_width=size[0], plate_height=size[1])
    assert ("scale-implausible" in [f.name for f in layout.flags]) is doubted


def test_no_bed_and_perspective_are_flagged() -> None:
    assert "bed-unseen" in [f.name for f in located(drawn={"margin": 0}).flags]
    assert "keystone" in [f.name for f in located(drawn={"keystone": 0.06}).flags]
    assert located().flags == ()


# What is given and does not fit


def test_a_front_that_ran_over_the_top_is_the_nominal_height() -> None:
    """The outline is found to within 1 % (of 60 mm): who states 60 is not refused."""
    layout = located(front=60.4)
    assert float(layout.front.at(20.0)) == pytest.approx(layout.height)
    assert layout.height < 60.4
    assert float(located(front="100%").front.at(20.0)) == pytest.approx(layout.height)
    assert "--front 62 lies outside the plate" in refused(InputError, front=62)
    assert "--front 101% lies outside the plate" in refused(InputError, front="101%")


def test_a_line_outside_the_plate() -> None:
    assert "--front 80 lies outside the plate" in refused(InputError, front=80)
    assert "--origin -3 lies outside the plate" in refused(InputError, origin=-3)
    assert "--origin 61" in refused(InputError, origin=61)
    assert "px high" in refused(InputError, dpi=None, front="3000px")
    assert "--front 110% lies outside" in refused(InputError, front="110%")


def test_a_front_below_the_origin_line_found() -> None:
    assert "--origin" in refused(LayoutError, front=5)


def test_an_origin_above_the_front_found() -> None:
    assert "front" in refused(LayoutError, origin=56)


def test_no_lines_on_a_bare_plate() -> None:
    bare = {"pencil": False, "ticks": False, "labels": False, "lanes": ()}
    assert "no origin line found" in refused(LayoutError, drawn=bare)
    assert "no solvent front found" in refused(LayoutError, drawn=bare, origin=8)
    assert "no lanes found" in refused(LayoutError, drawn=bare, origin=8, front=50)


@pytest.mark.parametrize(("asked", "light", "mend"), [("light", "254", "dark"),
                                                      ("dark", "366", "light")])
def test_spots_of_the_other_sort_are_named_where_no_lane_is_found(
    asked: str, light: str, mend: str
) -> None:
    free = {"pencil": False, "ticks": False, "labels": False, "light": light}
    given = {"origin": 8, "front": 50, "spots": asked, "light": light}
    text = refused(LayoutError, drawn=free, **given)
    assert "no lanes found" in text
    assert text.endswith(f"give --spots {mend}")
    assert "--spots" not in refused(LayoutError, drawn={**free, "lanes": ()}, **given)


def test_lanes_outside_the_plate() -> None:
    assert "--lanes: 45 lies outside" in refused(InputError, lanes=(10.0, 45.0))
    assert "--lanes: -1 lies outside" in refused(InputError, lanes=(-1.0, 20.0))


def test_more_lanes_than_fit() -> None:
    assert "no more than" in refused(InputError, lanes=40)


@pytest.mark.parametrize("count", [1, 4, 5, 9])
def test_as_many_lanes_as_asked_for(count: int) -> None:
    layout = located(lanes=count)
    assert len(layout.lanes) == count
    assert min(np.diff([0, *xs(layout), layout.width])) > 1.0
    messages = [f.message for f in layout.flags if f.name == "lanes-assumed"]
    assert len(messages) == (count > 3)


@pytest.mark.parametrize("option", ["names", "roles"])
def test_a_wrong_number_of_names(option: str) -> None:
    text = refused(InputError, **{option: ("a", "b")})
    assert f"--{option} gives 2 {option} for 3 lanes" in text


@pytest.mark.parametrize("width", [41.5, 15.0, 0.01])
def test_a_lane_width_that_does_not_fit(width: float) -> None:
    """Neither wider than the distance between lanes, 10 mm here, nor no width at all."""
    message = refused(InputError, lane_width=width)
    assert f"--lane-width {width:g} does not fit" in message
    assert "the distance between lanes" in message


@pytest.mark.parametrize("xs", [(10.0, 10.5), (0.2, 10.0), (10.0, 39.9)])
def test_lanes_too_near_each_other_or_the_edge(xs: tuple[float, ...]) -> None:
    assert "--lanes" in refused(InputError, lanes=xs)


def test_a_row_of_spots_is_no_pencil_line() -> None:
    """Without pencil the lines are asked for, however straight the rows of spots."""
    for band in (None, 6.0):
        lanes = tuple(LaneSpec(x, SPOTS, band=band) for x in XS)
        drawn = {"lanes": lanes, "pencil": False, "ticks": False, "labels": False}
        assert "--origin" in refused(LayoutError, drawn=drawn)


def row_at(height: float, dash: float, tall: float, diffuse: bool) -> tuple[Any, Grid]:
    """Return a layer with a row of dark pieces at `height`, strokes of pencil or diffuse bands."""
    grid = Grid(700, 400, 0.1, 0.1)
    x, y = grid.x()[None, :], grid.y()[:, None]
    rng = np.random.default_rng(2)
    along = np.clip((0.5 * dash - np.abs((x - 2.0) % 8.0 - 4.0)) / 0.2 + 0.5, 0, 1)
    off = np.abs(y - height)
    across = (np.exp(-2.77 * (off / tall) ** 2) if diffuse
              else np.clip((0.5 * tall - off) / 0.3 + 0.5, 0, 1))
    grain = 1 + 0.005 * rng.standard_normal((700, 400))
    return (0.7 * grain * (1 - 0.35 * along * across)).astype(np.float32), grid


def test_a_thick_dashed_line_is_one_and_a_row_of_bands_is_not() -> None:
    drawn, grid = row_at(9.0, 5.0, 1.7, diffuse=False)
    lines = sure_lines(drawn, grid, 2.0, 30.0)
    assert len(lines) == 1
    assert float(lines[0].at(20.0)) == pytest.approx(9.0, abs=0.1)
    drawn, grid = row_at(9.0, 5.0, 1.7, diffuse=True)
    assert not sure_lines(drawn, grid, 2.0, 30.0)


@pytest.mark.parametrize(
    "given", [{"plate_width": 2}, {"plate_width": 5000}, {"plate_height": 4}, {"dpi": 5},
              {"dpi": 5000}],
)
def test_an_impossible_size_given(given: dict[str, float]) -> None:
    with pytest.raises(InputError) as caught:
        locate(scan(), Settings(**given), "white")
    assert "the plate" in str(caught.value)
    assert "--plate-width" in str(caught.value)


def test_spots_below_a_stated_origin_are_flagged() -> None:
    flags = {f.name: f.message for f in located(origin=30.0).flags}
    low = 8 + 42 * min(s.rf for s in SPOTS)
    assert flags["outside-lanes"].count("height") == sum(8 + 42 * s.rf < 28 for s in SPOTS) * 3
    assert f"height {low:.3g}"[:9] in flags["outside-lanes"]
    assert "outside-lanes" not in {f.name for f in located(origin=8.0).flags}


@pytest.mark.parametrize("high", [100.0, 50.0])
def test_bands_on_a_wide_plate_of_unknown_scale_are_taken_for_spots(high: float) -> None:
    """Of a plate 200 mm wide taken for one of 100 mm, bands would be as thin as pencil."""
    share, wide = high / 100.0, 2.0 * high
    bands = tuple(SpotSpec(rf, 4.0, width=1.5, across=8.0 * share**0.5) for rf in (0.2, 0.45, 0.7))
    lanes = tuple(LaneSpec(float(x), bands) for x in np.linspace(0.1 * wide, 0.9 * wide, 8))
    drawing = draw(plate(width=wide, height=high, origin=10 * share, front=85 * share, ticks=False,
                         dpi=round(100 / share**0.5), labels=False, lanes=lanes))
    layout = locate(scan_of(drawing, dpi=None), Settings(), "white")
    assert len(layout.lanes) == 8
    assert layout.blobs is not None
    assert sum(not b.lighter for b in layout.blobs) == 24


@pytest.mark.parametrize("quarters", [0, 1])
def test_a_plate_cut_by_hand_is_doubted_as_far_as_its_sides_wander(quarters: int) -> None:
    """Upright sides that wander, of a plate as it stands or lies; a straight cut is not doubted."""
    drawing = draw(plate())
    scan = scan_of(drawing)
    cut = scan.codes.copy()
    wander = np.cumsum(np.random.default_rng(3).normal(0.0, 0.25, len(cut)))
    for row, by in zip(cut, np.rint(np.abs(wander)).astype(int), strict=True):
        row[: 24 + by] = row[-24 - by:] = scan.codes[3, 3]  # the bed is 4 mm wide

    def doubt(codes: Any) -> float:
        lying = np.ascontiguousarray(np.rot90(codes, -quarters))
        return locate(replace(scan, codes=lying, height_px=len(lying), width_px=lying.shape[1]),
                      Settings()).skew_sd

    assert doubt(scan.codes) < 0.003
    assert doubt(cut) > 0.01


@pytest.mark.parametrize("wide", [0.6, 1.0])
def test_lines_scored_between_lanes_are_no_lanes(wide: float) -> None:
    """A groove is scraped about as wide as that, and its edges crumble (common practice)."""
    drawing = draw(plate(height=100, front=90, lanes=tuple(LaneSpec(x, SPOTS) for x in XS)))
    whole, corners = scan_of(drawing), np.array(drawing.truth["corners_px"])
    left, per_mm = corners[:, 0].min(), np.ptp(corners[:, 0]) / 40.0
    row = np.arange(whole.height_px)[:, None]
    x = (np.arange(whole.width_px)[None, :] - left) / per_mm
    crumbled = 0.15 * np.sin(row / 31.0) * np.sin(row / 13.0)
    codes = whole.codes.astype(float)
    for groove in (15.0, 25.0):
        off = np.abs(x - groove - crumbled) - 0.5 * wide
        codes *= 1.0 - 0.45 / (1.0 + np.exp(np.clip(off / 0.1, -30.0, 30.0)))[:, :, None]
    layout = locate(replace(whole, codes=np.rint(codes).astype(np.uint8)), Settings(), "white")
    assert [lane.x for lane in layout.lanes] == pytest.approx(XS, abs=0.5)
    assert len(layout.blobs) == len(XS) * len(SPOTS)

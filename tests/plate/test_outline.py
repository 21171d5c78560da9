"""The plate's corners against those it was drawn with."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from drawn import plate, scan_of
from photographs import UPRIGHT, bed, laid, layer, photograph, taken
from PIL import Image, ImageDraw
from scipy import ndimage

from lanes.draw import draw
from lanes.errors import LayoutError
from lanes.plate import closed
from lanes.plate.outline import Outline, _row, find_outline, find_outlines

# Half-way between the tones of plate and bed is not half-way between their light: against a dark
# bed an edge is put up to 0.7 pixels out, on each of the two sides that meet in a corner.
CLOSE = 1.1


def found(spec: Any) -> tuple[Outline, float]:
    """Return the outline of the drawn plate, and how far its worst corner is off, in pixels."""
    drawing = draw(spec)
    return judged(scan_of(drawing).light("mean"), drawing.truth["corners_px"])


def judged(light: Any, corners: Any) -> tuple[Outline, float]:
    outline = find_outline(light)
    off = np.hypot(*(outline.corners_px - np.array(corners)).T)
    return outline, float(off.max())


# Every bed, every tilt, and both together where an edge is hardest to see: not each with each.
@pytest.mark.parametrize(("bed", "tilt"), [
    (0.02, 0.7), (0.06, -10.0), (0.3, 10.0), (0.95, 0.0), (0.95, 4.0), (0.95, -10.0), (1.0, 0.7),
    (1.0, 10.0)])
def test_corners_on_beds_from_black_to_white(bed: float, tilt: float) -> None:
    outline, off = found(plate(bed=bed, tilt=tilt))
    assert outline.seen
    assert outline.confidence > 0.98
    assert off < CLOSE


@pytest.mark.parametrize("dpi", [40, 60, 90])
def test_a_small_picture_shows_its_narrow_bed(dpi: int) -> None:
    assert found(plate(dpi=dpi))[1] < CLOSE


def test_a_wide_plate_shows_a_bed_of_two_millimetres() -> None:
    """A hundredth of a picture 200 mm wide: what lies between an edge and the border tells."""
    outline, off = found(plate(width=200, dpi=60, margin=2.0))
    assert outline.seen
    assert off < CLOSE


def test_a_bed_halfway_in_tone_gives_the_corners_within_a_third_of_a_pixel() -> None:
    assert found(plate(bed=0.4, tilt=2))[1] < 0.34


@pytest.mark.parametrize("light", ["254", "366"])
@pytest.mark.parametrize("bed", [0.06, 0.6])
def test_corners_under_a_lamp(light: str, bed: float) -> None:
    outline, off = found(plate(light=light, bed=bed, tilt=-2))
    assert outline.seen
    assert off < CLOSE


@pytest.mark.parametrize("keystone", [0.02, 0.06, 0.1])
@pytest.mark.parametrize("tilt", [0.0, 5.0])
def test_corners_in_perspective(keystone: float, tilt: float) -> None:
    outline, off = found(plate(keystone=keystone, tilt=tilt))
    assert outline.seen
    assert off < CLOSE


@pytest.mark.parametrize("across", [True, False])
@pytest.mark.parametrize("beds", [(0.02, 0.3), (0.05, 0.6), (0.95, 1.0)])
def test_corners_on_a_bed_that_goes_from_one_tone_to_another(
    beds: tuple[float, float], across: bool
) -> None:
    # Without noise a drawing is linear in its bed, so that two of them blend to a ramp.
    linear = {"noise": 0, "transfer": "linear", "bits": 16, "mode": "grey", "tilt": 2, "margin": 8}
    one, two = (draw(plate(bed=bed, **linear)) for bed in beds)
    dark, bright = (scan_of(d).light("mean") for d in (one, two))
    ramp = np.linspace(0, 1, dark.shape[1 if across else 0])
    light = dark + (bright - dark) * (ramp[None, :] if across else ramp[:, None])
    outline, off = judged(light.astype(np.float32), one.truth["corners_px"])
    assert outline.seen
    assert off < CLOSE


def test_corners_of_a_large_scan_are_as_good_as_those_of_a_small_one() -> None:
    outline, off = found(plate(dpi=450, tilt=3, mode="grey", grain=0, mottle=0))
    assert outline.seen
    # The picture is first looked at in blocks of two pixels; the corners must not stay there.
    assert off < 3 * CLOSE  # the same 0.19 mm


def test_marks_on_the_plate_do_not_move_its_edges() -> None:
    outline, off = found(plate(tilt=1.5, dust=60, scratches=6))
    assert outline.seen
    assert off < CLOSE


def test_an_image_cropped_to_the_plate_is_the_plate() -> None:
    outline, off = found(plate(margin=0))
    assert not outline.seen
    assert off < 0.5  # the image's edge is that of the outermost pixels, half a pixel out


def test_the_outline_knows_nothing_of_the_lights_level() -> None:
    drawing = draw(plate(tilt=2, bed=0.1))
    light = scan_of(drawing).light("mean")
    full = find_outline(light).corners_px
    np.testing.assert_allclose(find_outline(light * np.float32(0.4)).corners_px, full, atol=0.3)


def even(level: float) -> Any:
    return np.full((300, 200), level, np.float32)


def noise() -> Any:
    return np.random.default_rng(1).uniform(0, 1, (300, 200)).astype(np.float32)


@pytest.mark.parametrize("image", [even(0.0), even(0.5), even(1.0), noise()])
def test_no_plate_no_corners(image: Any) -> None:
    with pytest.raises(LayoutError) as caught:
        find_outline(image)
    assert "no plate" in str(caught.value)
    assert "scan" in str(caught.value)


def test_the_image_is_left_as_it_was() -> None:
    light = scan_of(draw(plate(tilt=2))).light("mean")
    light.setflags(write=False)
    before = light.copy()
    find_outline(light)
    np.testing.assert_array_equal(light, before)


# Photographs: the plate where people lay it


SCENES = ("bench", "wood", "paper", "tissue", "tray", "bench glove", "paper glove", "bench across",
          "paper across", "wood ruler", "paper ruler", "wood rounded", "paper rounded",
          "bench broken", "wood broken", "paper turned", "wood turned", "bench slanted turned",
          "paper slanted", "tissue turned")


@pytest.mark.parametrize("kind", SCENES)
def test_corners_in_a_photograph(kind: str) -> None:
    """To 2 pixels of a plate of 300 x 500: less than half a millimetre of one 100 mm high."""
    light, corners = photograph(kind, 2)
    (outline,) = find_outlines(light)
    assert outline.seen
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


def test_a_tight_crop_is_not_cut_from_line_to_line() -> None:
    light, corners = photograph("wood", 2)
    left, top = np.ceil(corners[3]).astype(int) + 3
    right, bottom = np.floor(corners[1]).astype(int) - 3
    outline = find_outline(np.ascontiguousarray(light[top:bottom, left:right]))
    assert not outline.seen


def two_plates(apart: float) -> tuple[Any, list[Any]]:
    rng = np.random.default_rng(5)
    small = np.array([[40.0, 330], [240, 330], [240, 60], [40, 60]])
    corners = [small + np.array([260, apart]), small + np.array([10, 20])]
    scene = bed("bench", rng)
    for four in corners:
        scene = laid(scene, layer(rng, 200, 270), four, rng)
    return taken(scene, rng), corners


@pytest.mark.parametrize(("apart", "order"), [(30.0, [1, 0]), (320.0, [1, 0])])
def test_every_plate_of_several_is_found_in_rows_from_the_upper_left(
    apart: float, order: list[int]
) -> None:
    light, corners = two_plates(apart)
    found = find_outlines(light)
    assert len(found) == 2
    for outline, i in zip(found, order, strict=True):
        assert np.hypot(*(outline.corners_px - corners[i]).T).max() < 2.0


def test_what_frames_a_row_of_plates_is_no_rival_of_theirs() -> None:
    """Plates cut alike and laid in a row have sides in line: the row's own outline is seen too."""
    rng = np.random.default_rng(5)
    small = np.array([[25.0, 330], [175, 330], [175, 60], [25, 60]])
    corners = [small + np.array([x, 20.0]) for x in (0.0, 175.0, 350.0)]
    scene = bed("bench", rng)
    for four in corners:
        scene = laid(scene, layer(rng, 150, 270), four, rng)
    found = find_outlines(taken(scene, rng))
    assert len(found) == 3
    assert [len(outline.rivals) for outline in found] == [0, 0, 0]
    # Halves of one plate fill it: that it is no row of two is not sure.
    left, right = np.array([[0.0, 9], [5, 9], [5, 0], [0, 0]]), np.array(
        [[5.0, 9], [10, 9], [10, 0], [5, 0]])
    whole = np.array([[0.0, 9], [10, 9], [10, 0], [0, 0]])
    assert not _row(whole, [left, right])
    assert _row(whole, [left, right + np.array([1.0, 0])]) is False  # runs out of it
    assert _row(1.1 * whole, [left, right + np.array([1.0, 0])])


@pytest.mark.parametrize("kind", ["paper", "page"])
def test_a_plate_on_a_page_on_a_bench_is_the_plate(kind: str) -> None:
    rng = np.random.default_rng(3)
    ground = laid(bed("bench", rng), bed(kind, rng, (620, 460)),
                  np.array([[60.0, 670], [500, 670], [500, 40], [60, 40]]), rng)
    corners = 0.8 * UPRIGHT + np.array([60.0, 70])
    outline = find_outlines(taken(laid(ground, layer(rng, 300, 500), corners, rng), rng))[0]
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


def test_an_outline_that_holds_another_is_doubtful() -> None:
    """Of a plate on a page of writing one side goes unseen: the page is taken, and flagged."""
    rng = np.random.default_rng(0)
    ground = laid(bed("wood", rng), bed("page", rng, (620, 460)),
                  np.array([[60.0, 670], [500, 670], [500, 40], [60, 40]]), rng)
    corners = 0.8 * UPRIGHT + np.array([60.0, 70])
    outline = find_outlines(taken(laid(ground, layer(rng, 300, 500), corners, rng), rng))[0]
    near = np.hypot(*(outline.corners_px - corners).T).max() < 2.0
    assert near or any(np.hypot(*(r - corners).T).max() < 16.0 for r in outline.rivals)


def test_a_plate_that_runs_out_of_the_picture_on_two_sides_is_seen() -> None:
    light, corners = photograph("bench", 2)
    left, top = corners[3].astype(int)
    cut = np.ascontiguousarray(light[top + 60:, left + 40:])
    outline = find_outline(cut)
    assert outline.seen
    lower_right = corners[1] - np.array([left + 40, top + 60])
    assert np.hypot(*(outline.corners_px[1] - lower_right)) < 2.0


def test_a_layer_with_lines_from_border_to_border_is_the_whole_picture() -> None:
    """Three of its four sides would be the picture's own: no evidence is left for such a plate."""
    rng = np.random.default_rng(4)
    outline = find_outline(taken(layer(rng, 300, 500), rng))
    assert not outline.seen


# Spots are no plate


RIMMED = [(70.0, 455.0), (350.0, 462.0), (356.0, 62.0), (64.0, 70.0)]


def with_rim(corners: list[tuple[float, float]], depth: float) -> Any:
    """Return a plate on a bed of its own tone, its rim a soft line `depth` darker than both."""
    canvas = Image.new("L", (420, 520), 0)
    ImageDraw.Draw(canvas).polygon(corners, 255)
    inside = np.asarray(canvas) > 0
    distance = ndimage.distance_transform_edt(inside) + ndimage.distance_transform_edt(~inside)
    grain = np.random.default_rng(3).normal(0.0, 0.006, distance.shape)
    return (0.7 - depth * np.exp(-np.square(distance / 3.0)) + grain).astype(np.float32)


def test_a_plate_on_a_bed_of_its_own_tone_is_seen_by_its_rim(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = with_rim(RIMMED, 0.05)
    outline, off = judged(picture, RIMMED)
    assert outline.seen
    assert off < 8.0  # 2 % of its height: on which side of the line the plate ends, nothing shows
    # The rim may be a box that was printed: the whole picture stays in question.
    assert any(np.ptp(rival[:, 0]) > 400 for rival in outline.rivals)
    assert not find_outline(with_rim(RIMMED, 0.0)).seen
    monkeypatch.setattr(closed, "FRAMED", 1.0)  # no line is seen so whole
    assert not find_outline(picture).seen


def shaded(picture: Any) -> Any:
    """Return a picture with a hand's soft shadow over its lower half, half as bright there."""
    row = np.arange(len(picture))[:, None]
    return picture * (1.0 - 0.25 * (1.0 + np.tanh((row - 300.0) / 40.0)))


def on_folds(picture: Any) -> Any:
    """Return a picture whose bed has folds, as strong as the plate's rim."""
    canvas = Image.new("L", picture.shape[::-1], 0)
    ImageDraw.Draw(canvas).polygon(RIMMED, 255)
    rng = np.random.default_rng(5)
    smooth = ndimage.gaussian_filter(rng.normal(size=picture.shape), 14.0)
    folds = 0.12 * (np.abs((8.0 * smooth / np.ptp(smooth)) % 1.0 - 0.5) - 0.25)
    return (picture + np.where(np.asarray(canvas) > 0, 0.0, folds)).astype(np.float32)


@pytest.mark.parametrize("changed", [shaded, on_folds])
def test_a_shadow_or_a_bed_of_folds_does_not_hide_a_rim(changed: Any) -> None:
    outline, off = judged(changed(with_rim(RIMMED, 0.05)), RIMMED)
    assert outline.seen
    assert off < 8.0


@pytest.mark.parametrize(("sd", "across"), [(8.0, 380.0), (20.0, 300.0)])
def test_broad_bands_on_a_cropped_plate_are_no_plates(sd: float, across: float) -> None:
    rng = np.random.default_rng(13)
    row, column = np.mgrid[:300, :440].astype(float)
    light = 0.7 * (1.0 + 0.01 * rng.standard_normal(row.shape))
    for y in (100.0, 200.0):
        ends = np.clip((0.5 * across - np.abs(column - 219.5)) / 3.0, 0.0, 1.0)
        light *= 1.0 - 0.4 * ends * np.exp(-(((row - y) / sd) ** 2) / 2)
    assert not find_outline(light.astype(np.float32)).seen


def spotted(bed: float, lamp: float = 0.0) -> tuple[Any, Any]:
    """Return a layer of 440 x 240 pixels with spots as large as a small plate's, and its corners.

    `bed` is the share of the picture's width to either side that is dark bed; `lamp` how much
    darker the picture's upper end is.
    """
    rng = np.random.default_rng(11)
    row, column = np.mgrid[:440, :240].astype(float)
    light = 0.7 * (1.0 - lamp * (1.0 - row / 439.0)) * (1.0 + 0.01 * rng.standard_normal(row.shape))
    for y in (190.0, 235.0, 280.0):
        for x in (60.0, 100.0, 140.0, 180.0):
            light *= 1.0 - 0.6 * np.exp(-((row - y) ** 2 + (column - x) ** 2) / (2 * 13.0**2))
    rim = round(240 * bed)
    corners = np.array([[rim, 439 - rim], [239 - rim, 439 - rim], [239 - rim, rim], [rim, rim]])
    if rim:
        inside = (np.minimum(row, 439 - row) >= rim) & (np.minimum(column, 239 - column) >= rim)
        light = np.where(inside, light, 0.03 * (1.0 + 0.1 * rng.standard_normal(row.shape)))
    return light.astype(np.float32), corners


def test_rows_of_large_spots_do_not_take_the_plates_place() -> None:
    light, corners = spotted(0.07)
    (outline,) = find_outlines(light)
    assert outline.seen
    assert not outline.rivals
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


@pytest.mark.parametrize("lamp", [0.0, 0.35, 0.6])
def test_a_picture_cropped_to_a_spotted_plate_is_the_plate_under_any_lamp(lamp: float) -> None:
    (outline,) = find_outlines(spotted(0.0, lamp)[0])
    assert not outline.seen
    assert outline.confidence > 0.7
    np.testing.assert_allclose(outline.corners_px.max(axis=0), [239.5, 439.5])


def test_the_ends_of_a_plate_cut_off_by_rows_of_spots_are_no_two_plates() -> None:
    rng = np.random.default_rng(12)
    row, column = np.mgrid[:440, :240].astype(float)
    light = 0.7 * (1.0 + 0.01 * rng.standard_normal(row.shape))
    for y in (150.0, 290.0):  # all across, so that the layer seems to end there
        across = np.clip((110.0 - np.abs(column - 119.5)) / 8.0, 0.0, 1.0)
        light *= 1.0 - 0.6 * across * np.exp(-((row - y) / 12.0) ** 2 / 2)
    inside = (np.abs(row - 219.5) < 200) & (np.abs(column - 119.5) < 100)
    light = np.where(inside, light, 0.03 * (1.0 + 0.1 * rng.standard_normal(row.shape)))
    (outline,) = find_outlines(light.astype(np.float32))
    corners = np.array([[19.5, 419.5], [219.5, 419.5], [219.5, 19.5], [19.5, 19.5]])
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


@pytest.mark.parametrize("depth", [0.1, 0.3])
def test_circles_drawn_round_rows_of_spots_are_no_plate_within_the_plate(depth: float) -> None:
    rng = np.random.default_rng(0)
    row, column = np.mgrid[:443, :332].astype(float)
    light = np.where((np.abs(row - 234.5) < 177) & (np.abs(column - 164.5) < 111), 0.75, 0.2)
    for y, x in ((287, 86), (285, 125), (287, 167), (286, 207), (335, 125), (334, 167), (336, 246),
                 (195, 86), (195, 207), (194, 246)):
        r = np.hypot(row - y, column - x)
        light *= 1.0 - 0.3 * np.exp(-((r / 6.0) ** 2) / 2)
        light *= 1.0 - depth * np.exp(-((r - 18.0) ** 2) / 2)
    light *= 1.0 + 0.01 * rng.standard_normal(light.shape)
    (outline,) = find_outlines(light.astype(np.float32))
    assert not outline.rivals
    corners = np.array([[53.5, 411.5], [275.5, 411.5], [275.5, 57.5], [53.5, 57.5]])
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


@pytest.mark.parametrize("seed", [1, 2, 3, 6])
def test_a_row_of_broad_spots_on_a_cropped_plate_is_no_plate(seed: int) -> None:
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[:395, :271].astype(float)
    light = np.full(row.shape, 0.72)
    for x in (85, 135, 185, 235):
        width, depth = rng.uniform(9.0, 16.0), rng.uniform(0.1, 0.35)
        r = np.hypot(row - 80.0 - rng.normal(), column - x)
        light *= 1.0 - depth * np.exp(-0.5 * (r / width) ** 4)
    light *= 1.0 + 0.01 * rng.standard_normal(light.shape)
    (outline,) = find_outlines(light.astype(np.float32))
    assert not outline.seen


def test_a_front_drawn_near_a_crooked_upper_edge_is_no_side() -> None:
    corners = np.array([[36, 379], [247, 391], [267, 56], [52, 43]], float)
    image = Image.new("F", (346, 433), 0.05)
    pen = ImageDraw.Draw(image)
    pen.polygon([(x, y) for x, y in corners], fill=0.85)
    pen.line([(51, 56), (266, 69)], fill=0.5, width=2)
    for at in ((155, 130), (220, 134)):  # spots leave the zone inside the upper edge less even
        pen.ellipse([at[0] - 12, at[1] - 12, at[0] + 12, at[1] + 12], fill=0.3)
    grain = np.random.default_rng(0).normal(0.0, 0.004, (433, 346))
    light = ndimage.gaussian_filter(np.asarray(image), 0.7) + grain
    _, off = judged(light.clip(0.0, 1.0).astype(np.float32), corners)
    assert off < 2.0


@pytest.mark.parametrize("tall", [8.0, 10.0])
def test_a_row_of_broad_spots_that_touch_is_no_plate_on_a_page(tall: float) -> None:
    rng = np.random.default_rng(3)
    row, column = np.mgrid[:432, :275].astype(float)
    dark = sum(h * np.exp(-(((column - x) / 11.0) ** 2 + ((row - y) / tall) ** 2) / 2)
               for x, y, h in ((57, 118, 1.4), (99, 119, 2.2), (139, 120, 1.4), (181, 122, 1.7),
                               (221, 122, 2.0))) + 0.01
    light = (1.0 + dark - np.sqrt(dark * dark + 2.0 * dark)) * (
        1.0 + 0.006 * rng.standard_normal(row.shape))
    inside = (np.abs(row - 216.0) < 198.0) & (np.abs(column - 137.0) < 118.0)
    light = np.where(inside, light, 0.02 * (1.0 + 0.1 * rng.standard_normal(row.shape)))
    (outline,) = find_outlines(light.astype(np.float32))
    corners = np.array([[19.5, 413.5], [254.5, 413.5], [254.5, 18.5], [19.5, 18.5]])
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0


@pytest.mark.parametrize("smear", [0.06, 0.1])
def test_smears_along_lanes_are_no_plates_within_the_plate(smear: float) -> None:
    """Narrower than any plate, from a spot down to the origin, and as even as a layer."""
    rng = np.random.default_rng(7)
    row, column = np.mgrid[:443, :332].astype(float)
    light = np.full(row.shape, 0.75)
    for x in (84.0, 139.0, 193.0, 247.0):
        along = np.clip((row - 95.0) / 2.0, 0.0, 1.0) * np.clip((372.0 - row) / 2.0, 0.0, 1.0)
        across = np.clip((10.0 - np.abs(column - x)) / 2.0, 0.0, 1.0)
        light *= 1.0 - smear * along * across
        light *= 1.0 - 0.4 * np.exp(-(((column - x) / 8.0) ** 2 + ((row - 205.0) / 8.0) ** 2) / 2)
    inside = (np.abs(row - 234.5) < 200) & (np.abs(column - 164.5) < 128)
    light = np.where(inside, light, 0.93) * (1.0 + 0.006 * rng.standard_normal(row.shape))
    outline = find_outlines(light.astype(np.float32))[0]
    corners = np.array([[36.5, 434.5], [292.5, 434.5], [292.5, 34.5], [36.5, 34.5]])
    assert np.hypot(*(outline.corners_px - corners).T).max() < 2.0

"""Lines as hands draw them: a front of which only the ends are drawn, a second line below."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn import plate, scan_of

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.errors import LayoutError
from lanes.plate.layout import Layout
from lanes.plate.locate import locate
from lanes.settings import Settings

DPI, WIDTH, HEIGHT = 150, 40, 60
Stroke = tuple[float, float, float, float]  # left, right, lower, upper edge in mm of the plate
ORIGIN: Stroke = (1.5, 38.5, 7.85, 8.15)
FRONT: Stroke = (1.5, 38.5, 49.85, 50.15)


def read(*strokes: Stroke, **changes: Any) -> Layout:
    """Return the layout of the usual plate, cropped, on which `strokes` alone are drawn."""
    drawing = draw(plate(pencil=False, ticks=False, labels=False, margin=0.0, **changes))
    codes = drawing.pixels.copy()
    for left, right, low, high in strokes:
        c = [round(v * DPI / 25.4) for v in (left, right, HEIGHT - high, HEIGHT - low)]
        codes[c[2]: max(c[3], c[2] + 1), c[0]: max(c[1], c[0] + 1)] //= 2
    return locate(scan_of(replace(drawing, pixels=codes)), Settings(whole_image=True), "white")


def crosses(height: float) -> list[Stroke]:
    return [(x - 0.15, x + 0.15, height - 1.3, height + 1.3) for x in (10.0, 20.0, 30.0)]


@pytest.mark.parametrize("higher", [0.0, 1.0])
def test_a_front_marked_at_both_sides_runs_between_the_marks(higher: float) -> None:
    ends = [(1.5, 4.0, 49.85, 50.15), (36.0, 38.5, 49.85 + higher, 50.15 + higher)]
    layout = read(ORIGIN, *ends)
    assert float(layout.front.at(20.0)) == pytest.approx(50.0 + 0.5 * higher, abs=0.15)
    assert "lines-inferred" in [f.name for f in layout.flags]


@pytest.mark.parametrize("ends", [
    [(1.5, 4.0, 49.85, 50.15)],                                # at one side alone
    [(1.5, 4.0, 49.85, 50.15), (36.0, 38.5, 53.85, 54.15)],    # not level
    [(12.0, 14.5, 49.85, 50.15), (26.0, 28.5, 49.85, 50.15)],  # away from the sides
])
def test_short_strokes_that_are_no_ends_of_a_line_make_no_front(ends: list[Stroke]) -> None:
    with pytest.raises(LayoutError, match="--front"):
        read(ORIGIN, *ends)


@pytest.mark.parametrize("ends", [(0.0, 3.6), (36.4, 40.0)])
def test_a_stroke_from_the_plates_edge_is_the_front_though_its_rim_is_not_looked_at(
    ends: tuple[float, float]
) -> None:
    layout = read(ORIGIN, (*ends, 49.85, 50.15))
    assert float(layout.front.at(20.0)) == pytest.approx(50.0, abs=2.0 * layout.front.sd)
    assert "lines-inferred" in [f.name for f in layout.flags]
    with pytest.raises(LayoutError, match="--front"):
        read(ORIGIN, (0.0, 2.4, 49.85, 50.15))


@pytest.mark.parametrize("other", [4.5, 11.5])
def test_of_two_lines_the_one_with_strokes_across_it_is_the_origin(other: float) -> None:
    layout = read(ORIGIN, *crosses(8.0), (1.5, 38.5, other - 0.15, other + 0.15), FRONT)
    assert float(layout.origin.at(20.0)) == pytest.approx(8.0, abs=0.15)
    assert "lines-inferred" not in [f.name for f in layout.flags]


def test_of_two_bare_lines_the_upper_is_taken_and_flagged() -> None:
    layout = read(ORIGIN, (1.5, 38.5, 4.35, 4.65), FRONT)
    assert float(layout.origin.at(20.0)) == pytest.approx(8.0, abs=0.15)
    assert ["two lines" in f.message for f in layout.flags if f.name == "lines-inferred"] == [True]


ENDS: list[Stroke] = [(1.5, 4.0, 47.85, 48.15), (36.0, 38.5, 47.85, 48.15)]


def letters(left: float, count: int, low: float) -> list[Stroke]:
    """Return as many letters H, 2 mm wide and 2.5 mm high, side by side."""
    return [stroke for x in left + 2.4 * np.arange(count) for stroke in (
        (x, x + 0.3, low, low + 2.5), (x + 1.3, x + 1.6, low, low + 2.5),
        (x, x + 1.6, low + 1.1, low + 1.4))]


@pytest.mark.parametrize("count", [7, 10])
def test_a_row_of_letters_is_no_front_and_does_not_turn_the_plate(count: int) -> None:
    layout = read(ORIGIN, *ENDS, *letters(6.0, count, 54.0), front=48)
    assert "turned" not in [f.name for f in layout.flags]
    assert float(layout.origin.at(20.0)) == pytest.approx(8.0, abs=0.15)
    assert float(layout.front.at(20.0)) == pytest.approx(48.0, abs=0.15)


def test_the_shadow_at_the_plates_rim_is_no_front() -> None:
    layout = read(ORIGIN, *ENDS, (1.0, 39.0, 58.9, 59.2), front=48)
    assert float(layout.front.at(20.0)) == pytest.approx(48.0, abs=0.15)


def test_circles_round_a_row_of_spots_are_no_front_below_other_spots() -> None:
    angle, xs = np.radians(np.arange(0, 360, 3)), (6.0, 13.0, 20.0, 27.0, 34.0)
    circles: list[Stroke] = [
        (x + 3.4 * c - 0.2, x + 3.4 * c + 0.2, 34.0 + 2.2 * s - 0.2, 34.0 + 2.2 * s + 0.2)
        for x in xs for c, s in zip(np.cos(angle), np.sin(angle), strict=True)]
    spots = (SpotSpec(0.65, 1.5), SpotSpec(0.85, 1.5))
    layout = read(ORIGIN, *ENDS, *circles, front=48, lanes=tuple(LaneSpec(x, spots) for x in xs))
    assert float(layout.front.at(20.0)) == pytest.approx(48.0, abs=0.15)


def test_a_front_without_pencil_lies_anywhere_in_what_the_solvent_left() -> None:
    """A diffuse band 1.2 mm wide at half its depth, above an origin of pencil."""
    drawing = draw(plate(pencil=False, ticks=False, labels=False, margin=0.0))
    codes = drawing.pixels.astype(float)
    height = HEIGHT - (np.arange(len(codes)) + 0.5) * 25.4 / DPI
    codes *= 1.0 - 0.3 * np.exp(-0.5 * ((height - 50.0) / 0.5) ** 2)[:, None, None]
    codes[np.abs(height - 8.0) < 0.16, 10:-10] *= 0.5
    scan = scan_of(replace(drawing, pixels=codes.astype(np.uint8)))
    layout = locate(scan, Settings(whole_image=True), "white")
    assert float(layout.front.at(20.0)) == pytest.approx(50.0, abs=0.15)
    assert layout.front.sd == pytest.approx(1.18 / np.sqrt(12.0), rel=0.2)
    assert "lines-inferred" in [f.name for f in layout.flags]
    assert read(ORIGIN, FRONT).front.sd < 0.1


@pytest.mark.parametrize("seed", range(3))
def test_pencil_is_brighter_than_a_layer_that_hardly_glows(seed: int) -> None:
    """Under 366 nm: violet-black, its spots and the graphite lines brighter than the layer."""
    rng = np.random.default_rng(seed)
    rows, columns = (round(v * DPI / 25.4) for v in (HEIGHT, WIDTH))
    y, x = HEIGHT - (np.arange(rows)[:, None] + 0.5) * 25.4 / DPI, (
        np.arange(columns) + 0.5) * 25.4 / DPI
    layer, ink = np.array([26.0, 12.0, 52.0]), np.array([60.0, 45.0, 95.0])
    codes = np.zeros((rows, columns, 3)) + layer
    for at, height in ((10.0, 15.0), (20.0, 25.0), (30.0, 40.0), (10.0, 35.0)):
        shine = np.exp(-0.5 * ((x - at) ** 2 + (y - height) ** 2))
        codes += 90.0 * shine[..., None] * np.array([0.3, 1.0, 0.6])
    for line in (8.0, 50.0):
        codes[np.abs(y[:, 0] - line) < 0.15] = ink
    codes = np.clip(np.rint(codes + rng.normal(0.0, 2.0, codes.shape)), 0, 255).astype(np.uint8)
    scan = scan_of(draw(plate()), codes=codes, width_px=columns, height_px=rows)
    layout = locate(scan, Settings(whole_image=True), "366")
    assert float(layout.origin.at(20.0)) == pytest.approx(8.0, abs=0.12)
    assert float(layout.front.at(20.0)) == pytest.approx(50.0, abs=0.12)
    assert "lines-inferred" not in [f.name for f in layout.flags]

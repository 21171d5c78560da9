"""Lanes from blobs, ticks and spacing: crowded, uneven, empty and leaning ones, and specks."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from lanes.plate.blobs import over_the_side
from lanes.plate.columns import best_lanes, find_lanes, to_count
from lanes.plate.lane_cost import weigh
from lanes.plate.layout import Blob, Layout, Line
from lanes.plate.marks import Mark, names_under, with_circled
from lanes.plate.planes import Planes
from lanes.plate.square import Grid
from lanes.plate.thin import Bridge
from lanes.settings import Settings

RNG = np.random.default_rng(5)


def blob(x: float, y: float, wide: float = 3.5, strength: float = 40.0) -> Blob:
    return Blob(x, y, wide, 3.0, strength, False, (-0.3,), {"mean": strength})


def layout(width: float = 80.0) -> Layout:
    corners = np.array([[0, 1000], [800, 1000], [800, 0], [0, 0]], float)
    return Layout(width, 100.0, True, 1.0, corners, Line((10.0,)), Line((90.0,)))


def lanes(blobs: list[Blob], ticks: list[float] | None = None, sure: float = 12.0) -> list[float]:
    marks = [(x, sure) for x in ticks or []]
    return best_lanes(weigh(tuple(blobs), marks, layout()))


@pytest.mark.parametrize("lean", [-0.04, 0.0, 0.04])
def test_crowded_lanes_whose_spots_nearly_touch(lean: float) -> None:
    """Six mm apart, spots 3.5 mm wide, whether the plate stood upright or not."""
    xs = [10 + 6.0 * i for i in range(9)]
    blobs = [blob(x + lean * (y - 10) + RNG.normal(0, 0.3), y)
             for i, x in enumerate(xs) for y in (25.0, 45.0 + 3 * (i % 2), 70.0)]
    np.testing.assert_allclose(lanes(blobs), xs, atol=0.8)


def test_lanes_of_one_spot_each() -> None:
    xs = [12.0, 26.0, 33.0, 60.0]
    assert lanes([blob(x, y) for x, y in zip(xs, (20, 50, 50, 80), strict=True)]) == (
        pytest.approx(xs, abs=0.1))


def test_low_bands_of_one_lane_each_are_no_specks() -> None:
    """Sprayed 6 mm wide and 0.9 mm high (common practice)."""
    at = [(17.0, 13.0), (17.0, 26.0), (39.0, 13.0), (61.0, 26.0), (71.0, 44.0)]
    assert lanes([replace(blob(x, y, wide=5.7), height=0.9) for x, y in at]) == (
        pytest.approx([17.0, 39.0, 61.0, 71.0], abs=0.1))


def test_empty_lanes_have_their_ticks() -> None:
    ticks = [10.0, 20.0, 30.0, 40.0, 50.0]
    assert lanes([blob(10.2, 30), blob(40.1, 60)], ticks) == pytest.approx(ticks, abs=0.01)


def test_rows_of_spots_that_run_together_have_the_lanes_of_their_ticks() -> None:
    ticks = [12.0 + 8.0 * i for i in range(7)]
    rows = [blob(32.0, 30.0, wide=46.0), blob(36.0, 60.0, wide=38.0), blob(60.0, 60.0, wide=7.0)]
    assert lanes(rows, ticks) == pytest.approx(ticks, abs=0.01)
    # Two marks are those of a band's ends.
    assert len(lanes([blob(40.0, y, wide=50.0) for y in (30.0, 60.0)], [16.0, 64.0])) < 3


def test_spots_of_two_lanes_that_touch_are_two_lanes_of_an_even_row() -> None:
    rows = [blob(x, y) for x in (10.0, 34.0, 42.0) for y in (30.0, 60.0)]
    row = [10.0, 18.0, 26.0, 34.0, 42.0]
    assert lanes([*rows, blob(22.0, 45.0, wide=11.0)]) == pytest.approx(row, abs=0.1)
    # One as narrow as the others is of one lane, and so is a wide one at a place of the row.
    for one in (blob(22.0, 45.0, wide=5.0), blob(26.0, 45.0, wide=11.0)):
        assert lanes([*rows, one]) == pytest.approx([10.0, one.x, 34.0, 42.0], abs=0.1)


def test_uneven_ticks_are_all_lanes() -> None:
    ticks = [7.0, 19.0, 27.0, 38.0, 49.0, 56.0]
    assert lanes([blob(7, 50), blob(49, 50)], ticks) == pytest.approx(ticks, abs=0.01)
    # A hand that ticks unevenly does not make a faint mark between its ticks likelier.
    ticks = [15.6, 27.4, 43.3, 56.5, 72.9, 89.2]
    spots = [blob(x, 22.0) for x in (15.6, 43.3)]
    specks = [blob(20.3, 18.6, wide=0.4, strength=9.0), blob(17.3, 17.0, wide=0.4, strength=9.0)]
    marks = [*((t, 9.0) for t in ticks), (20.3, 3.2)]
    seen = weigh((*spots, *specks), sorted(marks), layout(100.0))
    assert best_lanes(seen) == pytest.approx(ticks, abs=0.1)


def test_a_speck_beside_lanes_is_no_lane_and_a_spot_is() -> None:
    rows = [blob(x, y) for x in (20.0, 35.0, 50.0) for y in (30.0, 60.0)]
    assert len(lanes([*rows, blob(64.0, 47.0, wide=0.6, strength=5.5)])) == 3
    assert len(lanes([*rows, blob(65.0, 47.0)])) == 4
    # Two specks one above the other, one of them at a spot's height, a step off the lanes.
    specks = [blob(41.4, 60.2, wide=0.3, strength=9.0), blob(41.6, 44.0, wide=0.3, strength=6.5)]
    assert len(lanes([*rows, *specks])) == 3
    spots = [blob(s.x, s.y, strength=s.strength) for s in specks]
    assert len(lanes([*rows, *spots])) == 4


def test_what_stands_in_a_deep_spots_skirt_makes_no_lane_and_a_spot_there_does() -> None:
    """Sharpening and compression leave marks beside a spot: a few per cent of its depth."""
    heavy = [Blob(30.0, 40.0, 5.0, 5.0, 60.0, False, (-0.6,), {"mean": 60.0}),
             blob(60.0, 40.0)]
    mark = replace(blob(34.5, 36.0, wide=1.8, strength=9.0), depth=(-0.02,))
    assert lanes([*heavy, mark]) == pytest.approx([30.0, 60.0], abs=0.3)
    assert len(lanes([*heavy, replace(mark, depth=(-0.1,))])) == 3
    assert len(lanes([*heavy, replace(mark, x=41.0)])) == 3


def test_two_spots_of_one_height_are_of_two_lanes() -> None:
    assert len(lanes([blob(30.0, 40.0), blob(33.8, 40.0)])) == 2
    assert len(lanes([blob(30.0, 40.0), blob(30.8, 60.0)])) == 1


def test_a_faint_blob_makes_a_lane_at_the_others_height_or_in_their_row() -> None:
    """A speck lies anywhere; a spot at one of the other lanes' heights, on their even spacing."""
    rows = [blob(x, y) for x in (16.0, 28.0, 52.0) for y in (30.0, 60.0)]
    assert len(lanes([*rows, blob(40.0, 60.0, strength=6.0)])) == 4
    assert len(lanes([*rows, blob(40.0, 45.0, strength=7.0)])) == 4
    assert len(lanes([*rows, blob(45.0, 45.0, strength=7.0)])) == 3
    seen = weigh((*rows, blob(40.0, 60.0), blob(40.0, 45.0)), [], layout())
    assert seen.shared[-2] > 1.0
    assert seen.shared[-1] == 0.0


def test_a_hand_that_left_out_two_ticks_does_not_tick_every_lane() -> None:
    rows = [blob(x, y) for x in (10.0, 20.0, 31.0, 44.0) for y in (30.0, 60.0)]
    weak = blob(63.0, 45.0, strength=8.0)
    assert len(lanes([*rows, weak], [10.0, 20.0])) == 5


def test_what_reaches_in_over_the_side_is_no_spot() -> None:
    finger, spot = blob(3.2, 50.0, wide=3.0), blob(6.0, 50.0)
    assert over_the_side(finger, layout())
    assert over_the_side(replace(finger, x=76.8), layout())
    assert not over_the_side(spot, layout())


@pytest.mark.parametrize("count", range(1, 12))
def test_the_number_asked_for_is_the_number_given(count: int) -> None:
    seen = weigh(tuple(blob(x, 50) for x in (20.0, 30.0, 50.0)), [], layout())
    xs, blind = to_count(best_lanes(seen), seen, count)
    assert len(xs) == count
    assert np.all(np.diff(xs) > 1.5)
    assert len(blind) == max(0, count - 3)
    if count == 4:
        assert xs == pytest.approx([20, 30, 40, 50], abs=0.1)


def test_lanes_do_not_overlap_their_neighbours() -> None:
    blobs = tuple(blob(x, y) for x in (10.0, 15.0, 40.0) for y in (30.0, 60.0))
    found, _, _ = find_lanes(blobs, [], layout(), Settings(), False)
    assert len(found) == 3
    for one, two in itertools.pairwise(found):
        assert one.x + one.width / 2 <= two.x - two.width / 2 + 1e-9
    # The lane that stands apart keeps the width its spots want.
    assert found[2].width > found[0].width


def test_a_name_makes_a_lane_of_a_faint_blob_and_a_word_makes_none() -> None:
    heavy = [blob(x, y, strength=60.0) for x in (20.0, 44.0, 56.0) for y in (30.0, 44.0)]
    faint = blob(32.0, 40.0, strength=5.5)
    plain = weigh((*heavy, faint), [], layout())
    assert best_lanes(plain) == pytest.approx([20.0, 44.0, 56.0], abs=0.5)
    names = (20.4, 31.5, 44.6, 55.8)
    named = weigh((*heavy, faint), [], layout(), names)
    assert best_lanes(named) == pytest.approx([20.0, 32.0, 44.0, 56.0], abs=0.5)
    # A remark at the foot stands under no blobs.
    remark = weigh((*heavy, faint), [], layout(), (26.0, 38.0, 50.0))
    assert best_lanes(remark) == pytest.approx([20.0, 44.0, 56.0], abs=0.5)


def test_a_name_in_the_others_row_is_an_empty_lane() -> None:
    """Blanks and fractions without product are run on purpose, and often have no tick."""
    blobs = tuple(blob(x, y) for x in (10.0, 37.0) for y in (30.0, 44.0))
    assert best_lanes(weigh(blobs, [], layout())) == pytest.approx([10.0, 37.0], abs=0.1)
    row = (10.4, 18.7, 28.3, 36.6, 46.2)
    found = best_lanes(weigh(blobs, [], layout(), row))
    assert found == pytest.approx([10.0, 18.7, 28.3, 37.0, 46.2], abs=0.1)
    # Words in no even row name nothing.
    words = (10.4, 15.3, 23.6, 36.6, 42.1, 50.9)
    assert best_lanes(weigh(blobs, [], layout(), words)) == pytest.approx([10.0, 37.0], abs=0.1)


def test_a_scratch_on_the_line_is_no_lane_where_the_others_are_named() -> None:
    ticks = [10.0, 20.0, 30.0, 40.0]
    blobs = tuple(blob(x, y) for x in ticks for y in (35.0, 60.0))
    marks = sorted([*((x, 11.0) for x in ticks), (14.7, 7.0)])
    assert len(best_lanes(weigh(blobs, marks, layout()))) == 5
    names = (10.1, 19.7, 30.3, 40.2)
    assert best_lanes(weigh(blobs, marks, layout(), names)) == pytest.approx(ticks, abs=0.1)
    # One that is named too is a lane, with or without a spot.
    assert len(best_lanes(weigh(blobs, marks, layout(), (*names, 14.6)))) == 5


def test_names_are_words_in_a_row_under_the_line() -> None:
    plate = layout()
    foot = float(plate.origin.at(20.0))
    letters = [Mark(x, foot - 4.0 + 0.3 * (x % 2), 1.8, 2.5, 0.0, 0.4) for x in (12.0, 22.0, 35.0)]
    twelve = [Mark(44.4, foot - 4.0, 0.4, 2.4, 0.0, 0.1),
              Mark(46.0, foot - 4.1, 1.6, 2.4, 0.0, 0.4)]
    stray = [Mark(28.0, foot - 4.0, 0.5, 0.5, 0.0, 0.1),   # a speck
             Mark(28.0, foot + 5.0, 1.8, 2.5, 0.0, 0.4),   # above the line
             Mark(30.0, foot - 3.5, 9.0, 0.5, 0.0, 0.1)]   # a long stroke
    found = names_under([*letters, *twelve, *stray], plate)
    assert found == pytest.approx((12.0, 22.0, 35.0, 45.5), abs=0.05)


def test_a_circled_blob_is_as_sure_as_the_usual_one() -> None:
    grid = Grid(600, 400, 0.1, 0.1)
    r = np.hypot(grid.x()[None, :] - 10.0, grid.y()[:, None] - 30.0)
    turn = np.arctan2(grid.y()[:, None] - 30.0, grid.x()[None, :] - 10.0)
    ring = (np.abs(r - 3.0) < 0.25) & (np.cos(turn * 12) > -0.6)  # dotted, 0.6 mm open
    ring |= np.abs(np.hypot(grid.x()[None, :] - 30.0, grid.y()[:, None] - 30.0) - 0.8) < 0.2
    bare = np.ones((600, 400), np.float32)
    planes = Planes({"mean": bare}, bare, ring, grid, grid, 1,
                    Bridge(ring, 0.1))
    blobs = (blob(10.3, 30.2, strength=5.0), blob(20.0, 30.0, strength=6.0),
             blob(30.0, 30.0, strength=7.0), blob(20.0, 50.0), blob(30.0, 50.0))
    found = [b.strength for b in with_circled(blobs, planes)]
    # The second ring is a letter's.
    assert found == [7.0, 6.0, 7.0, 40.0, 40.0]

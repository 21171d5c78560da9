"""Faint spots in a row of other lanes' spots, at a lane's place: kept there, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.plate.expected import in_lanes, in_new_lanes, places_with
from lanes.plate.layout import Blob, Lane, Layout, Line
from lanes.plate.standing_out import USUAL

LANES = tuple(Lane("", x, 8.0) for x in (30.0, 40.0, 50.0, 60.0))
PLATE = Layout(100.0, 100.0, True, 1.0, np.array([[0, 999], [999, 999], [999, 0], [0, 0]], float),
               Line((10.0,)), Line((90.0,)), LANES)


def blob(x: float, rf: float, strength: float = 6.0 * USUAL, size: float = 4.0) -> Blob:
    return Blob(x, 10.0 + 80.0 * rf, size, size, strength, False, (-0.1,), {})


SURE = (*(blob(lane.x, 0.4) for lane in LANES), blob(30.0, 0.7))
FAINT = 0.8 * USUAL


@pytest.mark.parametrize(("x", "rf", "size", "kept"), [
    (50.0, 0.71, 3.0, True),    # in a lane, in the row of another's spot
    (50.0, 0.55, 3.0, False),   # no row
    (45.2, 0.71, 3.0, False),   # between two lanes
    (30.0, 0.41, 3.0, False),   # the spot itself, seen again
    (50.0, 0.71, 1.0, False),   # a speck
])
def test_a_faint_spot_in_a_lane(x: float, rf: float, size: float, kept: bool) -> None:
    faint = blob(x, rf, FAINT, size)
    sure = SURE if rf != 0.41 else SURE[:1]
    assert in_lanes((faint,), sure, LANES, PLATE) == ((faint,) if kept else ())


@pytest.mark.parametrize(("x", "kept"), [
    (20.5, True), (10.0, True), (70.0, True), (25.0, False), (93.0, False),
])
def test_a_faint_spot_an_even_step_from_the_lanes(x: float, kept: bool) -> None:
    faint = blob(x, 0.4, FAINT)
    assert in_new_lanes((faint,), SURE, LANES, PLATE) == ((faint,) if kept else ())


def test_a_gap_of_two_steps_holds_a_lane() -> None:
    faint = blob(50.5, 0.4, FAINT)
    lanes = (*LANES[:2], *LANES[3:])
    sure = tuple(b for b in SURE if b.x != 50.0)
    assert in_new_lanes((faint,), sure, lanes, PLATE) == (faint,)


def test_uneven_or_few_lanes_lead_to_none() -> None:
    faint = blob(20.0, 0.4, FAINT)
    assert in_new_lanes((faint,), SURE, LANES[:2], PLATE) == ()
    uneven = (LANES[0], Lane("", 36.0, 8.0), *LANES[2:])
    assert in_new_lanes((faint,), SURE, uneven, PLATE) == ()


def test_the_more_places_are_looked_at_the_surer_it_has_to_be() -> None:
    faint = blob(50.0, 0.70, 0.75 * USUAL)
    assert in_lanes((faint,), SURE, LANES, PLATE) == (faint,)
    rows = tuple(blob(30.0, rf) for rf in np.arange(0.05, 0.96, 0.04))
    assert in_lanes((faint,), rows, LANES, PLATE) == ()


def test_spots_of_one_column_make_one_lane() -> None:
    new = (blob(20.5, 0.4, FAINT), blob(19.5, 0.7, FAINT), blob(70.0, 0.4, FAINT))
    assert places_with(new, LANES, PLATE) == [20.0, 30.0, 40.0, 50.0, 60.0, 70.0]

"""What a lane's trace has to show of a place that the plate shows."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.checks.blobs import seen_places
from lanes.plate.layout import Blob, Lane, Layout, Line
from lanes.plate.standing_out import USUAL
from lanes.spots.seen import CONFIRMED

LANE = Lane("1", 20.0, 8.0)


def asked(strength: float, any_channel: bool = True) -> float:
    blob = Blob(20.0, 30.0, 3.0, 3.0, strength, False, (-0.1,), {"grey": strength})
    layout = Layout(40.0, 60.0, True, 1.0, np.zeros((4, 2)), Line((10.0,)), Line((50.0,)), (LANE,),
                    blobs=(blob,), lighter=False)
    (place,) = seen_places(layout, LANE, 40.0, (), (), any_channel)
    assert place.position == pytest.approx(20.0)
    return place.asked


def test_what_just_stands_out_has_to_show_more_in_the_trace() -> None:
    # Its noise is known to a fifth: of 5 standard deviations a sixth may be none.
    assert asked(USUAL) == pytest.approx(CONFIRMED + USUAL / 6.0)
    assert asked(4.0) == pytest.approx(CONFIRMED + 4.0 / 6.0)  # faint, held against few places
    assert asked(1.2 * USUAL) == pytest.approx(CONFIRMED)


def test_what_stands_far_out_has_to_show_nothing_in_the_trace() -> None:
    assert asked(3.0 * USUAL) == 0.0


def test_where_a_channel_was_asked_for_its_own_trace_has_to_show_it() -> None:
    assert asked(3.0 * USUAL, any_channel=False) == pytest.approx(CONFIRMED)

"""A plate that lies sideways or upside down is turned where its pencil tells how, or is said so."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from drawn import XS, plate, scan_of

from lanes.draw import draw
from lanes.errors import LayoutError
from lanes.plate.locate import locate
from lanes.scan.scan import Scan
from lanes.settings import Settings


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
        said = next(f for f in layout.flags if f.name == "turned").message
        assert f"--turn {90 * quarters}" in said


def test_what_it_was_turned_by_is_what_turn_does() -> None:
    """The corners of a plate that was turned are those of one that was told to be."""
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


def test_without_ticks_it_is_said_and_not_guessed() -> None:
    with pytest.raises(LayoutError, match="--turn 90 or 270"):
        locate(lying(1, ticks=False, labels=False), Settings())
    layout = locate(lying(2, ticks=False, labels=False), Settings())
    assert "turned" not in [f.name for f in layout.flags]

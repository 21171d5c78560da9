"""What is offered of a plate that could not be read."""

from __future__ import annotations

import pytest
from drawn import XS, plate, scan_of

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.plate.refused import look_again
from lanes.settings import Settings

ROW = tuple(LaneSpec(x, (SpotSpec(0.3, 2.0),)) for x in (7.0, *XS, 35.0))


@pytest.mark.parametrize("light", ["white", "254"])
def test_a_row_of_spots_is_offered_as_no_line(light: str) -> None:
    drawing = draw(plate(pencil=False, ticks=False, labels=False, lanes=ROW, light=light))
    seen = look_again(scan_of(drawing), Settings())
    assert seen.lines == seen.ticks == ()


@pytest.mark.parametrize("lanes", [ROW, ()])
def test_lines_are_offered_with_spots_between_them_or_none(lanes: tuple[LaneSpec, ...]) -> None:
    seen = look_again(scan_of(draw(plate(lanes=lanes))), Settings())
    assert [height for height, _ in seen.lines] == pytest.approx([8.0, 50.0], abs=0.2)

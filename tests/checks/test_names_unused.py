"""A substance named where no spot was found is flagged: a lane's name or an Rf mistyped."""

from __future__ import annotations

from pathlib import Path

import pytest

from lanes import measure
from lanes.about import About, Substance
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw
from lanes.draw.save import save


@pytest.mark.parametrize(("lane", "rf", "message"), [
    ("1", 0.3, None), ("9", 0.3, "x at Rf 0.30 of lane 9; there is no lane 9"),
    ("1", 0.95, "x at Rf 0.95 of lane 1; lane 1 has its one spot at Rf 0.30")])
def test_a_name_for_no_spot_is_flagged_with_its_place(
    tmp_path: Path, lane: str, rf: float, message: str | None
) -> None:
    path = tmp_path / "plate.png"
    save(draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=150,
                        lanes=(LaneSpec(20.0, (SpotSpec(0.3, 1.0),)),))), path)
    about = About(substances=(Substance(lane, rf, "x"),))
    found = [f.message for f in measure(path, picture=False, about=about).flags
             if f.name == "name-unused"]
    assert found == ([] if message is None else [message])

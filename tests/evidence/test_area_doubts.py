"""Areas of several lanes had the light been turned to signal by another law."""

from dataclasses import replace

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.area_doubts import areas_otherwise
from lanes.measuring import measure, prepare, read_lane
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("located_once")
LAW = "optical-density"


def drawn(folder, light="white"):
    lanes = tuple(LaneSpec(x, (SpotSpec(0.3, a, width=2.2), SpotSpec(0.65, b, width=2.4)))
                  for x, a, b in ((10.0, 1.6, 0.2), (22.0, 0.8, 0.8), (34.0, 0.3, 1.2)))
    spec = PlateSpec(width=44, light=light, seed=5, dpi=160, lanes=lanes,
                     bed=0.004 if light == "366" else 0.06)
    save(draw(spec), folder / "plate.png")
    return folder / "plate.png"


@pytest.fixture(scope="module")
def white(tmp_path_factory):
    return drawn(tmp_path_factory.mktemp("white"))


def readings_of(plate):
    return [read_lane(plate, lane) for lane in plate.layout.lanes]


def test_the_other_law_moves_areas_as_a_reading_by_it_has_them(white):
    plate = prepare(white, Settings(light="white"))
    readings = readings_of(plate)
    (law,) = [o for o in areas_otherwise([plate] * 3, readings) if o.why == "law"]
    other = measure(white, settings=Settings(light="white", law=LAW))
    for areas, lane in zip(law.areas, other.lanes, strict=True):
        assert 100.0 * areas / areas.sum() == pytest.approx(
            [s.area_percent for s in lane.spots], abs=1.5)
    # From lane to lane too, which shares of one lane do not show.
    sums = np.array([areas.sum() for areas in law.areas])
    read = np.array([sum(s.area for s in lane.spots) for lane in other.lanes])
    assert sums / sums.sum() == pytest.approx(read / read.sum(), abs=0.01)


def test_what_is_assumed_moves_no_sum(white):
    plate = prepare(white, Settings(light="white"))
    readings = readings_of(plate)
    whole = sum(s.area for r in readings for s in r.spots)
    found = areas_otherwise([plate] * 3, readings)
    assert {o.why for o in found} >= {"law", "layer"}
    for one in found:
        assert sum(float(a.sum()) for a in one.areas) == pytest.approx(whole)


def test_a_glow_loses_most_in_the_plates_brightest_spot(tmp_path):
    plate = prepare(drawn(tmp_path, "366"), Settings(light="366"))
    readings = readings_of(plate)
    (lost,) = areas_otherwise([plate] * 3, readings)
    gained = [areas / [s.area for s in r.spots]
              for areas, r in zip(lost.areas, readings, strict=True)]
    assert gained[0][0] == max(g.max() for g in gained)
    # The weak spot of the last lane loses no more than that of the first, weaker still.
    assert gained[2][0] / gained[0][1] == pytest.approx(1.0, abs=0.05)


def test_a_bare_trace_has_no_light_to_turn(white):
    plate = prepare(white, Settings(light="white"))
    readings = [replace(r, trace=replace(r.trace, across=None))
                for r in readings_of(plate)]
    assert areas_otherwise([plate] * 3, readings) == ()

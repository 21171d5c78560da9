"""Known spots put into a lane's own trace: the search must find what no eye would miss."""

from pathlib import Path

import pytest

from lanes.answers.missed import lane_of
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings
from lanes.spots.model import Peak
from lanes.spots.quantities import HALF_HEIGHT_FACTOR
from lanes.spots.shapes import FWHM

DEMO = Path(__file__).parents[2] / "fixtures" / "demo.png"


@pytest.fixture(scope="module")
def lone():
    """The demo's last lane, one spot on a mottled layer: reading, and what it started from."""
    plate = prepare(DEMO, Settings(light="254"))
    reading = read_lane(plate, plate.layout.lanes[3])
    assert len(reading.spots) == 1
    return reading, lane_of(plate, reading, 0)


@pytest.mark.parametrize("resolution", [1.0, 1.25, 1.5, 2.0])
@pytest.mark.parametrize("share", [1.0, 0.5])
def test_a_tall_neighbour_is_found_at_every_distance(lone, resolution, share):
    reading, start = lone
    spot = reading.fit.components[0]
    apart = resolution * 2.0 * FWHM * spot.sigma / HALF_HEIGHT_FACTOR
    reach = 14.0 * spot.sigma
    lane = start.cut(spot.centre - reach, spot.centre + reach)
    for place in (spot.centre - apart, spot.centre + apart):
        fit = lane.plus([Peak(place, share * spot.area, spot.sigma)]).taken_apart()
        assert [c.centre for c in fit.components] == pytest.approx(
            sorted((spot.centre, place)), abs=0.15)
        # The lane's own noise is in both, so the areas agree only as well as it allows.
        areas = sorted(c.area for c in fit.components)
        assert areas == pytest.approx(sorted((spot.area, share * spot.area)), rel=0.08)

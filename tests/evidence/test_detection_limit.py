"""Known spots put into a lane's own trace: the search must find what no eye would miss."""

from pathlib import Path

import pytest

from lanes.evidence.detection_limit import falling, lane_of
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings
from lanes.spots.model import Peak
from lanes.spots.quantities import HALF_HEIGHT_FACTOR
from lanes.spots.shapes import FWHM

DEMO = Path(__file__).parents[2] / "fixtures" / "demo.png"


@pytest.fixture(scope="module")
def lone():
    """The demo's first lane, one spot on a mottled layer: reading, and what it started from."""
    plate = prepare(DEMO, Settings(light="254"))
    reading = read_lane(plate, plate.layout.lanes[0])
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
        fit = lane.plus([Peak(place, share * spot.area, spot.sigma)]).fitted()
        assert [c.centre for c in fit.components] == pytest.approx(
            sorted((spot.centre, place)), abs=0.15)
        # The lane's own noise is in both, so the areas agree only as well as it allows.
        areas = sorted(c.area for c in fit.components)
        assert areas == pytest.approx(sorted((spot.area, share * spot.area)), rel=0.08)


def test_levels_are_made_not_to_rise_with_resolution_and_unknown_ones_stay_so():
    """By hand: the two that rise are pooled to the mean of their logarithms, the rest stay."""
    seen = falling([(0.5, None), (0.75, 17.0), (1.0, 2.0), (1.25, 8.0), (1.5, 1.0)])
    assert [at for at, _ in seen] == [0.5, 0.75, 1.0, 1.25, 1.5]
    assert seen[0][1] is None
    assert [p for _, p in seen[1:]] == pytest.approx([17.0, 4.0, 4.0, 1.0])
    assert falling([(0.5, None)]) == ((0.5, None),)

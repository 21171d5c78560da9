"""One spot more, shaped as a lane's own is."""

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.detection_limit import clear_limit, lane_of
from lanes.evidence.further_spot import carried_over_seen, round_spot, spot_like
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings
from lanes.trace.noise import Noise

FLAT = np.ones(1)


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    """Lane 1 holds a spot that tails, lane 2 two even ones."""
    spec = PlateSpec(width=30, lanes=(
        LaneSpec(9, (SpotSpec(0.6, 1.2, width=2.1, tail=1.6),)),
        LaneSpec(21, (SpotSpec(0.3, 0.6, width=2.1), SpotSpec(0.7, 0.6, width=2.1)))),
        seed=6, dpi=150)
    path = tmp_path_factory.mktemp("further") / "plate.png"
    save(draw(spec), path)
    return prepare(path, Settings(light="white", lanes=2))


def test_a_round_spot_is_a_gaussian_of_unit_area():
    spot = round_spot(0.9)
    x = np.linspace(-8, 8, 2001)
    put = spot.at(x, 1.0)
    assert np.trapezoid(put, x) == pytest.approx(1.0, abs=1e-4)
    assert x[np.argmax(put)] == pytest.approx(1.0, abs=0.01)
    assert np.sqrt(np.trapezoid(put * (x - 1.0) ** 2, x)) == pytest.approx(0.9, rel=1e-3)


def test_it_is_shaped_as_the_lane_shows_its_spot(plate):
    """A tail towards the origin stays one, wherever the spot is put."""
    reading = read_lane(plate, plate.layout.lanes[0])
    assert len(reading.spots) == 1
    spot = spot_like(reading, 0)
    x = reading.trace.position
    put = spot.at(x, 0.4 * reading.trace.run)
    assert np.trapezoid(put, x) == pytest.approx(1.0, abs=0.02)
    assert x[np.argmax(put)] == pytest.approx(0.4 * reading.trace.run, abs=0.2)
    seen = reading.trace.signal - reading.fit.baseline
    moved = np.interp(x, x - 0.2 * reading.trace.run, seen / reading.spots[0].area)
    near = np.abs(x - 0.4 * reading.trace.run) < 3.0
    np.testing.assert_allclose(put[near], moved[near], atol=0.03 * put.max())


def test_a_neighbour_is_no_part_of_its_shape(plate):
    reading = read_lane(plate, plate.layout.lanes[1])
    for i in (0, 1):
        spot = spot_like(reading, i)
        centre, other = (reading.fit.components[k].centre for k in (i, 1 - i))
        there = spot.at(np.array([other]), centre)
        assert abs(float(there[0])) < 0.02 * spot.values.max()


def test_a_tail_makes_the_limit_larger(plate):
    reading = read_lane(plate, plate.layout.lanes[0])
    lane = lane_of(plate, reading, 0)
    core = round_spot(reading.fit.components[0].sigma)
    limits = [clear_limit(lane, reading.fit, spot, reading.limit)
              for spot in (core, spot_like(reading, 0))]
    assert limits[1] > 1.15 * limits[0]


def test_what_a_spot_hides_is_the_noise_carried_under_it():
    """White noise twice as large where the layer is hidden doubles it; none larger leaves it."""
    seen = Noise(1.0, FLAT, 0.1, "clean layer")
    assert carried_over_seen(Noise(2.0, FLAT, 0.1, "clean layer", seen), 0.1,
                             round_spot(0.8)) == pytest.approx(2.0)
    assert carried_over_seen(seen, 0.1, round_spot(0.8)) == 1.0

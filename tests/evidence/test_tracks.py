"""Spots joined across lanes by Rf, and how small a missing one may be."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.evidence.detection_limit import lane_of
from lanes.evidence.further_spot import round_spot
from lanes.evidence.tracks import across, spot_of, track_near, tracks, unseen
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings
from lanes.spots.model import Peak


def lanes(*rfs, sd=0.001):
    return [SimpleNamespace(spots=[SimpleNamespace(rf=rf, rf_sd=sd) for rf in lane])
            for lane in rfs]


def places(*rfs, **how):
    return [track.places for track in tracks(lanes(*rfs, **how))]


def test_the_same_rf_is_one_track_and_a_missing_spot_has_no_place():
    found = tracks(lanes([0.3, 0.6], [0.305], [0.59, 0.9]))
    assert [t.places for t in found] == [(0, 0, None), (1, None, 0), (None, None, 1)]
    assert [t.rf for t in found] == pytest.approx([0.3025, 0.595, 0.9], abs=1e-4)


def test_two_spots_of_one_lane_are_never_one_track():
    assert places([0.30, 0.32], [0.31, 0.33]) == [(0, 0), (1, 1)]
    assert places([0.30, 0.31]) == [(0,), (1,)]


def test_the_nearest_are_joined_first():
    # 0.325 lies in reach of both; it belongs to the nearer, and the other stays alone.
    assert places([0.30], [0.325], [0.33]) in ([(0, None, None), (None, 0, 0)], [(0, 0, 0)])
    assert places([0.30, 0.34], [0.335]) == [(0, None), (1, 0)]


def test_reach_is_three_standard_deviations():
    assert places([0.30], [0.34]) == [(0, 0)]       # 3 sqrt(2) 0.01 = 0.042
    assert places([0.30], [0.345]) == [(0, None), (None, 0)]
    assert places([0.30], [0.345], sd=0.01) == [(0, 0)]


def test_order_of_lanes_does_not_matter():
    forth, back = [[0.3, 0.6], [0.31], [0.59, 0.62]], [[0.59, 0.62], [0.31], [0.3, 0.6]]
    assert places(*forth) == [p[::-1] for p in places(*back)]


def test_no_lanes_and_empty_lanes():
    assert tracks([]) == ()
    assert tracks(lanes([], [])) == ()
    assert places([], [0.5]) == [(None, 0)]


@pytest.mark.parametrize(("rf", "words"), [
    (0.8, "no lane has a spot near that Rf; the spots: 0.300, 0.600"),
    (float("nan"), "give an Rf"),
])
def test_an_rf_without_a_spot_is_named(rf, words):
    found = tracks(lanes([0.3, 0.6]))
    assert track_near(found, 0.62, "--start") == 1
    with pytest.raises(InputError, match=words) as caught:
        track_near(found, rf, "--start")
    assert "--start" in str(caught.value)
    with pytest.raises(InputError, match="the spots: none"):
        track_near((), 0.3, "--start")


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    """Lane 1 holds a spot at Rf 0.5, lane 2 nothing."""
    spec = PlateSpec(width=30, lanes=(LaneSpec(9, (SpotSpec(0.5, 1.2, width=2.1),)),
                                      LaneSpec(21)), seed=6, dpi=150)
    path = tmp_path_factory.mktemp("tracks") / "plate.png"
    save(draw(spec), path)
    return prepare(path, Settings(light="white", lanes=2))


def test_a_missing_spot_at_its_limit_is_found_and_one_far_below_is_not(plate):
    readings = [read_lane(plate, lane) for lane in plate.layout.lanes]
    assert [len(r.spots) for r in readings] == [1, 0]
    spread = across(readings)
    assert spread.sum() == pytest.approx(1.0)
    (track,) = tracks(readings)
    like = spot_of(track, readings)
    empty = readings[1]
    (limit,) = unseen(plate, empty, [(0.5, like)], spread)
    lane = replace(lane_of(plate, empty, 0), across=spread)

    def found(area):
        at = 0.5 * empty.trace.run
        fit = lane.plus([Peak(at, area, like.sigma)]).fitted()
        return any(abs(c.centre - at) < 2.0 * like.sigma for c in fit.components)

    assert found(1.3 * limit)
    assert not found(0.15 * limit)


def test_beside_a_tall_spot_more_is_missed(plate):
    reading = read_lane(plate, plate.layout.lanes[0])
    sigma = reading.fit.components[0].sigma
    near = (reading.fit.components[0].centre + 2.6 * sigma) / reading.trace.run
    spread = across([reading])
    like = round_spot(sigma)
    alone, beside = unseen(plate, reading, [(0.2, like), (near, like)], spread)
    assert alone is not None
    assert beside is None or beside > 1.2 * alone


def test_what_pencil_hides_and_a_given_count_have_no_limit(plate):
    reading = read_lane(plate, plate.layout.lanes[0])
    given = replace(plate, settings=replace(plate.settings, components=1))
    assert unseen(given, reading, [(0.2, round_spot(1.0))], None) == (None,)
    assert unseen(plate, reading, [], None) == ()

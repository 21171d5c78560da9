"""Two spots that the reading lists, a valley between them: named as two, the one asked about too.

A ring is dark at its edge and has a valley, and is one spot.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import prepare, read_lane
from lanes.questions.shoulder.answer import judge
from lanes.questions.shoulder.divided import divided, neighbours
from lanes.questions.shoulder.page import render_shoulder, sentence
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.trace.sample import Sheet

pytestmark = pytest.mark.usefixtures("located_once")
RUN = 75.0  # mm, as drawn by default


def pair(resolution: float, share: float) -> tuple[SpotSpec, SpotSpec]:
    width = 2.0
    return (SpotSpec(0.4, 1.0 - share, width=width),
            SpotSpec(0.4 + resolution * 2.0 * width / 1.18 / RUN, share, width=width))


LANES = {"apart": pair(2.0, 0.25), "valley": pair(1.25, 0.25), "shoulder": pair(0.65, 0.25),
         "close": pair(1.0, 0.4)}


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Plate:
    path = tmp_path_factory.mktemp("divided") / "plate.png"
    lanes = tuple(LaneSpec(10.0 + 13.0 * i, spots) for i, spots in enumerate(LANES.values()))
    save(draw(PlateSpec(width=59.0, lanes=lanes, dpi=200, seed=4)), path)
    return prepare(path, Settings(light="white", names=tuple(LANES), lanes=4))


@pytest.fixture(scope="module")
def readings(plate: Plate) -> dict[str, LaneReading]:
    return {lane.name: read_lane(plate, lane) for lane in plate.layout.lanes}


def asked(readings, plate, name, rf=None):
    return judge(tuple(readings.values()), name, plate=plate, rf=rf, bootstraps=99)


@pytest.mark.parametrize("upper", [False, True])
def test_two_listed_spots_are_named_and_the_one_asked_about_answered_for(readings, plate, upper):
    """At resolution 1.25 each is a spot by itself; asked about, it is one of the two listed."""
    answer = asked(readings, plate, "valley", readings["valley"].spots[upper].rf)
    assert answer.verdict == "two"
    assert [c.rf for c in answer.components] == pytest.approx(
        [s.rf for s in LANES["valley"]], abs=0.003)
    assert answer.pair.resolution == pytest.approx(1.25, abs=0.08)
    assert answer.pair_percent == pytest.approx(25.0, abs=3.0)
    # Two Gaussians of 3 to 1, computed: the valley falls to a quarter of the lesser.
    assert answer.valley == pytest.approx(0.27, abs=0.08)
    # The lesser lies on the other's flank, which hides much of what it may be.
    assert answer.alone.verdict == ("cannot tell" if upper else "one")
    assert answer.alone.rf == pytest.approx(LANES["valley"][upper].rf, abs=0.003)
    text = render_shoulder(answer, "plate.png", Settings()).text()
    assert "the reading lists both, and a valley of" in text
    assert f"The spot at Rf {answer.alone.rf:.2f} by itself: " in text


def test_two_asked_about_together_need_no_answer_for_one(readings, plate):
    answer = asked(readings, plate, "close")
    assert (answer.verdict, answer.alone) == ("two", None)
    assert answer.valley < 0.8
    assert "divides them" in sentence(answer)


def seen(reading: LaneReading, length: float = 0.0):
    (both,) = neighbours(reading, (0,), reading.spots[0].rf)
    assert both == (0, 1)
    return divided(reading, both, length)


def test_no_valley_and_separated_neighbours_change_nothing(readings):
    assert seen(readings["shoulder"]) is None
    assert seen(readings["valley"]) is not None
    apart = readings["apart"]
    assert neighbours(apart, (0,), apart.spots[0].rf) == ()


def test_of_two_neighbours_the_closest_is_asked_first(readings):
    """A part of the spot may lie nearer than what a valley divides from it."""
    reading = readings["close"]
    (pair,), (spot, _) = reading.pairs, reading.spots
    low, high = reading.fit.components
    three = replace(
        reading, spots=(spot, spot, spot),
        fit=replace(reading.fit, components=(low, high, replace(high, centre=high.centre + 1.0))),
        pairs=(pair, replace(pair, lower=1, upper=2, resolution=0.4)))
    rf = high.centre / reading.trace.run
    assert neighbours(three, (1, 2), rf) == ((1, 2), (0, 1))
    assert neighbours(three, (0,), low.centre / reading.trace.run) == ((0, 1),)


def test_a_valley_that_noise_could_make_is_none(readings):
    reading = readings["close"]
    assert seen(reading) is not None
    noisy = replace(reading, noise=replace(reading.noise, sd=150.0 * reading.noise.sd))
    assert seen(noisy) is None


def test_a_ring_is_no_longer_than_wide(readings):
    """The same trace, its signal spread across the lane as a ring's: four times as wide."""
    reading = readings["close"]
    sheet = reading.trace.sheet
    low, high = reading.fit.components
    middle, wide = 0.5 * (low.centre + high.centre), high.centre - low.centre

    def spread_over(sigma: float) -> LaneReading:
        across = np.exp(-0.5 * (sheet.across / sigma) ** 2)
        along = np.exp(-0.5 * ((reading.trace.position - middle) / wide) ** 2)
        values = along[:, None] * across
        return replace(reading, trace=replace(
            reading.trace, sheet=Sheet(sheet.across, values.astype(np.float32))))

    assert seen(spread_over(low.sigma)) is not None
    assert seen(spread_over(2.5 * low.sigma)) is None
    # Spots applied as lines are wider than long, and no rings.
    assert seen(spread_over(2.5 * low.sigma), length=-1.0) is not None

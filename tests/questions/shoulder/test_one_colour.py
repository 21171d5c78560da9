"""A spot of one colour is of one colour whatever its shape along the lane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.colour import ANGLE, Colours
from lanes.measuring import prepare, read_lane
from lanes.questions.shoulder.case import make_case
from lanes.questions.shoulder.colour_change import colour_change
from lanes.questions.shoulder.window import pick
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("located_once")
BLUE, GREEN = (0.15, 0.4, 1.0), (0.3, 1.0, 0.2)  # of the glow, strongest 1


def lane(resolution: float, tail: float, second: tuple[float, float, float]
         ) -> tuple[SpotSpec, ...]:
    apart = resolution * 2.0 * 2.2 / 1.18 / 75.0
    return (SpotSpec(0.5, 0.2, width=2.2, tail=tail, colour=second),
            SpotSpec(0.5 + apart, 0.4, width=2.2, tail=tail, colour=BLUE))


def test_a_pair_of_one_glow_is_of_one_colour(tmp_path) -> None:
    """Also where one channel's noise is of another make: white in red, of 2 mm in blue."""
    lanes = (lane(0.9, 1.2, BLUE), lane(0.9, 0.0, BLUE), lane(0.9, 0.0, GREEN))
    spec = PlateSpec(width=40.0, lanes=tuple(LaneSpec(8.0 + 12.0 * i, spots)
                                             for i, spots in enumerate(lanes)),
                     dpi=200, seed=6, light="366", bed=0.004)
    path = tmp_path / "plate.png"
    save(draw(spec), path)
    plate = prepare(path, Settings(light="366", lanes=3))
    colours, found = Colours(plate), []
    signals, (red, green, blue) = colours.channels
    lags = red.pitch * np.arange(60)
    white, long = np.append(1.0, np.zeros(59)), np.exp(-0.5 * (lags / 2.0) ** 2)
    vars(colours)["channels"] = signals, [replace(red, autocorrelation=white), green,
                                          replace(blue, autocorrelation=long)]
    for place in plate.layout.lanes:
        reading = read_lane(plate, place)
        case = make_case(reading, pick(reading, None), 1.0)
        found.append(colour_change(colours, place, case, np.random.default_rng(2)))
    assert [change.sure for change in found] == [False, False, True]
    assert max(change.angle for change in found[:2]) < 0.25 * ANGLE

"""Colour of two spots: proportions of channels, and plates drawn in known dyes."""

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.colour import Colours, compared
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings

SD = np.full(3, 0.01)
RED, BLUE = (0.1, 1.0, 0.4), (1.0, 0.4, 0.1)


def seen(*channels, sd=SD):
    return np.array(channels), sd


def test_amount_is_no_colour():
    match = compared(seen(1.0, 0.5, 0.2), seen(2.0, 1.0, 0.4))
    assert match.verdict == "agrees"
    assert match.angle == pytest.approx(0.0, abs=1e-5)


def test_the_angle_is_that_of_two_vectors():
    assert compared(seen(1.0, 0.0, 0.0), seen(1.0, 1.0, 0.0)).angle == pytest.approx(45.0)


@pytest.mark.parametrize(("first", "second", "verdict"), [
    ((1.0, 0.5, 0.2), (0.5, 1.0, 0.2), "differs"),
    ((1.0, 0.5, 0.2), (1.0, 0.55, 0.2), "agrees"),
    ((0.05, 0.02, 0.01), (0.5, 1.0, 0.2), "cannot tell"),   # too faint
])
def test_verdicts(first, second, verdict):
    assert compared(seen(*first), seen(*second)).verdict == verdict


def test_nothing_seen_gives_no_verdict():
    match = compared(None, seen(1, 1, 1))
    assert (match.verdict, match.p_value, match.angle) == ("cannot tell", None, None)


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    """Lanes: 1 and 2 of one dye in unlike amounts, 3 of another at the same Rf."""
    spec = PlateSpec(lanes=tuple(
        LaneSpec(x, (SpotSpec(0.5, amount, width=2.1, colour=colour),))
        for x, amount, colour in ((9, 0.5, RED), (24, 1.5, RED), (39, 1.0, BLUE))),
        seed=4, dpi=120, height=72, front=65)
    path = tmp_path_factory.mktemp("colour") / "plate.png"
    save(draw(spec), path)
    return prepare(path, Settings(light="white"))


def test_dyes_on_a_plate(plate):
    colours = Colours(plate)
    a, b, c = (colours.of(lane, read_lane(plate, lane).fit.components[0])
               for lane in plate.layout.lanes)
    assert compared(a, b).verdict == "agrees"
    assert compared(a, c).verdict == "differs"
    # The channels stand as they were drawn.
    np.testing.assert_allclose(b[0] / b[0].max(), RED, atol=0.08)


def test_a_grey_scan_has_no_colour(tmp_path):
    spec = PlateSpec(lanes=tuple(LaneSpec(x, (SpotSpec(0.5, 1.0),)) for x in (12, 36)), seed=4,
                     dpi=150, mode="grey")
    save(draw(spec), tmp_path / "plate.png")
    grey = prepare(tmp_path / "plate.png", Settings(light="white"))
    lane = grey.layout.lanes[0]
    assert Colours(grey).of(lane, read_lane(grey, lane).fit.components[0]) is None

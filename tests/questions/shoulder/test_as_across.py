"""Discs, whose profile across the lane is theirs along it too; a spot longer than wide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erfc

from lanes.evidence import whitened_models as models
from lanes.questions.shoulder.answer import judge
from lanes.questions.shoulder.case import make_case
from lanes.questions.shoulder.others import expected_length
from lanes.questions.shoulder.profile import AS_LONG_AS_WIDE, as_across
from lanes.questions.shoulder.window import make_window
from lanes.reading import LaneReading
from lanes.spots.deconvolve import deconvolve
from lanes.spots.shape_terms import ASSUMED
from lanes.trace.noise import Noise
from lanes.trace.sample import Sheet, Trace

PITCH, RUN = 0.1, 60.0
X, U = np.arange(0.0, RUN + PITCH, PITCH), np.arange(-4.0, 4.0 + PITCH, PITCH)
NOISE = 0.01
WIDE = 2.86  # mm, at half height of the disc's chords (computed)


def disc(centre: float, amount: float, length: float = 1.0) -> np.ndarray:
    """Return a disc of even darkness, 3.4 mm wide, its rim blurred by a fifth of its radius."""
    v, u = np.meshgrid((X - centre) / length, U, indexing="ij")
    return 0.5 * amount * erfc((np.hypot(u, v) - 1.7) / (np.sqrt(2.0) * 0.35))


def lane(name: str, values: np.ndarray, seed: int = 1, count: int | None = None) -> LaneReading:
    """Return a lane read from what lies on it, white noise added."""
    values = values + NOISE * np.random.default_rng(seed).standard_normal(values.shape)
    sheet = Sheet(U, values)
    signal = values.sum(axis=1) * PITCH
    noise = Noise(NOISE * PITCH * np.sqrt(U.size), np.array([1.0]), PITCH, "clean layer")
    fit = deconvolve(X, signal, noise=noise, shapes=ASSUMED, sheet=sheet,
                     components=count)
    n = X.size
    trace = Trace(X, signal, np.ones(n, bool), np.ones(n), RUN, U[:64].reshape(8, 8).mean(axis=1),
                  sheet.strips(), np.zeros(n), np.zeros(n), sheet)
    return LaneReading(name, None, None, None, None, (), (), None, fit, noise, trace, np.zeros(n),
                       ())


@pytest.fixture(scope="module")
def pair() -> LaneReading:
    """Two discs of resolution 0.7, the smaller 25 %."""
    apart = 0.7 * 2.0 * WIDE / 1.18
    return lane("pair", disc(30.0, 0.75) + disc(30.0 + apart, 0.25), count=2)


def test_two_discs_are_two_discs(pair: LaneReading) -> None:
    answer = judge((pair,), rf=30.0 / RUN, bootstraps=99)
    assert answer.verdict == "two"
    assert answer.pair_percent == pytest.approx(25.0, abs=2.0)
    assert answer.pair is not None
    assert answer.pair.resolution == pytest.approx(0.7, abs=0.03)


def test_one_disc_is_one() -> None:
    assert judge((lane("disc", disc(30.0, 1.0)),), bootstraps=99).verdict == "one"


def test_a_spot_as_wide_as_long_is_not_held_to_more(pair: LaneReading) -> None:
    """What is shown across the lane: a disc's shape, and its width within the prior."""
    group = tuple(range(len(pair.fit.components)))
    window = make_window(pair, group, 1.0, ASSUMED)
    seen = as_across(pair, group, window, AS_LONG_AS_WIDE)
    assert seen is not None
    z = np.linspace(-1.2, 1.2, 49)
    drawn = seen.model(z, np.array([[0.0, 0.0, 1.0]]))[0][0]
    chords = np.interp(z * np.exp(seen.width[0]), X - 30.0, disc(30.0, 1.0).sum(axis=1))
    np.testing.assert_allclose(drawn / drawn.max(), chords / chords.max(), atol=0.03)
    assert as_across(pair, group, window, (-1.0, 0.1)) is None  # on a plate of lines
    bare = replace(pair, trace=replace(pair.trace, sheet=None))
    assert as_across(bare, group, window, AS_LONG_AS_WIDE) is None


def test_one_that_is_long_is_held_to_its_width() -> None:
    """What is skewed or flat pays for a length its width does not account for; a tail does not."""
    case = make_case(lane("long", disc(30.0, 1.0, 1.6)), (0,), 1.0)
    assert case.wide is not None
    assert case.long
    assert not make_case(lane("round", disc(30.0, 1.0)), (0,), 1.0).long
    held, at = case.held, case.own_ln_sigma
    row = held.space.reduced(models.uneven, np.array([[30.0, 0.0, at, 1.0, 1.0]]))[0] - held.z
    assert row[0, -1] == pytest.approx((at - case.wide[0]) / case.wide[1])
    assert case.space.width is None


def test_lone_spots_show_how_long_one_may_be(pair: LaneReading) -> None:
    """Round ones narrow it; long ones, which may be pairs, do not widen it."""
    asked = tuple(range(len(pair.fit.components)))
    round_ones = tuple(lane(str(k), disc(30.0, 0.5 + 0.1 * k), k) for k in range(4))
    length, sd = expected_length((pair, *round_ones), pair, asked)
    assert abs(length) < 0.1
    assert sd < 0.6 * AS_LONG_AS_WIDE[1]
    long_ones = tuple(lane(str(k), disc(30.0, 0.5 + 0.1 * k, 1.6), k) for k in range(4))
    assert expected_length((pair, *long_ones), pair, asked) == pytest.approx(AS_LONG_AS_WIDE)
    assert expected_length((pair,), pair, asked) == AS_LONG_AS_WIDE

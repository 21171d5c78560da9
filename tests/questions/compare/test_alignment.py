"""Whole traces laid over each other: shift and correlation of drawn curves with known shifts."""

import numpy as np
import pytest

from lanes.questions.compare.alignment import aligned
from lanes.reading import LaneReading
from lanes.spots.fit import Fit
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

RUN = 75.0


def lane(spots, shift=0.0, scale=1.0, noise=0.0, name="x"):
    x = np.arange(-2.0, 77.0, 0.1)
    y = sum((h * np.exp(-0.5 * ((x / RUN - rf - shift) / 0.013) ** 2) for rf, h in spots),
            np.zeros_like(x)) * scale
    y = y + noise * np.random.default_rng(2).standard_normal(x.size)
    none = np.zeros(x.size)
    fit = Fit((), None, "none", none, none, np.zeros((0, x.size)), None, None, None, None, ())
    trace = Trace(x, y, np.abs(x) > 0.4, np.ones(x.size), RUN, None, None, none, none)
    return LaneReading(name, None, None, None, RUN, (), (), None, fit,
                       Noise(0.01, np.ones(1), 0.1, "clean layer"), trace, none, ())


SPOTS = ((0.2, 1.0), (0.5, 0.6), (0.8, 0.3))


@pytest.mark.parametrize("shift", [-0.015, -0.004, 0.0, 0.007, 0.0195])
def test_the_shift_is_found_and_the_correlation_is_one(shift):
    found = aligned(lane(SPOTS), lane(SPOTS, shift, scale=3.0))
    assert found.shift == pytest.approx(-shift, abs=0.0006)
    assert found.correlation > 0.999


def test_it_agrees_with_pearson_where_nothing_is_shifted():
    a, b = lane(SPOTS), lane(((0.2, 0.3), (0.5, 1.0)), noise=0.02)
    at = np.arange(0.01, 0.99, 0.0005)
    expected = np.corrcoef(np.interp(at, a.trace.rf, a.trace.signal),
                           np.interp(at, b.trace.rf, b.trace.signal))[0, 1]
    assert aligned(a, b, most=0.0).correlation == pytest.approx(expected, abs=0.01)


def test_different_lanes_correlate_little_and_a_flat_one_not_at_all():
    assert aligned(lane(SPOTS), lane(((0.35, 1.0), (0.65, 1.0)))).correlation < 0.1
    assert aligned(lane(SPOTS), lane(())).correlation is None


def test_another_plates_rf_are_scaled_first():
    stretched = lane([(rf / 1.25, h) for rf, h in SPOTS])
    assert aligned(lane(SPOTS), stretched, scale=1.25).correlation > 0.98
    assert aligned(lane(SPOTS), stretched).correlation < 0.5

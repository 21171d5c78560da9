"""The valley between two listed neighbours, held against two Gaussians worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.evidence.valley import shown_valley
from lanes.reading import LaneReading
from lanes.spots.fit import Fit
from lanes.spots.model import Peak, peak_shape
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

PITCH = 0.1
X = np.arange(0.0, 60.0, PITCH)


def reading(signal, peaks: tuple[Peak, ...], sd: float = 0.002, usable=None) -> LaneReading:
    n, none = X.size, np.zeros(X.size)
    trace = Trace(X, signal, np.ones(n, bool) if usable is None else usable, np.ones(n), 60.0,
                  None, None, none, none)
    drawn = np.array([peak_shape(X, p)[0] for p in peaks])
    fit = Fit(tuple(p.component() for p in peaks), None, "linear", none, drawn.sum(axis=0), drawn,
              None, None, None, None, ())
    noise = Noise(sd, np.ones(1), PITCH, "clean layer")
    return LaneReading("1", None, None, None, None, (), (), None, fit, noise, trace, none, ())


def two(apart: float, share: float) -> tuple[Peak, Peak]:
    return Peak(30.0, 1.0 - share, 1.0), Peak(30.0 + apart, share, 1.0)


def drawn(peaks: tuple[Peak, ...]):
    return np.sum([peak_shape(X, p)[0] for p in peaks], axis=0)


def test_a_valley_is_that_of_the_sum() -> None:
    peaks = two(4.0, 0.25)
    # The mean over 0.4 sigma is a Gaussian's own widening: sigma of root 1.16, area kept.
    at = np.linspace(30.0, 34.0, 4001)
    wide = np.sum([peak_shape(at, Peak(p.centre, p.area, np.sqrt(1.16)))[0] for p in peaks],
                  axis=0)
    bottom = int(np.argmin(wide))
    expected = wide[bottom] / wide[bottom:].max()
    assert shown_valley(reading(drawn(peaks), peaks), 0) == pytest.approx(expected, abs=0.01)
    assert 0.3 < expected < 0.6


def test_a_third_spot_between_is_taken_off() -> None:
    low, high = two(6.0, 0.4)
    third = Peak(33.0, 0.5, 0.8)
    seen = reading(drawn((low, high, third)), (low, high, third))
    assert shown_valley(seen, 0) == pytest.approx(
        shown_valley(reading(drawn((low, high)), (low, high)), 0), abs=1e-6)


def test_none_where_there_is_none() -> None:
    assert shown_valley(reading(drawn(two(2.2, 0.4)), two(2.2, 0.4)), 0) is None
    # What a streak is fitted with has a valley, and the streak itself has none.
    streak = np.where(X < 34.0, np.exp((X - 34.0) / 4.0), np.exp(-0.5 * (X - 34.0) ** 2))
    assert shown_valley(reading(streak, (Peak(28.0, 1.0, 1.2), Peak(34.0, 2.5, 1.0))), 0) is None


def test_none_where_noise_or_missing_samples_hide_it() -> None:
    peaks = two(4.0, 0.25)
    assert shown_valley(reading(drawn(peaks), peaks, sd=0.1), 0) is None
    gap = np.abs(X - 32.4) > 1.0
    assert shown_valley(reading(drawn(peaks), peaks, usable=gap), 0) is None

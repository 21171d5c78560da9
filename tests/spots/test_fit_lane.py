"""A lane's spots, held against noise that the lane itself shows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit_lane import fit_lane
from lanes.spots.model import Peak
from lanes.spots.transverse import stands_out
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

X = np.arange(0.0, 60.0, 0.1)
SD = 0.002
DARK = 2.0  # what noise grows by with a unit of signal, as under Kubelka and Munk's law


def lane(below: np.ndarray) -> tuple[Trace, np.ndarray]:
    """Return a lane of two strong spots, dark as the law has them, over `below`; and its signal."""
    peaks = sum(h * np.exp(-0.5 * ((X - at) / 1.4) ** 2) for at, h in ((20.0, 90.0), (40.0, 45.0)))
    y = peaks + below
    gain = 1.0 + DARK * y
    y = y + SD * gain * np.random.default_rng(0).standard_normal(X.size)
    return Trace(X, y, X >= 0.0, gain, 60.0, None, None, 0 * X, 0 * X), y


def read(below: np.ndarray) -> tuple[list[float], Trace, Any]:
    trace, y = lane(below)
    fit, _, held = fit_lane(trace, y, Noise(SD, np.ones(1), 0.1, "clean layer"), mm=1.0)
    return [c.centre for c in fit.components], trace, held


def test_spots_stand_in_a_smear() -> None:
    # As a crude sample leaves it, from the origin up.
    centres, trace, held = read(2.5 * np.exp(-((X - 12.0) / 20.0) ** 4))
    assert centres == pytest.approx([20.0, 40.0], abs=0.2)
    assert held.gain.max() < 0.1 * trace.gain.max()


def test_noise_of_light_is_amplified_in_a_dark_spot() -> None:
    codes = 20.0 * SD * np.random.default_rng(1).standard_normal(X.size // 4).repeat(4)
    centres, trace, held = read(codes)
    assert held is trace
    for place in (20.0, 40.0):
        assert min(abs(c - place) for c in centres) < 0.2


def test_what_a_smear_leaves_need_not_be_stood_out_of_so_far() -> None:
    y = 2.9 * np.exp(-0.5 * ((X - 16.0) / 1.2) ** 2) + 0.5 * (X < 38.0)
    ones = np.ones(X.size)
    trace = Trace(X, y, ones > 0, ones, 60.0, None, None, 0 * X, 0 * X)
    layer = Noise(0.01, np.ones(1), 0.1, "clean layer")
    fit = deconvolve(X, y, noise=layer, start=(Peak(16.0, 8.7, 1.2),))
    assert not stands_out(trace, y, fit, layer.times(44.0), 0)
    assert stands_out(trace, y, fit, layer.times(44.0).smeared(layer.sd), 0)
    assert not stands_out(trace, y, fit, layer.times(70.0).smeared(layer.sd), 0)


LONG = np.arange(-2.0, 62.0, 0.1)


def crowded(smear: np.ndarray, peaks: dict[float, float]) -> tuple[Any, Trace]:
    """Return the fit of spots (height at place) on a smear, on a trace past both lines."""
    y = smear + sum(h * np.exp(-0.5 * ((LONG - at) / 1.2) ** 2) for at, h in peaks.items())
    y = y + 0.007 * np.random.default_rng(3).standard_normal(LONG.size)
    off_lines = (np.abs(LONG) > 0.8) & (np.abs(LONG - 60.0) > 0.8)
    trace = Trace(LONG, y, off_lines, np.ones(LONG.size), 60.0, None, None, 0 * LONG, 0 * LONG)
    fit, _, held = fit_lane(trace, y, Noise(0.007, np.ones(1), 0.1, "clean layer"), mm=1.0)
    return fit, held


MANY = {6.0: 0.6, 12.0: 0.5, 17.0: 0.7, 24.0: 0.9, 33.0: 0.4, 39.0: 2.5, 46.0: 2.0, 54.0: 4.0}


@pytest.mark.parametrize(("low", "high"), [(0.0, 60.0), (0.0, 99.0), (-9.0, 60.0)])
def test_a_smear_that_ends_at_a_line_hides_no_spots(low: float, high: float) -> None:
    """Of a crude sample: the step at a line is no noise, though spots fill the lane between."""
    smear = np.where(np.abs(LONG - 0.5 * (low + high)) < 0.5 * (high - low), 0.5, 0.0)
    fit, held = crowded(smear, MANY)
    assert [c.centre for c in fit.components] == pytest.approx(list(MANY), abs=0.1)
    assert held.usable[(LONG > 1.0) & (LONG < 59.0)].all()
    assert held.usable[LONG < -1.0].any() == (low < 0.0)
    assert held.usable[LONG > 61.0].any() == (high > 60.0)


@pytest.mark.parametrize("place", [-0.5, 0.0, 1.5, 58.5, 60.0])
def test_a_spot_at_a_line_is_read_to_both_sides_of_it(place: float) -> None:
    fit, held = crowded(np.zeros(LONG.size), {place: 4.0, 30.0: 2.0})
    assert held.usable[np.abs(LONG - 30.0) > 31.0].all()
    assert any(abs(c.centre - place) < 0.1 for c in fit.components)

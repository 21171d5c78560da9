"""Traces as instruments export them, without clean layer: rounded, noise-free, cut off."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lanes.spots.deconvolve import deconvolve
from lanes.spots.model import Peak, Problem
from lanes.spots.search_fit import solve_quickly
from lanes.spots.shape_terms import ASSUMED
from lanes.trace.noise import difference_noise, digit_noise

Floats = NDArray[np.float64]
X = np.arange(0.0, 80.05, 0.1)


def two() -> Floats:
    """Spots of 1 and 0.5 at 30 and 45 mm: 65.2 and 34.8 % of the area."""
    return np.asarray(np.exp(-0.5 * ((X - 30.0) / 1.5) ** 2)
                      + 0.5 * np.exp(-0.5 * ((X - 45.0) / 1.6) ** 2))


@pytest.mark.parametrize("digits", [2, 4, 5, 15])
def test_a_trace_is_no_surer_than_its_last_digit(digits: int) -> None:
    fit = deconvolve(X, np.round(two(), digits), shapes=ASSUMED)
    assert [c.centre for c in fit.components] == pytest.approx([30.0, 45.0], abs=0.02)
    assert fit.components[0].area / sum(c.area for c in fit.components) == pytest.approx(
        0.6522, abs=0.003)
    sds = [fit.sd(i, "centre", noise_only=True) for i in (0, 1)]
    assert all(sd is not None and 0.0 < sd < 0.05 for sd in sds)


def test_the_noise_of_digits() -> None:
    assert digit_noise(np.round(two(), 2)) == pytest.approx(0.01 / np.sqrt(12))
    assert digit_noise(two()) == pytest.approx(1.0 / 4096 / np.sqrt(12), rel=1e-3)
    assert digit_noise(np.zeros(9)) == 0.0


def test_where_a_trace_was_cut_off_the_noise_is_that_of_what_moves() -> None:
    noisy = two() + np.random.default_rng(0).normal(0.0, 0.005, X.size)
    cut = np.where(noisy < 0.02, 0.0, noisy)
    assert (cut == 0.0).mean() > 0.5
    assert difference_noise(cut, 0.1).sd == pytest.approx(0.005, rel=0.6)


def four_smoothed(sd: float, seed: int) -> Floats:
    """Four spots in noise of 0.3, both smoothed by a Gaussian of `sd` samples."""
    noise = gaussian_filter1d(np.random.default_rng(seed).normal(0.0, 1.0, X.size), sd)
    spots = sum(a * np.exp(-0.5 * ((X - c) / s) ** 2)
                for c, a, s in ((12, 20, 1.2), (30, 50, 1.3), (45, 3, 1.2), (60, 10, 1.5)))
    return np.asarray(gaussian_filter1d(spots, sd) + 0.3 * noise / noise.std())


def test_a_smoothed_trace_s_waves_are_no_spots() -> None:
    # Its neighbours share the noise, of which second differences see a third or less.
    fit = deconvolve(X, four_smoothed(1.0, 3))
    assert [c.centre for c in fit.components] == pytest.approx([12, 30, 45, 60], abs=0.3)


def test_a_step_to_no_number_ends_a_fit_where_it_began(monkeypatch: pytest.MonkeyPatch) -> None:
    # MINPACK takes such steps from a peak that left the trace, and moves nothing there.
    monkeypatch.setattr("lanes.spots.search_fit.leastsq",
                        lambda _, first, **__: (np.full(first.size, np.nan),))
    problem = Problem(X, two(), np.ones(X.size), "linear", 0.25, 5.0, None)
    found = solve_quickly(problem, (Peak(29.0, 1.0, 1.5), Peak(46.0, 1.0, 1.5)))
    assert [p.centre for p in found.peaks] == pytest.approx([29.0, 46.0])

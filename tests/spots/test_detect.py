"""Detection: its significance is one, its answer the area, and its limit the limit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import cholesky, toeplitz

from lanes.spots.detect import STEP, candidates, limit, scales, significance
from lanes.spots.shapes import gaussian as shape
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]
PITCH = 0.1
X = np.arange(0, 80, PITCH)
ONES = np.ones(X.size)
WHITE = Noise(0.05, np.ones(1), PITCH, "clean layer")
# Correlated over about half a millimetre, as a layer's grain is.
GRAINY = Noise(0.05, np.exp(-((np.arange(30) * PITCH) ** 2) / (4 * 0.2**2)), PITCH, "clean layer")


def gaussian(centre: float, area: float, sigma: float) -> Floats:
    return area * np.exp(-0.5 * ((X - centre) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))


def noisy(noise: Noise, seeds: int) -> Floats:
    """Return `seeds` rows of noise of the covariance that `noise` states."""
    row = np.zeros(X.size)
    row[: noise.autocorrelation.size] = noise.autocorrelation
    root = cholesky(toeplitz(row) + 1e-9 * np.eye(X.size), lower=True)
    rng = np.random.default_rng(11)
    return np.asarray(noise.sd * rng.normal(size=(seeds, X.size)) @ root.T)


def test_scales_go_up_by_one_ratio_past_the_broadest() -> None:
    found = scales(0.4, 3.0)
    np.testing.assert_allclose(found[1:] / found[:-1], STEP)
    assert found[0] == 0.4
    assert 3.0 <= found[-1] < 3.0 * STEP


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0])
def test_the_answer_to_a_spot_is_its_area(sigma: float) -> None:
    _, area = significance(gaussian(40, 3.0, sigma), WHITE, ONES, sigma)
    assert area.max() == pytest.approx(3.0, rel=1e-3)
    assert X[area.argmax()] == pytest.approx(40, abs=PITCH / 2)


@pytest.mark.parametrize("sigma", [0.5, 1.0])
def test_level_and_slope_give_no_answer(sigma: float) -> None:
    z, _ = significance(5 + 0.3 * X, WHITE, ONES, sigma)
    assert np.abs(z[100:-100]).max() < 1e-6


@pytest.mark.parametrize("noise", [WHITE, GRAINY], ids=["white", "grainy"])
@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.0])
def test_significance_counts_standard_deviations(noise: Noise, sigma: float) -> None:
    z = np.stack([significance(row, noise, ONES, sigma)[0] for row in noisy(noise, 80)])
    inner = z[:, 150:-150]
    assert inner.mean() == pytest.approx(0, abs=0.1)
    assert inner.std() == pytest.approx(1, abs=0.06)


def test_gain_lowers_significance() -> None:
    row = gaussian(40, 3.0, 1.0)
    plain, _ = significance(row, WHITE, ONES, 1.0)
    doubled, _ = significance(row, WHITE, 2 * ONES, 1.0)
    np.testing.assert_allclose(doubled, plain / 2)


SIGMAS = scales(0.4, 3.0)


@pytest.mark.parametrize("noise", [WHITE, GRAINY], ids=["white", "grainy"])
def test_places_are_found_with_their_widths_and_areas(noise: Noise) -> None:
    spots = ((15.0, 2.0, 0.8), (40.0, 1.0, 1.0), (62.0, 2.0, 1.5))
    row = noisy(noise, 1)[0] + sum(gaussian(*s) for s in spots)
    found = candidates(X, row, noise, ONES, ONES > 0, SIGMAS, 8.0)
    assert len(found) == 3
    for c, (centre, area, sigma) in zip(found, spots, strict=True):
        assert c.centre == pytest.approx(centre, abs=0.3)
        # The most significant width is up to two steps of 1.35 beside the spot's own: a start.
        assert 0.5 < c.sigma / sigma < 2.0
        assert 0.6 < c.area / area < 1.6
        assert c.significance > 8


@pytest.mark.parametrize("noise", [WHITE, GRAINY], ids=["white", "grainy"])
def test_in_noise_alone_next_to_nothing_is_found(noise: Noise) -> None:
    found = [
        c for row in noisy(noise, 60)
        for c in candidates(X, row, noise, ONES, ONES > 0, SIGMAS, 5.0)
    ]
    # Within 8 mm of an end the broadest widths reach over it.
    assert len([c for c in found if 8 < c.centre < X[-1] - 8]) <= 1


def test_two_spots_with_a_valley_are_two() -> None:
    row = gaussian(40, 1.0, 0.8) + gaussian(43, 1.0, 0.8)
    found = candidates(X, row, WHITE, ONES, ONES > 0, SIGMAS, 5.0)
    assert len(found) == 2
    np.testing.assert_allclose([c.centre for c in found], [40, 43], atol=0.4)


@pytest.mark.parametrize("length", [0.3, 0.6, 1.0, 2.0, 4.0])
def test_the_middle_of_three_is_a_place_too(length: float) -> None:
    """At a broad width three in a row answer as one; each has a maximum at a finer one."""
    pitch = 0.13
    x = np.arange(-2, 77, pitch)
    row = ((54.73, 0.995, 1.01), (58.84, 0.914, 1.04), (62.78, 1.489, 1.06))
    y = sum(shape(x, centre, area, sigma)[0] for centre, area, sigma in row)
    mottle = Noise(0.0017, np.exp(-np.arange(46) * pitch / length), pitch, "clean layer")
    seen = candidates(x, y, mottle, np.ones(x.size), np.ones(x.size, bool), scales(0.4, 3.0), 5.0)
    assert [c.centre for c in seen] == pytest.approx([centre for centre, *_ in row], abs=0.4)


def test_what_pencil_hides_is_no_place_and_hides_no_other() -> None:
    usable = np.abs(X - 30) > 0.5
    row = np.where(usable, gaussian(40, 2.0, 1.0), -50.0)
    found = candidates(X, row, WHITE, ONES, usable, SIGMAS, 6.0)
    assert len(found) == 1
    assert found[0].centre == pytest.approx(40, abs=0.2)


@pytest.mark.parametrize("noise", [WHITE, GRAINY], ids=["white", "grainy"])
@pytest.mark.parametrize("sigma", [0.6, 1.2])
def test_a_spot_at_the_limit_is_found_half_of_the_time(noise: Noise, sigma: float) -> None:
    smallest = limit(noise, ONES, sigma, 5.0)
    z, _ = significance(gaussian(40, smallest, sigma), noise, ONES, sigma)
    assert z[400] == pytest.approx(5.0, rel=1e-3)
    seen = [
        significance(row + gaussian(40, smallest, sigma), noise, ONES, sigma)[0][400] > 5.0
        for row in noisy(noise, 200)
    ]
    assert 0.38 < np.mean(seen) < 0.62


def test_the_limit_goes_with_noise_and_threshold() -> None:
    one = limit(WHITE, ONES, 1.0, 5.0)
    assert limit(WHITE, ONES, 1.0, 10.0) == pytest.approx(2 * one)
    assert limit(WHITE, 3 * ONES, 1.0, 5.0) == pytest.approx(3 * one)
    twice = Noise(0.1, np.ones(1), PITCH, "clean layer")
    assert limit(twice, ONES, 1.0, 5.0) == pytest.approx(2 * one)
    assert limit(GRAINY, ONES, 1.0, 5.0) > one

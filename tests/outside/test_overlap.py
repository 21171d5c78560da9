"""What overlap does to two Gaussians, and that deconvolution undoes it.

Figures of overlap are computed from the Gaussian alone, with none of this project's code, unless
a source is named.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.model import Component, Peak, peak_shape
from lanes.spots.quantities import area_percents, pair
from lanes.spots.shapes import ROOT_2PI

# Equal heights and widths: Rs, share of a spot past the midpoint in percent, valley over apex,
# apparent over true distance of the apexes.
TABLE = [
    (0.50, 15.8655, 1.0, 0.0),
    (0.55, 13.5666, 0.974037, 0.66993),
    (0.60, 11.5070, 0.910566, 0.83391),
    (0.75, 6.68072, 0.641783, 0.97550),
    (1.00, 2.27501, 0.270580, 0.99933),
    (1.25, 0.62097, 0.087874, 0.99999),
    (1.50, 0.13499, 0.022218, 1.0),
]


def two(resolution, ratio=1.0):
    """Return a smaller and a larger spot of sigma 1 whose heights are as 1 to `ratio`."""
    half = 2 * resolution  # 4 sigma apart at Rs 1
    return Peak(-half, 1.0, 1.0), Peak(half, float(ratio), 1.0)


def total(peaks, x):
    return sum(peak_shape(np.atleast_1d(np.asarray(x, float)), p)[0] for p in peaks)


def extremes(peaks):
    """Return the places of lower maximum, valley and upper maximum, or None if there is one."""
    a, b = peaks[0].centre, peaks[1].centre

    def slope(x):
        at = np.array([float(x)])
        return -float(sum(peak_shape(at, p)[1][0] for p in peaks)[0])

    x = np.linspace(a, b, 4000)  # even: the middle, where a slope is 0 by symmetry, lies between
    by = -sum(peak_shape(x, p)[1][0] for p in peaks)
    turns = np.flatnonzero(np.diff(np.sign(by)) != 0)
    places = [brentq(slope, x[i], x[i + 1], xtol=1e-13) for i in turns]
    return places if len(places) == 3 else None


def as_fit(peaks):
    components = tuple(
        Component(p.centre, p.area / (p.sigma * ROOT_2PI), p.sigma, 0.0, p.area) for p in peaks)
    x = np.linspace(-10, 10, 101)
    shapes = np.array([peak_shape(x, p)[0] for p in peaks])
    zero = np.zeros(x.size)
    return Fit(components, None, "none", zero, shapes.sum(axis=0), shapes, None, None, None, None,
               ())


@pytest.mark.parametrize(("resolution", "share"), [row[:2] for row in TABLE])
def test_share_past_the_midpoint(resolution, share):
    lower, _ = two(resolution)
    past, _ = quad(lambda x: total([lower], x)[0], 0, 20, epsabs=1e-12)
    assert 100 * past == pytest.approx(share, abs=6e-5)


@pytest.mark.parametrize(("resolution", "valley", "apart"), [(r[0], *r[2:]) for r in TABLE[1:]])
def test_valley_and_apparent_distance_of_the_sum(resolution, valley, apart):
    peaks = two(resolution)
    low, middle, high = extremes(peaks)
    assert middle == pytest.approx(0, abs=1e-9)
    ratio = total(peaks, middle)[0] / total(peaks, low)[0]
    assert ratio == pytest.approx(valley, abs=2e-6)
    assert (high - low) / (4 * resolution) == pytest.approx(apart, abs=6e-6)


@pytest.mark.parametrize(
    ("resolution", "valley"), [(r[0], r[2]) for r in TABLE if r[0] == 0.5 or r[0] >= 0.75])
def test_a_pair_reports_resolution_and_valley(resolution, valley):
    found = pair(as_fit(two(resolution)), 0, 1, 100.0)
    assert found.resolution / 1.18 * 1.177410 == pytest.approx(resolution, rel=1e-6)
    assert found.delta_rf == pytest.approx(4 * resolution / 100)
    assert found.valley_to_peak == pytest.approx(valley, abs=5e-4)


# Height ratio and the resolution at which its valley goes. Equal heights: at 2 sigma, Schilling,
# Watkins & Watkins, Am. Stat. 56, 223 (2002).
MERGED = [(1, 0.50000), (2, 0.65688), (5, 0.76968), (10, 0.83850), (20, 0.89946), (100, 1.02211)]


@pytest.mark.parametrize(("ratio", "limit"), MERGED)
def test_resolution_at_which_a_height_ratio_merges(ratio, limit):
    assert extremes(two(limit - 2e-5, ratio)) is None
    assert extremes(two(limit + 2e-5, ratio)) is not None
    # The reading says the same, a little either side of it.
    assert pair(as_fit(two(limit - 0.01, ratio)), 0, 1, 1.0).valley_to_peak == 1.0


# A perpendicular dropped at the valley: height ratio, Rs, error of the smaller area in percent.
DROP = [(2, 1.0, -1.283), (5, 1.0, -4.467), (10, 1.0, -8.465), (50, 1.0, -26.66),
        (10, 1.5, -0.2122)]


@pytest.mark.parametrize(("ratio", "resolution", "error"), DROP)
def test_perpendicular_drop_errs_and_deconvolution_does_not(ratio, resolution, error):
    peaks = two(resolution, ratio)
    cut = extremes(peaks)[1]
    left, _ = quad(lambda x: total(peaks, x)[0], -20, cut, epsabs=1e-12, limit=200)
    assert 100 * (left - 1) == pytest.approx(error, abs=abs(error) * 5e-4)
    # The same two, with the little noise without which there is no weighing them.
    x = np.arange(-12, 12, 0.05)
    y = total(peaks, x) + np.random.default_rng(1).normal(0, 1e-4, x.size)
    fit = deconvolve(x, y, baseline_order="none", components=2)
    smaller = fit.components[0].area
    assert abs(100 * (smaller - 1)) < 0.05 * abs(error) + 0.02
    sd = np.sqrt(fit.covariance[1, 1])
    assert abs(smaller - 1) < 4 * sd
    percents, sds = area_percents(fit)
    assert abs(percents[0] - 100 / (1 + ratio)) < 4 * sds[0]


@pytest.mark.parametrize("resolution", [row[0] for row in TABLE])
def test_deconvolution_puts_the_apexes_where_they_are(resolution):
    """Merged to the eye, or pulled together: the components are apart by their true distance."""
    x = np.arange(-12, 12, 0.05)
    peaks = two(resolution)
    y = total(peaks, x) + np.random.default_rng(2).normal(0, 1e-4, x.size)
    fit = deconvolve(x, y, baseline_order="none", components=2)
    a, b = fit.components
    sds = np.sqrt(np.diag(fit.covariance))
    assert abs(a.centre - peaks[0].centre) < 4 * sds[0]
    assert abs(b.centre - peaks[1].centre) < 4 * sds[4]
    assert b.centre - a.centre == pytest.approx(4 * resolution, rel=0.002)


def test_apparent_apex_is_where_a_search_finds_it():
    """The root of the slope used above against a plain search for the highest point."""
    peaks = two(0.6)
    found = minimize_scalar(lambda x: -total(peaks, x)[0], bounds=(0.2, 3), method="bounded",
                            options={"xatol": 1e-10})
    assert found.x == pytest.approx(extremes(peaks)[2], abs=1e-6)

"""The formulas of planar chromatography, against numbers worked out apart from this project.

IUPAC: Nomenclature for Chromatography, Pure Appl. Chem. 65, 819 (1993). Ph. Eur., 11th
edition (2022), 2.2.46, Chromatographic separation techniques (from memory). Numbers marked
'computed' come from the printed formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import exponnorm, norm

from lanes.spots.describe import describe
from lanes.spots.fit import Fit
from lanes.spots.model import Component, Peak, peak_shape
from lanes.spots.quantities import (
    area_percents,
    full_width,
    pair,
    plate_number,
    retardation,
    signal_to_noise,
    symmetry,
    width_at,
)
from lanes.spots.shapes import ROOT_2PI, apex
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

WHITE = Noise(0.01, np.ones(1), 0.1, "clean layer")


def gaussian(centre, sigma=1.0, area=1.0):
    return Component(centre, area / (sigma * ROOT_2PI), sigma, 0.0, area)


def tailing(centre, tau, sigma=1.0, area=1.0):
    """Return a component whose apex is at `centre`, its tail towards the origin."""
    mean = centre - apex(sigma, tau)
    height = float(peak_shape(np.array([centre]), Peak(mean, area, sigma, tau))[0][0])
    return Component(centre, height, sigma, tau, area)


def fit_of(*components, covariance=None):
    x = np.arange(-2, 82, 0.1)
    shapes = np.array([
        peak_shape(x, Peak(c.centre - (apex(c.sigma, c.tau) if c.tau else 0), c.area, c.sigma,
                           c.tau))[0] for c in components])
    return Fit(components, covariance, "none", np.zeros(x.size), shapes.sum(axis=0), shapes, None,
               None, None, None, ())


def trace_of(fit, run):
    n = fit.model.size
    return Trace(np.arange(-2, 82, 0.1), fit.model, np.ones(n, bool), np.ones(n), run, None, None,
                 np.zeros(n), np.zeros(n))


# Rf, and RM = log10((1 - Rf) / Rf) (computed): IUPAC p. 845; R = 1 / (1 + k), p. 843.
RETARDATION = [(0.1, 0.95424), (0.25, 0.47712), (1 / 3, 0.30103), (0.5, 0.0), (0.75, -0.47712)]


@pytest.mark.parametrize(("rf", "rm"), RETARDATION)
def test_retardation_factor(rf, rm):
    """Rf = b / a; hRf = 100 Rf; the spot's own distance over the front's, both from the origin."""
    run = 75.0
    fit = fit_of(gaussian(rf * run), covariance=np.zeros((4, 4)))
    found, _ = retardation(fit, 0, run, 0.0, 0.0)
    assert found == pytest.approx(rf, rel=1e-12)
    assert np.log10((1 - found) / found) == pytest.approx(rm, abs=5e-6)
    ((spot,), _, _) = describe(trace_of(fit, run), fit, WHITE, 0.0, 0.0, True, 1.0)
    assert spot.rf == found
    assert spot.hrf == pytest.approx(100 * rf, rel=1e-12)
    assert spot.position_mm == pytest.approx(rf * run, rel=1e-12)


def test_rf_carries_the_uncertainty_of_both_lines():
    """First-order propagation of (c - o) / (f - o), by a simulation of the three places."""
    run, centre, sds = 75.0, 30.0, (0.11, 0.2, 0.3)  # centre, origin, front, in mm
    covariance = np.zeros((4, 4))
    covariance[0, 0] = sds[0] ** 2
    _, sd = retardation(fit_of(gaussian(centre), covariance=covariance), 0, run, sds[1], sds[2])
    rng = np.random.default_rng(0)
    c, o, f = (place + s * rng.standard_normal(200_000)
               for place, s in zip((centre, 0.0, run), sds, strict=True))
    assert sd == pytest.approx(np.std((c - o) / (f - o)), rel=0.01)


def test_resolution_by_base_width_and_by_half_height():
    """Rs = 2 (d2 - d1) / (wb1 + wb2), IUPAC p. 847, wb = 4 sigma of a Gaussian.

    Ph. Eur. prints Rs = 1.18 (d2 - d1) / (wh1 + wh2) (from memory); the exact factor
    is sqrt(2 ln 2) = 1.177410, so that form reads 0.220 % high (computed).
    """
    a, b = gaussian(20.0, 0.8), gaussian(25.0, 1.1)
    base = 2 * 5.0 / (4 * 0.8 + 4 * 1.1)
    half = 1.18 * 5.0 / (2.354820 * 0.8 + 2.354820 * 1.1)
    found = pair(fit_of(a, b), 0, 1, 75.0)
    assert found.resolution == pytest.approx(half, rel=1e-6)
    assert 100 * (found.resolution / base - 1) == pytest.approx(0.220, abs=5e-4)
    assert found.delta_rf == pytest.approx(5 / 75)


def test_plate_number():
    """N = 16 (z / wb)^2 = 5.545 (z / wh)^2, z the spot's own distance; 8 ln 2 = 5.545177."""
    spot = gaussian(40.0, 0.9)
    assert plate_number(spot) == pytest.approx(16 * (40 / (4 * 0.9)) ** 2, rel=1e-9)
    assert plate_number(spot) == pytest.approx(5.545177 * (40 / (2.354820 * 0.9)) ** 2, rel=1e-6)
    # A spot that did not move has no plates to count.
    assert plate_number(gaussian(0.1, 0.9)) is None


def test_area_percent_and_its_uncertainty():
    """Two independent areas: sd of 100 a / (a + b) is 100 sqrt((b sa)^2 + (a sb)^2) / (a + b)^2."""
    covariance = np.zeros((8, 8))
    covariance[1, 1], covariance[5, 5] = 0.3**2, 0.2**2
    percents, sds = area_percents(fit_of(gaussian(20, area=6), gaussian(40, area=2),
                                         covariance=covariance))
    assert percents == pytest.approx([75, 25])
    assert sds == pytest.approx([100 * np.hypot(2 * 0.3, 6 * 0.2) / 64] * 2)


# Exponentially modified Gaussian, sigma 1 (Foley & Dorsey, Anal. Chem. 55, 730 (1983) and J.
# Chromatogr. Sci. 22, 40 (1984), both from memory; values computed): tau, apex from the mean of
# the Gaussian, height over the Gaussian's, width and back over front at 10 %, symmetry at 5 %.
TAILS = [
    (0.5, 0.428142, 0.912422, 4.73697, 1.09288, 1.05719),
    (1.0, 0.697369, 0.784145, 5.66327, 1.36218, 1.22821),
    (2.0, 1.017913, 0.595667, 7.91546, 2.05560, 1.64813),
]


@pytest.mark.parametrize(("tau", "shift", "height", "wide", "ratio", "symmetric"), TAILS)
def test_landmarks_of_a_tailing_spot(tau, shift, height, wide, ratio, symmetric):
    """The tail points to the origin: the leading edge, A, is towards the front."""
    sigma = 0.7
    c = tailing(40.0, tau * sigma, sigma)
    assert apex(sigma, tau * sigma) / sigma == pytest.approx(-shift, abs=1e-6)
    assert c.height * sigma * ROOT_2PI == pytest.approx(height, abs=1e-6)
    lead, back = width_at(c, 0.1)
    assert (lead + back) / sigma == pytest.approx(wide, abs=1e-5)
    assert back / lead == pytest.approx(ratio, abs=1e-5)
    assert symmetry(c) == pytest.approx(symmetric, abs=1e-5)
    # Seen from the other side it fronts by as much: w / (2 B) in place of w / (2 A).
    lead, back = width_at(c, 0.05)
    assert symmetry(tailing(40.0, -tau * sigma, sigma)) == pytest.approx(
        (lead + back) / (2 * back), rel=1e-6)


@pytest.mark.parametrize("tau", [0.02, 0.5, 1.0, 2.0, 10.0, -1.0])
def test_tailing_shape_is_that_of_scipy(tau):
    """scipy.stats.exponnorm(K = tau / sigma), its tail to larger x, is the same density."""
    x = np.linspace(-30, 30, 1201)
    ours = peak_shape(x, Peak(0.0, 2.5, 0.9, tau))[0]
    side = -np.sign(tau)
    reference = 2.5 * exponnorm.pdf(side * x, abs(tau) / 0.9, scale=0.9)
    np.testing.assert_allclose(ours, reference, rtol=1e-9, atol=1e-14)


def test_a_symmetric_spot():
    c = gaussian(40.0, 0.9)
    assert symmetry(c) == pytest.approx(1)
    assert full_width(c) == pytest.approx(2.354820 * 0.9, rel=1e-6)


# Mean range of so many independent normal samples, in standard deviations (computed).
RANGES = [(20, 3.74), (50, 4.50), (100, 5.02), (200, 5.50)]


@pytest.mark.parametrize(("samples", "span"), RANGES)
def test_peak_to_peak_noise_depends_on_the_window(samples, span):
    """Tippett's integral of 1 - F^n - (1 - F)^n (Biometrika 17, 364 (1925), from memory)."""
    exact, _ = quad(lambda z: 1 - norm.cdf(z) ** samples - norm.sf(z) ** samples, -9, 9)
    assert exact == pytest.approx(span, abs=0.01)
    drawn = np.random.default_rng(samples).normal(size=(20_000, samples))
    assert np.ptp(drawn, axis=1).mean() == pytest.approx(exact, abs=0.02)


def test_signal_to_noise_is_twice_height_over_the_range_of_100_samples():
    """S/N = 2 H / h (Ph. Eur. 2.2.46, from memory), h measured here on simulated clean layer."""
    c = gaussian(40.0, 0.9, area=3.0)
    noise = Noise(0.02, np.ones(1), 0.1, "clean layer")
    drawn = np.random.default_rng(5).normal(0, noise.sd, (20_000, 100))
    h = np.ptp(drawn, axis=1).mean()
    assert signal_to_noise(c, noise) == pytest.approx(2 * c.height / h, rel=0.004)
    # A window of another length would give another figure: the check above can fail.
    assert np.ptp(drawn[:, :50], axis=1).mean() < 0.92 * h

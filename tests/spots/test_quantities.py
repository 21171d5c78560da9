"""The quantities of the trade against their printed definitions and values in closed form."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

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
from lanes.spots.shapes import apex
from lanes.trace.noise import Noise


def component(centre: float, area: float = 1.0, sigma: float = 1.0, tau: float = 0.0) -> Component:
    """Return a component whose apex lies at `centre`."""
    mean = centre - (apex(sigma, tau) if tau else 0.0)
    top = peak_shape(np.array([centre]), Peak(mean, area, sigma, tau))[0][0]
    return Component(centre, float(top), sigma, tau, area)


def fit(*components: Component, covariance: NDArray[np.float64] | None = None) -> Fit:
    nothing = np.zeros(0)
    values: dict[str, Any] = {
        "components": components, "covariance": covariance, "baseline_order": "none",
        "baseline": nothing, "model": nothing, "peaks": np.zeros((len(components), 0)),
        "r_squared": None, "reduced_chi_square": None, "aicc": None, "bic": None, "tried": (),
    }
    return Fit(**values)


def spread(*variances: tuple[float, float, float, float]) -> NDArray[np.float64]:
    return np.diag(np.concatenate(variances))


# Widths


@pytest.mark.parametrize(
    ("share", "width"), [(0.5, 2.354820), (0.1, 4.291932), (0.05, 4.895494), (0.606531, 2.0)]
)
def test_widths_of_a_gaussian(share: float, width: float) -> None:
    # 2 sqrt(-2 ln share) sigma.
    front, back = width_at(component(30.0, sigma=1.5), share)
    assert front == back
    assert front + back == pytest.approx(1.5 * width, rel=1e-6)


@pytest.mark.parametrize(
    ("tau", "wide", "ratio", "as_005"),
    # Width and back/front ratio at a tenth, and the pharmacopoeias' symmetry at a twentieth, of
    # an exponentially modified Gaussian of sigma 1; computed from the closed form (Foley &
    # Dorsey, Anal. Chem. 55, 730 (1983), for the shape; from memory).
    [(0.5, 4.73697, 1.09288, 1.05719), (1.0, 5.66327, 1.36218, 1.22821),
     (2.0, 7.91546, 2.05560, 1.64813)],
)
def test_widths_of_a_tailing_spot(tau: float, wide: float, ratio: float, as_005: float) -> None:
    c = component(30.0, tau=tau)
    front, back = width_at(c, 0.1)
    assert front + back == pytest.approx(wide, abs=2e-5)
    assert back / front == pytest.approx(ratio, abs=2e-5)
    assert symmetry(c) == pytest.approx(as_005, abs=2e-5)


def test_a_spot_that_tails_forward_has_a_symmetry_below_one() -> None:
    assert symmetry(component(30.0, tau=-1.0)) < 0.9
    assert symmetry(component(30.0)) == 1.0


def test_full_width_scales() -> None:
    assert full_width(component(30.0, sigma=2.0)) == pytest.approx(4.709640)
    one = full_width(component(30.0, sigma=1.0, tau=0.7))
    assert full_width(component(30.0, sigma=3.0, tau=2.1)) == pytest.approx(3 * one, rel=1e-6)


# Plate number and signal to noise


def test_the_plate_number() -> None:
    # 8 ln 2 (z/wh)^2 with 8 ln 2 = 5.545177, IUPAC, Pure Appl. Chem. 65, 819 (1993); for a
    # Gaussian that is (z/sigma)^2, and the tangents' 16 (z/wb)^2 with wb = 4 sigma.
    assert plate_number(component(50.0, sigma=1.0)) == pytest.approx(2500, rel=1e-6)
    assert plate_number(component(50.0, sigma=1.0)) == pytest.approx(16 * (50 / 4) ** 2, rel=1e-6)


@pytest.mark.parametrize("place", [-1.0, 0.0, 1.5])
def test_at_the_origin_there_is_no_plate_number(place: float) -> None:
    assert plate_number(component(place, sigma=1.0)) is None


def test_signal_to_noise() -> None:
    # 2H/h; a hundred samples of white noise span 5.02 standard deviations (computed).
    noise = Noise(0.1, np.ones(1), 0.1, "clean layer")
    c = component(30.0)
    assert signal_to_noise(c, noise) == pytest.approx(2 * c.height / 0.502)
    rng = np.random.default_rng(0)
    assert np.ptp(rng.normal(size=(4000, 100)), axis=1).mean() == pytest.approx(5.02, abs=0.03)
    assert signal_to_noise(c, replace(noise, sd=0.0)) is None


# Rf


def test_rf_and_its_uncertainty() -> None:
    # b/a, IUPAC, Pure Appl. Chem. 65, 819 (1993), p. 845.
    one = fit(component(30.0), covariance=spread((0.04, 1, 1, 0)))
    rf, sd = retardation(one, 0, 75.0, 0.0, 0.0)
    assert rf == pytest.approx(0.4)
    assert sd == pytest.approx(0.2 / 75)
    # Rf = (y - o)/(f - o): by the origin -(1 - Rf)/a, by the front -Rf/a.
    _, sd = retardation(one, 0, 75.0, 0.1, 0.3)
    assert sd == pytest.approx(np.sqrt(0.2**2 + (0.6 * 0.1) ** 2 + (0.4 * 0.3) ** 2) / 75)
    # Lengths 2 % longer at the front than at the origin: y' = y + 0.02 y (y/a - 1) / 2.
    _, sd = retardation(one, 0, 75.0, 0.0, 0.0, 0.02)
    assert sd == pytest.approx(np.hypot(0.2 / 75, 0.01 * 0.4 * 0.6))
    assert retardation(one, 0, 75.0, 0.0, 0.0, 0.02, noise_only=True)[1] == pytest.approx(0.2 / 75)


def test_without_a_covariance_nothing_is_made_up() -> None:
    bare = fit(component(20.0), component(30.0))
    assert retardation(bare, 0, 75.0, 0.1, 0.1)[1] is None
    assert area_percents(bare)[1] is None
    assert pair(bare, 0, 1, 75.0).resolution_sd is None


# Area percent


def test_area_percent() -> None:
    percents, _ = area_percents(fit(component(20.0, 3.0), component(40.0, 1.0)))
    np.testing.assert_allclose(percents, [75, 25])


def test_area_percents_uncertainty_by_simulation() -> None:
    rng = np.random.default_rng(1)
    root = rng.normal(size=(3, 3)) * 0.03
    areas, covariance = np.array([3.0, 1.0, 0.5]), root @ root.T
    full = np.zeros((12, 12))
    full[1::4, 1::4] = covariance
    _, sds = area_percents(fit(*(component(20.0 * (i + 1), a) for i, a in enumerate(areas)),
                               covariance=full))
    drawn = rng.multivariate_normal(areas, covariance, 40_000)
    drawn = 100 * drawn / drawn.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(sds, drawn.std(axis=0), rtol=0.03)


def test_two_shares_are_equally_uncertain_and_a_lone_one_is_unknown() -> None:
    two = fit(component(20.0, 3.0), component(40.0, 1.0),
              covariance=spread((0, 0.01, 0, 0), (0, 0.02, 0, 0)))
    _, sds = area_percents(two)
    assert sds is not None
    assert sds[0] == pytest.approx(sds[1])
    percents, sds = area_percents(fit(component(20.0, 3.0), covariance=spread((1, 1, 1, 0))))
    assert percents == pytest.approx([100])
    assert sds is not None
    assert np.isnan(sds).all()


# Pairs


@pytest.mark.parametrize(
    ("resolution", "valley"),
    # Valley over apex of two equal Gaussians by Rs = delta/(4 sigma); computed.
    [(0.50, 1.0), (0.55, 0.974037), (0.60, 0.910566), (0.75, 0.641783), (1.00, 0.270580),
     (1.25, 0.087874), (1.50, 0.022218)],
)
def test_resolution_and_valley_of_two_equal_spots(resolution: float, valley: float) -> None:
    two = pair(fit(component(30.0), component(30.0 + 4 * resolution)), 0, 1, 75.0)
    # The printed 1.18 for sqrt(2 ln 2) (Ph. Eur., 11th ed., 2.2.46, from memory) reads 0.220 %
    # above delta/(4 sigma).
    assert two.resolution == pytest.approx(resolution * 1.18 / np.sqrt(2 * np.log(2)), rel=1e-9)
    assert two.resolution == pytest.approx(1.00220 * resolution, rel=1e-5)
    assert two.valley_to_peak == pytest.approx(valley, abs=2e-3)
    assert two.delta_rf == pytest.approx(4 * resolution / 75)
    assert (two.lower, two.upper) == (0, 1)


def test_the_valley_is_held_against_the_lower_apex() -> None:
    # Two to one, Rs 1.5: next to nothing between them.
    two = pair(fit(component(30.0, 2.0), component(36.0, 1.0)), 0, 1, 75.0)
    heights = [peak_shape(np.linspace(30, 36, 2001), Peak(c, a, 1.0))[0]
               for c, a in ((30.0, 2.0), (36.0, 1.0))]
    total = heights[0] + heights[1]
    assert two.valley_to_peak == pytest.approx(total.min() / total[-1], rel=1e-3)


def test_a_shoulder_has_no_valley() -> None:
    # Ten to one merges below Rs 0.8385 (computed).
    low = pair(fit(component(30.0, 10.0), component(30.0 + 4 * 0.82)), 0, 1, 75.0)
    high = pair(fit(component(30.0, 10.0), component(30.0 + 4 * 0.87)), 0, 1, 75.0)
    assert low.valley_to_peak == 1.0
    assert high.valley_to_peak is not None
    assert high.valley_to_peak < 1.0


def test_others_between_leave_the_valley_unknown() -> None:
    three = fit(component(20.0), component(30.0), component(40.0))
    assert pair(three, 0, 2, 75.0).valley_to_peak is None
    assert pair(three, 0, 2, 75.0).resolution == pytest.approx(2 * 2.5 * 1.00220, rel=1e-5)


@pytest.mark.parametrize("taus", [(0.0, 0.0), (0.8, 0.0), (0.8, -0.5)])
def test_resolutions_uncertainty_by_simulation(taus: tuple[float, float]) -> None:
    rng = np.random.default_rng(2)
    root = rng.normal(size=(8, 8)) * 0.01
    covariance = root @ root.T
    for i, tau in enumerate(taus):
        if tau == 0.0:
            covariance[4 * i + 3] = covariance[:, 4 * i + 3] = 0.0
    centre = np.array([20.0, 1.0, 1.0, taus[0], 24.0, 2.0, 1.2, taus[1]])
    stated = pair(fit(component(20.0, 1.0, 1.0, taus[0]), component(24.0, 2.0, 1.2, taus[1]),
                      covariance=covariance), 0, 1, 75.0).resolution_sd
    values = []
    for v in rng.multivariate_normal(centre, covariance, 300):
        drawn = fit(component(v[0], v[1], v[2], v[3]), component(v[4], v[5], v[6], v[7]))
        values.append(pair(drawn, 0, 1, 75.0).resolution)
    assert stated == pytest.approx(np.std(values), rel=0.17)

"""The fitted shapes against scipy's distributions, finite differences and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import exponnorm, norm

from lanes.spots.shapes import FWHM, apex, gaussian, tailed

X = np.linspace(-30.0, 40.0, 3001)
TAUS = [0.02, 0.3, 1.0, 2.5, 8.0]


def differences(f: object, x: NDArray[np.float64], values: list[float]) -> NDArray[np.float64]:
    """Return central differences of f(x, *values) by each of `values`."""
    assert callable(f)
    out = []
    for i, v in enumerate(values):
        h = 1e-5 * max(abs(v), 0.1)
        up, down = list(values), list(values)
        up[i], down[i] = v + h, v - h
        out.append((f(x, *up)[0] - f(x, *down)[0]) / (2 * h))
    return np.array(out)


def test_the_gaussian_is_scipys_norm() -> None:
    value, _ = gaussian(X, 3.0, 2.5, 1.7)
    np.testing.assert_allclose(value, 2.5 * norm(3.0, 1.7).pdf(X), rtol=1e-12, atol=1e-300)


@pytest.mark.parametrize("tau", TAUS)
@pytest.mark.parametrize("sigma", [0.5, 1.7])
def test_the_tailed_shape_is_scipys_exponnorm(tau: float, sigma: float) -> None:
    # scipy.stats.exponnorm(K, loc, scale): K = tau/sigma, its tail towards larger x.
    value, _ = tailed(X, 3.0, 2.5, sigma, -tau)
    reference = 2.5 * exponnorm(tau / sigma, 3.0, sigma).pdf(X)
    np.testing.assert_allclose(value, reference, rtol=1e-7, atol=1e-13)


@pytest.mark.parametrize("tau", TAUS)
def test_a_positive_tau_tails_towards_smaller_x(tau: float) -> None:
    x = np.linspace(-300, 50, 35001)
    down, _ = tailed(x, 0.0, 1.0, 1.0, tau)
    up, _ = tailed(-x, 0.0, 1.0, 1.0, -tau)
    np.testing.assert_allclose(down, up, rtol=1e-12)
    assert np.sum(x * down) / np.sum(down) == pytest.approx(-tau, rel=1e-6)


@pytest.mark.parametrize("tau", [0.0, *TAUS[:-1], *(-t for t in TAUS[:-1])])
@pytest.mark.parametrize("sigma", [0.3, 1.0, 2.0])
def test_the_area_is_the_area(tau: float, sigma: float) -> None:
    x = np.linspace(-80, 80, 40001)
    value = (tailed(x, 1.0, 4.2, sigma, tau) if tau else gaussian(x, 1.0, 4.2, sigma))[0]
    assert value.sum() * (x[1] - x[0]) == pytest.approx(4.2, rel=1e-9)


def test_the_gaussians_derivatives() -> None:
    values = [3.0, 2.5, 1.7]
    np.testing.assert_allclose(
        gaussian(X, *values)[1], differences(gaussian, X, values), rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize("tau", [t * s for t in TAUS for s in (1, -1)])
@pytest.mark.parametrize("sigma", [0.5, 1.7])
def test_the_tailed_shapes_derivatives(tau: float, sigma: float) -> None:
    values = [3.0, 2.5, sigma, tau]
    found = tailed(X, *values)[1]
    rough = differences(tailed, X, values)
    # By tau the terms all but cancel where tau is a hundredth of sigma.
    for k in range(4):
        scale = np.abs(rough[k]).max()
        np.testing.assert_allclose(found[k], rough[k], atol=(2e-4 if k > 1 else 1e-6) * scale)


@pytest.mark.parametrize("ratio", [1e-3, 0.01, 0.1, 1.0, 10.0, 100.0])
def test_far_out_nothing_overflows(ratio: float) -> None:
    x = np.linspace(-2000, 2000, 4001)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        for sign in (1, -1):
            value, by = tailed(x, 0.0, 1.0, 1.0, sign * ratio)
            assert np.isfinite(value).all()
            assert np.isfinite(by).all()
            assert (value >= 0).all()


@pytest.mark.parametrize("tau", [0.3, 1.0, 4.0])
def test_the_two_forms_of_the_tail_join(tau: float) -> None:
    # Where the scaled error function overflows another form takes over, 20 root 2 sigma out.
    seam = 1.0 / tau + 20 * np.sqrt(2)
    x = -np.linspace(seam - 0.01, seam + 0.01, 201)
    value, by = tailed(x, 0.0, 1.0, 1.0, tau)
    reference = exponnorm(tau).pdf(-x)
    np.testing.assert_allclose(value, reference, rtol=1e-6)
    for row in by:
        # One smooth curve: no step across the seam.
        assert np.abs(np.diff(row, 2)).max() <= 1e-3 * np.abs(row).max()


def test_without_a_tail_the_shape_goes_over_into_the_gaussian() -> None:
    plain, _ = gaussian(X, 0.0, 1.0, 1.0)
    for tau in (1e-2, 1e-3):
        # Its mean lies tau off, its variance is tau^2 greater.
        shape, _ = tailed(X, tau, 1.0, 1.0, tau)
        np.testing.assert_allclose(shape, plain, atol=2 * tau**2)


@pytest.mark.parametrize("tau", [0.0 + t for t in TAUS])
@pytest.mark.parametrize("sigma", [0.4, 1.0, 3.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_apex_is_where_the_slope_is_nought(tau: float, sigma: float, sign: int) -> None:
    at = apex(sigma, sign * tau)
    assert np.sign(at) == -sign
    by = tailed(np.array([at]), 0.0, 1.0, sigma, sign * tau)[1]
    top = tailed(np.array([at]), 0.0, 1.0, sigma, sign * tau)[0][0]
    assert abs(by[0][0]) < 1e-6 * top / sigma  # minus the slope
    for d in (-0.01, 0.01):
        assert tailed(np.array([at + d * sigma]), 0.0, 1.0, sigma, sign * tau)[0][0] < top


@pytest.mark.parametrize(
    ("tau", "place", "height"),
    # Computed from the closed form; layout of Foley & Dorsey, J. Chromatogr. Sci. 22, 40 (1984)
    # (from memory).
    [(0.5, 0.428142, 0.912422), (1.0, 0.697369, 0.784145), (2.0, 1.017913, 0.595667)],
)
def test_the_apex_in_the_table(tau: float, place: float, height: float) -> None:
    assert apex(1.0, -tau) == pytest.approx(place, abs=5e-7)
    top = tailed(np.array([place]), 0.0, 1.0, 1.0, -tau)[0][0] * np.sqrt(2 * np.pi)
    assert top == pytest.approx(height, abs=5e-7)


def test_hardly_a_tail_hardly_moves_the_apex() -> None:
    assert apex(1.0, 1e-9) == pytest.approx(-1e-9)
    assert apex(1.0, 0.0) == 0.0
    assert apex(2.0, 2e-3) == pytest.approx(-2e-3, rel=1e-3)


def test_width_at_half_height() -> None:
    assert pytest.approx(2.354820, abs=5e-7) == FWHM
    value, _ = gaussian(np.array([0.0, FWHM / 2]), 0.0, 1.0, 1.0)
    assert value[1] / value[0] == pytest.approx(0.5)

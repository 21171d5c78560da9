"""Noise against fields and series whose spread and correlation are known in closed form."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import t

from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.signal import PATCH_MM, Signal
from lanes.plate.square import Grid
from lanes.trace.noise import Noise, difference_noise, layer_noise, residual_noise

Floats = NDArray[np.float64]
PITCH = 0.1
GRID = Grid(700, 500, PITCH, PITCH)
LANE = Lane("1", 25.0, 6.0)
LAYOUT = Layout(50.0, 70.0, True, 1.0, np.array([[0, 700], [500, 700], [500, 0], [0, 0]], float),
                Line((8.0,)), Line((60.0,)), (LANE,))


def field(held: Any, every: int = 1) -> Signal:
    """Return bare layer with `held` as its noise, all of it held out or one patch in `every`."""
    held = np.asarray(held, np.float32)
    values = np.nan_to_num(held)
    if every > 1:
        rows, columns = np.indices(held.shape) // round(PATCH_MM / PITCH)
        held = np.where((rows + columns) % every == 0, held, np.nan).astype(np.float32)
    none = np.zeros(held.shape, bool)
    return Signal(values, np.ones_like(values), ~none, held, none, np.zeros_like(values), GRID,
                  "white", "kubelka-munk", "mean", 0.86, ())


def white(seed: int) -> Floats:
    return np.random.default_rng(seed).normal(0, 0.01, (GRID.rows, GRID.columns))


def smooth(seed: int, sigma_mm: float) -> Floats:
    """Return noise of standard deviation 0.01 with correlation exp(-d^2 / (4 sigma^2))."""
    rough = gaussian_filter(white(seed), sigma_mm / PITCH, mode="wrap")
    return 0.01 * rough / rough.std()


# From clean layer


def widened(signal: Signal, width: float) -> float:
    """Return Student's widening for as many patches as `signal` holds out."""
    area = float(np.isfinite(signal.held_out).sum()) * PITCH**2
    return float(t.ppf(0.975, area / (PATCH_MM * max(PATCH_MM, width)))) / 1.959964


@pytest.mark.parametrize("width", [3.0, 6.0])
@pytest.mark.parametrize("every", [1, 2])  # three patterns hold out half of the layer
def test_white_noise_across_a_lane(width: float, every: int) -> None:
    signal = field(white(1), every)
    found = layer_noise(signal, LAYOUT, width)
    assert found is not None
    assert found.source == "clean layer"
    # A sum of width/pitch samples, each times the pitch.
    wide = widened(signal, width)
    assert 1.01 < wide < 1.3
    assert found.sd == pytest.approx(wide * 0.01 * np.sqrt(width * PITCH), rel=0.05)
    assert found.local.sd == pytest.approx(0.01 * np.sqrt(width * PITCH), rel=0.05)
    assert found.autocorrelation[0] == 1
    assert np.abs(found.autocorrelation[1:10]).max() < 0.1
    assert found.correlation_mm == pytest.approx(PITCH, abs=0.1)


@pytest.mark.parametrize("sigma", [0.2, 0.4])
@pytest.mark.parametrize("every", [1, 2])  # three patterns hold out half of the layer
def test_correlated_noise_across_a_lane(sigma: float, every: int) -> None:
    signal = field(smooth(2, sigma), every)
    found = layer_noise(signal, LAYOUT, 6.0)
    assert found is not None
    # The integral of exp(-d^2/4 sigma^2) over all d is 2 sqrt(pi) sigma, less near the sides.
    d = np.arange(-6, 6, 0.01)
    variance = 1e-4 * np.sum((6 - np.abs(d)) * np.exp(-d * d / (4 * sigma**2))) * 0.01
    assert found.sd == pytest.approx(widened(signal, 6.0) * np.sqrt(variance), rel=0.08)
    at = np.arange(12)
    np.testing.assert_allclose(
        found.autocorrelation[:12], np.exp(-((at * PITCH) ** 2) / (4 * sigma**2)), atol=0.08
    )
    assert found.correlation_mm == pytest.approx(2 * np.sqrt(np.pi) * sigma, rel=0.35)


def test_a_few_wild_patches_do_not_set_the_noise() -> None:
    clean = layer_noise(field(white(3)), LAYOUT, 6.0)
    values = white(3)
    values[100:120, 100:120] += 1.0
    wild = layer_noise(field(values), LAYOUT, 6.0)
    assert clean is not None
    assert wild is not None
    assert wild.sd < 1.5 * clean.sd


def test_too_little_layer_is_none() -> None:
    values = np.full((GRID.rows, GRID.columns), np.nan)
    values[:60, :60] = 0.01 * np.ones((60, 60))  # 36 square millimetres
    assert layer_noise(field(values), LAYOUT, 6.0) is None


# From a trace alone


def first_order(n: int, r: float, seed: int) -> Floats:
    """Return a first-order autoregressive series of unit variance, correlation r^k."""
    rng = np.random.default_rng(seed)
    out = rng.normal(0, 1, n)
    for i in range(1, n):
        out[i] = r * out[i - 1] + np.sqrt(1 - r * r) * out[i]
    return out


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8])
def test_residuals_give_spread_and_correlation(r: float) -> None:
    found = residual_noise(0.3 * first_order(6000, r, 4), PITCH)
    assert found.source == "residuals"
    assert found.sd == pytest.approx(0.3, rel=0.06)
    np.testing.assert_allclose(found.autocorrelation[:4], r ** np.arange(4.0), atol=0.08)


def test_residuals_of_nothing_are_no_noise() -> None:
    found = residual_noise(np.zeros(100), PITCH)
    assert found.sd == 0
    assert np.isfinite(found.correlation_mm)


def test_second_differences_see_past_the_spots() -> None:
    x = np.arange(0, 80, 0.2)
    spots = 5 * np.exp(-0.5 * ((x - 20) / 1.0) ** 2) + 3 * np.exp(-0.5 * ((x - 50) / 1.5) ** 2)
    noise = np.random.default_rng(5).normal(0, 0.05, x.size)
    assert difference_noise(spots + 0.01 * x + noise, 0.2).sd == pytest.approx(0.05, rel=0.15)


# What it is used for


NOISE = Noise(0.2, np.array([1.0, 0.6, 0.2, 0.05]), PITCH, "residuals")


def test_covariance_by_hand() -> None:
    gain = np.array([1.0, 1.0, 2.0, 3.0, 1.0, 1.0])
    found = NOISE.covariance(gain)
    assert found.shape == (6, 6)
    np.testing.assert_allclose(np.diag(found), 0.04 * gain**2)
    assert found[2, 3] == pytest.approx(0.04 * 0.6 * 2 * 3)
    assert found[0, 5] == 0
    np.testing.assert_array_equal(found, found.T)


def test_correlation_length_by_hand() -> None:
    assert NOISE.correlation_mm == pytest.approx(PITCH * (1 + 2 * 0.85))


@pytest.mark.parametrize("seed", range(3))
def test_no_covariance_has_a_negative_variance(seed: int) -> None:
    kinds = [
        layer_noise(field(smooth(seed, 0.3), 3), LAYOUT, 5.0),
        residual_noise(first_order(300, 0.7, seed), PITCH),
        residual_noise(np.sin(np.arange(300) / 3), PITCH),
    ]
    for noise in kinds:
        assert noise is not None
        assert np.linalg.eigvalsh(noise.covariance(np.ones(250))).min() > -1e-6 * noise.sd**2

"""One hump of any shape against two alike: drawn curves with white noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import erfc
from scipy.stats import exponnorm

from lanes.evidence.whitened_space import make_space
from lanes.questions.shoulder import any_shape as module
from lanes.questions.shoulder.any_shape import AnyShape, any_shape

X = np.arange(-12.0, 12.0, 0.1)
# Of one spot: the tail it may have, and beyond its other flank as far as a second is sought, 12 of
# `ask`'s sigmas.
OF_ONE = X[X < 6.0]


def gaussian(x: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * x**2)


def skewed(x: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * (x / np.where(x > 0, 1.4, 0.8)) ** 2)


def tailed(x: np.ndarray) -> np.ndarray:
    return exponnorm.pdf(-x, 2.5, -0.6, 0.6) / 0.3


def flat(x: np.ndarray) -> np.ndarray:
    return 0.5 * erfc((np.abs(x) - 1.2) / 0.5)


def overloaded(x: np.ndarray) -> np.ndarray:
    """Return a triangle with one steep side, blurred."""
    fine = np.arange(-30.0, 30.0, 0.02)
    ramp = np.where((fine > -3.0) & (fine < 0.5), (fine + 3.0) / 3.5, 0.0)
    return np.interp(x, fine, gaussian_filter1d(ramp, 0.35 / 0.02))


SHAPES = (gaussian, skewed, tailed, flat, overloaded)


def ask(
    curve: np.ndarray, noise: float, seed: int, sigma: float = 0.4, x: np.ndarray = X
) -> AnyShape:
    space = make_space(x, np.full(x.size, noise**2) * np.eye(x.size),
                       np.stack([np.ones_like(x), x], axis=1), 0.5)
    seen = curve + 0.3 + 0.01 * x + noise * np.random.default_rng(seed).standard_normal(x.size)
    return any_shape(space, space.data(seen)[0], float(x[np.argmax(curve)]), sigma)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("noise", [0.03, 0.003])
def test_one_spot_of_any_shape_is_one_hump(shape, noise):
    """Of twelve of each none is sure to be two, and a hump leaves no more than noise."""
    for seed in range(12):
        found = ask(shape(OF_ONE), noise, seed, x=OF_ONE)
        assert not found.sure
        assert found.one < found.samples + 4.0 * np.sqrt(2.0 * found.samples)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("side", [-1, 1])
def test_two_of_any_shape_are_two(shape, side):
    """Resolution 0.85, a quarter: the shoulder shows on either side, and the figures are right."""
    over = X[shape(X) >= 0.5 * shape(X).max()]
    gap = 0.85 * 2.0 * (over[-1] - over[0]) / 1.18
    found = ask(0.75 * shape(X) + 0.25 * shape(X - side * gap), 0.003, 1)
    assert found.sure
    assert found.scale == pytest.approx(1.0, abs=0.3)
    assert found.share == pytest.approx(0.25, abs=0.06)
    assert found.resolution == pytest.approx(0.85, abs=0.12)


def test_what_is_neither_is_not_two():
    """Three spots far apart are not two alike, however surely they are not one."""
    found = ask(gaussian(X) + 0.5 * gaussian(X - 4.0) + 0.7 * gaussian(X + 4.0), 0.002, 1)
    assert found.p_one < 1e-6
    assert found.scale > module.UNLIKE
    assert not found.sure


def test_a_hump_is_convex_concave_convex_and_ends_at_nothing():
    u = np.linspace(-3.0, 3.0, 601)
    curve = module._integrated(u)
    assert np.gradient(np.gradient(curve, u), u)[3:-3] == pytest.approx(
        np.clip(1.0 - np.abs(u), 0.0, None)[3:-3], abs=0.01)
    space = make_space(X, 1e-4 * np.eye(X.size), np.ones((X.size, 1)), 0.5)
    humps = module._Humps(space, space.data(tailed(X))[0], 0.8)
    at = humps.one(0.0)
    hump = humps.hump(at)
    bend = np.diff(hump, 2)
    inside = (X[1:-1] > humps.knots[at[0]] - humps.pitch) & (
        X[1:-1] < humps.knots[at[1]] + humps.pitch)
    assert bend[~inside].min() > -1e-6
    assert np.abs(hump[[0, -1]]).max() < 1e-3
    assert hump == pytest.approx(tailed(X), abs=0.02)


def test_noise_seldom_asks_for_a_second():
    """The level is a bound: of 60 Gaussians hardly one is called two at a level of a tenth."""
    found = [ask(gaussian(X), 0.01, seed, 0.8).p_one for seed in range(60)]
    assert np.mean(np.array(found) < 0.1) <= 0.1

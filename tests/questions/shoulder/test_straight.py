"""Strips of a bent spot put straight: what they lose of it, and what stays as it is."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.questions.shoulder.straight import straightened
from lanes.spots.strip_shape import Strips
from lanes.trace.noise import Noise

X = np.arange(-12.0, 12.0, 0.1)
PLACE = np.linspace(-1.0, 1.0, 8)
OUTLINE = np.exp(-2.0 * PLACE**2)


def strips(lean: float, bend: float, noise: float = 0.002) -> Strips:
    """Return a Gaussian of sigma 1.2 whose strips lie along a parabola, and white noise."""
    at = lean * PLACE + bend * PLACE**2
    values = OUTLINE * np.exp(-0.5 * ((X[:, None] - at) / 1.2) ** 2)
    values = values + noise * np.random.default_rng(1).standard_normal(values.shape)
    return Strips(X, X / 1.2, np.ones(X.size), values, np.ones((X.size, 1)),
                  Noise(noise, np.ones(1), 0.1, "clean layer"))


def width(curve: np.ndarray) -> float:
    middle = curve @ X / curve.sum()
    return float(np.sqrt(curve @ (X - middle) ** 2 / curve.sum()))


def test_a_bent_spot_is_put_straight() -> None:
    bent = strips(0.3, -1.2, 0.0005)
    before = bent.values.sum(axis=1)
    straight, change = straightened(bent)
    near = np.abs(X) < 5.0
    assert width(before * near) > 1.24
    assert width((before + change) * near) == pytest.approx(1.2, abs=0.01)
    middle = before @ X / before.sum()
    assert (before + change) @ X / before.sum() == pytest.approx(middle, abs=0.03)
    places = [v @ (X * near) / (v @ near) for v in straight.values.T[1:-1]]
    assert np.ptp(places) < 0.05


def test_a_straight_spot_stays_as_it_is() -> None:
    """Noise alone moves no strip."""
    straight, change = straightened(strips(0.0, 0.0))
    assert not change.any()
    assert straight.values == pytest.approx(strips(0.0, 0.0).values)

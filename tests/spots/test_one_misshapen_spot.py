"""One spot that no formula fits is one spot; two are claimed where no shape could be both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.model import Peak, peak_shape
from lanes.spots.shape_terms import ASSUMED
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]
X = np.arange(-2.0, 77.0, 0.15)
SD = 0.004
NOISE = Noise(SD, np.ones(1), 0.15, "clean layer")


def fitted(y: Floats, seed: int, size: float = 1.0) -> Fit:
    rng = np.random.default_rng(seed)
    shapes = replace(ASSUMED, sds=size * ASSUMED.sds)
    return deconvolve(X, y + rng.normal(0, SD, X.size), noise=NOISE, shapes=shapes)


def skewed(ratio: float) -> Floats:
    """Half a Gaussian to either side, the upper `ratio` times as wide."""
    width = np.where(X > 40.0, 1.2 * ratio, 1.2)
    return np.asarray(np.exp(-0.5 * ((X - 40.0) / width) ** 2))


def flat(rim: float) -> Floats:
    """An even disc of 2 mm radius summed across, its edge blurred by `rim` mm."""
    disc = np.sqrt(np.clip(1.0 - ((X - 40.0) / 2.0) ** 2, 0.0, None))
    kernel = np.exp(-0.5 * (np.arange(-40, 41) * 0.15 / rim) ** 2)
    return np.convolve(disc, kernel / kernel.sum(), "same")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shape", [skewed(1.15), skewed(1.3), flat(0.5), flat(0.7)],
                         ids=["skewed", "more skewed", "flat", "less flat"])
def test_a_misshapen_spot_is_one(shape: Floats, seed: int) -> None:
    assert len(fitted(shape, seed).components) == 1


@pytest.mark.parametrize("seed", range(4))
def test_a_strongly_skewed_spot_is_one_where_the_plate_shows_such_spots(seed: int) -> None:
    assert len(fitted(skewed(1.7), seed, size=3.0).components) == 1


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("drag", [2.0, 2.5])
def test_a_head_on_a_drag_twice_as_broad_is_one_comet(drag: float, seed: int) -> None:
    """No valley divides them, and what runs side by side spreads alike."""
    comet = np.exp(-0.5 * (X - 40.0) ** 2) + 0.4 * np.exp(-0.5 * ((X - 37.5) / drag) ** 2)
    assert len(fitted(comet, seed).components) == 1


@pytest.mark.parametrize("seed", range(3))
def test_two_whose_widths_differ_by_a_third_are_two(seed: int) -> None:
    pair = np.exp(-0.5 * (X - 40.0) ** 2) + 0.5 * np.exp(-0.5 * ((X - 37.0) / 1.3) ** 2)
    assert len(fitted(pair, seed).components) == 2


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("apart", "minor", "size"), [
    (2.55, 1.0, 1.0), (2.55, 0.33, 0.3), (3.4, 0.33, 1.0), (5.0, 0.05, 1.0)])
def test_two_that_no_one_shape_could_be_are_two(
    apart: float, minor: float, size: float, seed: int
) -> None:
    y = sum(peak_shape(X, p)[0] for p in (Peak(40.0, 3.0, 1.2),
                                          Peak(40.0 + 1.2 * apart, 3.0 * minor, 1.2)))
    assert len(fitted(np.asarray(y), seed, size).components) == 2


def test_the_interval_counts_the_shape() -> None:
    # No baseline: a straight line would take up a little of the even terms.
    fit = deconvolve(X, skewed(1.0), noise=NOISE, shapes=ASSUMED, baseline_order="none")
    wide, noise = fit.sd(0, "area"), fit.sd(0, "area", noise_only=True)
    assert wide is not None
    assert noise is not None
    # h4 and h6 hold 0.612 and 0.559 of the area each (their integrals over the Gaussian's).
    assert wide == pytest.approx(
        np.hypot(noise, fit.components[0].area * np.hypot(0.612 * 0.04, 0.559 * 0.02)), rel=0.02)
    near = replace(fit, shapes=replace(ASSUMED, sds=0.0 * ASSUMED.sds))
    assert near.sd(0, "area") == pytest.approx(noise)


@pytest.mark.parametrize("tau", [0.0, 0.8, -1.5])
def test_apex_and_mean_have_one_conversion(tau: float) -> None:
    peak = Peak(30.0, 2.0, 0.9, tau)
    c = peak.component()
    assert c.peak().centre == pytest.approx(30.0)
    x = np.linspace(5, 70, 650001)
    y = peak_shape(x, peak)[0]
    assert x[np.argmax(y)] == pytest.approx(c.centre, abs=2e-4)
    assert y.max() == pytest.approx(c.height)
    assert float((x * y).sum() / y.sum()) == pytest.approx(c.mean, abs=1e-3)

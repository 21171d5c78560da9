"""Traces of known spots separated again, with the uncertainty that was promised."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.spots.choose import Search
from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.model import DEGREES, Peak, peak_shape
from lanes.spots.shape_terms import ASSUMED
from lanes.spots.shapes import apex
from lanes.spots.split import merged_peak
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]
PITCH = 0.15
X = np.arange(-2.0, 77.0, PITCH)
SD = 0.01
NOISE = Noise(SD, np.ones(1), PITCH, "clean layer")
THREE = (Peak(15.0, 2.0, 0.9), Peak(37.0, 1.0, 1.1), Peak(60.0, 0.5, 1.3))


def trace(*peaks: Peak, seed: int = 0, sd: float = SD, below: Any = 0.0) -> Floats:
    row = np.random.default_rng(seed).normal(0, sd, X.size) + below
    for peak in peaks:
        row = row + peak_shape(X, peak)[0]
    return np.asarray(row)


def fitted(*peaks: Peak, seed: int = 0, sd: float = SD, below: Any = 0.0, **options: Any) -> Fit:
    return deconvolve(X, trace(*peaks, seed=seed, sd=sd, below=below), noise=NOISE, **options)


def sds(fit: Fit) -> Floats:
    assert fit.covariance is not None
    return np.sqrt(np.diag(fit.covariance)).reshape(-1, 4)


# What is there is found


def test_three_spots_apart() -> None:
    fit = fitted(*THREE)
    assert len(fit.components) == 3
    for c, true, sd in zip(fit.components, THREE, sds(fit), strict=True):
        assert abs(c.centre - true.centre) < 4 * sd[0]
        assert abs(c.area - true.area) < 4 * sd[1]
        assert abs(c.sigma - true.sigma) < 4 * sd[2]
        assert c.tau == 0
        assert c.height == pytest.approx(c.area / (c.sigma * np.sqrt(2 * np.pi)))
    assert fit.r_squared is not None
    assert fit.r_squared > 0.99
    assert fit.reduced_chi_square == pytest.approx(1, abs=0.25)
    assert fit.at_bound == ()


def test_the_promised_uncertainty_is_kept() -> None:
    pulls = []
    for seed in range(40):
        fit = fitted(*THREE, seed=seed)
        assert len(fit.components) == 3
        for c, true, sd in zip(fit.components, THREE, sds(fit), strict=True):
            pulls.append([(c.centre - true.centre) / sd[0], (c.area - true.area) / sd[1],
                          (c.sigma - true.sigma) / sd[2]])
    spread = np.std(pulls, axis=0)
    # 120 pulls: their spread is good to 6 %.
    assert (spread > 0.8).all()
    assert (spread < 1.25).all()
    assert np.abs(np.mean(pulls, axis=0)).max() < 0.35


def test_one_spot_stays_one() -> None:
    split = sum(len(fitted(Peak(37.0, 2.0, 1.0), seed=s).components) != 1 for s in range(25))
    assert split <= 1


def test_nothing_is_found_in_noise() -> None:
    found = sum(len(fitted(seed=s).components) for s in range(25))
    assert found <= 1


def test_an_empty_trace_is_an_empty_fit() -> None:
    fit = fitted()
    assert fit.components == ()
    assert fit.covariance is None
    assert fit.peaks.shape == (0, X.size)
    np.testing.assert_array_equal(fit.model, fit.baseline)


@pytest.mark.parametrize("seed", range(3))
def test_a_pair_without_a_valley_is_resolved_into_two(seed: int) -> None:
    # 1.7 sigma apart: equal heights merge below 2 sigma (Schilling, Watkins & Watkins, Am. Stat.
    # 56, 223 (2002)).
    pair = (Peak(36.0, 4.0, 1.0), Peak(37.7, 3.0, 1.0))
    fit = fitted(*pair, seed=seed, sd=0.004)
    assert len(fit.components) == 2
    assert fit.merged == ((0, 1),)
    for c, true in zip(fit.components, pair, strict=True):
        assert c.centre == pytest.approx(true.centre, abs=0.3)
        assert c.area == pytest.approx(true.area, rel=0.2)


MOTTLED = Noise(0.003, 0.6 ** np.arange(30), PITCH, "clean layer")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("middle", [0.3, 0.6, 0.9, 1.5])
@pytest.mark.parametrize("apart", [3.6, 4.0, 5.0])
def test_three_strong_spots_in_a_row(apart: float, middle: float, seed: int) -> None:
    """At a broad width they answer as one: the middle one must not go with it."""
    row = (Peak(55.0, 1.0, 1.0), Peak(55.0 + apart, middle, 1.03),
           Peak(55.0 + 2 * apart, 1.5, 1.06))
    rng = np.random.default_rng(seed)
    noise = np.convolve(rng.normal(0, 1, X.size + 6), np.ones(7) / 7**0.5, "valid")
    y = 0.003 * noise + sum(peak_shape(X, peak)[0] for peak in row)
    fit = deconvolve(X, y, noise=MOTTLED, narrowest=0.25, broadest=5.0)
    assert [c.centre for c in fit.components] == pytest.approx([p.centre for p in row], abs=0.1)
    assert [c.area for c in fit.components] == pytest.approx([p.area for p in row], rel=0.1)


@pytest.mark.parametrize("tau", [1.0, 1.6, -1.0])
@pytest.mark.parametrize("seed", range(2))
def test_a_tail_given_as_start_is_fitted(tau: float, seed: int) -> None:
    true = Peak(40.0, 3.0, 0.8, tau)
    fit = fitted(true, seed=seed, start=(Peak(39.5, 2.0, 1.0, 0.7 * tau),))
    c = fit.components[0]
    sd = sds(fit)[0]
    # The centre is the apex, not the mean of the Gaussian part, and so is its uncertainty.
    assert c.centre == pytest.approx(40.0 + apex(0.8, tau), abs=4 * sd[0])
    assert sd[0] < 0.05
    assert c.area == pytest.approx(3.0, abs=4 * sd[1])
    assert c.sigma == pytest.approx(0.8, abs=4 * sd[2])
    assert c.tau == pytest.approx(tau, abs=4 * sd[3])


@pytest.mark.parametrize("tau", [1.0, 1.6])
@pytest.mark.parametrize("seed", range(3))
def test_a_tail_is_a_tail_and_no_second_spot(tau: float, seed: int) -> None:
    fit = fitted(Peak(40.0, 3.0, 0.8, tau), seed=seed)
    assert len(fit.components) == 1
    assert fit.components[0].tau == pytest.approx(tau, rel=0.2)
    assert fit.components[0].area == pytest.approx(3.0, rel=0.03)


def test_a_weak_spot_beside_a_heavy_one() -> None:
    fit = fitted(Peak(30.0, 4.0, 1.0), Peak(36.0, 0.2, 1.0))
    assert len(fit.components) == 2
    assert fit.components[1].area == pytest.approx(0.2, abs=0.06)


@pytest.mark.parametrize(
    ("order", "below"),
    [("constant", 0.2 + 0 * X), ("linear", 0.1 + 0.004 * X),
     ("quadratic", 0.1 + 0.004 * X - 4e-5 * X**2), ("auto", 0.1 + 0.004 * X)],
)
def test_what_lies_under_the_spots_is_fitted_with_them(order: str, below: Floats) -> None:
    fit = fitted(*THREE, below=below, baseline_order=order)
    assert len(fit.components) == 3
    for c, true in zip(fit.components, THREE, strict=True):
        assert c.area == pytest.approx(true.area, abs=0.06)
    np.testing.assert_allclose(fit.baseline, below, atol=0.02)
    assert fit.baseline_order in DEGREES


# What is asked for is done


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7])
def test_the_count_given_is_kept(count: int) -> None:
    components = fitted(*THREE, components=count).components
    assert len(components) == count
    assert all(c.area > 0.0 for c in components)


def test_starts_given_are_used() -> None:
    fit = fitted(*THREE, start=(Peak(14.0, 1.0, 1.0), Peak(38.0, 1.0, 1.0)))
    assert [round(c.centre) for c in fit.components] == [15, 37]


def test_unusable_samples_are_bridged() -> None:
    hidden = np.abs(X - 15.3) < 0.4
    row = trace(*THREE)
    row[hidden] = -3.0
    fit = deconvolve(X, row, noise=NOISE, usable=~hidden)
    assert len(fit.components) == 3
    assert fit.components[0].area == pytest.approx(2.0, abs=0.08)
    assert fit.model.shape == X.shape


def test_gain_makes_the_spots_less_certain() -> None:
    gain = np.where(np.abs(X - 15) < 4, 3.0, 1.0)
    plain, noisy = fitted(*THREE), fitted(*THREE, gain=gain)
    assert sds(noisy)[0, 1] > 2 * sds(plain)[0, 1]


def test_correlated_noise_makes_them_less_certain() -> None:
    grainy = Noise(SD, np.exp(-((np.arange(20) * PITCH) ** 2) / 0.16), PITCH, "clean layer")
    row = trace(*THREE)
    white = deconvolve(X, row, noise=NOISE)
    grain = deconvolve(X, row, noise=grainy)
    ratio = sds(grain)[:, 1] / sds(white)[:, 1]
    # Noise of so short a correlation acts as white noise of its integral: variance times 5.
    root = np.sqrt(grainy.correlation_mm / PITCH)
    np.testing.assert_allclose(ratio, root, rtol=0.3)


def test_without_stated_noise_the_residual_is_taken() -> None:
    row = trace(*THREE, below=0.2)
    fit = deconvolve(X, row)
    assert len(fit.components) == 3
    assert fit.reduced_chi_square is None  # it would be one by construction
    np.testing.assert_allclose(sds(fit)[:, 1], sds(fitted(*THREE))[:, 1], rtol=0.5)


# What the fit says of itself


def test_parts_add_up() -> None:
    fit = fitted(*THREE)
    np.testing.assert_allclose(fit.baseline + fit.peaks.sum(axis=0), fit.model, atol=1e-12)
    np.testing.assert_allclose(fit.peaks.sum(axis=1) * PITCH, [c.area for c in fit.components],
                               rtol=1e-3)
    centres = [c.centre for c in fit.components]
    assert centres == sorted(centres)
    assert fit.covariance is not None
    assert fit.covariance.shape == (12, 12)
    np.testing.assert_allclose(fit.covariance, fit.covariance.T, atol=1e-12)


def test_what_was_tried_is_kept() -> None:
    fit = fitted(*THREE)
    assert 3 in [a.components for a in fit.tried]
    chosen = [a for a in fit.tried if a.components == 3]
    assert min(a.bic for a in chosen) == pytest.approx(fit.bic)
    for attempt in fit.tried:
        assert attempt.rss > 0
        assert attempt.parameters >= 3 * attempt.components


def test_units_do_not_matter() -> None:
    row = trace(*THREE)
    one = deconvolve(X, row, noise=NOISE)
    loud = Noise(1000 * SD, np.ones(1), PITCH, "clean layer")
    other = deconvolve(X, 1000 * row, noise=loud)
    for a, b in zip(one.components, other.components, strict=True):
        assert b.centre == pytest.approx(a.centre, abs=1e-4)
        assert b.area == pytest.approx(1000 * a.area, rel=1e-4)
    moved = deconvolve(X + 100, row, noise=NOISE)
    for a, b in zip(one.components, moved.components, strict=True):
        assert b.centre - 100 == pytest.approx(a.centre, abs=1e-4)


def test_the_same_trace_gives_the_same_fit_and_is_left_alone() -> None:
    row = trace(*THREE)
    row.setflags(write=False)
    before = row.copy()
    one, two = (deconvolve(X, row, noise=NOISE) for _ in range(2))
    assert one.components == two.components
    np.testing.assert_array_equal(one.covariance, two.covariance)
    np.testing.assert_array_equal(row, before)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        (X, X[:-1]), (X[:5], X[:5]), (X[::-1], X), (0 * X, X), (X, np.where(X > 9, np.nan, X)),
        (np.where(X > 9, np.inf, X), X), (X.reshape(2, -1) if X.size % 2 == 0 else X[1:].reshape(
            2, -1), X),
    ],
    ids=["lengths differ", "too short", "falling", "still", "nan", "inf", "two rows"],
)
def test_what_is_no_trace_is_refused(x: Floats, y: Floats) -> None:
    with pytest.raises(InputError) as caught:
        deconvolve(x, y)
    assert "position" in str(caught.value)


def test_no_more_peaks_are_fitted_than_the_samples_determine() -> None:
    """Forty samples of noise, stated a million times smaller than it is."""
    x = np.linspace(0.0, 75.0, 40)
    y = np.random.default_rng(0).normal(size=x.size)
    tiny = Noise(1e-6, np.ones(1), float(x[1] - x[0]), "clean layer")
    for count in (None, 20):
        fit = deconvolve(x, y, noise=tiny, components=count)
        assert 4 * len(fit.components) <= x.size
        assert np.isfinite(fit.model).all()


def test_a_peak_of_less_than_nothing_is_no_part_of_one():
    """By hand: of areas 2 and -1, the one that is left is the first."""
    whole = merged_peak(Peak(10.0, 2.0, 1.0), Peak(14.0, -1.0, 1.0))
    assert (whole.centre, whole.area, whole.sigma) == (10.0, 2.0, 1.0)


def test_a_peak_that_left_the_trace_is_asked_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit may carry a peak past the last sample: nothing there tells one from two."""
    searches: list[Search] = []
    run = Search.run

    def caught(self: Search, *asked: Any) -> Any:
        searches.append(self)
        out = run(self, *asked)
        beyond = (*out[0].peaks, Peak(X[-1] + 5.0, 0.35, 0.45), Peak(X[-1] + 6.0, 0.2, 0.45))
        gone = replace(out[0], peaks=beyond)
        assert self._one_or_two(gone, len(beyond) - 2) == []
        assert not self._claimed(gone, beyond, len(beyond) - 2)
        return out

    monkeypatch.setattr(Search, "run", caught)
    assert len(fitted(*THREE, shapes=ASSUMED).components) == 3
    assert searches

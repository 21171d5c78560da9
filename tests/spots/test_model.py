"""The fit's Jacobian against finite differences of its residual, and its handling of limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import toeplitz

from lanes.spots.model import (
    DEGREES,
    Peak,
    Problem,
    Solution,
    baseline_term,
    merged_pairs,
    peak_shape,
)
from lanes.spots.search_fit import reported, solve_quickly
from lanes.spots.settle import settle
from lanes.spots.solve import solve

Floats = NDArray[np.float64]
X = np.linspace(-2.0, 60.0, 220)
WEIGHT = 20.0 * (1 + 0.3 * np.sin(X))

APART = (Peak(10.0, 2.0, 0.9), Peak(30.0, 1.0, 1.2), Peak(50.0, 0.5, 1.4))
CLOSE = (Peak(20.0, 2.0, 1.0), Peak(22.0, 1.0, 1.1), Peak(24.1, 1.5, 1.0), Peak(45.0, 1.0, 1.3))
TAILING = (Peak(20.0, 2.0, 0.8, 1.1), Peak(40.0, 1.0, 1.0, -0.7))
BASELINES: dict[str, list[float]] = {
    "none": [], "constant": [0.1], "linear": [0.1, 0.05], "quadratic": [0.1, 0.05, -0.03],
    "exponential": [0.2, 1.5],
}


def problem(
    peaks: tuple[Peak, ...], order: str = "linear", noise: float = 0.02, prior: float | None = 0.05
) -> Problem:
    empty = Problem(X, np.zeros_like(X), WEIGHT, order, 0.25, 5.0, prior)
    y = model(empty, peaks, np.array(BASELINES[order]))
    return replace(empty, y=y + np.random.default_rng(7).normal(0, noise, X.size))


def model(p: Problem, peaks: tuple[Peak, ...], baseline: Floats) -> Floats:
    total = baseline_term(p, p.x, baseline)[0]
    for peak in peaks:
        total = total + peak_shape(p.x, peak)[0]
    return total


def values_of(solution: Solution) -> dict[str, float]:
    values = {f"baseline_{k}": float(v) for k, v in enumerate(solution.baseline)}
    for i, peak in enumerate(solution.peaks):
        values |= {f"p{i}_{what}": getattr(peak, what)
                   for what in ("centre", "area", "sigma", "tau")}
    return values


def residual(p: Problem, s: Solution, values: dict[str, float], tied: dict[int, int]) -> Floats:
    """Return the weighted residual and the width prior, written down a second time."""
    def sigma(i: int) -> float:
        while i in tied:
            i = tied[i]
        return values[f"p{i}_sigma"]

    peaks = tuple(
        Peak(values[f"p{i}_centre"], values[f"p{i}_area"], sigma(i), values[f"p{i}_tau"])
        for i in range(len(s.peaks))
    )
    baseline = np.array([values[f"baseline_{k}"] for k in range(s.baseline.size)])
    rest = model(p, peaks, baseline) - p.y
    rest = rest * p.weight if p.whitening is None else p.whitening @ rest
    if p.width_prior is None or tied:
        return rest
    prior = [np.log(peaks[j].sigma / peaks[i].sigma) / p.width_prior for i, j in s.merged]
    return np.concatenate([rest, prior])


def differences(p: Problem, s: Solution, tied: dict[int, int]) -> Floats:
    start = values_of(s)
    rows = []
    for name in s.names:
        h = 1e-5 * max(abs(start[name]), 0.1)
        up = residual(p, s, {**start, name: start[name] + h}, tied)
        down = residual(p, s, {**start, name: start[name] - h}, tied)
        rows.append((up - down) / (2 * h))
    return np.array(rows)


@pytest.mark.parametrize(
    ("order", "correlated"), [*((order, False) for order in BASELINES), ("linear", True)]
)
@pytest.mark.parametrize(
    ("peaks", "options", "tied"),
    [
        (APART, {}, {}), (CLOSE, {}, {}), (CLOSE, {"share": True}, {1: 0, 2: 1}),
        (TAILING, {"tailing": frozenset({0, 1})}, {}),
        (TAILING, {"tailing": frozenset({1})}, {}),
        (CLOSE, {"fixed": {"p1_sigma": 1.1, "p0_area": 2.0}}, {}),
        ((), {}, {}),
    ],
    ids=["apart", "with the width prior", "tied sigmas", "tailing", "one tailing", "fixed", "none"],
)
def test_the_jacobian_is_that_of_the_residual(
    order: str, correlated: bool, peaks: tuple[Peak, ...], options: dict[str, Any],
    tied: dict[int, int],
) -> None:
    p = problem(peaks, order)
    if correlated:
        # Noise whose neighbours share two thirds: its covariance's root undone.
        covariance = toeplitz(0.65 ** np.arange(X.size)) / np.outer(WEIGHT, WEIGHT)
        p = replace(p, whitening=np.linalg.inv(np.linalg.cholesky(covariance)))
    if "tailing" in options:
        peaks = tuple(q if i in options["tailing"] else replace(q, tau=0.0)
                      for i, q in enumerate(peaks))
    s = solve(p, peaks, np.array(BASELINES[order]), **options)
    if not s.names:
        assert (order, peaks) == ("none", ())
        assert s.jacobian.size == 0
        return
    rough = differences(p, s, tied)
    assert s.jacobian.shape == rough.shape
    for name, exact, near in zip(s.names, s.jacobian, rough, strict=True):
        np.testing.assert_allclose(exact, near, atol=2e-5 * np.abs(near).max(), err_msg=name)
    rest = residual(p, s, values_of(s), tied)
    assert s.rss == pytest.approx(float(rest @ rest), rel=1e-9)
    # At the minimum the residual has nothing left along any parameter.
    along = s.jacobian @ rest / np.sqrt(np.square(s.jacobian).sum(axis=1))
    assert np.abs(along).max() < 1e-2 * np.sqrt(s.rss)


@pytest.mark.parametrize("order", list(BASELINES))
@pytest.mark.parametrize(
    ("peaks", "tailing"),
    [(APART, frozenset()), (TAILING, frozenset({0, 1}))], ids=["plain", "tailing"],
)
def test_without_noise_the_peaks_come_back(
    order: str, peaks: tuple[Peak, ...], tailing: frozenset[int]
) -> None:
    p = problem(peaks, order, noise=0.0)
    start = tuple(replace(q, centre=q.centre + 0.3, area=0.7 * q.area, sigma=1.3 * q.sigma)
                  for q in peaks)
    s = solve(p, start, 0.8 * np.array(BASELINES[order]), tailing)
    assert s.rss < 1e-8
    for found, true in zip(s.peaks, peaks, strict=True):
        for what in ("centre", "area", "sigma", "tau"):
            assert getattr(found, what) == pytest.approx(getattr(true, what), abs=1e-4)
    np.testing.assert_allclose(s.baseline, BASELINES[order], atol=1e-4)
    assert s.at_bound == ()


def test_the_starts_are_only_starts_and_are_not_changed() -> None:
    start = APART
    solve(problem(APART), start)
    assert start == (Peak(10.0, 2.0, 0.9), Peak(30.0, 1.0, 1.2), Peak(50.0, 0.5, 1.4))


def test_what_is_fixed_stays_and_has_no_column() -> None:
    s = solve(problem(APART), APART, fixed={"p1_sigma": 1.4})
    assert s.peaks[1].sigma == 1.4
    assert "p1_sigma" not in s.names


def test_shared_sigmas_are_one() -> None:
    s = solve(problem(CLOSE), CLOSE, share=True)
    assert s.merged == ((0, 1), (1, 2))
    assert s.peaks[0].sigma == s.peaks[1].sigma == s.peaks[2].sigma
    assert s.peaks[3].sigma != s.peaks[0].sigma
    assert "p0_sigma" in s.names
    assert "p1_sigma" not in s.names


def test_the_width_prior_draws_merged_neighbours_together() -> None:
    peaks = (Peak(20.0, 2.0, 0.8), Peak(22.0, 1.0, 1.2))
    ratio = []
    for prior in (None, 0.5, 0.05, 0.005):
        s = solve(problem(peaks, noise=0.05, prior=prior), peaks)
        ratio.append(abs(np.log(s.peaks[1].sigma / s.peaks[0].sigma)))
    assert ratio[0] > ratio[1] > ratio[2] > ratio[3]
    assert ratio[3] < 0.02


def test_a_value_at_its_limit_is_named() -> None:
    wide = (Peak(30.0, 5.0, 9.0),)
    s = solve(problem(wide, "none", noise=0.0), (Peak(30.0, 5.0, 3.0),))
    assert s.at_bound == ("p0_sigma",)
    assert s.peaks[0].sigma == pytest.approx(5.0, abs=0.01)


def test_neighbours_within_three_sigma_are_merged() -> None:
    assert merged_pairs((Peak(0, 1, 1), Peak(2.99, 1, 1), Peak(6.0, 1, 1))) == ((0, 1),)
    assert merged_pairs(()) == ()


@pytest.mark.parametrize("order", list(DEGREES))
def test_the_baselines_derivatives(order: str) -> None:
    p = problem((), order)
    values = np.array(BASELINES[order])
    _, by = baseline_term(p, X, values)
    assert by.shape == (DEGREES[order], X.size)
    for k in range(values.size):
        step = np.zeros_like(values)
        step[k] = 1e-6
        rough = (baseline_term(p, X, values + step)[0]
                 - baseline_term(p, X, values - step)[0]) / 2e-6
        np.testing.assert_allclose(by[k], rough, atol=1e-8)


def test_the_linear_term_by_hand() -> None:
    # Over the trace from -1 to 1: level in the middle, then half the rise.
    p = problem((), "linear")
    value, _ = baseline_term(p, np.array([-2.0, 29.0, 60.0]), np.array([0.3, 0.1]))
    np.testing.assert_allclose(value, [0.2, 0.3, 0.4])


def test_the_shortest_tail_is_none_and_no_value_at_its_limit() -> None:
    other_way = problem((Peak(30.0, 2.0, 1.0, -0.7),))
    settled = settle(other_way, (Peak(30.0, 2.0, 1.0, 0.1),), np.array(BASELINES["linear"]),
                     frozenset({0}))
    assert settled.peaks[0].tau == 0.0
    assert not settled.at_bound


@pytest.mark.parametrize("order", ["none", "linear", "exponential"])
@pytest.mark.parametrize(
    ("peaks", "options"),
    [(APART, {}), (CLOSE, {}), (CLOSE, {"share": True}), (TAILING, {"tailing": frozenset({0})}),
     (CLOSE, {"fixed": {"p1_sigma": 1.1}}), ((Peak(30.0, 5.0, 3.0), Peak(31.0, 1.0, 0.3)), {})],
    ids=["apart", "with the width prior", "tied sigmas", "tailing", "fixed", "run away"],
)
def test_a_searchs_fit_ends_where_lmfits_does(
    order: str, peaks: tuple[Peak, ...], options: dict[str, Any]
) -> None:
    p = problem(peaks, order, noise=0.05)
    off = tuple(replace(q, centre=q.centre + 0.5, area=0.6 * q.area, sigma=1.4 * q.sigma)
                for q in peaks)
    quick = solve_quickly(p, off, np.array(BASELINES[order]), **options)
    exact = solve(p, off, np.array(BASELINES[order]), **options)
    assert (quick.names, quick.at_bound, quick.merged) == (exact.names, exact.at_bound,
                                                           exact.merged)
    assert quick.rss == pytest.approx(exact.rss, rel=1e-9)
    np.testing.assert_allclose(list(values_of(quick).values()), list(values_of(exact).values()),
                               rtol=1e-6, atol=1e-9)
    again = reported(p, replace(quick, at_bound=("p0_area",)))
    assert again.rss == exact.rss  # lmfit's own, from the same start
    assert again.at_bound == ("p0_area",)

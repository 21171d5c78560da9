"""The cores of the background methods against pybaselines, and against the papers' equations.

Numbers beside the checks were measured with pybaselines 1.2.1 (`pybaselines.Baseline`).
"""

from __future__ import annotations

import numpy as np
import pytest
from pybaselines import Baseline

from lanes.trace.background import arpls, modified_polynomial, snip


def trace(seed, n=400):
    """Three spots, two of them touching, on a slope that decays, with noise; unit pitch."""
    x = np.arange(n) / n
    rng = np.random.default_rng(seed)
    spots = sum(
        height * np.exp(-0.5 * ((x - centre) / sigma) ** 2)
        for height, centre, sigma in ((1.0, 0.2, 0.015), (0.6, 0.55, 0.02), (0.4, 0.62, 0.02))
    )
    return spots + 0.3 + 0.3 * np.exp(-3 * x) + rng.normal(0, 0.01, n)


seeds = pytest.mark.parametrize("seed", [1, 2, 3])


@seeds
@pytest.mark.parametrize("penalty", [1e2, 16.0**4, 1e7])
def test_arpls_is_that_of_pybaselines(seed, penalty):
    """Baseline().arpls(y, lam=penalty, tol=1e-3, max_iter=49).

    Measured: apart by 4e-9 at most, at the greatest penalty, where the system is ill-conditioned.
    Known difference: `max_iter` counts the fits after the first, `tries` counts all.
    """
    y = trace(seed)
    reference, _ = Baseline().arpls(y, lam=penalty, diff_order=2, tol=1e-3, max_iter=49)
    ours = arpls(y, np.ones(y.size), penalty)
    np.testing.assert_allclose(ours, reference, rtol=0, atol=1e-8)
    # The check has something to bite on: another penalty is seen.
    other, _ = Baseline().arpls(y, lam=1.01 * penalty, diff_order=2, tol=1e-3, max_iter=49)
    assert np.abs(other - reference).max() > 1e-6


@seeds
def test_arpls_is_that_of_the_paper(seed):
    """Baek et al., Analyst 140, 250 (2015), with dense matrices, five fits and some left out.

    Known difference from pybaselines: there `weights` opens the first fit only, so that samples
    left out come back; here `share` stays a factor of every weight, and of the statistics too.
    """
    y = trace(seed, 200)
    share = np.ones(y.size)
    share[90:100] = 0
    y[90:100] = -4.0
    penalty = 3e4
    second = np.diff(np.eye(y.size), 2, axis=0)
    weight = share
    for _ in range(5):
        z = np.linalg.solve(np.diag(weight) + penalty * second.T @ second, weight * y)
        d = y - z
        negative = d[(d < 0) & (share > 0)]
        m, s = negative.mean(), negative.std(ddof=1)
        weight = share / (1 + np.exp(2 * (d - (2 * s - m)) / s))
    ours = arpls(y, share, penalty, tolerance=0.0, tries=5)
    np.testing.assert_allclose(ours, z, rtol=0, atol=1e-9)


@seeds
@pytest.mark.parametrize("half_window", [1, 7, 24, 60])
def test_snip_is_that_of_pybaselines(seed, half_window):
    """Baseline().snip(y, max_half_window=half_window, decreasing=True, pad_kwargs=...).

    Known difference: pybaselines pads the ends, by default with a straight line through the
    outermost `half_window` samples. A padding beyond reach stands for no padding, as here.
    """
    y = trace(seed)
    tall = {"mode": "constant", "constant_values": 1e200}
    reference, _ = Baseline().snip(y, max_half_window=half_window, decreasing=True, pad_kwargs=tall)
    ours = snip(y, half_window)
    np.testing.assert_allclose(ours, reference, rtol=0, atol=1e-14)
    assert np.abs(ours - y).max() > 0.01


def test_padding_is_what_sets_snip_apart():
    """With pybaselines' own padding the two part by 0.023 near the ends, by 4e-6 farther in."""
    y = trace(1)
    reference, _ = Baseline().snip(y, max_half_window=24, decreasing=True)
    apart = np.abs(snip(y, 24) - reference)
    assert 0.02 < apart.max() < 0.025
    assert apart[100:-100].max() < 1e-5


@seeds
@pytest.mark.parametrize("order", [2, 3, 5])
def test_modified_polynomial_is_that_of_pybaselines(seed, order):
    """Baseline(x).imodpoly(y, poly_order=order, tol=1e-3, max_iter=250), its defaults otherwise.

    Measured: apart by 2e-15 at most.
    """
    y = trace(seed)
    reference, details = Baseline(np.arange(float(y.size))).imodpoly(
        y, poly_order=order, tol=1e-3, max_iter=250, mask_initial_peaks=True, num_std=1.0
    )
    assert details["tol_history"].size > 3
    ours = modified_polynomial(y, np.ones(y.size), order)
    np.testing.assert_allclose(ours, reference, rtol=0, atol=1e-13)


@seeds
def test_modified_polynomial_leaves_out_what_is_masked(seed):
    """Baseline(x).imodpoly on the samples that count: the polynomial through them is the same."""
    y = trace(seed)
    count = np.ones(y.size, bool)
    count[150:180] = False
    x = np.linspace(-1, 1, y.size)
    _, details = Baseline(x[count]).imodpoly(y[count], poly_order=3, return_coef=True)
    reference = np.polynomial.polynomial.polyval(x, details["coef"])
    y[150:180] = 7.0
    ours = modified_polynomial(y, count.astype(float), 3)
    np.testing.assert_allclose(ours, reference, rtol=0, atol=1e-10)

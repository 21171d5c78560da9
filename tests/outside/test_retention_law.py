"""Retention and solvent strength against published forms and numbers worked out apart.

IUPAC: Nomenclature for Chromatography, Pure Appl. Chem. 65, 819 (1993): R = 1 / (1 + k), p. 843,
and RM = log10((1 - Rf) / Rf), p. 845. RM = c - m log X_B (Snyder and Soczewinski):
Multidimensional Chromatography, p. 182. Numbers marked 'computed' come from the printed formula.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from lanes.questions.solvent.before_column import volumes_of
from lanes.questions.solvent.matching import log_k
from lanes.questions.solvent.names import order_flag
from lanes.questions.solvent.one_plate import BEST_K, one_plate
from lanes.questions.solvent.retention import (
    RfPoint,
    column_volumes,
    fit,
    fit_widths,
    fraction_for,
    predict,
    relative_resolution,
    rf_of,
    rm_of,
)

# Rf and RM (computed from the definition, IUPAC p. 845).
RM = [(0.1, 0.95424), (0.25, 0.47712), (1 / 3, 0.30103), (0.5, 0.0), (0.75, -0.47712)]


@pytest.mark.parametrize(("rf", "rm"), RM)
def test_rm_and_back(rf, rm):
    assert float(rm_of(np.array(rf))) == pytest.approx(rm, abs=5e-6)
    assert log_k(rf) == pytest.approx(rm, abs=5e-6)
    assert float(rf_of(np.array(rm))) == pytest.approx(rf, abs=5e-6)


def points(slopes, intercepts, fractions, rf_sd=0.001):
    """Rf straight from R = 1 / (1 + k), written out here apart from the code on trial."""
    return [RfPoint(j, p, x, 1 / (1 + x**a * 10**b), rf_sd)
            for p, x in enumerate(fractions)
            for j, (a, b) in enumerate(zip(slopes, intercepts, strict=True))]


def test_the_law_has_the_published_form():
    """RM = c - m log X_B: what is drawn from c and m comes back as them, whatever the weights."""
    m, c = (1.1, 1.6, 2.0), (-0.2, -0.8, -1.3)
    law = fit(points([-v for v in m], c, (0.1, 0.2, 0.5)), 3)
    assert law.slope == pytest.approx([-v for v in m], abs=1e-9)
    assert law.intercept == pytest.approx(c, abs=1e-9)
    # Ten times as much of the stronger solvent lowers RM by m.
    there = rm_of(predict(law, fit_widths([0], [0.5], [0.02], 3), np.array([0.05, 0.5])).rf)
    assert there[0] - there[1] == pytest.approx(m, abs=1e-9)


def test_two_fractions_give_the_line_through_two_points():
    law = fit([RfPoint(0, 0, 0.2, 0.30, 0.001), RfPoint(0, 1, 0.4, 0.55, 0.001)], 1)
    slope = (np.log10(0.45 / 0.55) - np.log10(0.7 / 0.3)) / np.log10(2)
    assert law.slope[0] == pytest.approx(slope, rel=1e-9)
    assert not law.estimated
    # The variance of a difference of two independent logs of k, scatter as stated by the default:
    # for the median scatter; the spread about it widens a little.
    one = (0.015 / (0.25 * np.log(10))) ** 2
    own = [(np.hypot(0.005, 0.001) / (r * (1 - r) * np.log(10))) ** 2 for r in (0.30, 0.55)]
    least = np.sqrt(2 * one + sum(own)) / np.log10(2)
    assert least < law.slope_sd()[0] < 1.4 * least


def test_the_fit_is_that_of_numpy_where_every_point_weighs_the_same():
    """numpy.polyfit as the reference: points mirrored about Rf 0.5 have equal weights in log k."""
    x = np.array([0.1, 0.2, 0.4])
    rf = np.array([0.32, 0.5, 0.68])
    law = fit([RfPoint(0, p, float(f), float(r), 0.0005) for p, (f, r)
               in enumerate(zip(x, rf, strict=True))], 1)
    slope, intercept = np.polyfit(np.log10(x), np.log10((1 - rf) / rf), 1)
    assert law.slope[0] == pytest.approx(slope, rel=1e-6)
    assert law.intercept[0] == pytest.approx(intercept, rel=1e-6)


# sqrt(Rf) (1 - Rf) over its value at Rf 1/3 (computed).
RELATIVE = [(0.1, 0.7394), (0.2, 0.9295), (1 / 3, 1.0), (0.5, 0.9186), (0.7, 0.6521)]


@pytest.mark.parametrize(("rf", "value"), RELATIVE)
def test_relative_resolution(rf, value):
    assert relative_resolution(rf) == pytest.approx(value, abs=5e-5)


def test_resolution_is_best_at_rf_a_third():
    """Where sqrt(Rf) (1 - Rf) is largest, k = (1 - Rf) / Rf = 2."""
    found = minimize_scalar(lambda rf: -relative_resolution(rf), bounds=(0.01, 0.99),
                            method="bounded", options={"xatol": 1e-9})
    assert found.x == pytest.approx(1 / 3, abs=1e-5)
    assert (1 - found.x) / found.x == pytest.approx(BEST_K, abs=1e-4)


def test_a_lone_spot_is_sent_to_rf_a_third():
    """k from 9 to 2 is a shift of log10(2/9): with slopes of -2 and -1, sqrt(4.5) and 4.5 fold."""
    one = one_plate(0.1, [0.1], [0.02], 0.3)
    assert one.direction == "stronger"
    assert one.rf_then == pytest.approx([1 / 3])
    assert (one.change.factor_low, one.change.factor_high) == pytest.approx((4.5**0.5, 4.5))
    assert (one.change.low, one.change.high) == pytest.approx((0.1 * 4.5**0.5, 0.45))


# Column volumes 1/Rf and their differences (common practice; computed).
VOLUMES = [(0.35, 0.25, 1.1429), (0.20, 0.15, 1.6667)]


@pytest.mark.parametrize(("first", "second", "apart"), VOLUMES)
def test_column_volumes(first, second, apart):
    assert column_volumes(second) - column_volumes(first) == pytest.approx(apart, abs=5e-5)
    a, b = volumes_of(["slow", "fast"], [second, first])
    assert (a.component, b.component) == ("fast", "slow")
    assert a.to_next == pytest.approx(apart, abs=5e-5)
    assert b.to_next is None


def test_the_mixture_for_a_target():
    """X = 10^((RM - c) / -m): RM 0.47712 at Rf 0.25 (IUPAC), c -0.8, m 1.6 (computed: 0.159156)."""
    law = fit(points([-1.6], [-0.8], (0.1, 0.2, 0.5)), 1)
    fraction, low, high = fraction_for(law, 0, 0.25)
    assert fraction == pytest.approx(10 ** ((0.47712 + 0.8) / -1.6), rel=1e-4)
    assert low < fraction < high
    # Beyond the pure stronger solvent there is none.
    assert fraction_for(law, 0, 0.95) is None


# Eluotropic order on silica; only the order is checked, since strengths differ between editions
# (Snyder, Principles of Adsorption Chromatography, 1968; from memory).
ORDER = ["hexane", "toluene", "diethyl ether", "ethyl acetate", "methanol"]


def test_the_eluotropic_order():
    for i, weak in enumerate(ORDER):
        for strong in ORDER[i + 1:]:
            assert order_flag(weak, strong) == ()
            (remark,) = order_flag(strong.upper(), weak)
            assert remark.name == "solvent-order"
            assert "weaker" in remark.message
    assert "about as strong" in order_flag("diethyl ether", "dichloromethane")[0].message
    assert "about as strong" in order_flag("acetone", "ethyl acetate")[0].message
    assert order_flag("hexane", "something else") == order_flag(None, "hexane") == ()

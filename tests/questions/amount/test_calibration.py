"""Calibration in numbers: the choice of curve, weights, ends of intervals, and how often they hold.

What is worked in print stands in tests/outside/test_calibration_examples.py.
"""

from __future__ import annotations

import numpy as np
import pytest

from lanes.errors import InputError
from lanes.questions.amount.calibration import NoFit, choose, fit
from lanes.questions.amount.curves import CURVES, LINE, POWER, QUADRATIC, SATURATION
from lanes.questions.amount.inverse import amount_of, bands, limits

X = np.array([0.25, 0.5, 0.75, 1.0, 1.5, 2.0])
TRUE = {
    "line": np.array([0.1, 2.0]),
    "quadratic": np.array([0.1, 2.0, -0.2]),
    "power": np.array([2.0, 0.7]),
    "saturation": np.array([4.0, 1.5]),
}
each = pytest.mark.parametrize("name", list(CURVES))


@each
def test_slopes_and_steepness_are_the_derivatives(name):
    curve, p = CURVES[name], TRUE[name]
    slopes = curve.slopes(p, X)
    for k in range(p.size):
        step = np.zeros(p.size)
        step[k] = 1e-6
        found = (curve.value(p + step, X) - curve.value(p - step, X)) / 2e-6
        np.testing.assert_allclose(slopes[:, k], found, rtol=1e-7)
    for x in X:
        ends = curve.value(p, np.array([x + 1e-6, x - 1e-6]))
        assert curve.steepness(p, x) == pytest.approx((ends[0] - ends[1]) / 2e-6, rel=1e-7)


@each
def test_the_inverse_undoes_the_curve(name):
    curve, p = CURVES[name], TRUE[name]
    for x in X:
        y = float(curve.value(p, np.array([x]))[0])
        assert curve.inverse(p, y) == pytest.approx(x, rel=1e-12)
    low, high = curve.branch(p)
    assert low <= 0.0 < 2.0 < high


def test_what_a_curve_never_reaches_has_no_inverse():
    assert CURVES["saturation"].inverse(TRUE["saturation"], 4.0) is None
    # The parabola's top: a + b^2/(4 |c|) = 5.1.
    assert CURVES["quadratic"].inverse(TRUE["quadratic"], 5.2) is None
    assert CURVES["quadratic"].inverse(TRUE["quadratic"], 5.09) < 5.0


@each
def test_exact_standards_give_the_curve_back(name):
    curve = CURVES[name]
    found = fit(curve, X, curve.value(TRUE[name], X))
    assert found.values == pytest.approx(TRUE[name], rel=1e-5)
    assert found.scatter < 1e-5


@each
def test_units_change_nothing(name):
    """Amounts in grams instead of nanograms, areas of any size: the same relative interval."""
    curve = CURVES[name]
    rng = np.random.default_rng(3)
    y = curve.value(TRUE[name], X) * (1 + 0.02 * rng.normal(size=X.size))
    one = fit(curve, X, y, 0.01 * y)
    two = fit(curve, 1e-9 * X, 1e6 * y, 1e4 * y)
    a, b = amount_of(one, 1.7, [0.02]), amount_of(two, 1.7e6, [0.02e6])
    assert np.array([b.value, b.low, b.high]) / 1e-9 == pytest.approx(
        np.array([a.value, a.low, a.high]), rel=1e-4)
    assert two.scatter == pytest.approx(one.scatter, rel=1e-3, abs=1e-6)


def test_the_order_of_standards_changes_nothing():
    rng = np.random.default_rng(4)
    y = 2 * X * (1 + 0.03 * rng.normal(size=X.size))
    one = amount_of(fit(LINE, X, y, 0.01 * y), 1.5, [0.02])
    two = amount_of(fit(LINE, X[::-1], y[::-1], 0.01 * y[::-1]), 1.5, [0.02])
    assert (one.value, one.low, one.high) == pytest.approx((two.value, two.low, two.high))


def test_curved_standards_are_distinguished_from_straight_ones():
    rng = np.random.default_rng(1)
    taken = {"line": 0, "saturation": 0}
    for name in taken:
        for _ in range(10):
            y = CURVES[name].value(TRUE[name], X) * (1 + 0.01 * rng.normal(size=X.size))
            taken[name] += choose(X, y)[0].curve.name == name
    assert taken["line"] >= 8
    assert taken["saturation"] >= 8


def test_too_few_standards_for_a_choice_keep_the_line():
    x = X[[0, 1, 3, 5]]
    y = CURVES["saturation"].value(TRUE["saturation"], x)
    chosen, tried = choose(x, y, 0.01 * y)
    assert chosen.curve is LINE
    assert all(t.aicc is None for t in tried)
    asked, _ = choose(x, y, 0.01 * y, curve="saturation")
    assert asked.curve is SATURATION


def test_a_precise_standard_weighs_more():
    y = 2 * X
    y[-1] *= 1.3
    u = np.full(X.size, 0.02)
    loose = np.where(X == 2.0, 2.0, u)
    assert fit(LINE, X, y, loose).values[1] == pytest.approx(2.0, abs=0.01)
    assert fit(LINE, X, y, u, "constant").values[1] > 2.2


def test_scatter_is_distinguished_from_the_areas_own_uncertainty():
    rng = np.random.default_rng(8)
    x = np.tile(X, 20)
    u = 0.03 * 2 * x
    noise = np.hypot(0.03, 0.04) * 2 * x
    found = fit(LINE, x, 2 * x + noise * rng.normal(size=x.size), u)
    assert found.scatter == pytest.approx(0.04, rel=0.25)
    none = fit(LINE, x, 2 * x + 0.5 * u * rng.normal(size=x.size), u)
    assert none.scatter == 0.0


def test_known_uncertainty_makes_intervals_of_the_normal_law():
    """With many standards and no further scatter: half-width 1.96 u / b."""
    rng = np.random.default_rng(2)
    x = np.repeat(np.linspace(0.2, 2.0, 40), 10)
    u = np.full(x.size, 0.02)
    found = amount_of(fit(LINE, x, 2 * x + 0.018 * rng.normal(size=x.size), u, "constant"), 2.0,
                      [0.02])
    assert (found.high - found.low) / 2 == pytest.approx(1.96 * 0.02 / 2, rel=0.03)


def test_replicates_narrow_the_interval():
    rng = np.random.default_rng(5)
    y = 2 * X + 0.05 * rng.normal(size=X.size)
    line = fit(LINE, X, y, scatter="constant")
    one, four = amount_of(line, 2.0), amount_of(line, [1.9, 2.1, 2.0, 2.0])
    assert one.value == pytest.approx(four.value)
    assert four.high - four.low < 0.75 * (one.high - one.low)


def test_below_what_nothing_gives():
    rng = np.random.default_rng(6)
    line = fit(LINE, X, 1.0 + 2 * X + 0.02 * rng.normal(size=X.size), scatter="constant")
    found = amount_of(line, 0.9)
    assert (found.value, found.low, found.reached) == (None, 0.0, False)
    far = amount_of(line, 0.1)
    assert far.value is None
    near = amount_of(line, 1.05)
    assert near.low == 0.0
    assert 0.0 < near.high < 0.2


def test_above_what_the_curve_reaches():
    rng = np.random.default_rng(7)
    y = CURVES["saturation"].value(TRUE["saturation"], X) * (1 + 0.01 * rng.normal(size=X.size))
    curve = fit(SATURATION, X, y)
    found = amount_of(curve, 4.0 * curve.values[0])
    assert (found.value, found.low, found.high) == (None, None, None)
    assert not found.reached
    high = amount_of(curve, 0.99 * curve.values[0])
    assert high.high is None
    assert high.low > 2.0


def test_a_parabola_is_read_on_its_rising_side_only():
    y = CURVES["quadratic"].value(TRUE["quadratic"], X)
    rng = np.random.default_rng(9)
    curve = fit(QUADRATIC, X, y * (1 + 0.001 * rng.normal(size=X.size)))
    top = curve.curve.branch(curve.values)[1]
    found = amount_of(curve, 3.2)
    assert found.low < found.value < found.high < top
    assert amount_of(curve, 100.0).value is None


@pytest.mark.parametrize(("curve", "y", "why"), [
    (LINE, [3.0, 2.0, 1.5, 1.0, 0.9, 0.8], "rise"),
    (QUADRATIC, [1.0, 2.0, 2.5, 2.6, 2.0, 1.0], "rise"),
    (POWER, [3.0, 2.0, 1.5, 1.0, 0.9, 0.8], "rise"),
    (SATURATION, [0.1, 0.3, 0.6, 1.1, 2.5, 5.0], "rise"),
])
def test_curves_that_can_not_be(curve, y, why):
    with pytest.raises(NoFit, match=why):
        fit(curve, X, np.array(y))


@pytest.mark.parametrize(("y", "why"), [
    ([0.1, 0.3, 0.6, 1.1, 2.5, 5.0], "shows nowhere in the rise of the areas"),
    ([5.0, 4.0, 3.0, 2.0, 1.0, 0.5], "does not rise over the standards"),
])
def test_the_reason_says_whether_the_areas_rise(y, why):
    with pytest.raises(NoFit) as caught:
        fit(SATURATION, X, np.array(y))
    assert str(caught.value) == why


def test_straight_standards_show_no_saturation():
    rng = np.random.default_rng(0)
    seen = set()
    for _ in range(10):
        y = 2 * X * (1 + 0.001 * rng.normal(size=X.size))
        seen |= {t.why for t in choose(X, y)[1] if t.name == "saturation"}
    assert seen & {"no saturation shows", "shows nowhere in the rise of the areas"}
    assert "does not rise over the standards" not in seen


def test_a_curve_that_hardly_rises_bounds_nothing():
    y = np.array([1.0, 2.0, 0.8, 2.2, 0.9, 2.4])
    for curve in (LINE, POWER):
        found = amount_of(fit(curve, X, y), 1.5)
        assert not found.bounded
        assert (found.low, found.high) == (None, None)


def test_refusals_name_the_mend():
    with pytest.raises(InputError, match="at least 3 different amounts"):
        choose(np.array([1.0, 1.0, 2.0]), np.array([1.0, 1.1, 2.0]))
    with pytest.raises(InputError, match=r"do not rise.*--rf"):
        choose(X, np.array([3.0, 2.0, 1.5, 1.0, 0.9, 0.8]))
    with pytest.raises(InputError, match="--curve cubic is unknown"):
        choose(X, 2 * X, curve="cubic")
    with pytest.raises(InputError, match=r"--curve quadratic: needs .* more than 3"):
        choose(X[:3], 2 * X[:3], curve="quadratic")


def test_a_blank_takes_part():
    x = np.array([0.0, *X])
    y = np.array([0.0, *(2 * X)])
    u = np.array([0.004, *(0.02 + 0.02 * X)])
    rng = np.random.default_rng(10)
    y = y + u * rng.normal(size=x.size)
    with_blank, without = fit(LINE, x, y, u), fit(LINE, X, y[1:], u[1:])
    assert abs(with_blank.values[0]) < 0.02
    assert with_blank.sds[0] < 0.5 * without.sds[0]
    assert np.isfinite(fit(POWER, x, y, u).sds).all()
    assert limits(with_blank).sigma == pytest.approx(np.hypot(u[1], 0), rel=0.2)


def test_bands_nest_and_meet_the_interval():
    """Where the sample has no uncertainty of its own, its interval ends on the curve's band."""
    rng = np.random.default_rng(11)
    y = CURVES["power"].value(TRUE["power"], X) * (1 + 0.02 * rng.normal(size=X.size))
    curve = fit(POWER, X, y, 0.01 * y)
    confidence, prediction = bands(curve, X)
    assert (confidence < prediction).all()
    top = float(curve.at(1.0)[0] - bands(curve, np.array([1.0]))[0][0])
    found = amount_of(curve, top, [0.0])
    assert found.high > 1.0  # the scatter of the sample comes on top of the band


@pytest.mark.parametrize(("own", "scatter"), [(0.02, 0.0), (0.02, 0.02), (0.004, 0.03)])
def test_intervals_hold_what_they_say(own, scatter):
    """Five standards, the curve chosen: 95 % intervals hold in 90 % of 60 runs or more."""
    rng = np.random.default_rng([12, int(1000 * own), int(1000 * scatter)])
    x = np.linspace(0.25, 2.0, 5)
    held = []
    for _ in range(60):
        x0 = rng.uniform(0.4, 1.8)
        true = np.array([*x, x0])
        y = true * (1 + own * rng.normal(size=6)) * (1 + scatter * rng.normal(size=6))
        found = amount_of(choose(x, y[:5], own * x)[0], y[5], [own * x0])
        assert found.low is not None
        assert found.high is not None
        held.append(found.low <= x0 <= found.high)
    assert np.mean(held) >= 0.90

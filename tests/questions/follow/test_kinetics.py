"""First-order rates held against printed series, a reference library and a second likelihood."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime, curve_fit, minimize
from scipy.stats import norm

from lanes.questions.follow.kinetics import first_order
from lanes.questions.follow.series import Series, TimePoint, decay, share, share_of_order

# 2 N2O5 -> 4 NO2 + O2 in CCl4 at 45 C: seconds and mol/l; the textbooks print 6.2e-4 per second
# (Eyring & Daniels, J. Am. Chem. Soc. 52, 1472 (1930); figures from memory).
N2O5 = ((0, 2.33), (184, 2.08), (319, 1.91), (526, 1.67), (867, 1.36), (1198, 1.11), (1877, 0.72),
        (2315, 0.55), (3144, 0.34))
# 2 NO2 -> 2 NO + O2 at 300 C, the textbooks' second-order series (from memory).
NO2 = ((0, 0.01000), (50, 0.00787), (100, 0.00649), (200, 0.00481), (300, 0.00380))
TIMES = np.array([0.0, 0.5, 1.0, 1.5, 2.5, 4.0])


def points(times, values, sds):
    return [TimePoint(float(t), float(v), float(s))
            for t, v, s in zip(times, values, sds, strict=True)]


def shares(k, ratio, times=TIMES, present=0.0):
    e = np.exp(-k * times)
    return e / (e + ratio * (1.0 + present - e))


def test_a_printed_first_order_series():
    order = first_order([TimePoint(t, c, 0.01 * c + 0.005) for t, c in N2O5], shares=False)
    assert order.verdict == "first order"
    rate = order.rate
    assert rate.constant.value == pytest.approx(6.2e-4, abs=0.05e-4)
    assert rate.constant.low < 6.2e-4 < rate.constant.high
    assert rate.half_life.value == pytest.approx(1.1e3, rel=0.03)


@pytest.mark.parametrize("relative", [0.005, 0.01, 0.02])
def test_a_printed_second_order_series_is_not_first_order(relative):
    order = first_order([TimePoint(t, c, relative * c) for t, c in NO2], shares=False)
    assert order.verdict == "not first order"
    assert order.rate is None


def test_weighted_fit_agrees_with_a_reference_library():
    rng = np.random.default_rng(4)
    sds = rng.uniform(0.01, 0.05, TIMES.size)
    values = 1.3 * np.exp(-0.7 * TIMES) + rng.normal(0.0, sds)
    best, covariance = curve_fit(lambda t, q, k: q * np.exp(-k * t), TIMES, values, (1.0, 1.0),
                                 sigma=sds, absolute_sigma=True)
    rate = first_order(points(TIMES, values, sds), shares=False).rate
    assert rate.widened == 1.0
    assert rate.constant.value == pytest.approx(best[1], rel=1e-5)
    assert rate.start == pytest.approx(best[0], rel=1e-5)
    assert rate.sd == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-3)
    # Near normal here: the profile's ends lie about 1.96 of them away.
    assert rate.constant.high - rate.constant.low == pytest.approx(2 * 1.96 * rate.sd, rel=0.05)


@pytest.mark.parametrize(("k", "ratio", "present"), [(0.7, 1.0, 0.0), (0.7, 2.0, 0.0),
                                                     (0.4, 0.3, 0.2)])
def test_exact_shares_give_the_rate_and_the_response(k, ratio, present):
    rate = first_order(points(TIMES, shares(k, ratio, present=present), np.full(6, 0.005)),
                       shares=True, present=present > 0).rate
    assert rate.constant.value == pytest.approx(k, rel=1e-3)
    assert rate.ratio.value == pytest.approx(ratio, rel=1e-3)
    assert rate.ratio.low < ratio < rate.ratio.high
    assert rate.curve(TIMES) == pytest.approx(shares(k, ratio, present=present), abs=1e-4)


def test_taking_unequal_responses_as_equal_is_far_off_or_found_out():
    made = points(TIMES, shares(0.5, 2.0), np.full(6, 0.01))
    free, alike = (first_order(made, shares=True, alike=a) for a in (False, True))
    assert free.rate.constant.low < 0.5 < free.rate.constant.high
    assert alike.rate is None or alike.rate.constant.low > 0.5
    equal = first_order(points(TIMES, shares(0.5, 1.0), np.full(6, 0.01)), shares=True, alike=True)
    assert equal.rate.constant.value == pytest.approx(0.5, rel=1e-4)
    # Without r to fit, the interval is narrower.
    assert equal.rate.sd < 0.5 * free.rate.sd


@pytest.mark.parametrize(("model", "p"), [
    (decay, [-0.7, 0.3, 0.2]), (share, [-0.7, 0.5, 0.3, -0.2]),
])
def test_slopes_are_those_of_the_model(model, p):
    slopes = model(TIMES[1:], np.array(p))[1]
    for j, t in enumerate(TIMES[1:]):
        numeric = approx_fprime(np.array(p), lambda q, t=t: model(np.array([t]), q)[0][0], 1e-7)
        assert slopes[:, j] == pytest.approx(numeric, abs=1e-5)


def test_slopes_of_limits_too():
    made = [TimePoint(1.0, 0.5, 0.1), TimePoint(3.0, None, None, at_most=0.1),
            TimePoint(0.2, None, None, at_least=0.9)]
    series = Series(made, share, ("k", "r", "c", "b"))
    p = np.array([-0.3, 0.2, 0.1, 0.1])
    slopes = series(p)[1]
    for j in range(3):
        numeric = approx_fprime(p, lambda q, j=j: series(q)[0][j], 1e-7)
        assert slopes[:, j] == pytest.approx(numeric, rel=1e-3, abs=1e-5)


def test_a_limit_counts_as_its_likelihood():
    """A second implementation: -2 ln L written out, minimised by another method."""
    made = [TimePoint(t, math.exp(-0.8 * t) + d, 0.02)
            for t, d in ((0.0, 0.01), (0.5, -0.02), (1.0, 0.03), (1.5, 0.01))]
    made.append(TimePoint(2.0, None, None, at_most=0.15))

    def deviance(p):
        k, q = np.exp(p)
        total = sum(((q * math.exp(-k * m.time) - m.value) / m.sd) ** 2 for m in made[:4])
        sd = 0.15 / (5.0 + 1.645)
        return total - 2 * norm.logcdf((0.15 - q * math.exp(-k * 2.0)) / sd - 1.645)

    best = np.exp(minimize(deviance, [0.0, 0.0], method="Nelder-Mead",
                           options={"xatol": 1e-8, "fatol": 1e-10}).x)
    order = first_order(made, shares=False)
    assert order.limits == 1
    assert order.rate.constant.value == pytest.approx(best[0], rel=1e-4)
    without = first_order(made[:4], shares=False)
    assert order.rate.constant.value > without.rate.constant.value


def test_intervals_hold_the_rate_and_scatter_widens_them():
    rng = np.random.default_rng(8)
    held, wide = [], []
    for _ in range(40):
        values = 1.2 * np.exp(-0.6 * TIMES) + rng.normal(0.0, 0.03, 6)
        true = first_order(points(TIMES, values, np.full(6, 0.03)), shares=False).rate
        held.append(true.constant.low < 0.6 < true.constant.high)
        # Stated half as large, the interval still holds it where a rate is given.
        small = first_order(points(TIMES, values, np.full(6, 0.015)), shares=False).rate
        if small is not None:
            wide.append(small.constant.low < 0.6 < small.constant.high)
    assert np.mean(held) >= 0.86  # 95 % less two and a half standard errors
    assert len(wide) >= 28
    assert np.mean(wide) >= 0.86


def test_scatter_beyond_belief_is_no_first_order():
    off = np.array([0.1, -0.1, -0.1, 0.1, 0.1, -0.1])
    order = first_order(points(TIMES, np.exp(-0.5 * TIMES) + off, np.full(6, 0.01)), shares=False)
    assert order.rate is None


def test_few_times_are_undecided():
    made = points(TIMES[:2], np.exp(-TIMES[:2]), np.full(2, 0.01))
    order = first_order(made, shares=False)
    assert (order.verdict, order.rate) == ("cannot tell", None)
    assert "3 times or more, and has 2 times" in order.reason
    # At time zero a share is 1 whatever the rate: it is no third time.
    order = first_order(points(TIMES[:3], shares(0.5, 1.0, TIMES[:3]), np.full(3, 0.01)),
                        shares=True)
    assert order.verdict == "cannot tell"


def test_a_series_that_stands_still_has_no_rate():
    order = first_order(points(TIMES, np.full(6, 1.0), np.full(6, 0.02)), shares=False)
    assert order.verdict == "cannot tell"
    assert "rate" in order.reason


def test_repeats_at_one_time_are_used():
    times = np.repeat(TIMES[:4], 2)
    order = first_order(points(times, np.exp(-0.5 * times), np.full(8, 0.01)), shares=False)
    assert order.used == 8
    assert order.rate.constant.value == pytest.approx(0.5, rel=1e-4)


@pytest.mark.parametrize("off", [-1.5, 0.0, 1.5])
def test_what_is_assumed_of_the_light_is_no_other_order(off):
    """Points that one wrong assumption moves together: the rate is held, and nothing is scatter."""
    k, sds = 0.6, np.full(TIMES.size, 0.004)
    true = shares(k, 1.0)
    # As another law moves them: what is large is larger, what is small is smaller.
    moves = 0.4 * true * (1.0 - true) * (2.0 * true - 1.0)
    values = true - off * moves + sds * np.array([0.0, 0.7, -1.1, 0.4, 0.9, -0.6])
    made = [TimePoint(float(t), float(v), float(s), moves=(float(m),))
            for t, v, s, m in zip(TIMES, values, sds, moves, strict=True)]
    order = first_order(made, shares=True)
    assert order.verdict == "first order"
    assert order.rate.widened == 1.0
    assert order.rate.constant.low < k < order.rate.constant.high
    alone = first_order([TimePoint(p.time, p.value, p.sd) for p in made], shares=True).rate
    if off:
        assert alone is None or alone.widened > 1.0 or not (
            alone.constant.low < k < alone.constant.high)
    else:
        assert alone.constant.high - alone.constant.low < (
            order.rate.constant.high - order.rate.constant.low)


@pytest.mark.parametrize(("move", "verdicts"), [
    (0.1, ("not first order",)), (0.4, ("not first order", "cannot tell"))])
def test_an_assumption_hides_no_other_order(move, verdicts):
    """A second-order fall is none of the first, however the light may have been turned."""
    times = np.array([0.0, 0.4, 0.8, 1.5, 3.0, 6.0, 12.0])
    left = 1.0 / (1.0 + 2.0 * times)
    for sd in (0.004, 0.01, 0.02):
        made = [TimePoint(float(t), float(v), sd, moves=(float(m),)) for t, v, m
                in zip(times, left, move * left * (1.0 - left) * (2.0 * left - 1.0), strict=True)]
        assert first_order(made, shares=False).verdict in verdicts


def test_an_interval_holds_every_rate_that_does_as_well():
    """Shares that one law with a strong response explains, and another with a weak one."""
    times = np.array([30.0, 70.0, 120.0, 190.0, 300.0])
    moves = np.array([-0.0508, 0.0650, 0.0719, 0.0374, 0.0190])
    values = shares(0.01, 2.0, times) - 1.4 * moves
    made = [TimePoint(float(t), float(v), float(s), moves=(float(m),)) for t, v, s, m
            in zip(times, values, (0.028, 0.028, 0.018, 0.014, 0.012), moves, strict=True)]
    rate = first_order(made, shares=True).rate
    assert rate.constant.low < 0.01 < rate.constant.high
    # And the other: taken as read, the products answer a tenth as strongly and k is fivefold.
    series = Series(made, share, ("k", "r", "c", "b"))
    other = series.fit(np.array([math.log(0.055), math.log(0.1), 0.0, 0.0, 0.0]), ("k", "r"))
    best = series.fit(np.array([math.log(0.01), math.log(2.0), 0.0, 0.0, 1.4]), ("k", "r"))
    assert abs(other[0][0] - best[0][0]) > 1.0
    assert other[1] - best[1] < 3.84
    assert rate.constant.high > 0.05


@pytest.mark.parametrize("free", [("k", "r"), ("k", "r", "c"), ("r", "b"), ("k",)])
def test_quick_fits_of_a_series_are_those_of_lmfit(free):
    rng = np.random.default_rng(4)
    values = shares(0.4, 2.0, TIMES) + rng.normal(0.0, 0.01, TIMES.size)
    made = [replace(point, moves=(0.01, -0.02))
            for point in points(TIMES, values, np.full(TIMES.size, 0.01))]
    series = Series((*made, TimePoint(40.0, None, None, 0.05)), share, ("k", "r", "c", "b"))
    start = np.array([-1.5, 0.2, 0.1, 0.1, 0.0, 0.5])
    quick, least = series.least(start, free)
    slow, squares, _ = series.fit(start, free)
    np.testing.assert_allclose(quick, slow, rtol=1e-6, atol=1e-8)
    assert least == pytest.approx(squares, rel=1e-9)
    assert least < (series(start)[0] ** 2).sum()


@pytest.mark.parametrize(("order", "sd"), [(2, 0.02), (0, 0.03)])
def test_a_response_far_from_one_makes_no_first_order_of_another(order, sd):
    """Slow first order into strong responders is second order into equal ones, exactly."""
    times = {2: np.array([0.0, 5, 15, 40, 120, 300]), 0: np.array([0.0, 20, 40, 60, 80, 95])}
    left = 1.0 / (1.0 + 0.04 * times[2]) if order else 1.0 - times[0] / 100.0
    found = first_order([TimePoint(float(t), float(v), sd)
                         for t, v in zip(times[order], left, strict=True)], shares=True)
    assert (found.verdict, found.rate) == ("cannot tell", None)
    assert f"a fall of {'second' if order else 'zero'} order" in found.reason


def test_slopes_of_other_orders_are_those_of_the_model():
    t, p, step = np.array([0.0, 0.5, 1.3, 4.0]), np.array([-0.6, 0.3, 0.2, 0.0]), 1e-6
    for order in (0, 2):
        model = share_of_order(order)
        for i in range(3):
            up, down = (model(t, p + sign * step * np.eye(4)[i])[0] for sign in (1.0, -1.0))
            np.testing.assert_allclose(model(t, p)[1][i], (up - down) / (2 * step), atol=1e-6)
    first = share(t, p)[0]
    # One of first order, infinitely slow, whose product responds infinitely: the second's own.
    slow = share(t, np.array([-12.0, 12.0 + math.log(0.7), 0.0, 0.0]))[0]
    second = share_of_order(2)(t, np.array([math.log(0.7), 0.0, 0.0, 0.0]))[0]
    np.testing.assert_allclose(slow, second, rtol=1e-4)
    assert np.abs(first - second).max() > 0.01

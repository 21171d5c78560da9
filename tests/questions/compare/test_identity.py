"""The verdict on a difference in Rf: what it takes to be the same, and to be different."""

import numpy as np
import pytest
from scipy.stats import norm, t

from lanes.questions.compare.identity import (
    COMMON_SD,
    LEVEL,
    MARGIN,
    WORTH,
    Difference,
    difference,
    judge,
    repeatability,
)


def rng():
    return np.random.default_rng(3)


def test_without_shared_spots_repeatability_is_common_practice_and_says_so():
    found = repeatability([])
    assert (found.sd, found.degrees, found.shared, found.own_sd) == (COMMON_SD, WORTH, 0, None)


def test_the_plates_own_spots_pull_the_rule_towards_them():
    wide = repeatability([[(0.02, 0.0)], [(-0.02, 0.0)]])
    tight = repeatability([[(0.0005, 0.0)] for _ in range(4)])
    assert tight.sd < COMMON_SD < wide.sd
    # Two single pairs: variance of one spot 0.02^2 / 2, pooled by degrees of freedom.
    assert wide.own_sd == pytest.approx(0.02 / np.sqrt(2))
    assert wide.sd**2 == pytest.approx((WORTH * COMMON_SD**2 + 2 * 0.02**2 / 2) / (WORTH + 2))
    assert wide.degrees == WORTH + 2


def test_spots_of_one_pair_of_lanes_count_for_less_than_their_number():
    together = repeatability([[(0.004, 0.0)] * 4])
    apart = repeatability([[(0.004, 0.0)]] * 4)
    assert together.degrees == WORTH + 4 / 1.75
    assert apart.degrees == WORTH + 4


def test_one_mistaken_match_does_not_set_the_repeatability():
    good = [[(d, 0.0)] for d in (0.003, -0.004, 0.005, -0.003, 0.004, -0.005)]
    assert repeatability([*good, [(0.03, 0.0)]]).own_sd < 2.0 * repeatability(good).own_sd


def test_what_the_fits_explain_is_not_repeatability():
    assert repeatability([[(0.001, 0.001**2)]]).own_sd == 0.0


def test_the_sd_of_a_difference_holds_both_fits_and_both_lanes():
    repeats = repeatability([])
    seen = difference(0.40, 0.003, 0.41, 0.004, repeats)
    assert seen.value == pytest.approx(-0.01)
    assert seen.sd == pytest.approx(np.sqrt(0.003**2 + 0.004**2 + 2 * COMMON_SD**2))
    assert seen.degrees > WORTH
    assert difference(0.4, 0.0, 0.4, 0.0, repeats).degrees == pytest.approx(WORTH)


def test_interval_and_p_value_are_students():
    seen = Difference(0.006, 0.004, 8.0)
    half = 0.004 * t.ppf(0.95, 8)
    assert seen.interval == pytest.approx((0.006 - half, 0.006 + half))
    assert seen.p_value == pytest.approx(2 * t.sf(1.5, 8))
    # The deviance bounds the same interval by the normal law's 2.71.
    np.testing.assert_allclose(seen.deviance(np.array(seen.interval)), norm.ppf(0.95) ** 2)


@pytest.mark.parametrize(("value", "sd", "verdict"), [
    (0.000, 0.004, "same"), (0.004, 0.004, "same"), (0.013, 0.004, "different"),
    (0.000, 0.012, "cannot tell"),   # it would have missed a difference that matters
    (0.0097, 0.004, "cannot tell"), (0.028, 0.012, "cannot tell"), (0.100, 0.012, "different"),
    (0.010, 0.001, "different"),     # within 0.02 and yet clearly there
])
def test_same_needs_the_interval_within_the_margin(value, sd, verdict):
    for sign in (1.0, -1.0):
        result = judge(Difference(sign * value, sd, 30.0), (), rng())
        assert result.verdict == verdict
        assert result.margin <= MARGIN
        assert (result.value, result.sd) == (sign * value, sd)  # no co-spot: the lanes' own
        if verdict == "same":
            assert -result.margin < result.low <= result.high < result.margin
        if verdict == "different":
            assert result.p_value < LEVEL


def test_a_plate_with_little_evidence_never_gives_same():
    for value in np.linspace(0.0, 0.05, 26):
        assert judge(Difference(float(value), 0.02, 12.0), (), rng()).verdict != "same"


def test_error_rates_are_those_stated():
    """Drawn differences: one substance is called different LEVEL of the time; one that differs by
    the resolvable difference is found 95 % of the time; one that differs by the margin is called
    the same 5 % of the time at most."""
    draw = np.random.default_rng(8)
    sd, degrees = 0.005, 12.0
    shape = t.rvs(degrees, size=1200, random_state=draw) * sd

    def rates(true):
        result = [judge(Difference(true + e, sd, degrees), (), draw).verdict for e in shape]
        return {v: result.count(v) / len(result) for v in ("same", "different")}

    assert rates(0.0)["different"] == pytest.approx(LEVEL, abs=0.012)
    assert rates(Difference(0.0, sd, degrees).resolvable)["different"] == pytest.approx(0.95,
                                                                                        abs=0.019)
    assert rates(MARGIN)["same"] < 0.069

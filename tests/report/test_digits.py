"""Numbers as people read them."""

import math

import pytest

from lanes.report.digits import decimals_of, figures, fixed, rf_decimals, rf_more, show_rf, with_sd


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (0.123456, 0.00345, "0.123 ± 0.003"),
        (0.123456, 0.00996, "0.123 ± 0.010"),
        (0.5, 0.0999, "0.50 ± 0.10"),
        (1234.5, 123.4, "1230 ± 120"),
        (12.34, 5.0, "12 ± 5"),
        (12.34, None, "12.3 ± ?"),
        (12.34, math.nan, "12.3 ± ?"),
        (12.34, 0.0, "12.3 ± 0"),
        (None, 0.1, "?"),
        (math.inf, 0.1, "?"),
        (-0.0001, 0.01, "0.000 ± 0.010"),
    ],
)
def test_value_and_uncertainty_are_rounded_alike(value, sd, text):
    assert with_sd(value, sd, 1) == text


@pytest.mark.parametrize("sd", [10.0**k * m for k in range(-7, 5) for m in (1, 2.4, 9.94, 9.96)])
def test_uncertainty_keeps_one_figure_and_two_where_the_first_is_a_one(sd):
    decimals = decimals_of(sd)
    shown = round(round(sd, decimals) * 10.0**decimals)
    assert 2 <= shown <= 9 or 10 <= shown <= 19


@pytest.mark.parametrize(
    ("value", "sd", "decimals", "text"),
    [
        (0.61923, 0.00033, 2, "0.62"),
        (0.00024, 0.00052, 2, "0.00"),
        (0.61923, 0.0061, 2, "0.62 ± 0.01"),
        (0.61923, 0.00033, 3, "0.619"),
        (0.61923, 0.00073, 3, "0.619 ± 0.001"),
        (0.61923, None, 2, "0.62 ± ?"),
        (None, 0.1, 2, "?"),
    ],
)
def test_rf_as_a_chemist_writes_it(value, sd, decimals, text):
    with rf_decimals(decimals):
        assert show_rf(value, sd) == text
    assert show_rf(0.5) == "0.50"


def test_spots_that_would_read_alike_get_more_decimals():
    assert [rf_more((0.2041, 0.2044, 0.61), i) for i in range(3)] == [2, 2, 0]


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "?"), (0.0, "0"), (999.6, "1000"), (0.0099951, "0.0100"), (1e-7, "1.00e-07"),
     (-12.345, "-12.3"), (math.nan, "?")],
)  # fmt: skip
def test_figures(value, text):
    assert figures(value) == text


def test_fixed_has_no_negative_zero():
    assert fixed(-0.004, 2) == "0.00"
    assert fixed(-4.0, -1) == "0"

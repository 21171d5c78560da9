"""Numbers as people read them."""

import math

import pytest

from lanes.report.digits import decimals_of, figures, fixed, with_sd


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (0.123456, 0.00345, "0.1235 ± 0.0034"),  # the double nearest 0.00345 lies below it
        (0.123456, 0.00996, "0.123 ± 0.010"),
        (0.5, 0.0999, "0.50 ± 0.10"),
        (1234.5, 123.4, "1230 ± 120"),
        (12.34, 5.0, "12.3 ± 5.0"),
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
def test_uncertainty_keeps_two_figures(sd):
    decimals = decimals_of(sd)
    shown = round(sd, decimals) * 10.0**decimals
    assert 10 <= round(shown) <= 99


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

"""Figures beside a bound do not seem to reach it."""

from __future__ import annotations

import pytest

from lanes.rounding import rounded_down


@pytest.mark.parametrize(("value", "shown"), [(4.96, "4.9"), (5.0, "5.0"), (0.09, "0.0")])
def test_a_figure_below_a_bound_is_not_rounded_up_to_it(value: float, shown: str) -> None:
    assert rounded_down(value) == shown

"""Control charts against a published example, and which spot is which substance."""

from __future__ import annotations

import csv
import io
import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from lanes.many.across import chart_csv, control_chart, matched, series_of
from lanes.many.chart import MOST_ROWS, chart_png, shown


def test_the_handbook_s_flow_rates() -> None:
    """NIST/SEMATECH e-Handbook, section 6.3.2.2, ten flow rates: its mean, range, limits.

    From memory: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159.
    """
    rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = control_chart(rates, -math.inf, math.inf)
    assert chart.mean == pytest.approx(50.81, abs=1e-9)
    assert np.mean([r for r in chart.ranges if r is not None]) == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert not any(chart.outside)


def test_the_factor_is_that_of_the_tables() -> None:
    """3 / d2 with d2 = 2 / sqrt(pi): 2.66 to the tables' three figures (common practice)."""
    chart = control_chart([0.0, 1.0], -math.inf, math.inf)
    assert chart.upper - chart.mean == pytest.approx(2.66, abs=5e-3)
    assert 3 * math.sqrt(math.pi) / 2 == pytest.approx(2.66, abs=5e-3)


def test_false_alarms_come_about_as_often_as_they_should() -> None:
    """Of pure chance 0.27 % lie beyond three standard deviations (any table of the normal law)."""
    values = np.random.default_rng(3).normal(10.0, 1.0, 20000)
    chart = control_chart(values.tolist(), -math.inf, math.inf)
    assert chart.sd == pytest.approx(1.0, rel=0.02)
    assert 0.0015 < np.mean(chart.outside) < 0.0045


def test_one_far_off_is_beyond() -> None:
    rng = np.random.default_rng(5)
    values = [*(0.4 + rng.normal(0, 0.005, 12)).tolist(), 0.5, *(0.4 + rng.normal(0, 0.005, 12))]
    assert [i for i, beyond in enumerate(control_chart(values, 0, 1).outside) if beyond] == [12]


def test_limits_stay_where_values_can_be() -> None:
    chart = control_chart([0.0, 30.0, 2.0, 60.0], 0.0, 100.0)
    assert (chart.lower, chart.upper) == (0.0, 100.0)


@pytest.mark.parametrize(("plates", "found"), [
    ([], []),
    ([[], []], [(), ()]),
    ([[0.2, 0.5], [0.2, 0.5], [0.9]], [(0, 1), (0, 1), (None, None)]),
    ([[0.2], [0.2], [0.3]], [(0,), (0,), (0,)]),  # it ran elsewhere: that is what is charted
    ([[0.2, 0.5], [0.2, 0.5], [0.2, 0.35, 0.51]], [(0, 1), (0, 1), (0, 2)]),
    ([[0.2, 0.5], [0.2, 0.5], [0.45, 0.52, 0.56]], [(0, 1), (0, 1), (None, 1)]),
    ([[0.2], [0.2, 0.5]], [(0, None), (0, 1)]),  # as many of each: the fuller says what there is
])
def test_which_spot_is_which(plates: list[list[float]], found: list[tuple[int, ...]]) -> None:
    assert matched(plates) == found


def record(names: list[str] | None, *lanes: list[float]) -> dict[str, Any]:
    return {"settings": {"names": names}, "lanes": [
        {"name": (names or list("123"))[i], "spots": [
            {"rf": rf, "rf_sd": 0.001, "area_percent": 100.0 / len(rfs), "area_percent_sd": 1.0}
            for rf in rfs]} for i, rfs in enumerate(lanes)]}


def test_only_named_lanes_are_the_same_on_another_plate() -> None:
    plates = [(i, f"p{i}", record(None, [0.2, 0.5], [0.3])) for i in range(1, 5)]
    assert series_of(plates) == ()
    plates = [(i, f"p{i}", record(["S", "U"], [0.2, 0.5], [0.3])) for i in range(1, 5)]
    assert [(s.lane, s.number, len(s.points)) for s in series_of(plates)] == [
        ("S", 1, 4), ("S", 2, 4), ("U", 1, 4)]
    assert series_of(plates)[2].percent is None  # a lone spot has 100 by definition
    assert series_of(plates[:2]) == ()


def test_the_table_has_every_value() -> None:
    rfs = [0.2, 0.21, 0.2, 0.19]
    plates = [(i, f"=p{i}", record(["S"], [rf, 0.5])) for i, rf in enumerate(rfs, 1)]
    rows = list(csv.DictReader(io.StringIO(chart_csv(series_of(plates)).decode())))
    assert len(rows) == 8
    assert rows[0]["plate"] == "'=p1"  # no table program takes it for a formula
    assert [float(row["rf"]) for row in rows[:4]] == rfs
    ranges = [row["rf_moving_range"] for row in rows[:4]]
    assert ranges[0] == ""
    assert [float(r) for r in ranges[1:]] == pytest.approx([abs(b - a) for a, b in pairwise(rfs)])
    assert {row["rf_outside"] for row in rows} == {"no"}


def test_the_picture_is_the_same_again_and_holds_the_fullest() -> None:
    names = [f"L{i}" for i in range(20)]
    plates = [(i, f"p{i}", record(names[: 20 if i < 4 else 15], *[[0.2 + 0.01 * i]] * (
        20 if i < 4 else 15))) for i in range(1, 6)]
    found = series_of(plates)
    assert len(found) == 20
    assert len(shown(found)) == MOST_ROWS
    assert all(len(one.points) == 5 for one in shown(found))
    png = chart_png(found[:2])
    assert png == chart_png(found[:2])
    assert png.startswith(b"\x89PNG")

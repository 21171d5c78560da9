"""What is remarked on a spot, in words and figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import lanes
from lanes.spots.describe import describe
from lanes.spots.fit import Fit
from lanes.spots.model import Component, Peak, peak_shape
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

X = np.arange(-3.0, 63.0, 0.1)
NOISE = Noise(0.001, np.ones(1), 0.1, "clean layer")


def remarks(ratio: float, centre: float = 30.0) -> dict[str, str]:
    """Return the remarks on a lone spot whose area is `ratio` times its standard deviation."""
    shape = peak_shape(X, Peak(centre, 1.0, 0.5))[0]
    covariance = np.diag([1e-6, ratio ** -2, 1e-6, 0.0])
    none = np.zeros(X.size)
    trace = Trace(X, shape, np.ones(X.size, bool), np.ones(X.size), 60.0, None, None, none, none)
    part = Component(centre, float(shape.max()), 0.5, 0.0, 1.0)
    fit = Fit((part,), covariance, "none", none, shape, shape[None], None, None, None, None, ())
    (spot,), _, _ = describe(trace, fit, NOISE, 0.0, 0.0, True, 1.0)
    return {flag.name: flag.message for flag in spot.flags}


@pytest.mark.parametrize(("ratio", "shown"), [(9.99, "9.9"), (2.34, "2.3"), (0.08, "0.0")])
def test_a_weak_spots_figure_stays_below_its_bound(ratio: float, shown: str) -> None:
    assert remarks(ratio)["weak"] == (f"its area is {shown} times its standard deviation by noise; "
                                      "ten times or more is wanted")


def test_a_spot_at_the_bound_is_not_weak() -> None:
    assert "weak" not in remarks(10.001)


@pytest.mark.parametrize(("centre", "name", "place"), [
    (0.4, "at-origin", "within half"), (-1.5, "at-origin", "below the origin"),
    (59.7, "at-front", "within half"), (61.5, "at-front", "beyond the solvent front"),
])
def test_where_nothing_runs_a_spot_is_remarked_on(centre: float, name: str, place: str) -> None:
    found = remarks(20.0, centre)
    assert found[name].startswith(place)
    assert not {"at-origin", "at-front"} & set(remarks(20.0))


def test_a_poor_fit_says_where_two_were_not_believed() -> None:
    """A pair without a valley is read as one spot, of which `lanes shoulder` may be asked."""
    drawn = Path(__file__).parents[2] / "fixtures" / "shoulder.png"
    reading = lanes.measure(drawn, light="white", names=("pair", "tail", "single"), picture=False)
    poor = {lane.name: [f.message for f in lane.flags if f.name == "fit-poor"]
            for lane in reading.lanes}
    assert len(reading.lane("pair").spots) == 1
    assert "at Rf 0.45 two spots fit better, but so does one misshapen spot" in poor["pair"][0]
    assert poor["pair"][0].endswith("lanes shoulder asks which")
    assert poor["single"] == []

"""Whatever comes in: no traceback, no negative area, percents that sum to 100."""

from __future__ import annotations

import json
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from lanes import InputError, LanesError, Settings, measure
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.report.record import results_json
from lanes.setting_values import BACKGROUNDS, BASELINE_ORDERS, CHANNELS, LAWS, LIGHTS
from lanes.settings_file import from_mapping
from lanes.spots.deconvolve import deconvolve
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]
HUGE = 1e12

number = st.floats(-1e6, 1e6) | st.sampled_from([0.0, 1e-300, float("inf"), float("nan")])
few = settings(max_examples=40, deadline=None, derandomize=True,
               suppress_health_check=[HealthCheck.too_slow])


def spots_are_sane(reading: Any) -> None:
    for lane in reading.lanes:
        for spot in lane.spots:
            assert spot.area > 0
            assert 0 < spot.area_percent <= 100 + 1e-9
            assert spot.area_sd is None or spot.area_sd >= 0
            assert spot.rf_sd is None or spot.rf_sd >= 0
        if lane.spots:
            assert abs(sum(s.area_percent for s in lane.spots) - 100) < 1e-6
        assert [s.rf for s in lane.spots] == sorted(s.rf for s in lane.spots)
        for pair in lane.pairs:
            assert pair.resolution is None or pair.resolution >= 0
    json.loads(results_json(reading))


@st.composite
def traces(draw_: Any, longest: int = 260) -> Floats:
    """Return a trace of a few spots, noise and now and then something that is neither."""
    rng = np.random.default_rng(draw_(st.integers(0, 2**32 - 1)))
    n = draw_(st.integers(40, longest))
    x = np.linspace(0.0, 75.0, n)
    y = rng.normal(0, draw_(st.sampled_from([0.0, 1e-3, 0.05])), n)
    for _ in range(draw_(st.integers(0, 4))):
        centre, sigma = draw_(st.floats(-2, 77)), draw_(st.floats(0.4, 3))
        y += draw_(st.floats(-0.5, 2)) * np.exp(-0.5 * ((x - centre) / sigma) ** 2)
    kind = draw_(st.sampled_from(["", "", "step", "spike", "slope", "huge", "flat", "codes"]))
    if kind == "step":
        y[n // 2:] += 1.0
    elif kind == "spike":
        y[n // 3] += 50.0
    elif kind == "slope":
        y += x
    elif kind == "huge":
        y *= HUGE
    elif kind == "flat":
        y[:] = draw_(st.sampled_from([0.0, 1.0, -3.0]))
    elif kind == "codes":
        y = np.round(y, 1)
    return np.column_stack([x, y])


@few
@given(traces(), st.sampled_from(BASELINE_ORDERS), st.sampled_from(BACKGROUNDS))
def test_any_trace(table: Floats, order: str, background: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.csv"
        np.savetxt(path, table, delimiter=",")
        try:
            reading = measure(path, origin=0, front=75, baseline_order=order, background=background)
        except LanesError as error:
            message = str(error)
        else:
            message = ""
    if message:
        assert "\n" not in message
        return
    spots_are_sane(reading)


@few
@given(traces(longest=130), st.integers(1, 60))  # the longer ones stand above
def test_any_trace_under_any_stated_noise(table: Floats, length: int) -> None:
    x, y = table.T
    sd = 0.02 * (HUGE if np.abs(y).max() > 1e-3 * HUGE else 1.0)  # in the trace's own unit
    acf = np.exp(-np.arange(length) / max(1.0, length / 4))
    fit = deconvolve(x, y, noise=Noise(sd, acf, float(x[1] - x[0]), "clean layer"))
    assert all(c.area > 0 and c.sigma > 0 for c in fit.components)
    assert np.isfinite(fit.model).all()
    np.testing.assert_allclose(fit.model, fit.baseline + fit.peaks.sum(axis=0),
                               atol=1e-9 * max(1.0, float(np.abs(y).max())))


unit = st.sampled_from(["mm", "px", "%", " px", "cm", ""])
place = number | st.builds(lambda value, unit: f"{value}{unit}", number, unit)
keys = st.fixed_dictionaries({}, optional={
    "light": st.sampled_from([*LIGHTS, "x", 3]),
    "law": st.sampled_from([*LAWS, ""]),
    "channel": st.sampled_from([*CHANNELS, None]),
    "background": st.sampled_from([*BACKGROUNDS, "x"]),
    "baseline_order": st.sampled_from([*BASELINE_ORDERS, 2]),
    "transfer": st.sampled_from(["auto", "srgb", "2.2", "x", "-1", "nan"]),
    "turn": st.sampled_from([0, 90, 45, True, "90", "auto"]),
    "page": st.integers(-1, 10_001), "which_plate": st.integers(-1, 30) | st.none(),
    "whole_image": st.booleans() | st.text(max_size=2),
    "corners": st.lists(st.lists(number, min_size=2, max_size=2), min_size=3, max_size=5),
    "origin": place, "front": place, "lane_width": place, "plate_width": place,
    "plate_height": number, "dpi": number,
    "lanes": st.integers(-2, 100) | st.lists(place, max_size=5),
    "names": st.lists(st.text(max_size=6), max_size=4),
    "roles": st.lists(st.text(max_size=6), max_size=4),
    "components": st.integers(-2, 20) | st.text(max_size=2),
    "lane": st.dictionaries(st.text(max_size=4), st.fixed_dictionaries({}, optional={
        "role": st.text(max_size=4), "time": number, "amount": number}), max_size=3),
})


@settings(max_examples=300, deadline=None, derandomize=True)
@given(keys)
def test_any_settings_are_taken_whole_or_refused_in_one_line(values: dict[str, Any]) -> None:
    try:
        made = from_mapping(values)
    except InputError as error:
        message = str(error)
    else:
        message = ""
    if message:
        assert len(message.splitlines()) == 1
        return
    assert from_mapping(tomllib.loads(made.to_toml())) == made
    assert from_mapping(made.to_dict()) == made


spot = st.builds(SpotSpec, rf=st.floats(0.0, 1.0), amount=st.floats(0.05, 3.0),
                 width=st.floats(1.2, 4.0), tail=st.floats(0.0, 1.0))


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.lists(st.lists(spot, max_size=4), min_size=1, max_size=4), st.floats(6, 14),
       st.floats(0, 1.5), st.floats(-1.5, 1.5), st.sampled_from(["white", "254", "366"]),
       st.integers(0, 1000))
def test_any_plate(
    lanes: list[list[SpotSpec]], origin: float, smile: float, tilt: float, light: str, seed: int
) -> None:
    spec = PlateSpec(
        width=12.0 * len(lanes) + 6, height=60, origin=origin, front=51, smile=smile, tilt=tilt,
        light=light, dpi=120, seed=seed, bed=0.004 if light == "366" else 0.06,
        lanes=tuple(LaneSpec(9.0 + 12.0 * i, tuple(sorted(s, key=lambda s: s.rf)))
                    for i, s in enumerate(lanes)))
    with tempfile.TemporaryDirectory() as folder:
        save(draw(spec), Path(folder) / "plate.png")
        try:
            reading = measure(Path(folder) / "plate.png", Settings(light=light), picture=False)
        except LanesError as error:
            message = str(error)
        else:
            message = ""
    if message:
        assert "\n" not in message
        return
    spots_are_sane(reading)

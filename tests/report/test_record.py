"""results.json: its keys are a promise."""

import json
import math
import subprocess
import sys
from dataclasses import replace

import invented
import numpy as np
import pytest

from lanes.commands.keys import described, parsed
from lanes.report.record import record, results_json

TOP = ["schema", "scan", "light", "law", "channel", "layout", "lanes", "flags", "about", "settings"]
SCAN = ["file", "sha256", "width_px", "height_px", "bits", "mode", "dpi", "transfer"]
LAYOUT = ["width_mm", "height_mm", "origin_mm", "front_mm", "corners_px", "found"]
LANE = ["name", "x_mm", "width_mm", "run_mm", "role", "limit", "spots", "pairs", "fit", "noise",
        "flags"]  # fmt: skip
SPOT = ["rf", "rf_sd", "rf_sd_noise", "hrf", "position_mm", "area", "area_sd", "area_sd_noise",
        "area_percent", "area_percent_sd", "area_percent_sd_noise",
        "height", "width_mm", "sigma_mm", "asymmetry", "plate_number", "signal_to_noise",
        "colour", "colour_name",
        "flags"]  # fmt: skip
PAIR = ["lower", "upper", "delta_rf", "resolution", "resolution_sd", "resolution_sd_noise",
        "valley_to_peak"]
FIT = ["components", "r_squared", "reduced_chi_square", "aicc", "bic", "tried"]
TRIED = ["components", "shape", "rss", "parameters", "aicc", "bic"]
MAKERS = [invented.plate, invented.unscaled, invented.trace_only]


@pytest.mark.parametrize("make", MAKERS)
def test_keys_are_the_same_for_every_reading(make):
    reading = make()
    got = record(reading)
    assert list(got) == TOP
    assert got["schema"] == 1
    assert list(got["scan"]) == SCAN
    assert list(got["layout"]) == LAYOUT
    assert got["settings"] == reading.settings.to_dict()
    assert [lane["name"] for lane in got["lanes"]] == [lane.name for lane in reading.lanes]
    for lane in got["lanes"]:
        assert list(lane) == LANE
        assert list(lane["fit"]) == FIT
        assert lane["fit"]["components"] == len(lane["spots"])
        assert list(lane["noise"]) == ["sd", "correlation_mm"]
        for attempt in lane["fit"]["tried"]:
            assert list(attempt) == TRIED
        for spot in lane["spots"]:
            assert list(spot) == SPOT
        for pair in lane["pairs"]:
            assert list(pair) == PAIR
        for item in [*lane["flags"], *(f for spot in lane["spots"] for f in spot["flags"])]:
            assert list(item) == ["name", "message"]


def test_the_keys_are_those_that_are_listed():
    """`lanes explain results.json` prints them."""
    listed = parsed(described("results"))
    lane = listed["lanes"]
    assert list(listed) == TOP
    assert list(listed["scan"]) == SCAN
    assert list(listed["layout"]) == LAYOUT
    assert list(lane) == LANE
    assert list(lane["spots"]) == SPOT
    assert list(lane["pairs"]) == PAIR
    assert list(lane["fit"]) == FIT
    assert list(lane["fit"]["tried"]) == TRIED


@pytest.mark.parametrize("make", MAKERS)
def test_same_reading_same_bytes(make):
    assert results_json(make()) == results_json(make())


def test_bytes_are_json_and_hold_the_record():
    reading = invented.plate()
    assert json.loads(results_json(reading)) == record(reading)


def test_numbers_keep_eight_figures_and_their_kind():
    reading = invented.plate()
    lane = replace(reading.lanes[0], limit=np.float64(1 / 3))
    got = record(replace(reading, lanes=(lane,)))
    assert got["lanes"][0]["limit"] == 0.33333333
    assert type(got["lanes"][0]["limit"]) is float
    assert type(got["scan"]["bits"]) is int
    assert got["layout"]["origin_mm"] == invented.ORIGIN


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, np.float64("nan"), None])
def test_unknown_is_null(bad):
    reading = invented.plate()
    spot = replace(reading.lanes[0].spots[0], rf_sd=bad, asymmetry=bad)
    lane = replace(reading.lanes[0], spots=(spot,), limit=bad)
    got = json.loads(results_json(replace(reading, lanes=(lane,))))["lanes"][0]
    assert got["limit"] is None
    assert got["spots"][0]["rf_sd"] is None
    assert got["spots"][0]["asymmetry"] is None


def test_lengths_are_null_without_scale():
    got = record(invented.unscaled())
    for key in ("width_mm", "height_mm", "origin_mm", "front_mm"):
        assert got["layout"][key] is None
    assert np.shape(got["layout"]["corners_px"]) == (4, 2)
    lane = got["lanes"][0]
    assert lane["x_mm"] is lane["width_mm"] is lane["run_mm"] is None
    assert lane["noise"]["correlation_mm"] is None
    assert lane["spots"][0]["position_mm"] is lane["spots"][0]["width_mm"] is None
    assert lane["spots"][0]["rf"] == 0.2


def test_a_trace_has_neither_light_nor_layout():
    got = record(invented.trace_only())
    assert got["light"] is got["law"] is got["scan"]["width_px"] is None
    assert got["layout"] == {**dict.fromkeys(LAYOUT), "found": {}}


def test_no_path_gets_into_the_record():
    reading = invented.plate()
    reading = replace(reading, source=replace(reading.source, file="/home/someone/scan.png"))
    assert record(reading)["scan"]["file"] == "scan.png"


@pytest.mark.parametrize("law", ["optical-density", "optical density"])
def test_the_law_has_one_spelling(law):
    assert record(replace(invented.plate(), law=law))["law"] == "optical density"


@pytest.mark.parametrize("module", ["record", "tables", "folder", "figures"])
def test_importing_does_not_bring_matplotlib(module):
    # lmfit imports matplotlib's top level by itself; what draws must not come along.
    code = f"import sys, lanes.report.{module}; sys.exit('matplotlib.figure' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

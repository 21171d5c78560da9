"""The CSV files and the table for a terminal."""

import csv
import io
import re
from dataclasses import replace

import invented
import numpy as np
import pytest

from lanes.flags import flag
from lanes.report.report import report_html
from lanes.report.tables import (
    PAIR_COLUMNS,
    SPOT_COLUMNS,
    TRACE_COLUMNS,
    every_pair,
    pairs_csv,
    percent_text,
    spots_csv,
    text_table,
    traces_csv,
)


def rows(data):
    return list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))


@pytest.mark.parametrize(
    ("write", "columns"),
    [(spots_csv, SPOT_COLUMNS), (pairs_csv, PAIR_COLUMNS), (traces_csv, TRACE_COLUMNS)],
)
@pytest.mark.parametrize("make", [invented.plate, invented.unscaled, invented.trace_only])
def test_shape_and_bytes(write, columns, make):
    data = write(make())
    assert data == write(make())
    table = list(csv.reader(io.StringIO(data.decode("utf-8"), newline="")))
    assert tuple(table[0]) == columns
    assert {len(row) for row in table} == {len(columns)}
    assert b"\r" not in data
    assert b"nan" not in data
    assert b"None" not in data


def test_spots():
    reading = invented.plate()
    got = rows(spots_csv(reading))
    assert [(row["lane"], row["spot"]) for row in got] == [
        (lane.name, str(i + 1)) for lane in reading.lanes for i in range(len(lane.spots))
    ]
    assert float(got[0]["rf"]) == 0.15
    assert got[2]["area_percent_sd"] == ""
    assert got[2]["flags"] == "weak"


@pytest.mark.parametrize("name", ["=HYPERLINK(A1)", "+1", "-2", "@SUM(A1)", "\t1", " =1", "\r=1",
                                  "\uff1d1"])
def test_no_cell_is_a_formula(name):
    """What begins a formula in a spreadsheet is text in every table; numbers stay numbers."""
    reading = invented.plate([[(0.2, 1, 1), (0.5, 1, 2)]], (name,))
    reading = replace(reading, lanes=tuple(replace(lane, role=name) for lane in reading.lanes))
    shown = "'" + name.replace("\r", " ")
    for write in (spots_csv, pairs_csv, traces_csv):
        got = rows(write(reading))
        assert {row["lane"] for row in got} == {shown}
        assert {row["role"] for row in got if "role" in row} <= {shown}
    lowest = min(float(row["position_mm"]) for row in rows(traces_csv(reading)))
    assert lowest < 0.0


def test_pairs_hold_every_pair_and_mark_the_neighbours():
    reading = invented.plate()
    got = [row for row in rows(pairs_csv(reading)) if row["lane"] == "1"]
    places = [(int(row["lower_spot"]), int(row["upper_spot"])) for row in got]
    assert places == [(1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4)]
    neighbours = [b - a == 1 for a, b in places]
    assert [row["neighbours"] == "yes" for row in got] == neighbours
    assert [row["resolution_sd"] for row in got] == ["0.0345" if n else "" for n in neighbours]
    assert [row["valley_to_peak"] != "" for row in got] == neighbours
    # 1.18 (d2 - d1) / (wh1 + wh2): 0.15 to 0.71 of 75 mm, sigma 0.9 and 1.3 mm
    assert float(got[2]["resolution"]) == pytest.approx(
        1.18 * (0.71 - 0.15) * 75 / (2 * np.sqrt(2 * np.log(2)) * (0.9 + 1.3)), rel=1e-7
    )


def test_resolution_needs_no_scale():
    with_scale = invented.plate([[(0.2, 1, 1), (0.5, 1, 2), (0.9, 1, 1.5)]], ("a",))
    without = invented.plate([[(0.2, 1, 1), (0.5, 1, 2), (0.9, 1, 1.5)]], ("a",), unit=6.0,
                             scaled=False)  # fmt: skip
    one, other = (every_pair(reading.lanes[0])[1] for reading in (with_scale, without))
    assert (one.lower, one.upper) == (0, 2)
    assert other.resolution == pytest.approx(one.resolution, rel=1e-9)


def test_traces_add_up():
    reading = invented.plate()
    got = rows(traces_csv(reading))
    assert len(got) == sum(lane.trace.position.size for lane in reading.lanes)
    first = [row for row in got if row["lane"] == "1"]
    lane = reading.lanes[0]
    column = {key: np.array([float(row[key]) for row in first]) for key in TRACE_COLUMNS[1:6]}
    spots = column["model"] - column["background"]
    np.testing.assert_allclose(spots, lane.fit.peaks.sum(axis=0), atol=1e-7)
    usable = np.array([row["usable"] == "yes" for row in first])
    np.testing.assert_array_equal(usable, lane.trace.usable)
    residual = (column["signal"] - column["model"])[usable]
    assert residual.std() == pytest.approx(lane.noise.sd, rel=0.2)
    np.testing.assert_allclose(column["rf"] * 75, column["position_mm"], atol=1e-6)


def test_traces_without_scale_have_rf_only():
    got = rows(traces_csv(invented.unscaled()))
    assert {row["position_mm"] for row in got} == {""}
    assert float(got[-1]["rf"]) > 1.0


def test_a_lone_spot_beside_one_unread_is_not_called_the_only_one_found():
    reading = invented.plate()
    lane = next(lane for lane in reading.lanes if len(lane.spots) == 1)
    assert percent_text(lane, lane.spots[0]) == "100 (only one found)"
    beside = replace(lane, flags=(*lane.flags, flag("spot-unread", "not read: Rf 0.60")))
    assert percent_text(beside, beside.spots[0]) == "100 (only one read)"


def test_text_table():
    text = text_table(invented.plate())
    lines = text.splitlines()
    head = ["lane", "spot", "Rf", "area %", "Rs to next", "S/N", "flags"]
    assert re.split(r"  +", lines[0]) == head
    assert lines[1].startswith("1 ")
    assert re.split(r"  +", lines[1])[2] == "0.15"  # its sd of 0.0003 reaches no decimal shown
    assert lines[3].endswith("weak")
    assert "1.2 ± ?" in lines[3]
    assert "? is not known." in lines
    assert any(
        line.startswith("blank ") and "no spot above 0.012 signal x mm^2" in line for line in lines
    )
    assert "100 (only one found)" in text
    assert "lane blank: no-spot: nothing above 3 sd of the noise" in lines
    assert all(line == line.rstrip() for line in lines)


def test_text_table_of_an_empty_lane_without_limit():
    reading = invented.plate()
    blank = replace(reading.lanes[2], limit=None, flags=())
    text = text_table(replace(reading, lanes=(blank,)))
    assert "no spot found; how small a spot would have been found is not known" in text
    assert "above" not in text


def test_text_table_says_pixels_where_there_is_no_scale():
    reading = invented.plate([[]], ("a",), unit=6.0, scaled=False)
    assert "signal x px^2" in text_table(reading)


def test_a_line_break_in_a_name_does_not_break_the_table():
    reading = invented.trace_only()
    lane = replace(reading.lanes[0], name="a\nb")
    assert "a b" in text_table(replace(reading, lanes=(lane,)))


def test_a_share_passes_neither_0_nor_100_percent():
    reading = invented.plate()
    lane = reading.lanes[0]
    spots = tuple(replace(spot, area_percent=percent, area_percent_sd=sd,
                          area_percent_sd_noise=noise)
                  for spot, (percent, sd, noise) in zip(
                      lane.spots, [(34.0, 41.2, 0.38), (62.0, 39.0, 0.4), (3.6, 2.8, 2.8),
                                   (0.4, 0.6, None)], strict=True))
    lane = replace(lane, spots=spots)
    texts = [percent_text(lane, spot) for spot in spots]
    assert texts == ["34, 0 to 75 (0.4)", "62, 23 to 100 (0.4)", "4 ± 3", "0.4, 0.0 to 1.0"]
    reading = replace(reading, lanes=(lane, *reading.lanes[1:]))
    terminal, page = text_table(reading), report_html(reading).decode()
    for text in texts:
        value, _, alone = text.partition(" (")
        assert value in terminal
        assert f">{value}" + (f' <span class="bracket">({alone}</span>' if alone else "") in page

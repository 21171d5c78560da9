"""A reading in a notebook: rich output, rows for a data frame, figures."""

import sys
from types import SimpleNamespace

import invented
import pytest
from matplotlib.figure import Figure

import lanes
from lanes.report.display import reading_html, register, show
from lanes.report.figures import lane_figure, plate_figure
from lanes.report.tables import SPOT_COLUMNS, text_table


def test_a_view_shows_the_plate_and_its_table():
    html = lanes.show(invented.plate())._repr_html_()
    assert html.count("<img") == 1
    assert html.count("<table>") == 1
    assert ">0.15<" in html
    assert "<img" not in show(invented.trace_only())._repr_html_()
    assert str(show(invented.plate())) == text_table(invented.plate())


def test_names_are_text():
    reading = invented.plate([[(0.2, 1, 1), (0.5, 1, 2)]], ("<script>",))
    assert "<script>" not in reading_html(reading)


def test_rows_are_those_of_the_table_in_full():
    reading = invented.plate()
    rows = reading.to_rows()
    assert len(rows) == sum(len(lane.spots) for lane in reading.lanes)
    assert set(SPOT_COLUMNS) <= set(rows[0])
    assert (rows[0]["lane"], rows[0]["spot"], rows[0]["rf"]) == ("1", 1, 0.15)
    assert rows[2]["area_percent_sd"] is None
    assert rows[2]["flags"] == "weak"


def test_figures_are_figures():
    reading = invented.plate()
    assert isinstance(plate_figure(reading), Figure)
    assert isinstance(lane_figure(reading, reading.lanes[0]), Figure)


def test_a_running_notebook_learns_it(monkeypatch: pytest.MonkeyPatch):
    asked = []
    html = SimpleNamespace(for_type_by_name=lambda *words: asked.append(words))
    shell = SimpleNamespace(display_formatter=SimpleNamespace(formatters={"text/html": html}))
    monkeypatch.setitem(sys.modules, "IPython", SimpleNamespace(get_ipython=lambda: shell))
    assert register()
    assert asked == [("lanes.reading", "Reading", reading_html)]
    assert type(invented.plate()).__module__ == "lanes.reading"
    monkeypatch.setitem(sys.modules, "IPython", SimpleNamespace(get_ipython=lambda: None))
    assert not register()

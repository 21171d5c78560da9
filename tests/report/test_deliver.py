"""How an answer leaves the program: the command it prints to be asked again, and its progress."""

import sys

import pytest

from lanes import measure
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.report.deliver import _asked, progress
from lanes.report.record import results_json


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        (["purity", "plate.png", "--lane", "a b"], "lanes purity plate.png --lane 'a b'"),
        (["purity", "plate.png", "--out", "x", "--force", "--json"], "lanes purity plate.png"),
        (["purity", "plate.png", "--out=x"], "lanes purity plate.png"),
        (["purity", "/home/someone/plate.png"], "lanes purity plate.png"),
        (["purity", "p.png", "--settings=/home/someone/s.toml"],
         "lanes purity p.png --settings=s.toml"),
        (["solvent", "/home/someone/a.png=15%"], "lanes solvent a.png=15%"),
        (["purity", "../plate.png"], "lanes purity ../plate.png"),
        ([], ""),
    ],
)
def test_the_command_is_printed_without_where_things_lie(typed, printed):
    assert _asked(typed) == printed


def test_progress_is_a_line_that_goes_and_only_where_somebody_watches(capsys, monkeypatch):
    assert progress("drawn") is None
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    line = progress("drawn")
    assert line is not None
    for done in range(3):
        line(done, 2)
    _, printed = capsys.readouterr()
    shown = [text.rstrip() for text in printed.split("\r")]
    assert shown == ["", "drawn 0 of 2", "drawn 1 of 2", "", ""]
    assert printed.endswith("\r" + " " * 30 + "\r")


def test_a_measuring_counts_its_lanes_and_reads_the_same(tmp_path):
    lanes = tuple(LaneSpec(x, (SpotSpec(0.4, 1.0),)) for x in (12.0, 27.0))
    save(draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=100, lanes=lanes)),
         tmp_path / "plate.png")
    steps = []
    counted = measure(tmp_path / "plate.png", light="white", picture=False,
                      progress=lambda *step: steps.append(step))
    assert steps == [(0, 2), (1, 2), (2, 2)]
    assert results_json(counted) == results_json(
        measure(tmp_path / "plate.png", light="white", picture=False))

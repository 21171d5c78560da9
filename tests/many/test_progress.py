"""How far it is, on a terminal and in a log."""

from __future__ import annotations

import io
import sys

import pytest

from lanes.many import progress
from lanes.many.progress import Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_lines_now_and_then_and_at_the_end(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: clock[0])
    counter = Progress(40)
    for n in range(40):
        clock[0] += 0.5
        counter.plate(f"p{n}", "torn: scan it again" if n == 7 else None)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "lanes: 1 of 40 plates done, about 20 s left"
    assert "lanes: p7: torn: scan it again" in lines
    assert lines[-1] == "lanes: 40 of 40 plates done, 1 failed"
    assert 8 <= len(lines) <= 13


def test_a_bar_where_the_extra_is(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("tqdm")
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    counter = Progress(3)
    for n in range(3):
        counter.plate(f"p{n}", "torn: scan it again" if n == 1 else None)
    counter.close()
    assert "lanes: p1: torn: scan it again" in screen.getvalue()
    assert "3/3" in screen.getvalue()


def test_lines_on_a_terminal_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(progress, "find_spec", lambda name: None)
    counter = Progress(1)
    counter.plate("p0", None)
    counter.close()
    assert screen.getvalue() == "lanes: 1 of 1 plate done\n"

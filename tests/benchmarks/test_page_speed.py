"""Reading again on the page, as ratios to `measure`; printed, and held only against running away."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lanes import Settings, measure
from lanes.page.edits import corners_moved, edited
from lanes.page.reader import Outcome, Reader

DEMO = Path(__file__).parents[2] / "fixtures" / "standards.png"


def quiet(stage: str, done: int, whole: int) -> None:
    """Take no note of progress."""


def quickest(call: Callable[[], object], times: int) -> float:
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - start)
    return float(best)


@pytest.mark.study
def test_a_lane_and_a_corner_beside_the_whole() -> None:
    """Seven lanes: one moved is read alone; a corner reads all, but not the file again."""
    whole = quickest(lambda: measure(DEMO, picture=False), 4)
    reader = Reader(DEMO)
    first = reader.read(Settings(), quiet)
    assert first.layout is not None
    layout = first.layout
    settings = first.settings
    lane, corner, line = [], [], []
    for i in range(6):
        edit = {"do": "lane", "lane": 3, "x": layout.lanes[3].x + 0.1 * (i % 2 + 1)}
        settings = edited(settings, layout, edit)
        lane.append(timed(reader, settings, 1))
    for i in range(4):
        heights = [float(layout.front.at(x)) - 0.1 * (i + 1) for x in (0.0, 20.0, 40.0)]
        settings = edited(settings, layout, {"do": "line", "line": "front", "heights": heights})
        line.append(timed(reader, settings, len(layout.lanes)))
    for i in range(4):
        points = (layout.corners_px + 0.2 * i).tolist()
        settings = corners_moved(replace(settings), {"corners": points})
        corner.append(timed(reader, settings, len(layout.lanes)))
    print(f"\nmeasure {1000 * whole:.0f} ms; of it a lane takes {min(lane) / whole:.2f} "
          f"({1000 * min(lane):.0f} ms), a line {min(line) / whole:.2f}, a corner "
          f"{min(corner) / whole:.2f}")
    assert min(lane) < 0.5 * whole
    assert min(corner) < 1.2 * whole


def timed(reader: Reader, settings: Settings, lanes: int) -> float:
    """Return how long `settings` take to be read, which is to read so many lanes."""
    start = time.perf_counter()
    outcome: Outcome = reader.read(settings, quiet)
    took = time.perf_counter() - start
    assert outcome.reading is not None, outcome.error
    assert outcome.lanes_read == lanes
    return took

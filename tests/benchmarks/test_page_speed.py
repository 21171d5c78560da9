"""Reading again on the page, as ratios to `measure` in the same run, in processor time."""

from __future__ import annotations

import time
from collections.abc import Callable
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
        start = time.process_time()
        call()
        best = min(best, time.process_time() - start)
    return float(best)


@pytest.mark.study
def test_a_lane_and_a_corner_beside_the_whole() -> None:
    """Seven lanes: one moved is read alone; a corner reads all, but not the file again."""
    reader = Reader(DEMO)
    first = reader.read(Settings(), quiet)
    assert first.layout is not None
    layout = first.layout
    settings = first.settings
    lane, corner, whole, cornered = [], [], [], []
    for i in range(3):
        settings = edited(settings, layout, {
            "do": "lane", "lane": 3, "x": layout.lanes[3].x + 0.1 * (i % 2 + 1)})
        lane.append(timed(reader, settings, 1))
        whole.append(quickest(lambda: measure(DEMO, settings, picture=False), 1))  # noqa: B023
    found = first.settings
    for i in range(3):
        points = (layout.corners_px + 0.2 * i).tolist()
        found = corners_moved(found, {"corners": points})
        corner.append(timed(reader, found, len(layout.lanes)))
        cornered.append(quickest(lambda: measure(DEMO, found, picture=False), 1))  # noqa: B023
    print(f"\nmeasure {1000 * min(whole):.0f} ms; of it a lane takes at most "
          f"{max(lane) / min(whole):.2f} ({1000 * max(lane):.0f} ms), a corner "
          f"{min(corner) / min(cornered):.2f}")
    assert max(lane) < 0.5 * min(whole)
    assert min(corner) < 1.1 * min(cornered)


def timed(reader: Reader, settings: Settings, lanes: int) -> float:
    """Return how long `settings` take to be read, which is to read so many lanes."""
    start = time.process_time()
    outcome: Outcome = reader.read(settings, quiet)
    took = time.process_time() - start
    assert outcome.reading is not None, outcome.error
    assert outcome.lanes_read == lanes
    return took

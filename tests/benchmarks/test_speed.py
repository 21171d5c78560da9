"""Speed and memory as ratios within one run; printed, and held only against running away."""

from __future__ import annotations

import subprocess
import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scenes import lanes as drawn_lanes

import lanes
from lanes.draw import PlateSpec, draw


def quickest(call, times: int, clock=time.perf_counter) -> float:  # type: ignore[no-untyped-def]
    best = np.inf
    for _ in range(times):
        start = clock()
        call()
        best = min(best, clock() - start)
    return float(best)


@pytest.mark.study
def test_measure_beside_decoding(tmp_path: Path) -> None:
    """A 600 dpi, 100 x 100 mm, 12-lane colour PNG, pictures off, beside decoding it.

    In processor time: what else the machine does would count for the longer of the two.
    """
    rng = np.random.default_rng(1)
    path = tmp_path / "large.png"
    drawing = draw(PlateSpec(width=100, lanes=drawn_lanes(rng, count=12, width=100), dpi=600,
                             margin=0.1, seed=3))
    # As most programs write it: packed as `lanes.draw` does it takes a quarter longer to decode.
    Image.fromarray(drawing.pixels).save(path, dpi=(600, 600))

    def decode() -> np.ndarray:
        with Image.open(path) as image:
            return np.array(image)

    def read() -> lanes.Reading:
        return lanes.measure(path, light="white", picture=False)

    read()
    ratio = quickest(read, 3, time.process_time) / quickest(decode, 5, time.process_time)
    size = decode().nbytes
    tracemalloc.start()
    read()
    peak = tracemalloc.get_traced_memory()[1] / size
    tracemalloc.stop()
    print(f"measure over decoding: time {ratio:.1f}, memory {peak:.2f}")
    assert peak < 6.0
    assert ratio < 30.0


def test_help_beside_bare_python() -> None:
    """`lanes --help` loads no science: a few times what Python itself takes."""
    def bare() -> None:
        subprocess.run([sys.executable, "-c", "pass"], check=True)

    def helped() -> None:
        subprocess.run([sys.executable, "-m", "lanes", "--help"], check=True, capture_output=True)

    ratio = quickest(helped, 5) / quickest(bare, 5)
    print(f"lanes --help over bare python: {ratio:.1f}")
    assert ratio < 6.0  # aimed at 3; the rest is room for a busy machine

"""Small plates and traces that are quick to read, and folders compared byte by byte."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.many.work import Outcome, Work, read_plate

LINES = ("--origin", "0", "--front", "75", "--no-figures")
SPOTS = (SpotSpec(0.2, 2.0), SpotSpec(0.5, 1.0), SpotSpec(0.8, 0.5))


def trace(path: Path, centre: float = 30.0, seed: int = 0) -> Path:
    """Write a trace of one spot."""
    x = np.arange(0, 80, 0.5)
    noise = np.random.default_rng(seed).normal(0, 0.02, x.size)
    y = 3 * np.exp(-0.5 * ((x - centre) / 1.2) ** 2) + noise
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(f"{a},{b}\n" for a, b in zip(x, y, strict=True)), encoding="utf-8")
    return path


def plate(path: Path, seed: int = 0) -> Path:
    """Draw a plate of two lanes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    save(draw(PlateSpec(width=30, height=60, origin=8, front=50, dpi=120, seed=seed, light="254",
                        lanes=(LaneSpec(10.0, SPOTS), LaneSpec(20.0, SPOTS[:1])))), path)
    path.with_suffix(".json").unlink()
    return path


def content(folder: Path) -> dict[str, bytes]:
    """Return every file below `folder` but the lock."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*"))
            if p.is_file() and p.name != ".lanes-lock"}


class Here:
    """Reads in this process, in the place of `LocalWorkers`."""

    def __init__(self, count: int) -> None:
        self.count = count

    def __enter__(self) -> Here:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def run(self, works: Iterable[Work]) -> Iterator[tuple[Work, Outcome]]:
        for work in works:
            yield work, read_plate(work)


def started(*words: object, cwd: Path) -> subprocess.Popen[str]:
    """Start the command in a process group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "lanes", *map(str, words)], cwd=cwd, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def until(true: Callable[[], bool], seconds: float = 120.0) -> None:
    """Wait until `true`; fail where it never is."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)

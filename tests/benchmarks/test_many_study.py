"""Many plates: two workers beside one, and memory at ten times as many plates."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save

SPOTS = (SpotSpec(0.2, 2.0), SpotSpec(0.5, 1.0), SpotSpec(0.8, 0.5))
# Runs the command, then prints what it and its ended children took: seconds, and KiB at most.
CODE = """
import json, resource, sys
from lanes.cli import main
if __name__ == "__main__":
    code = main(sys.argv[1:])
    out = {"code": code}
    for name, who in (("own", resource.RUSAGE_SELF), ("workers", resource.RUSAGE_CHILDREN)):
        used = resource.getrusage(who)
        out[name] = {"cpu": used.ru_utime + used.ru_stime, "rss": used.ru_maxrss}
    print(json.dumps(out))
"""


def run(scans: Path, out: Path, workers: int) -> dict[str, dict[str, float]]:
    """Return wall seconds, and processor seconds and peak KiB of the asker and of the workers."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", CODE, "measure", str(scans), "--light", "254", "--no-figures",
         "--names", "S,U", "--out", str(out), "--workers", str(workers)],
        capture_output=True, text=True, check=True)
    found: dict[str, dict[str, float]] = json.loads(done.stdout.splitlines()[-1])
    assert found.pop("code") == 0
    return {**found, "wall": {"s": time.perf_counter() - start}}


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of 200 plates of two lanes, and beside it one of the first 20."""
    folder = tmp_path_factory.mktemp("plates")
    for name, count in (("200", 200), ("20", 20)):
        (folder / name).mkdir()
        for seed in range(count):
            path = folder / name / f"p{seed:03d}.png"
            if count < 200:
                os.link(folder / "200" / path.name, path)
                continue
            save(draw(PlateSpec(width=30, height=60, origin=8, front=50, dpi=150, light="254",
                                seed=seed, lanes=(LaneSpec(10.0, SPOTS), LaneSpec(20.0, SPOTS)))),
                 path)
    return folder


@pytest.mark.study
def test_two_workers_beside_one_and_memory(scans: Path, tmp_path: Path) -> None:
    """Where other work shares the processors, processor seconds say what wall time can't."""
    few = run(scans / "20", tmp_path / "few", 2)
    one = run(scans / "200", tmp_path / "one", 1)
    two = run(scans / "200", tmp_path / "two", 2)
    wall = one["wall"]["s"] / two["wall"]["s"]
    cpu = {name: (r["own"]["cpu"], r["workers"]["cpu"]) for name, r in (("1", one), ("2", two))}
    # With a processor a worker: what one worker takes, beside the longer of what each of two
    # takes, and what the asker takes, who has no share in it.
    free = cpu["1"][1] / max(cpu["2"][1] / 2, cpu["2"][0])
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors; 200 plates: wall "
          f"{one['wall']['s']:.1f} and {two['wall']['s']:.1f} s, ratio {wall:.2f}; processor time "
          f"of asker and workers {cpu}, ratio {free:.2f}")
    for who in ("own", "workers"):
        print(f"peak memory, {who}: {few[who]['rss'] / 1024:.0f} MiB at 20 plates, "
              f"{two[who]['rss'] / 1024:.0f} at 200")
        assert two[who]["rss"] < 1.1 * few[who]["rss"]
    assert free > 1.8
    for path in (tmp_path / "one").rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / "two" / path.relative_to(tmp_path / "one")
                                         ).read_bytes()

"""Many plates: two workers beside one, memory at ten times as many, and how far it grows."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scenes import lanes

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.many.ledger import done_in, write_plate
from lanes.many.work import Work, read_plate
from lanes.settings import Settings

DEMO = Path(__file__).parents[2] / "fixtures" / "demo.png"

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


Used = dict[str, dict[str, float]]


def begun(scans: Path, out: Path, workers: int) -> subprocess.Popen[str]:
    """Start reading. Not in a session of its own: the system would share by sessions."""
    return subprocess.Popen(
        [sys.executable, "-c", CODE, "measure", str(scans), "--light", "254", "--no-figures",
         "--names", "S,U", "--out", str(out), "--workers", str(workers)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def ended(run: subprocess.Popen[str]) -> Used:
    """Return the processor seconds and peak KiB of the asker and of its largest worker."""
    printed, _ = run.communicate()
    found: Used = json.loads(printed.splitlines()[-1])
    assert found.pop("code") == 0
    return found


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
    """Both are started at once, so that whatever else is at work slows them alike."""
    few = ended(begun(scans / "20", tmp_path / "few", 2))
    one = begun(scans / "200", tmp_path / "one", 1)
    two = ended(begun(scans / "200", tmp_path / "two", 2))
    ratio = 200 / len(done_in(tmp_path / "one"))
    single = ended(one)
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors: 200 plates by two "
          f"workers while one read {200 / ratio:.0f}, ratio {ratio:.2f}; processor seconds of two "
          f"{two['workers']['cpu']:.1f}, of one {single['workers']['cpu']:.1f}, of the asker "
          f"{two['own']['cpu']:.1f}")
    for who in ("own", "workers"):
        print(f"peak memory, {who}: {few[who]['rss'] / 1024:.0f} MiB at 20 plates, "
              f"{two[who]['rss'] / 1024:.0f} at 200")
        assert two[who]["rss"] < 1.1 * few[who]["rss"]
    assert ratio >= 1.8
    for path in (tmp_path / "one").rglob("*"):
        if path.is_file():
            assert path.read_bytes() == (tmp_path / "two" / path.relative_to(tmp_path / "one")
                                         ).read_bytes()


NETWORK = 125e6  # bytes a second: a usual network's gigabit


@pytest.mark.study
def test_what_limits_a_thousand_workers(tmp_path: Path) -> None:
    """One plate measured, of a usual and a large kind; the rest is division."""
    rng = np.random.default_rng(1)
    large = tmp_path / "large.png"
    save(draw(PlateSpec(width=100, lanes=lanes(rng, count=12, width=100), dpi=600, seed=3,
                        margin=0.1)), large)
    out = tmp_path / "out"
    out.mkdir()
    for path, figures in ((DEMO, False), (DEMO, True), (large, True)):
        work = Work(str(path), Settings(), figures)
        read_plate(work)
        start = time.process_time()
        outcome = read_plate(work)
        worker = time.process_time() - start
        assert outcome.error is None
        start = time.process_time()
        sent = pickle.dumps(replace(work, data=path.read_bytes()))
        back = pickle.dumps(outcome)
        write_plate(out, f"{path.stem}{figures}", pickle.loads(back).files, False)
        asker = time.process_time() - start
        print(f"{path.name}, figures {figures}: {1 / worker:.2f} plates a second and core; sent "
              f"{len(sent) / 1e6:.2f} MB, back {len(back) / 1e6:.2f} MB; asker {1e3 * asker:.1f} "
              f"ms: keeps {worker / asker:.0f} workers busy; a gigabit network "
              f"{worker * NETWORK / len(sent):.0f} by value, "
              f"{worker * NETWORK / len(back):.0f} by shared path")
        assert worker / asker > 20.0

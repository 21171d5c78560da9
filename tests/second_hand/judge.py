"""Judge a program on the pictures:

python -m tests.second_hand.judge --lanes "python -m lanes" --kinds all --seeds 0:3

Each picture is written to a temporary folder and read with `CMD measure FILE --out DIR --light L
--no-figures`; no more is passed. One row a kind: pictures right, refused, with all lanes right;
recall and precision of spots; false spots, and those of them that are parts of a true one; visible
spots lost, and lost in silence; the 95th percentile of errors in Rf. Then each picture that went
wrong, unseen seeds left out.
"""

from __future__ import annotations

import argparse
import json
import shlex
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from .__main__ import kinds_of, seeds_of
from .drawing import UNSEEN_SEEDS, write
from .score import Verdict, score

TIME_LIMIT = 180  # seconds a picture; a reading takes a few


def judge_one(command: str, kind: str, seed: int, folder: Path) -> Verdict:
    """Return the verdict on one picture, drawn into `folder` and read from there."""
    path, truth = write(kind, seed, folder)
    out = folder / f"reading-{kind}-{seed}"
    words = [*shlex.split(command), "measure", str(path), "--out", str(out), "--light", truth.light]
    try:
        done = subprocess.run(
            [*words, "--no-figures"],
            capture_output=True,
            text=True,
            timeout=TIME_LIMIT,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return score(truth, None, f"no answer in {TIME_LIMIT} s")
    if done.returncode == 0:
        return score(truth, json.loads((out / "results.json").read_text()))
    last = (done.stderr.strip().splitlines() or ["no message"])[-1]
    verdict = score(truth, None, last)
    if done.returncode != 2:  # a traceback is no refusal
        return Verdict(**{**verdict.__dict__, "right": False, "note": f"failed: {last}"})
    return verdict


def row(name: str, verdicts: list[Verdict]) -> str:
    """Return one line of the table."""
    total = {
        k: sum(getattr(v, k) for v in verdicts)
        for k in (
            "right",
            "refused",
            "lanes_right",
            "visible",
            "true",
            "reported",
            "false",
            "split",
            "lost",
            "lost_in_silence",
        )
    }
    errors = np.abs(np.concatenate([[np.nan], *(v.rf_errors for v in verdicts)]))
    p95 = np.nanquantile(errors, 0.95) if len(errors) > 1 else np.nan
    share = lambda a, b: f"{a / b:6.3f}" if b else "     -"  # noqa: E731
    return (
        f"{name:22s} {total['right']:3d}/{len(verdicts):<3d} {total['refused']:7d} "
        f"{total['lanes_right']:5d} {share(total['true'], total['visible'])} "
        f"{share(total['reported'] - total['false'], total['reported'])} "
        f"{total['false']:5d} {total['split']:5d} {total['lost']:5d} "
        f"{total['lost_in_silence']:7d} {p95:8.4f}"
    )


HEAD = f"{'kind':22s}   right refused lanes recall precis. false split  lost silence   Rf p95"


def main() -> None:
    parser = argparse.ArgumentParser(description="Judge a program on drawn plates.")
    parser.add_argument("--lanes", default="python -m lanes", help="the command to judge")
    parser.add_argument("--kinds", default="all")
    parser.add_argument("--seeds", default="0:3", help="FIRST:END, END left out")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder to keep pictures and readings in")
    given = parser.parse_args()
    kinds, seeds = kinds_of(given.kinds), seeds_of(given.seeds)
    with tempfile.TemporaryDirectory() as temporary, ThreadPoolExecutor(given.workers) as pool:
        folder = given.keep or Path(temporary)
        jobs = {
            (k, s): pool.submit(judge_one, given.lanes, k, s, folder) for k in kinds for s in seeds
        }
        verdicts = {}
        print(HEAD)
        for kind in kinds:
            mine = {(kind, s): jobs[kind, s].result() for s in seeds}
            verdicts |= mine
            print(row(kind, list(mine.values())), flush=True)
    print(row("ALL", list(verdicts.values())))
    for (kind, seed), v in verdicts.items():
        if not v.right and seed not in UNSEEN_SEEDS:
            print(f"  {kind}-{seed}: {v.note}")


if __name__ == "__main__":
    main()

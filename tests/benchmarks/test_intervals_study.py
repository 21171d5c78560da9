"""Whether the wide 95 % interval holds the truth on plates by the second hand.

Pairs of resolution below 1 are left out with their lanes: they are the shoulder's study.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from score import Score, compare
from second_hand.drawing import write
from second_hand.kinds import KINDS
from second_hand.truth import TrueLane, Truth

import lanes

APART = 1.0  # resolution
SEEDS = range(20, 24)


def as_drawn(lane: TrueLane) -> dict:
    """Return a true lane in the first hand's words; area percent is that of the truth's channel."""
    return {
        "x": lane.x_mm,
        "spots": [{"rf": s.rf, "percent": s.share_percent} for s in lane.spots],
        "pairs": [{"resolution": p.resolution} for p in lane.pairs],
    }


def whole(truth: Truth) -> list[TrueLane]:
    return [lane for lane in truth.lanes
            if lane.spots and all(p.resolution >= APART for p in lane.pairs)]


def one(kind: str, seed: int, folder: Path) -> Score:
    """Return the score of one picture; of nothing where it is refused, or not to be read."""
    out = Score()
    path, truth = write(kind, seed, folder)
    try:
        if truth.expects == "read" and truth.has_scale:
            reading = lanes.measure(path, light=truth.light, picture=False)
            compare(reading, {"lanes": [as_drawn(lane) for lane in whole(truth)]}, out)
    except lanes.LanesError as error:
        out.refused.append(str(error))
    for made in folder.glob(f"{kind}-{seed}*"):
        made.unlink()
    return out


def held(z: list[float]) -> float:
    return float(np.mean(np.abs(z) < 1.96)) if z else float("nan")


@pytest.mark.study
def test_the_wide_interval_by_the_second_hand(tmp_path: Path) -> None:
    """Rf, area percent and resolution in at least 0.93."""
    total = Score()
    for kind in KINDS:
        part = Score()
        for seed in SEEDS:
            part += one(kind, seed, tmp_path)
        print(part.line(kind), len(part.rf_z), len(part.percent_z), len(part.resolution_z))
        total += part
    print(total.line("all"), len(total.rf_z), len(total.percent_z), len(total.resolution_z))
    assert held(total.rf_z) >= 0.93
    assert held(total.percent_z) >= 0.93
    assert held(total.resolution_z) >= 0.93

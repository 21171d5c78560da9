"""Drawn plates of every kind, read with no options but the light, against their truth.

The full study runs with `-m study`; a small part of it always.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from scenes import KINDS, scene
from score import Score, score

from lanes.draw import draw

# A spot's colour decides what one channel sees of it: on a plate of several, area percent holds
# for the channel only, and the drawn truth is no measure of it.
ELSEWHERE = ("white", "quenched", "glowing", "smiling", "dusty")
ONE_COLOUR = [kind for kind in KINDS if kind not in ("motley", "empty", "overlapping")]


def over(kinds: list[str], seeds: range, folder: Path) -> Score:
    total = Score()
    for kind in kinds:
        part = Score()
        for seed in seeds:
            part += score(scene(kind, seed), folder)
        print(part.line(kind))
        total += part
    print(total.line("all"))
    return total


def within(z: list[float]) -> float:
    return sum(abs(value) < 1.96 for value in z) / len(z)


@pytest.mark.usefixtures("coarse")
def test_one_of_each_kind(tmp_path: Path) -> None:
    """Of those that tests/test_measuring.py does not draw."""
    total = over([kind for kind in ONE_COLOUR if kind not in ELSEWHERE], range(1), tmp_path)
    assert not total.refused
    assert total.lanes == total.true_lanes
    assert total.hit == total.true
    assert total.found == total.hit
    assert sorted(map(abs, total.rf))[int(0.95 * len(total.rf))] < 0.005


@pytest.mark.study
def test_kinds(tmp_path: Path) -> None:
    """Recall and precision at least 0.97, Rf within 0.005 at the 95th percentile."""
    total = over(ONE_COLOUR, range(12), tmp_path)
    assert not total.refused
    assert total.lanes == total.true_lanes
    assert total.hit >= 0.97 * total.true
    assert total.hit >= 0.97 * total.found
    assert sorted(map(abs, total.rf))[int(0.95 * len(total.rf))] < 0.005
    assert sorted(map(abs, total.percent))[int(0.5 * len(total.percent))] < 1.0
    assert sorted(map(abs, total.percent))[int(0.95 * len(total.percent))] < 5.0
    assert sorted(map(abs, total.resolution))[int(0.5 * len(total.resolution))] < 0.03
    assert sorted(map(abs, total.resolution))[int(0.95 * len(total.resolution))] < 0.12


@pytest.mark.study
def test_colours_on_one_plate_are_found(tmp_path: Path) -> None:
    total = over(["motley"], range(12), tmp_path)
    assert total.hit >= 0.97 * total.true
    assert total.hit >= 0.97 * total.found


@pytest.mark.study
def test_nothing_on_blank_plates(tmp_path: Path) -> None:
    found = sum(score(scene("empty", seed), tmp_path).found for seed in range(24))
    assert found == 0


@pytest.mark.study
def test_the_interval_holds_the_truth(tmp_path: Path) -> None:
    """The stated 95 % interval holds Rf, area percent and resolution in 90 to 99 % of cases.

    Over all three lights; in each alone, in 90 % at least. The scan's blur shifts every
    resolution the same way and is known only roughly: under 366 nm, where nothing else shows it,
    its interval holds the truth always, which is no fault.
    """
    total = Score()
    for kind in ("white", "quenched", "glowing"):
        one = Score()
        for seed in range(200, 200 + 24):
            one += score(scene(kind, seed), tmp_path)
        print(one.line(kind), len(one.rf_z), len(one.percent_z), len(one.resolution_z))
        for z in (one.rf_z, one.percent_z, one.resolution_z):
            assert within(z) >= 0.90
        total += one
    assert len(total.rf_z) >= 400
    for z in (total.rf_z, total.percent_z):
        assert 0.90 <= within(z) <= 0.99


@pytest.mark.usefixtures("coarse")
def test_overlapping_pairs_seeded(tmp_path: Path) -> None:
    """Of what is claimed none is false, and the 95 % intervals hold; a close pair may stay one."""
    total = Score()
    for seed in range(2):
        total += score(scene("overlapping", seed), tmp_path)
    print(total.line("overlapping"))
    assert total.lanes == 8
    assert total.found == total.hit
    assert total.hit >= 0.75 * total.true
    for z in (total.percent_z, total.resolution_z):
        assert within(z) >= 0.9


@pytest.mark.study
def test_overlapping_pairs(tmp_path: Path) -> None:
    """Intervals of overlapping pairs hold in 90 % at least; nothing is found that is not there."""
    total = over(["overlapping"], range(24), tmp_path)
    print(len(total.percent_z), len(total.resolution_z))
    assert total.found <= 1.02 * total.hit
    for z in (total.rf_z, total.percent_z, total.resolution_z):
        assert within(z) >= 0.90


def test_the_truth_is_the_drawing(tmp_path: Path) -> None:
    """What is scored against is what was drawn: Rf ascending, shares of 100."""
    truth = draw(scene("white", 0)).truth
    for lane in truth["lanes"]:
        rfs = [spot["rf"] for spot in lane["spots"]]
        assert rfs == sorted(rfs)
        assert abs(sum(spot["percent"] for spot in lane["spots"]) - 100) < 1e-9

"""Drawn separations: how often a chosen pool lies below the purity asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from second_hand_spots import LAWS, SHAPES, lanes_of_spots, plate_of

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.measuring import prepare
from lanes.questions.fractions import pools
from lanes.questions.fractions.answer import Fractions, answer
from lanes.questions.fractions.pools import Pool
from lanes.settings import Settings

LIGHTS = ("white", "254", "366")
FRACTIONS = 7
TARGET = 0.45


@dataclass
class Tally:
    """What was stated of separations of one kind."""

    chosen: int = 0
    none: int = 0
    above: list[bool] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    held_recovery: list[bool] = field(default_factory=list)
    kept: list[float] = field(default_factory=list)

    def line(self) -> str:
        def rate(values: list[bool]) -> str:
            return f"{np.mean(values):.3f} of {len(values)}" if values else "none"

        kept = f"{np.median(self.kept):.2f}" if self.kept else "none"
        return (f"{self.chosen} pools, {self.none} none; not below what was asked "
                f"{rate(self.above)}; purity held {rate(self.held)}; recovery held "
                f"{rate(self.held_recovery)}; recovery over the best there is {kept}")


def separation(seed: int, light: str) -> tuple[PlateSpec, np.ndarray]:
    """Return a plate of fractions and each component's amount in each, the target's first.

    Two or three components leave a column as Gaussians; the target is one of them.
    """
    rng = np.random.default_rng([seed, 41])
    count = int(rng.integers(2, 4))
    centre = 3.5 + np.concatenate([[rng.uniform(-0.7, 0.7)],
                                   rng.permutation([-1.0, 1.0])[: count - 1]
                                   * rng.uniform(1.8, 3.0, count - 1)])
    sigma, height = rng.uniform(0.7, 1.1, count), rng.uniform(0.7, 1.5, count)
    at = np.arange(FRACTIONS) + 0.5
    amounts = height[:, None] * np.exp(-0.5 * ((at - centre[:, None]) / sigma[:, None]) ** 2)
    made = []
    for j, x in enumerate(np.linspace(9, 9 + 10.5 * (FRACTIONS - 1), FRACTIONS)):
        spots = [SpotSpec(rf, float(a), width=2.1)
                 for rf, a in zip((TARGET, 0.25, 0.7), amounts[:, j], strict=False) if a > 1e-4]
        made.append(LaneSpec(float(x), tuple(spots)))
    return PlateSpec(width=18 + 10.5 * (FRACTIONS - 1), lanes=tuple(made), light=light, seed=seed,
                     dpi=200, bed=0.004 if light == "366" else 0.06), amounts


def read(seed: int, light: str, folder: Path) -> tuple[Fractions, np.ndarray, float]:
    spec, amounts = separation(seed, light)
    asked = float(np.random.default_rng([seed, 43]).choice([60.0, 75.0, 85.0, 90.0, 95.0]))
    path = folder / f"plate-{seed}.png"
    save(draw(spec), path)
    stated = answer([prepare(path, Settings(light=light, lanes=FRACTIONS))], TARGET, asked)
    for old in (path, path.with_suffix(".json")):
        old.unlink()
    return stated, amounts, asked


def truth(amounts: np.ndarray, first: int, last: int) -> tuple[float, float]:
    """Return the true purity and recovery in percent of a pool."""
    inside = amounts[:, first:last + 1]
    return (100.0 * inside[0].sum() / inside.sum(), 100.0 * inside[0].sum() / amounts[0].sum())


def best(amounts: np.ndarray, asked: float) -> float:
    """Return the greatest recovery any pool of that true purity has."""
    n = amounts.shape[1]
    return max((r for i in range(n) for j in range(i, n)
                for p, r in [truth(amounts, i, j)] if p >= asked), default=0.0)


def add(tally: Tally, pool: Pool | None, amounts: np.ndarray, asked: float) -> None:
    if pool is None:
        tally.none += 1
        return
    purity, recovery = truth(amounts, pool.first, pool.last)
    tally.chosen += 1
    tally.above.append(purity >= asked)
    tally.held.append(pool.low <= purity <= pool.high)
    if pool.recovery_low is not None:
        tally.held_recovery.append(pool.recovery_low <= recovery <= pool.recovery_high)
    tally.kept.append(recovery / max(best(amounts, asked), 1e-9))


def study(seeds: range, light: str, folder: Path) -> Tally:
    tally = Tally()
    for seed in seeds:
        try:
            stated, amounts, asked = read(seed, light, folder)
        except InputError:
            tally.none += 1
            continue
        add(tally, stated.chosen, amounts, asked)
    return tally


@pytest.mark.usefixtures("coarse")
def test_a_few_separations(tmp_path, monkeypatch):
    # Spots are not put into every lane here: twice the lane's own limit is about what that gives.
    monkeypatch.setattr(pools, "unseen", lambda plate, reading, wanted, spread: tuple(
        2.0 * reading.limit for _ in wanted))
    tally = study(range(3, 7), "366", tmp_path)
    assert tally.chosen >= 2, tally.line()
    assert all(tally.above), tally.line()
    assert np.mean(tally.held) >= 0.75, tally.line()


@pytest.mark.study
@pytest.mark.parametrize("light", LIGHTS)
def test_pools_are_as_pure_as_asked(light, tmp_path):
    tally = study(range(40), light, tmp_path)
    print(light, tally.line())
    assert np.mean(tally.above) >= 0.95, tally.line()
    assert np.mean(tally.held) >= 0.90, tally.line()


def by_second_hand(seed: int, law: str, folder: Path) -> tuple[Fractions, np.ndarray, float]:
    """Return what is stated of a separation by the second hand, as `read` does."""
    amounts = 0.7 * separation(seed, "white")[1]
    asked = float(np.random.default_rng([seed, 43]).choice([60.0, 75.0, 85.0, 90.0, 95.0]))
    made = tuple(tuple((rf, float(a)) for rf, a in zip((TARGET, 0.25, 0.7), lane, strict=False)
                       if a > 1e-3) for lane in amounts.T)
    shape = list(SHAPES)[seed % len(SHAPES)]
    plate = plate_of(*lanes_of_spots(made, shape, law, seed), folder)
    assert plate is not None
    return answer([plate], TARGET, asked), amounts, asked


@pytest.mark.study
@pytest.mark.parametrize("law", LAWS)
def test_the_second_hands_separations(law, tmp_path):
    tally, each = Tally(), []
    for seed in range(8):
        stated, amounts, asked = by_second_hand(seed, law, tmp_path)
        add(tally, stated.chosen, amounts, asked)
        each += [one.low <= 100.0 * a[0] / a.sum() <= one.high for one, a
                 in zip(stated.fractions, amounts.T, strict=True) if one.low is not None]
    print(law, tally.line(), f"each fraction held {np.mean(each):.3f} of {len(each)}")
    # A saturating law takes amount from heavy spots, which no share of signal shows.
    if law != "saturating":
        assert np.mean(each) >= 0.90, tally.line()
        assert np.mean(tally.above) >= 0.90, tally.line()

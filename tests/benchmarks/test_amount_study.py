"""Samples of known amount on drawn plates: how often the stated interval holds the amount."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import prepare
from lanes.questions.amount.answer import answer
from lanes.settings import Settings

LIGHTS = ("white", "254", "366")
SAMPLES = 3
RESPONSE = 0.8  # area of one unit of amount


@dataclass
class Tally:
    """What was stated of the samples."""

    held: list[bool] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    half: list[float] = field(default_factory=list)
    open: int = 0
    missed: int = 0
    curves: dict[str, int] = field(default_factory=dict)

    def line(self) -> str:
        curves = ", ".join(f"{name} {n}" for name, n in sorted(self.curves.items()))
        errors = np.percentile(np.abs(self.error), [50, 95])
        return (f"{np.mean(self.held):.3f} of {len(self.held)} held; error {errors[0]:.1%} "
                f"{errors[1]:.1%}; half-width {np.median(self.half):.1%}; open {self.open}; "
                f"missed {self.missed}; {curves}")


def plate_of(seed: int, light: str, applied: float) -> tuple[PlateSpec, dict[str, float],
                                                           dict[str, float]]:
    """Return a plate with 5 or 6 standards and three samples, and their amounts.

    `applied` is the relative standard deviation of what reaches the layer, in every lane.
    """
    rng = np.random.default_rng([seed, 11, LIGHTS.index(light)])
    standards = np.geomspace(0.3, 2.0, int(rng.integers(5, 7)))
    if rng.random() < 0.5:
        standards = np.linspace(0.3, 2.0, standards.size)
    samples = rng.uniform(0.4, 1.8, SAMPLES)
    rf = float(rng.uniform(0.25, 0.75))
    amounts = [*standards, *samples]
    order = rng.permutation(len(amounts))
    width = 11.0 * len(amounts) + 8.0
    lanes = []
    for place, i in enumerate(order):
        area = RESPONSE * amounts[i] * (1 + applied * rng.normal())
        name = f"S{i}" if i < standards.size else f"U{i}"
        spots = [SpotSpec(rf, area, width=2.1)]
        if i >= standards.size:  # a sample holds something else too
            spots.append(SpotSpec(rf - 0.15, 0.3, width=1.9))
        lanes.append(LaneSpec(9.5 + 11.0 * place, tuple(sorted(spots, key=lambda s: s.rf)), name))
    spec = PlateSpec(width=width, lanes=tuple(lanes), light=light, seed=seed, dpi=200,
                     bed=0.004 if light == "366" else 0.06)
    return (spec, {f"S{i}": float(a) for i, a in enumerate(standards)},
            {f"U{i + standards.size}": float(a) for i, a in enumerate(samples)})


def study(seeds: range, light: str, applied: float, folder: Path, law: str = "auto") -> Tally:
    out = Tally()
    for seed in seeds:
        spec, standards, samples = plate_of(seed, light, applied)
        path = folder / "plate.png"
        for old in (path, path.with_suffix(".json")):
            old.unlink(missing_ok=True)
        save(draw(spec), path)
        names = tuple(lane.name or "" for lane in spec.lanes)
        plate = prepare(path, Settings(light=light, law=law, names=names))
        stated = answer(plate, standards=standards, unknowns=tuple(samples))
        name = stated.calibration.curve.name
        out.curves[name] = out.curves.get(name, 0) + 1
        for one in stated.unknowns:
            true = samples[one.name]
            if one.area is None or one.amount is None:
                out.missed += 1
                continue
            if one.low is None or one.high is None:
                out.open += 1
                continue
            out.held.append(one.low <= true <= one.high)
            out.error.append(one.amount / true - 1)
            out.half.append((one.high - one.low) / 2 / true)
    return out


@pytest.mark.usefixtures("coarse")
def test_a_few_plates(tmp_path: Path) -> None:
    """The study, small: no sample is lost, nearly every interval holds its amount."""
    tallies = [study(range(k, k + 1), light, 0.02, tmp_path)
               for k, light in enumerate(LIGHTS)]
    held = [h for tally in tallies for h in tally.held]
    assert len(held) == 3 * SAMPLES
    # At 95 % each, 6 or fewer of 9 would come in 1 run of 119 (binomial).
    assert sum(held) >= 7
    assert all(np.median(np.abs(tally.error)) < 0.06 for tally in tallies)


@pytest.mark.study
@pytest.mark.parametrize("applied", [0.0, 0.02])
@pytest.mark.parametrize("light", LIGHTS)
def test_intervals_hold(light: str, applied: float, tmp_path: Path) -> None:
    tally = study(range(40), light, applied, tmp_path)
    print(f"\n{light}, applied to {applied:.0%}: {tally.line()}")
    assert 0.90 <= np.mean(tally.held) <= 0.99
    assert tally.open + tally.missed <= 2


@pytest.mark.study
def test_intervals_hold_where_the_law_bends(tmp_path: Path) -> None:
    """Quenching read by the other absorbing law: the areas bend, and the calibration with them."""
    tally = study(range(40), "254", 0.01, tmp_path, law="kubelka-munk")
    print(f"\n254, Kubelka-Munk: {tally.line()}")
    assert 0.90 <= np.mean(tally.held) <= 0.99

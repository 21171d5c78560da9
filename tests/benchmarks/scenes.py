"""Drawn plates by kind, seeded: what the studies read and hold against the truth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lanes.draw import LaneSpec, PlateSpec, SpotSpec

KINDS: dict[str, Callable[[np.random.Generator, int], PlateSpec]] = {}


def kind(function: Callable[[np.random.Generator, int], PlateSpec]
         ) -> Callable[[np.random.Generator, int], PlateSpec]:
    KINDS[function.__name__] = function
    return function


def scene(name: str, seed: int) -> PlateSpec:
    """Return plate `seed` of the kind `name`."""
    return KINDS[name](np.random.default_rng([sum(map(ord, name)), seed]), seed)


def spots(rng: np.random.Generator, most: int = 4, tail: float = 0.0, gap: float = 0.09,
          low: float = 0.1, high: float = 0.9, faint: float = 0.25) -> tuple[SpotSpec, ...]:
    """Return 1 to `most` spots, no two nearer than `gap` in Rf."""
    rfs: list[float] = []
    for _ in range(int(rng.integers(1, most + 1))):
        for _ in range(50):
            rf = float(rng.uniform(low, high))
            if all(abs(rf - r) > gap for r in rfs):
                rfs.append(rf)
                break
    return tuple(
        SpotSpec(rf, float(rng.uniform(faint, 1.6)),
                 tail=float(rng.uniform(0.4, 1.2)) if rng.random() < tail else 0.0)
        for rf in sorted(rfs)
    )


def lanes(rng: np.random.Generator, count: int = 4, width: float = 50.0, **how: float
          ) -> tuple[LaneSpec, ...]:
    xs = np.linspace(9.0, width - 9.0, count)
    return tuple(LaneSpec(float(x), spots(rng, **how)) for x in xs)  # type: ignore[arg-type]


@kind
def white(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), tilt=float(rng.uniform(-3, 3)), lamp=0.05, seed=seed,
                     dpi=float(rng.choice([200, 300])), bed=float(rng.choice([0.06, 0.3, 0.97])))


@kind
def quenched(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), light="254", tilt=float(rng.uniform(-3, 3)), seed=seed,
                     dpi=float(rng.choice([200, 300])))


@kind
def glowing(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), light="366", tilt=float(rng.uniform(-3, 3)), seed=seed,
                     dpi=float(rng.choice([200, 300])), bed=0.004)


@kind
def smiling(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), smile=float(rng.uniform(0.5, 3)), seed=seed, dpi=200,
                     tilt=float(rng.uniform(-9, 9)), lean=float(rng.uniform(-0.02, 0.02)))


@kind
def photograph(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), keystone=float(rng.uniform(0.02, 0.12)), seed=seed, dpi=250,
                     tilt=float(rng.uniform(-6, 6)), lamp=0.15, margin=12, glare=0.05,
                     bed=float(rng.choice([0.05, 0.25, 0.5])))


@kind
def bands(rng: np.random.Generator, seed: int) -> PlateSpec:
    xs = np.linspace(10, 90, int(rng.integers(5, 8)))
    made = tuple(LaneSpec(float(x), spots(rng), band=7.0) for x in xs)
    return PlateSpec(width=100, origin=8.0, front=80.0, lanes=made, pencil=False, ticks=False,
                     labels=False, dpi=200, seed=seed, light=str(rng.choice(["white", "254"])))


@kind
def tailing(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng, tail=0.7, gap=0.16), seed=seed, dpi=250)


@kind
def dusty(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(lanes=lanes(rng), dust=int(rng.integers(20, 80)), seed=seed, dpi=300,
                     scratches=int(rng.integers(0, 4)))


@kind
def coloured(rng: np.random.Generator, seed: int) -> PlateSpec:
    dyes = [(1.0, 0.3, 0.1), (0.1, 1.0, 0.4), (0.1, 0.4, 1.0), (0.8, 0.8, 0.2)]
    colour = dyes[int(rng.integers(len(dyes)))]
    made = tuple(
        LaneSpec(lane.x, tuple(SpotSpec(s.rf, s.amount, colour=colour) for s in lane.spots))
        for lane in lanes(rng)
    )
    return PlateSpec(lanes=made, seed=seed, dpi=200)


@kind
def motley(rng: np.random.Generator, seed: int) -> PlateSpec:
    """Spots of different colours on one plate."""
    dyes = [(1.0, 0.3, 0.1), (0.1, 1.0, 0.4), (0.1, 0.4, 1.0), (0.8, 0.8, 0.2)]
    made = tuple(
        LaneSpec(lane.x, tuple(
            SpotSpec(s.rf, s.amount + 0.3, colour=dyes[int(rng.integers(len(dyes)))])
            for s in lane.spots))
        for lane in lanes(rng)
    )
    return PlateSpec(lanes=made, seed=seed, dpi=200)


@kind
def empty(rng: np.random.Generator, seed: int) -> PlateSpec:
    xs = np.linspace(9, 41, 4)
    return PlateSpec(lanes=tuple(LaneSpec(float(x), ()) for x in xs), seed=seed, dpi=200,
                     light=str(rng.choice(["white", "254", "366"])),
                     dust=int(rng.choice([0, 20])))


@kind
def crowded(rng: np.random.Generator, seed: int) -> PlateSpec:
    return PlateSpec(width=100, lanes=lanes(rng, count=12, width=100, faint=0.2), seed=seed,
                     dpi=200)


@kind
def overlapping(rng: np.random.Generator, seed: int) -> PlateSpec:
    """One pair a lane, resolution 0.5 to 1.5, widths differing by up to 30 %, heights unequal."""
    run, made = 74.0, []
    for x in np.linspace(9.0, 41.0, 4):
        ratio = float(np.exp(rng.uniform(-np.log(1.3), np.log(1.3))))
        low = float(rng.uniform(1.8, 2.4))
        rf = float(rng.uniform(0.2, 0.6))
        apart = float(rng.uniform(0.5, 1.5)) * low * (1.0 + ratio) / 1.18
        amount, minor = float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.15, 0.5))
        shares = (minor, 1.0 - minor) if rng.random() < 0.5 else (1.0 - minor, minor)
        made.append(LaneSpec(float(x), (
            SpotSpec(rf, amount * shares[0], width=low),
            SpotSpec(rf + apart / run, amount * shares[1], width=low * ratio))))
    return PlateSpec(lanes=tuple(made), origin=10.0, front=84.0, seed=seed, dpi=300,
                     light=str(rng.choice(["white", "254"])))


@kind
def broad(rng: np.random.Generator, seed: int) -> PlateSpec:
    """Spots 4 to 7 mm wide at half height, which hide most of the layer; one a lane is weak."""
    made = []
    for x in (10.0, 23.0, 36.0):
        width = float(rng.uniform(4.0, 7.0))
        amounts = width**2 * rng.permutation([0.56, 0.36, float(rng.uniform(0.028, 0.084))])
        rfs = np.array([0.2, 0.5, 0.8]) + rng.uniform(-0.03, 0.03, 3)
        made.append(LaneSpec(x, tuple(SpotSpec(float(rf), float(amount), width=width)
                                      for rf, amount in zip(rfs, amounts, strict=True))))
    return PlateSpec(lanes=tuple(made), width=46.0, height=100.0, origin=12.0, front=88.0,
                     seed=seed, dpi=200, light=str(rng.choice(["white", "254"])))

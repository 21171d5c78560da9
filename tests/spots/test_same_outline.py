"""Two substances have one outline across their lane; slices of one misshapen spot need not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes.spots import split
from lanes.spots.choose import Search
from lanes.spots.cross_profile import CrossProfile, length_cost
from lanes.spots.deconvolve import deconvolve
from lanes.spots.misshapen import several_misshapen_rss
from lanes.spots.model import Peak, Problem, Solution
from lanes.spots.same_outline import unlike_across
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.spots.split import _held, without_tails
from lanes.spots.strip_shape import Strips
from lanes.trace.noise import Noise
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]
STEP = 0.15
X = np.arange(-2.0, 77.0, STEP)
ACROSS = np.arange(-5.0, 5.01, STEP)
SD = 0.02
U, T = X[:, None] - 40.0, ACROSS[None, :]
NOISE = Noise(SD * STEP * np.sqrt(ACROSS.size), np.ones(1), STEP, "clean layer")


def bell(at: float, aside: float = 0.0, across: float = 1.2) -> Floats:
    """Return a round spot's picture, 1 high, its sigma along the lane 1 mm."""
    return np.asarray(np.exp(-0.5 * ((U - at) ** 2 + ((T - aside) / across) ** 2)))


def sheet(image: Floats, seed: int = 0) -> Sheet:
    noisy = image + np.random.default_rng(seed).normal(0, SD, image.shape)
    return Sheet(ACROSS, noisy.astype(np.float32))


def count(image: Floats) -> int:
    seen = sheet(image)
    fit = deconvolve(X, seen.values.sum(axis=1, dtype=float) * STEP, noise=NOISE, shapes=ASSUMED,
                     sheet=seen)
    return len(fit.components)


def unlike(image: Floats, apart: float) -> float:
    near = np.abs(X - 40.0) < 12.0
    x = X[near]
    strips = Strips(x, (x - 40.0) / 1.4, np.ones(x.size), sheet(image).strips()[near],
                    np.ones((x.size, 1)), NOISE)
    return unlike_across(strips, (Peak(40.0, 1.0, 1.0), Peak(40.0 + apart, 1.0, 1.0)))


def test_two_of_one_outline_cost_nothing() -> None:
    assert unlike(bell(0.0) + 0.5 * bell(2.2), 2.2) < 0.5


def test_a_shift_or_another_width_costs_what_two_standard_deviations_more_do() -> None:
    # 0.6 mm aside of the patch's sigma, strips' own width in it; two may differ by 0.14 of that.
    shift = 0.6 / np.sqrt(1.2**2 + 0.3**2 + 1.1**2 / 12)
    assert unlike(bell(0.0) + bell(2.2, aside=0.6), 2.2) == pytest.approx(
        (shift / 0.1414) ** 2 - 2, rel=0.25)
    assert unlike(bell(0.0) + bell(2.2, across=2.0), 2.2) > 4.0


def test_noise_is_no_difference() -> None:
    assert unlike(0.1 * (bell(0.0) + bell(2.2)), 2.2) < 3.0


@pytest.mark.parametrize(("aside", "found"), [(0.0, 2), (1.2, 1)])
def test_a_patch_whose_ends_lie_beside_each_other_is_one(aside: float, found: int) -> None:
    assert count(bell(0.0) + 0.5 * bell(2.3, aside)) == found


def test_a_comet_is_one() -> None:
    behind = np.clip(-U, 0.0, None)
    narrow = 1.2 * np.exp(-behind / 6.0)
    tail = 0.4 * np.exp(-0.5 * (T / narrow) ** 2 - behind / 2.5) / (1.0 + np.exp(U / 0.3))
    assert count(np.maximum(bell(0.0), tail)) == 1


def test_each_of_several_is_as_long_as_the_plates_spots_for_its_width() -> None:
    profile = CrossProfile(np.array([0.0, 5.0]), np.array([1.0, 0.0]), 1.0, 0.0)
    bands = replace(ASSUMED, length=-0.5)
    round_ones = (Peak(0.0, 1.0, 1.0), Peak(2.0, 3.0, 1.0))
    assert length_cost(round_ones, profile, ASSUMED) == 0.0
    assert length_cost(round_ones, profile, bands) == pytest.approx(4.0)  # in 0.25, their scatter
    slices = (Peak(0.0, 1.0, np.exp(-0.5)), Peak(2.0, 1.0, np.exp(-0.25)))
    assert length_cost(slices, profile, ASSUMED) == pytest.approx(1.5**2)


def test_a_tail_and_a_neighbour_without_a_valley_are_not_both_claimed() -> None:
    merged = (Peak(0.0, 1.0, 1.0, 0.8), Peak(2.0, 1.0, 1.0))
    plain = without_tails(merged)
    assert [p.tau for p in plain] == [0.0, 0.0]
    assert plain[0].centre == pytest.approx(merged[0].component().mean)
    assert plain[0].sigma == pytest.approx(np.hypot(1.0, 0.8))
    apart = (Peak(0.0, 1.0, 1.0, 0.8), Peak(9.0, 1.0, 1.0))
    assert without_tails(apart) == apart


def test_squares_below_the_noise_count_no_more_than_the_noise_allows() -> None:
    """100 samples: twice the likelihood's logarithm by the squares, where they are noise."""
    def deviance(rss: float) -> float:
        return 100.0 * float(np.log(_held(rss, 100) / 100.0))

    assert deviance(50.0) - deviance(40.0) == pytest.approx(10.0)
    assert deviance(200.0) - deviance(100.0) == pytest.approx(100.0 * np.log(2.0))


def test_what_has_no_area_is_no_part_of_a_spot() -> None:
    near = object.__new__(Search)._near
    spot = Peak(0.0, 1.0, 1.0)
    assert near((spot, Peak(1.5, 1.0, 1.0)), 0) == 2
    assert near((spot, Peak(1.5, -1.0, 1.0)), 0) == 1

def lump(at: float, lean: float, power: float, height: float) -> Floats:
    """Return a spot's picture whose two halves are unlike and whose top is flat or sharp."""
    along = 1.3 * np.exp(0.5 * np.where(at < U, lean, -lean))
    return np.asarray(height * np.exp(-0.5 * np.hypot((U - at) / along, T / 1.4) ** (2 * power)))


def ring() -> Floats:
    radius = np.hypot(U, T)
    return np.asarray(np.exp(-0.5 * ((radius - 2.4) / 0.6) ** 2))


@pytest.mark.parametrize(("image", "asked"), [
    (lump(0.0, 0.3, 1.4, 1.0) + lump(4.0, -0.3, 1.2, 0.6), True), (ring(), False)],
    ids=["two lumps", "a ring"])
def test_divided_by_a_valley_each_may_be_as_misshapen_as_the_one(
    image: Floats, asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def kept(problem: Problem, several: Solution, at: int, count: int, doubt: ShapeDoubt) -> float:
        left = several_misshapen_rss(problem, several, at, count, doubt)
        seen.append((left, several.rss, problem.x.size))
        return left

    monkeypatch.setattr(split, "several_misshapen_rss", kept)
    assert count(image) == (2 if asked else 1)
    assert bool(seen) == asked
    for left, gaussian, samples in seen:
        assert left < 0.8 * gaussian
        assert left < 1.5 * samples

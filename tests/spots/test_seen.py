"""Spots seen on the plate: taken up where the trace agrees, left out where it does not."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit_lane import fit_lane
from lanes.spots.model import Peak
from lanes.spots.seen import SeenPlace, add_seen, only_confirmed
from lanes.spots.shape_terms import ASSUMED
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

X = np.arange(0.0, 60.0, 0.1)
SD, WAVE = 0.01, 1.5  # noise as long as the spots are wide: what hides them in a trace


def noise() -> Noise:
    lag = 0.1 * np.arange(80)
    return Noise(SD, np.exp(-0.25 * (lag / WAVE) ** 2), 0.1, "clean layer")


def lane(seed: int, *spots: tuple[float, float]) -> tuple[Trace, np.ndarray]:
    """Return a lane of `spots` (place, height), all of sigma 1.2, and its signal."""
    rng = np.random.default_rng(seed)
    kernel = np.exp(-0.5 * (0.1 * np.arange(-60, 61) / WAVE) ** 2)
    waves = np.convolve(rng.standard_normal(X.size + 120), kernel, "valid")
    y = SD * waves / np.sqrt(np.sum(kernel**2))
    for place, height in spots:
        y = y + height * np.exp(-0.5 * ((X - place) / 1.2) ** 2)
    ones = np.ones(X.size)
    return Trace(X, y, ones > 0, ones, 60.0, None, None, 0 * X, 0 * X), y


def read(seed: int, spots: tuple, places: tuple) -> list[float]:
    trace, flat = lane(seed, *spots)
    fit, held, _ = fit_lane(trace, flat, noise(), mm=1.0)
    fit = add_seen(trace, flat, fit, held, places, mm=1.0)
    return [c.centre for c in fit.components]


@pytest.mark.parametrize("seed", range(3))
def test_a_weak_spot_is_read_where_it_was_seen(seed: int) -> None:
    spots = ((20.0, 1.0), (40.0, 4.0 * SD))
    assert len(read(seed, spots, ())) == 1
    found = read(seed, spots, (SeenPlace(40.0, 1.2),))
    assert found == pytest.approx([20.0, 40.0], abs=1.0)


@pytest.mark.parametrize("seed", range(3))
def test_what_the_trace_does_not_show_is_not_read(seed: int) -> None:
    assert len(read(seed, ((20.0, 1.0),), (SeenPlace(40.0, 1.2),))) == 1
    # Nor what it shows of quite another width.
    assert len(read(seed, ((20.0, 1.0), (40.0, 4.0 * SD)), (SeenPlace(40.0, 0.3),))) == 1


def test_the_surer_the_plate_the_less_the_trace_has_to_show() -> None:
    # Its area is 1.2 of its standard deviations: too little beside a plate that shows just enough.
    spots = ((20.0, 1.0), (40.0, 1.6 * SD))
    counts = [len(read(2, spots, (SeenPlace(40.0, 1.2, excess),))) for excess in (-1.0, 0.0, 2.0)]
    assert counts == [1, 1, 2]


def test_no_place_lies_under_pencil() -> None:
    trace, flat = lane(0, (20.0, 1.0), (40.0, 0.1))
    hidden = Trace(X, flat, np.abs(X - 40.0) > 4.0, trace.gain, 60.0, None, None, 0 * X, 0 * X)
    fit, held, _ = fit_lane(hidden, flat, noise(), mm=1.0)
    assert add_seen(hidden, flat, fit, held, (SeenPlace(40.0, 1.2),), mm=1.0) is fit


@pytest.mark.parametrize(("height", "left"), [(0.5 * SD, [20.0]), (8.0 * SD, [20.0, 40.0])])
def test_what_stands_alone_has_an_area_above_nothing(height: float, left: list[float]) -> None:
    trace, _ = lane(1)
    # As the noise is on average: the doubt of it counts, not one draw.
    flat = sum(h * np.exp(-0.5 * ((X - at) / 1.2) ** 2) for at, h in ((20.0, 1.0), (40.0, height)))
    start = (Peak(20.0, 3.0, 1.2), Peak(40.0, 3.0 * height, 1.2))
    fit = deconvolve(X, flat, noise=noise(), start=start)
    assert len(fit.components) == 2
    fit = only_confirmed(trace, flat, fit, noise(), mm=1.0)
    assert [c.centre for c in fit.components] == pytest.approx(left, abs=1.0)


def test_a_lane_may_be_left_empty() -> None:
    trace, flat = lane(2)
    fit = deconvolve(X, flat, noise=noise(), start=(Peak(30.0, 0.5 * SD, 1.2),))
    assert not only_confirmed(trace, flat, fit, noise(), mm=1.0).components


def test_an_area_shared_with_a_neighbour_says_nothing_of_there_being_two() -> None:
    trace, flat = lane(1, (20.0, 1.0), (21.0, 0.2))
    start = (Peak(20.0, 3.0, 1.2), Peak(21.2, 0.5, 1.2))
    fit = deconvolve(X, flat, noise=noise(), start=start)
    assert only_confirmed(trace, flat, fit, noise(), mm=1.0) is fit


@pytest.mark.parametrize(("height", "left"), [(0.1, [33.0]), (3.0, [29.5, 33.0])])
def test_what_a_strong_spots_shape_may_leave_beside_it_is_no_spot(
    height: float, left: list[float]
) -> None:
    # Both stand far out of the noise; a Gaussian has 0.5 of 40 left there, and no spot is one.
    rng = np.random.default_rng(0)
    y = SD * rng.standard_normal(X.size) + 40.0 * np.exp(-0.5 * ((X - 33.0) / 1.1) ** 2)
    y += height * np.exp(-0.5 * ((X - 29.5) / 0.5) ** 2)
    ones = np.ones(X.size)
    trace = Trace(X, y, ones > 0, ones, 60.0, None, None, 0 * X, 0 * X)
    white = Noise(SD, ones[:1], 0.1, "clean layer")
    fit = deconvolve(X, y, noise=white, start=(Peak(29.5, 1.25 * height, 0.5),
                                               Peak(33.0, 110.0, 1.1)), shapes=ASSUMED)
    kept = only_confirmed(trace, y, fit, white, mm=1.0, shapes=ASSUMED)
    assert [c.centre for c in kept.components] == pytest.approx(left, abs=0.3)

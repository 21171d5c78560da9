"""What a spot's profile across its lane says of how many it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from lanes.spots.cross_profile import CrossProfile, cross_profile, sliced
from lanes.spots.deconvolve import deconvolve
from lanes.spots.model import Peak, valley
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.trace.noise import Noise
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]
STEP = 0.15
X = np.arange(-2.0, 77.0, STEP)
ACROSS = np.arange(-5.0, 5.01, STEP)
SD = 0.001
U, T = X[:, None] - 40.0, ACROSS[None, :]


def blurred(image: Floats) -> Floats:
    return np.asarray(gaussian_filter(image, 0.3 / STEP))


def spot(along: float, across: float, at: float = 0.0) -> Floats:
    return np.asarray(np.exp(-0.5 * (((U - at) / along) ** 2 + (T / across) ** 2)))


DISC = blurred((np.hypot(U, T) < 2.0).astype(float))
RING = blurred((np.abs(np.hypot(U, T) - 1.6) < 0.5).astype(float))
PAIR = spot(1.0, 1.0) + 0.33 * spot(1.0, 1.0, 3.0)
USABLE = np.ones(X.size, bool)


def count(
    image: Floats, seen: bool, seed: int = 1, shapes: ShapeDoubt = ASSUMED, sd: float = SD
) -> int:
    """Return how many components are found, the lane seen in two dimensions or not."""
    noise = Noise(sd * STEP * np.sqrt(ACROSS.size), np.ones(1), STEP, "clean layer")
    values = (image + np.random.default_rng(seed).normal(0, sd, image.shape)).astype(np.float32)
    fit = deconvolve(X, values.sum(axis=1, dtype=float) * STEP, noise=noise, shapes=shapes,
                     sheet=Sheet(ACROSS, values) if seen else None)
    return len(fit.components)


def of(image: Floats, sigma: float = 1.0) -> CrossProfile | None:
    sheet = Sheet(ACROSS, image.astype(np.float32))
    return cross_profile(sheet, X, USABLE, Peak(40.0, 1.0, sigma), ())


def test_what_one_strip_alone_shows_has_no_width() -> None:
    assert of(spot(1.0, 1.0) * (np.abs(T) < 0.5 * STEP)) is None  # blocks of heavy compression


@pytest.mark.parametrize("image", [DISC, RING], ids=["disc", "ring"])
def test_a_disc_and_a_ring_are_one_where_they_are_seen_across(image: Floats) -> None:
    assert count(image, seen=True) == 1


@pytest.mark.parametrize("length", [0.0, -0.42])
@pytest.mark.parametrize("radius", [1.5, 2.0, 2.5])
def test_a_disc_with_hard_edges_is_one_though_narrow_peaks_at_its_sides_fit_it_best(
    radius: float, length: float
) -> None:
    """Such peaks have a valley between them, which the trace does not show."""
    disc = (np.hypot(U / radius, T / (0.8 * radius)) < 1.0).astype(float)
    assert count(disc, seen=True, shapes=replace(ASSUMED, length=length), sd=0.002) == 1


def test_a_ring_that_is_not_seen_across_may_be_two_and_a_disc_is_one() -> None:
    assert count(RING, seen=False) > 1
    assert count(DISC, seen=False) == 1


def test_a_pair_of_round_spots_stays_two() -> None:
    assert count(PAIR, seen=True) == 2


def test_it_is_the_profile_across() -> None:
    found = of(spot(1.0, 1.2))
    assert found is not None
    assert found.sigma == pytest.approx(1.2, rel=0.01)
    np.testing.assert_allclose(found.at(X - 40.0), np.exp(-0.5 * (U[:, 0] / 1.2) ** 2), atol=0.01)
    assert found.uneven < 0.002


def test_what_the_lane_cuts_off_or_is_a_band_has_none() -> None:
    assert of(np.repeat(spot(1.0, 1.0)[:, ACROSS.size // 2][:, None], ACROSS.size, 1)) is None
    assert of(spot(0.6, 1.8), 0.6) is None


def test_a_hollow_flank_is_no_error() -> None:
    """The layer may read below nothing between a spot and a neighbour within the lane's side."""
    image = spot(1.0, 0.9)
    image -= 0.05 * (np.abs(np.abs(T) - 2.8) < 0.5) * spot(1.0, 50.0)
    image += 0.3 * (np.abs(np.abs(T) - 4.1) < 0.5) * spot(1.0, 50.0)
    found = of(image)
    assert found is not None
    assert found.sigma == pytest.approx(0.9, rel=0.1)


def test_slices_are_short_and_make_a_round_patch() -> None:
    around = of(spot(1.0, 1.0))
    assert around is not None
    thin = tuple(Peak(at, 1.0, 0.5) for at in (39.1, 40.0, 40.9))
    assert sliced(thin, around, ASSUMED)
    assert not sliced(thin, around, replace(ASSUMED, length=-0.5))  # on a plate of bands
    assert not sliced((Peak(39.0, 1.0, 1.0), Peak(41.0, 1.0, 1.0)), around, ASSUMED)


def test_the_valley_of_equal_gaussians() -> None:
    """Two equal Gaussians show one maximum until they are two sigmas apart (closed form)."""
    assert valley((Peak(0.0, 1.0, 1.0), Peak(1.9, 1.0, 1.0)), 0.0, 1.9) == pytest.approx(1.0)
    far = valley((Peak(0.0, 1.0, 1.0), Peak(4.0, 1.0, 1.0)), 0.0, 4.0)
    assert far == pytest.approx(2.0 * np.exp(-2.0) / (1.0 + np.exp(-8.0)), rel=0.01)

"""The clean layer's surface: what it keeps, what it smooths, and what it is under a spot."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from drawn import plate, squared
from numpy.typing import NDArray

from lanes.draw import draw
from lanes.plate.layer import CELL_MM, CUTOFF_MM, mask_marks, smooth_layer
from lanes.plate.planes import coarsen
from lanes.scan.transfer import srgb_to_linear

MM = 0.25
STEP = round(CELL_MM / MM)  # samples along the side of a cell
BARE: dict[str, Any] = {"pencil": False, "ticks": False, "labels": False}


def surface(image: Any, clean: Any, mm: float = MM) -> NDArray[np.float32]:
    return smooth_layer(image, clean, mm).on(image.shape, mm)


def hidden(shape: tuple[int, int], *boxes: tuple[slice, slice]) -> NDArray[np.bool_]:
    clean = np.ones(shape, bool)
    for box in boxes:
        clean[box] = False
    return clean


@pytest.mark.parametrize("mm", [0.1, 0.25, 0.5])
def test_an_even_layer_stays_even(mm: float) -> None:
    image = np.full((163, 121), 0.83)
    clean = hidden(image.shape, np.s_[41:80, 33:71])
    np.testing.assert_allclose(surface(image, clean, mm), 0.83, rtol=2e-6)


def test_a_plane_is_reproduced_also_where_it_is_hidden() -> None:
    # Cells wholly hidden or wholly seen: nothing but rounding (the samples are single precision).
    rows, columns = np.indices((40 * STEP, 30 * STEP))
    image = 0.8 + 1e-3 * columns - 5e-4 * rows
    clean = hidden(image.shape, np.s_[10 * STEP: 22 * STEP, 8 * STEP: 20 * STEP])
    np.testing.assert_allclose(surface(image, clean), image, atol=5e-7)


def test_a_plane_with_cells_half_hidden_is_good_to_a_percent_of_its_fall() -> None:
    rows, columns = np.indices((163, 121))
    image = 0.8 + 1e-3 * columns - 5e-4 * rows
    clean = hidden(image.shape, np.s_[41:79, 30:71])
    assert np.abs(surface(image, clean) - image).max() < 0.01 * np.ptp(image)


@pytest.mark.parametrize(
    ("wavelength", "low", "high"),
    # Half-power: response 1/(1 + (cutoff/wavelength)^4), so 1/17, 1/2, 16/17.
    [(0.5 * CUTOFF_MM, 0.04, 0.08), (CUTOFF_MM, 0.45, 0.55), (2 * CUTOFF_MM, 0.90, 0.96)],
)
def test_waves_pass_by_their_length(wavelength: float, low: float, high: float) -> None:
    y = np.arange(400) * MM
    wave = np.broadcast_to(np.sin(2 * np.pi * y / wavelength)[:, None], (400, 120))
    seen = surface(wave, np.ones(wave.shape, bool))
    middle = np.s_[100:300, 60]
    share = float((seen[middle] * wave[middle]).sum() / np.square(wave[middle]).sum())
    assert low < share < high


def test_hardly_a_clean_sample_is_still_a_surface() -> None:
    clean = np.zeros((80, 60), bool)
    clean[10, 10] = clean[60, 40] = clean[70, 5] = True
    seen = surface(np.full(clean.shape, 0.7), clean)
    assert np.isfinite(seen).all()
    assert seen[10, 10] == pytest.approx(0.7, abs=0.01)


@pytest.mark.parametrize("light", ["white", "254"])
@pytest.mark.parametrize("seed", [0, 1])
def test_the_layer_under_the_spots(light: str, seed: int) -> None:
    """The plate without its spots, grain and noise is the truth, a lamp of 10 % included."""
    drawn = {"lamp": 0.1, "light": light, "seed": seed, **BARE}
    image, grid = squared(draw(plate(**drawn)))
    bare_plate, _ = squared(draw(plate(**drawn, lanes=(), grain=0, noise=0)))
    coarse, step = coarsen(image, grid)
    truth, _ = coarsen(bare_plate, grid)
    mm = step * grid.mm
    edge = np.ones(coarse.shape, bool)
    edge[5:-5, 5:-5] = False
    bare, layer = mask_marks(coarse, mm, edge)
    off = layer.on(coarse.shape, mm) / truth - 1
    spots = ~bare & ~edge
    assert 0.1 < spots.mean() < 0.6
    # Mottle of 0.6 % and a few mm is finer than the surface can follow under a spot.
    assert np.sqrt(np.square(off[spots]).mean()) < 0.006
    assert np.abs(off[spots]).max() < 0.02
    # What is not called bare holds the spots whole.
    depth = 1 - coarse / truth
    assert bare[depth > 0.05].mean() == 0


def test_a_plate_without_marks_is_mostly_bare() -> None:
    image, grid = squared(draw(plate(lanes=(), mottle=0, **BARE)))
    coarse, step = coarsen(image, grid)
    edge = np.ones(coarse.shape, bool)
    edge[5:-5, 5:-5] = False
    bare, _ = mask_marks(coarse, step * grid.mm, edge)
    assert bare[~edge].mean() > 0.8  # some grain passes for a mark, and a margin with it


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_layer_is_found_where_broad_spots_hide_most_of_it(sign: float) -> None:
    """Twelve spots 7 mm wide at half height, a lamp that falls off by 15 %, and grain."""
    y, x = MM * (np.indices((320, 184)) + 0.5)
    lamp = 0.8 * (1.0 - 0.15 * ((x - 10.0) / 46.0) ** 2)
    depth = sum(height * np.exp(-0.5 * ((x - u) ** 2 + (y - v) ** 2) / 3.0**2)
                for u in (10.0, 23.0, 36.0)
                for v, height in ((13.0, 0.3), (31.0, 0.5), (49.0, 0.03), (67.0, 0.4)))
    rng = np.random.default_rng(5)
    grain = 0.004 * rng.standard_normal(x.shape)
    image = np.asarray(lamp * (1.0 + sign * depth + grain), np.float32)
    assert np.mean(depth > 0.01) > 0.5
    bare, layer = mask_marks(image, MM)
    assert bare.mean() > 0.15
    off = layer.on(image.shape, MM) / lamp - 1.0
    assert np.sqrt(np.mean(off**2)) < 0.004


@pytest.mark.parametrize("fall", [3.0, 10.0, 25.0])
def test_a_lamp_in_whole_codes_without_grain_is_one_layer(fall: float) -> None:
    """Drawn pictures have no grain: their lamp falls in flat stairs, and no stair is a mark."""
    y, x = MM * (np.indices((400, 240)) + 0.5)
    codes = np.round(240.0 + fall * (0.5 - y / 100.0))
    layer = np.asarray(srgb_to_linear(codes / 255.0), np.float32)
    disc = np.hypot(x - 30.0, y - 60.0) < 4.0
    bare, surface = mask_marks(np.where(disc, np.float32(0.1), layer), MM)
    assert not bare[disc].any()
    assert bare[~disc].mean() > 0.9
    off = surface.on(layer.shape, MM) / layer - 1.0
    assert np.abs(off).max() < 0.01  # a code is 0.9 % there

"""Dust, scratches and pencil are found and bridged; spots are not touched."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from drawn import XS, plate, scan_of
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.plate.thin import BESIDE_MM, BLEND_MM, thin_matter, without_thin

Light = NDArray[np.float32]
EVEN: dict[str, Any] = {
    "lamp": 0, "mottle": 0, "margin": 0, "blur": 0.03, "pencil": False, "ticks": False,
    "labels": False,
}


def seen(dpi: float, **changes: Any) -> tuple[Light, float]:
    """Return light at one sample a pixel, and the spacing in mm."""
    spec = plate(dpi=dpi, **{**EVEN, **changes})
    return scan_of(draw(spec)).light("mean"), 25.4 / dpi


def depth(dpi: float, **marks: Any) -> Light:
    """Return how much of the light `marks` take, without grain or noise."""
    with_marks, _ = seen(dpi, grain=0, noise=0, **marks)
    without, _ = seen(dpi, grain=0, noise=0)
    return 1 - with_marks / without


@pytest.mark.parametrize("dpi", [150, 200, 300])
@pytest.mark.parametrize(
    ("marks", "most"),
    [({"dust": 25}, 0.006), ({"scratches": 5}, 0.04), ({"pencil": True, "ticks": True}, 0.06)],
    ids=["dust", "scratches", "pencil"],
)
def test_marks_are_found(dpi: float, marks: dict[str, Any], most: float) -> None:
    light, mm = seen(dpi, **marks)
    found = thin_matter(light, mm)
    real = depth(dpi, **marks) > 0.15
    assert real.any()
    assert found[real].mean() > 0.98
    # A margin round each mark goes too, but not much of the plate.
    assert found.mean() < most


@pytest.mark.parametrize("dpi", [150, 200, 300])
def test_spots_are_no_thin_matter(dpi: float) -> None:
    light, mm = seen(dpi)
    assert not thin_matter(light, mm).any()


@pytest.mark.parametrize("dpi", [150, 200])
def test_spots_under_254_nm_are_no_thin_matter(dpi: float) -> None:
    image, mm = seen(dpi, light="254")
    assert not thin_matter(image, mm).any()


@pytest.mark.parametrize("dpi", [150, 300])
def test_small_round_spots_are_no_thin_matter(dpi: float) -> None:
    # 1.2 mm at half height: as small as an applied spot gets (common practice).
    spots = (SpotSpec(0.2, 1.0, width=1.2, across=1.2), SpotSpec(0.6, 0.3, width=1.2, across=1.2))
    image, mm = seen(dpi, lanes=tuple(LaneSpec(x, spots) for x in XS))
    assert not thin_matter(image, mm).any()


@pytest.mark.parametrize("mm", [0.085, 0.1, 0.127, 0.143])
def test_a_narrow_band_is_none_and_a_stroke_is(mm: float) -> None:
    """The least width of a spot is one length, however finely a plate is sampled.

    A sprayed band is 1 mm high, a soft pencil's stroke half as much (both common practice). Bands
    are dark, or glow.
    """
    y, x = np.meshgrid(*(np.arange(0.0, 24.0, mm),) * 2, indexing="ij")
    grain = np.random.default_rng(6).standard_normal(y.shape)
    layer = 0.7 * (1 + 0.004 * grain)
    in_lane = ndimage.gaussian_filter((np.abs(x - 12.0) < 4.0).astype(float), 0.3 / mm)
    band = in_lane * np.exp(-4.0 * np.log(2.0) * ((y - 6.0) / 0.95) ** 2)
    for share in (-0.4, 0.4):
        assert not thin_matter((layer * (1 + share * band)).astype(np.float32), mm).any()
    # Each sample holds what of it the stroke covers.
    covered = np.clip((0.25 - np.abs(y - 16.0 - 0.02 * x)) / mm + 0.5, 0.0, 1.0)
    found = thin_matter((layer * (1 - 0.4 * band) * (1 - 0.25 * covered)).astype(np.float32), mm)
    assert found[covered > 0.9].mean() > 0.97
    assert not found[np.abs(y - 16.0 - 0.02 * x) > 0.8].any()


def compressed(image: Light, quality: int) -> Light:
    """Return light as a compressed photograph carries it."""
    held = io.BytesIO()
    code = np.rint(255 * np.clip(image, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    Image.fromarray(code).save(held, "JPEG", quality=quality)
    return np.asarray((np.asarray(Image.open(held), np.float32) / 255) ** 2.2, np.float32)


def test_a_circle_round_a_spot_is_masked_and_the_spot_is_not() -> None:
    rng = np.random.default_rng(3)
    mm = 0.08
    y, x = np.mgrid[:375, :375] * mm
    r = np.hypot(x - 15, y - 15)
    layer = 0.75 * (1 + 0.006 * rng.standard_normal(r.shape)) * (1 - 0.4 * np.exp(-r**2 / 2.4))
    ring = np.clip(1.25 - np.abs(r - 3.2) / 0.25, 0, 1)  # 0.5 mm of pencil, its edge blurred
    light = compressed((layer * (1 - 0.35 * ring)).astype(np.float32), 85)
    found = thin_matter(light, mm)
    assert found[ring > 0.9].mean() > 0.98
    # The code's blocks, 0.64 mm wide, ring round the stroke.
    assert not found[(r < 1.6) | (r > 4.3)].any()
    assert found.mean() < 2.5 * (ring > 0.1).mean()
    mended = without_thin(light, found, mm)
    near = r < 4.5
    assert np.abs(mended[near] / layer[near] - 1).max() < 0.12
    assert np.abs(light[near] / layer[near] - 1).max() > 0.3


@pytest.mark.parametrize("peak", [0.2, 0.4, 0.7])
def test_layer_between_a_spot_and_the_circle_round_it_is_no_bright_matter(peak: float) -> None:
    """A ring of layer 0.7 mm wide stands out brighter than both; a scratch in the spot is one."""
    mm = 0.08
    y, x = np.mgrid[:250, :250] * mm - 10.0
    r = np.hypot(x, y)
    layer = 0.75 * (1 + 0.006 * np.random.default_rng(4).standard_normal(r.shape))
    spot = 1 - peak * np.exp(-0.5 * (r / 0.8) ** 2)
    ring = np.clip(1.3 - np.abs(r - 2.1) / 0.14, 0, 1)
    light = (layer * spot * (1 - 0.4 * ring)).astype(np.float32)
    found = thin_matter(light, mm)
    assert found[ring > 0.9].mean() > 0.95
    assert not found[r < 1.6].any()
    scratched = np.where((np.abs(y - 0.2) < 0.12) & (r < 1.0), 0.85, light).astype(np.float32)
    assert thin_matter(scratched, mm)[(np.abs(y - 0.2) < 0.08) & (r < 0.9)].mean() > 0.9


@pytest.mark.parametrize("quality", [35, 60, 85])
def test_grain_of_a_compressed_layer_is_no_thin_matter(quality: int) -> None:
    rng = np.random.default_rng(5)
    mottle = ndimage.gaussian_filter(rng.standard_normal((400, 400)), 12) * 12
    layer = 0.7 * (1 + 0.01 * rng.standard_normal(mottle.shape) + 0.01 * mottle)
    light = compressed(layer.astype(np.float32), quality)
    found = thin_matter(light, 0.09)
    assert found.mean() < 0.001
    light[200:205, 50:350] *= 0.8
    assert thin_matter(light, 0.09)[200:205, 50:350].mean() > 0.95


def test_the_middle_of_a_cross_is_masked_with_it() -> None:
    mm = 0.1
    y, x = np.mgrid[-40:41, -40:41] * mm
    arm = (np.abs(np.abs(x) - np.abs(y)) < 0.25) & (np.hypot(x, y) < 1.8)
    light = np.where(arm, 0.5, 0.75).astype(np.float32)
    found = thin_matter(ndimage.gaussian_filter(light, 1.0), mm)
    assert found[arm].mean() > 0.97
    assert not found[np.hypot(x, y) > 2.6].any()


def test_bridging_brings_the_layer_back() -> None:
    clean, mm = seen(200)
    marked, _ = seen(200, dust=25, scratches=3)
    found = thin_matter(marked, mm)
    mended = without_thin(marked, found, mm)
    off = np.abs(mended / clean - 1)
    before = np.abs(marked / clean - 1)
    assert np.quantile(before, 0.999) > 0.2
    assert np.quantile(off, 0.999) < 0.015
    np.testing.assert_array_equal(mended[~found], marked[~found])


def test_without_thin_matter_the_light_is_what_it_was() -> None:
    light, mm = seen(150)
    nothing = np.zeros(light.shape, bool)
    np.testing.assert_array_equal(without_thin(light, nothing, mm), light)


def test_the_light_given_is_not_changed() -> None:
    light, mm = seen(150, dust=25)
    before = light.copy()
    light.setflags(write=False)
    without_thin(light, thin_matter(light, mm), mm)
    np.testing.assert_array_equal(light, before)


def test_a_line_is_bridged_in_stretches_as_it_would_be_whole() -> None:
    mm = 0.1
    light = np.random.default_rng(5).uniform(0.5, 0.9, (150, 230)).astype(np.float32)
    thin = np.zeros(light.shape, bool)
    for column in range(230):  # one line, leaning and longer than a tile, to the plate's rim
        thin[70 + column // 40: 73 + column // 40, column] = True
    reach = round(BESIDE_MM / mm)
    box = slice(70 - reach, 73 + 5 + reach)  # its whole surroundings at once
    keep = (~thin[box]).astype(np.float32)
    whole = ndimage.gaussian_filter(keep * light[box], BLEND_MM / mm)
    whole /= ndimage.gaussian_filter(keep, BLEND_MM / mm)
    mended = without_thin(light, thin, mm)
    np.testing.assert_allclose(mended[thin], whole[thin[box]], rtol=1e-6)
    np.testing.assert_array_equal(mended[~thin], light[~thin])

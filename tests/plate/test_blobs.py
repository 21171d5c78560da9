"""Blobs of drawn plates: every spot, in any colour and of either sign; none where there is none."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from drawn import SPOTS, XS, layout_of, plate, scan_of
from scipy import ndimage

from lanes.draw import LaneSpec, SpotSpec, draw
from lanes.plate.blobs import blobs_between, is_lighter
from lanes.plate.channel import choose_channel
from lanes.plate.flood import flood
from lanes.plate.layout import Blob
from lanes.plate.locate import locate
from lanes.plate.planes import planes_of
from lanes.plate.standing_out import _noise
from lanes.scan.scan import Scan
from lanes.settings import Settings


def blobs(scan: Scan, drawing: Any) -> tuple[Blob, ...]:
    layout = layout_of(drawing)
    return blobs_between(planes_of(scan, layout), layout)


def turned_over(scan: Scan) -> Scan:
    """Return the scan with what is darker than the layer lighter by as much."""
    codes = scan.codes.astype(float)
    layer = np.median(codes, axis=(0, 1))
    return replace(scan, codes=np.clip(2 * layer - codes, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("light", ["white", "254", "366"])
def test_every_spot_is_a_blob_at_its_place(light: str) -> None:
    drawing = draw(plate(light=light))
    found = [b for b in blobs(scan_of(drawing), drawing) if b.lighter == (light == "366")]
    assert len(found) == len(XS) * len(SPOTS)
    places = sorted((x, 8 + 42 * s.rf) for x in XS for s in SPOTS)
    for blob, (x, y) in zip(sorted(found, key=lambda b: (round(b.x), b.y)), places, strict=True):
        assert (blob.x, blob.y) == pytest.approx((x, y), abs=0.3)
        assert 1.5 < min(blob.width, blob.height) < max(blob.width, blob.height) < 4.5


@pytest.mark.parametrize("light", ["white", "254"])
def test_a_blank_plate_holds_hardly_any(light: str) -> None:
    """One in twenty is stated: of four plates, more than one alarm is a defect (p = 0.02)."""
    count = 0
    for seed in range(4):
        drawing = draw(plate(light=light, seed=seed, lanes=tuple(LaneSpec(x) for x in XS)))
        count += len(blobs(scan_of(drawing), drawing))
    assert count <= 1


def test_a_weak_spot_is_seen_between_strong_broad_ones() -> None:
    """What the filters leave about a strong spot is no noise of the layer."""
    strong, weak = (SpotSpec(rf, 3.0, width=5.0) for rf in (0.15, 0.85)), SpotSpec(0.5, 0.3, 4.5)
    lower, upper = strong
    for seed in range(3):
        drawing = draw(plate(seed=seed, lanes=(
            LaneSpec(XS[0], (lower, upper)), LaneSpec(XS[1], (lower, weak, upper)),
            LaneSpec(XS[2], (lower, upper)))))
        found = [b for b in blobs(scan_of(drawing), drawing) if not b.lighter]
        assert len(found) == 7
        assert min(abs(b.x - XS[1]) + abs(b.y - 29.0) for b in found) < 0.5


def mottled(scan: Scan, seed: int) -> Scan:
    """Return the scan with an uneven layer: waves of 0.4, 1.2 and 3 mm."""
    rng, (rows, columns) = np.random.default_rng(seed), scan.codes.shape[:2]
    waves = np.zeros((rows, columns))
    for step, sd in ((4, 0.015), (12, 0.008), (30, 0.005)):
        coarse = rng.normal(0.0, sd, (rows // step + 2, columns // step + 2))
        waves += ndimage.zoom(coarse, step, order=1)[:rows, :columns]
    codes = scan.codes * (1.0 + waves[..., None])
    return replace(scan, codes=np.clip(codes, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("seed", range(3))
def test_broad_spots_on_an_uneven_layer_are_not_its_noise(seed: int) -> None:
    """What the filters leave about many strong spots hid every one of them."""
    strong = tuple(SpotSpec(rf, 3.0, width=5.0) for rf in (0.15, 0.85))
    drawing = draw(plate(seed=seed, lanes=tuple(LaneSpec(x, strong) for x in XS)))
    found = [b for b in blobs(mottled(scan_of(drawing), seed), drawing) if not b.lighter]
    assert len(found) == 6


def test_lighter_spots_are_found_and_marked_as_lighter() -> None:
    drawing = draw(plate(pencil=False, ticks=False, labels=False, margin=0,
                         lanes=tuple(LaneSpec(x, (SpotSpec(0.3, 0.12), SpotSpec(0.6, 0.12)))
                                     for x in XS)))
    dark = blobs(scan_of(drawing), drawing)
    light = blobs(turned_over(scan_of(drawing)), drawing)
    assert not is_lighter(dark, "auto")
    assert is_lighter(light, "auto")
    assert is_lighter(dark, "light")
    assert not is_lighter(light, "dark")
    assert len([b for b in light if b.lighter]) == len([b for b in dark if not b.lighter]) == 6


def test_many_places_of_noise_do_not_make_spots_lighter() -> None:
    def blob(strength: float, lighter: bool) -> Blob:
        return Blob(0.0, 0.0, 2.0, 2.0, strength, lighter, (), {"mean": strength})

    dark = tuple(blob(z, False) for z in (50.0, 25.0, 10.0))
    assert not is_lighter((*dark, *(blob(4.7, True) for _ in range(20))), "auto")
    assert is_lighter((*dark, *(blob(50.0, True) for _ in range(5))), "auto")


def test_noise_in_some_blocks_only_is_seen() -> None:
    """Half the median deviation of such a picture is nothing; a spot's side is not its noise."""
    rng = np.random.default_rng(3)
    grain = rng.standard_normal((1, 20000)) * (np.arange(20000) % 5 == 0)
    assert 1.4826 * np.median(np.abs(grain)) == 0.0
    assert _noise(grain)[0] > 0.5
    plain = rng.standard_normal((1, 20000))
    assert _noise(plain)[0] == pytest.approx(1.0, abs=0.03)
    plain[0, :1500] += 50.0
    assert _noise(plain)[0] == pytest.approx(1.1, abs=0.1)


def test_a_spot_of_one_colour_is_seen_beside_heavy_ones_of_another() -> None:
    """An orange spot is nearly the layer's own red, and stands out in blue."""
    orange = SpotSpec(0.7, 0.5, colour=(0.02, 0.3, 1.0))
    violet = SpotSpec(0.3, 2.0, colour=(1.0, 1.0, 0.2))
    drawing = draw(plate(lanes=tuple(LaneSpec(x, (violet, orange)) for x in XS)))
    found = blobs(scan_of(drawing), drawing)
    assert len(found) == 6
    chosen = choose_channel(scan_of(drawing), layout_of(drawing), Settings(), "white")
    assert chosen in ("blue", "green", "mean")
    weak = [b for b in found if b.y > 30]
    assert all(b.seen["blue"] > 5 * max(b.seen["red"], 1.0) for b in weak)


@pytest.mark.parametrize("dpi", [100, 150, 300])
def test_the_size_of_the_picture_does_not_change_the_channel(dpi: int) -> None:
    colours = ((0.1, 0.5, 1.0), (1.0, 0.5, 0.1), (0.6, 0.6, 0.6))
    lanes = tuple(LaneSpec(x, tuple(SpotSpec(rf, 1.0, colour=c)
                                    for rf, c in zip((0.2, 0.5, 0.8), colours, strict=True)))
                  for x in XS)
    drawing = draw(plate(lanes=lanes, dpi=dpi))
    chosen = choose_channel(scan_of(drawing), layout_of(drawing), Settings(), "white")
    assert chosen == "mean"


def test_two_hills_are_two_only_where_the_saddle_is_deep() -> None:
    x, y = np.meshgrid(np.arange(60.0), np.arange(30.0))

    def hills(apart: float) -> int:
        height = sum(np.exp(-0.5 * ((x - 30 - s * apart / 2) ** 2 + (y - 15) ** 2) / 16)
                     for s in (-1, 1))
        return len(flood(height, height > 0.1, 0.05)[1])

    # Equal Gaussians show a saddle from two sigma on; at three it lies at 0.65 of the tops.
    assert [hills(apart) for apart in (0.0, 4.0, 7.0, 12.0, 16.0)] == [1, 1, 1, 2, 2]


def test_a_band_across_the_plate_is_one_blob_as_wide_as_it_is() -> None:
    """A preparative plate: what is applied along a line of 60 mm runs as bands of 60 mm."""
    drawing = draw(plate(width=80, labels=False, ticks=False, lanes=(
        LaneSpec(40.0, (SpotSpec(0.3, 40.0), SpotSpec(0.6, 25.0)), band=60.0),)))
    found = blobs(scan_of(drawing), drawing)
    assert len(found) == 2
    for blob in found:
        assert blob.x == pytest.approx(40.0, abs=1.0)
        assert blob.width == pytest.approx(60.0, rel=0.1)  # by a Gaussian's cut: 7 % short
    layout = locate(scan_of(drawing), Settings())
    assert [lane.x for lane in layout.lanes] == pytest.approx([40.0], abs=1.0)

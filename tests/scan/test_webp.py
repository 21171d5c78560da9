"""The steps in which a WebP keeps luma and colour, as its own header says."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lanes.scan.webp import webp_step

PICTURE = np.random.default_rng(3).integers(0, 255, (96, 80, 3)).astype(np.uint8)
LUMA, COLOUR = 255 / 219, 255 / 224


def packed(picture: Any = PICTURE, **how: Any) -> bytes:
    file = BytesIO()
    Image.fromarray(picture).save(file, format="WEBP", **how)
    return file.getvalue()


@pytest.mark.parametrize("picture", [PICTURE, np.full_like(PICTURE, 180)])
def test_the_ends_of_its_scale_are_the_standards(picture: Any) -> None:
    """RFC 6386, section 14.1: 157 at index 127, 4 at 0, and colour's no more than 132."""
    coarsest = webp_step(packed(picture, quality=0))
    assert coarsest is not None
    assert coarsest.block_mean == pytest.approx(LUMA * 157 / 32)
    assert coarsest.codes == pytest.approx(COLOUR * 132 / 8)
    assert (coarsest.side_px, coarsest.luma_px) == (8, 16)
    finest = webp_step(packed(picture, quality=100))  # 4 is less than a code of luma
    assert finest is not None
    assert finest.block_mean == pytest.approx(LUMA)
    assert finest.codes == pytest.approx(COLOUR)


def test_steps_are_finer_in_a_better_file() -> None:
    steps = [webp_step(packed(quality=quality)) for quality in (5, 30, 60, 90)]
    codes = [step.codes for step in steps if step is not None]
    assert len(codes) == 4
    assert all(np.diff(codes) < 0)


@pytest.mark.parametrize("quality", [50, 75, 90])
@pytest.mark.parametrize("method", [0, 6])
def test_a_flat_layer_departs_by_about_as_much(quality: int, method: int) -> None:
    """Rounding leaves 1 / sqrt(12) of a step where the layer changes by a few, in every block."""
    y, x = np.indices((240, 240))
    layer = 200.0 + 6.0 * np.sin(x / 60.0) + 5.0 * np.cos(y / 50.0)
    picture = np.rint(np.repeat(layer[..., None], 3, axis=2)).astype(np.uint8)
    file = packed(picture, quality=quality, method=method)
    step = webp_step(file)
    assert step is not None
    back = np.asarray(Image.open(BytesIO(file)).convert("RGB"), float).mean(axis=2)
    off = (back - picture[..., 0]).reshape(30, 8, 30, 8).mean(axis=(1, 3)).std()
    rounded = np.hypot(step.block_mean, 1.0) / 12**0.5
    assert 0.5 * rounded < off < 1.5 * rounded


def test_a_lossless_one_has_none_and_other_chunks_are_passed_over() -> None:
    assert webp_step(packed(lossless=True)) is None
    alone = webp_step(packed(quality=50))
    assert webp_step(packed(quality=50, icc_profile=b"x" * 33)) == alone
    film = packed(quality=50, save_all=True, append_images=[Image.fromarray(255 - PICTURE)])
    assert b"ANMF" in film
    assert webp_step(film) is not None

"""What is guessed of a picture that was compressed before it came into its file."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from lanes.scan.blocks import hidden_step, mean_step
from lanes.scan.scan import read_scan


def plate(grain: float) -> NDArray[np.uint8]:
    """A layer that hardly changes, a line and a few spots: its blocks' means keep close."""
    y, x = np.indices((480, 360))
    layer = 230.0 - 8.0 * ((x / 360 - 0.3) ** 2 + (y / 480 - 0.6) ** 2)
    for row, column, deep in ((120, 90, 60.0), (260, 180, 25.0), (350, 280, 90.0)):
        layer -= deep * np.exp(-0.5 * ((y - row) ** 2 + (x - column) ** 2) / 9.0**2)
    layer -= 80.0 * np.exp(-0.5 * ((y - 410) / 1.5) ** 2)
    layer += np.random.default_rng(2).normal(0, grain, layer.shape)
    return np.clip(np.rint(np.stack([layer, layer - 20, layer - 30], axis=2)), 0, 255).astype(
        np.uint8)


def through_jpeg(picture: NDArray[np.uint8], **how: Any) -> tuple[NDArray[np.uint8], float]:
    """Return the picture as unpacked, and its own table's first entry in codes."""
    file = BytesIO()
    Image.fromarray(picture).save(file, format="JPEG", **how)
    image: Any = Image.open(file)
    return np.asarray(image.convert("RGB")), image.quantization[0][0] / 8


@pytest.mark.parametrize("grain", [0.0, 0.4, 1.5])
@pytest.mark.parametrize("quality", [40, 50, 75])
@pytest.mark.parametrize("cut", [(0, 0), (3, 5)])
def test_the_step_is_found_where_the_layer_is_nearly_flat(
    grain: float, quality: int, cut: tuple[int, int]
) -> None:
    unpacked, step = through_jpeg(plate(grain), quality=quality)
    found = mean_step(unpacked[cut[0]:, cut[1]:])
    assert found == pytest.approx(step, rel=0.15)
    hidden = hidden_step(unpacked[cut[0]:, cut[1]:])
    assert hidden is not None
    assert hidden.block_mean == pytest.approx(step, rel=0.15)


@pytest.mark.parametrize("grain", [0.0, 0.4, 1.5, 4.0])
def test_a_picture_that_was_not_compressed_hides_none(grain: float) -> None:
    assert hidden_step(plate(grain)) is None


@pytest.mark.parametrize("kind", ["png", "tif", "bmp"])
def test_a_jpeg_saved_anew_is_read_with_its_steps(kind: str, tmp_path: Path) -> None:
    unpacked, step = through_jpeg(plate(0.4), quality=50)
    path = tmp_path / f"again.{kind}"
    Image.fromarray(unpacked).save(path)
    found = read_scan(path).colour_step
    assert found is not None
    assert found.block_mean == pytest.approx(step, rel=0.15)
    Image.fromarray(plate(0.4)).save(path)
    assert read_scan(path).colour_step is None

"""Steps of colour that a JPEG makes are no spots; what exceeds them, or shows in luma, is one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn import layout_of, plate
from PIL import Image

from lanes.draw import draw
from lanes.plate.blobs import blobs_between
from lanes.plate.chroma import is_colour_step
from lanes.plate.layout import Blob
from lanes.plate.planes import Planes, planes_of
from lanes.scan.pixels import ColourStep
from lanes.scan.scan import Scan, read_scan

LAYER = np.array([0.75, 0.77, 0.73])


@pytest.fixture(scope="module")
def compressed(tmp_path_factory: pytest.TempPathFactory) -> Scan:
    path = tmp_path_factory.mktemp("chroma") / "plate.jpg"
    pixels = draw(plate()).pixels
    image = Image.fromarray(pixels if pixels.ndim == 3 else np.stack([pixels] * 3, axis=2))
    image.save(path, quality=60, subsampling="4:2:0")
    return read_scan(path, dpi=150)


@pytest.fixture(scope="module")
def planes(compressed: Scan) -> Planes:
    return planes_of(compressed, layout_of(draw(plate())))


def blob(depth: tuple[float, float, float], wide: float) -> Blob:
    return Blob(10.0, 20.0, wide, wide, 6.0, False, depth, {})


def test_the_step_and_block_are_read_from_the_file(compressed: Scan) -> None:
    """ITU-T T.81, table K.2: 17 at quality 50; four fifths of it at 60. Eighths are kept."""
    assert compressed.colour_step is not None
    assert compressed.colour_step.codes == pytest.approx(14 / 8, abs=0.01)
    assert compressed.colour_step.side_px == 16
    assert compressed.colour_step.block_mean == 13 / 8
    assert compressed.colour_step.luma == 2.0  # table K.1: 16; two whole codes are nearest 13 / 8


@pytest.mark.parametrize(
    ("depth", "blocks", "step"),
    [((0.0, 0.004, -0.025), 1.0, True), ((0.0, 0.004, -0.025), 8.0, True),
     ((0.0, 0.008, -0.08), 1.0, True), ((0.0, 0.008, -0.08), 8.0, False),
     ((0.0, 0.0, -0.12), 1.0, False), ((-0.03, -0.03, -0.03), 1.0, False),
     ((-0.04, 0.02, 0.0), 1.0, True), ((-0.12, 0.05, 0.0), 1.0, False),
     # Luma's own step at quality 60 is 1.6 codes.
     ((-0.016, -0.016, -0.016), 1.0, True), ((-0.016, -0.016, -0.016), 8.0, True),
     ((-0.019, -0.019, -0.019), 1.0, True), ((-0.019, -0.019, -0.019), 8.0, True),
     ((-0.026, -0.026, -0.026), 8.0, False)],
)
def test_one_step_is_no_spot(
    planes: Planes, depth: tuple[float, float, float], blocks: float, step: bool
) -> None:
    layout = layout_of(draw(plate()))
    wide = blocks * 16 * 25.4 / 150
    assert is_colour_step(blob(depth, wide), LAYER, planes, layout) is step
    # Another file keeps colours as they are.
    assert not is_colour_step(blob(depth, wide), LAYER, replace(planes, colour_step=None), layout)


@pytest.mark.parametrize(("block_mean", "depth", "step"), [
    (1.0, -0.0115, True), (0.625, -0.0115, True), (1.0, -0.02, False), (0.375, -0.0115, False)])
def test_a_block_without_grain_shows_in_whole_codes(
    planes: Planes, block_mean: float, depth: float, step: bool
) -> None:
    """1.15 and 2 codes, in a file that keeps a block's mean in steps about as large or finer."""
    seen = replace(planes, colour_step=ColourStep(1.0, 16, 1.0, block_mean))
    two_blocks = blob((depth,) * 3, 16 * 25.4 / 150)
    assert is_colour_step(two_blocks, LAYER, seen, layout_of(draw(plate()))) is step


@pytest.mark.parametrize("grey", [False, True])
def test_a_layer_kept_in_few_codes_shows_no_spots(grey: bool, tmp_path: Path) -> None:
    """Its mottle, 0.6 %, is less than the step: blocks of the next code are no spots."""
    drawing = draw(plate(seed=1))
    image = Image.fromarray(drawing.pixels)
    image.convert("L" if grey else "RGB").save(tmp_path / "plate.jpg", quality=60)
    planes = planes_of(read_scan(tmp_path / "plate.jpg", dpi=150), layout_of(drawing))
    found = [b for b in blobs_between(planes, layout_of(drawing)) if not b.lighter]
    assert len(found) == sum(len(lane.spots) for lane in drawing.spec.lanes)


def test_drawn_spots_are_left(planes: Planes) -> None:
    drawing = draw(plate())
    found = [b for b in blobs_between(planes, layout_of(drawing)) if not b.lighter]
    assert len(found) == sum(len(lane.spots) for lane in drawing.spec.lanes)


def test_steps_of_a_grey_file_make_no_lanes(tmp_path: Path) -> None:
    """Quality 50, and a layer whose slow waves cross a step of two codes here and there."""
    codes = np.asarray(draw(plate()).pixels, float)
    codes = codes if codes.ndim == 2 else codes.mean(axis=2)
    y, x = np.indices(codes.shape)
    codes += 0.8 * np.sin(x / 23.0) * np.sin(y / 31.0)
    path = tmp_path / "grey.jpg"
    Image.fromarray(np.clip(np.rint(codes), 0, 255).astype(np.uint8)).save(path, quality=50)
    scan = read_scan(path, dpi=150)
    assert scan.colour_step is not None
    assert scan.colour_step.luma == pytest.approx(2.0, abs=0.01)
    drawing = draw(plate())
    layout = layout_of(drawing)
    found = [b for b in blobs_between(planes_of(scan, layout), layout) if not b.lighter]
    assert len(found) == sum(len(lane.spots) for lane in drawing.spec.lanes)

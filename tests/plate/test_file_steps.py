"""What a file's own steps leave in a trace is no spot; grain above a step loses none for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from plain import FRONT, LANES, SPOTS, Spot, codes, kept

import lanes
from lanes.measuring import prepare
from lanes.settings import Settings


def read(path: Path, dpi: float) -> dict[int, list[float]]:
    """Return the Rf of the spots that are listed, by which of `LANES` they are in; -1 in none."""
    found: dict[int, list[float]] = {}
    for lane in lanes.measure(path, light="white", dpi=dpi, picture=False).lanes:
        assert lane.x_mm is not None
        off = np.abs(np.array(LANES) - lane.x_mm)
        where = int(off.argmin()) if off.min() < 2.0 else -1
        found.setdefault(where, []).extend(spot.rf for spot in lane.spots)
    return found


def drawn(spots: tuple[Spot, ...]) -> dict[int, list[float]]:
    return {i: [s.rf for s in spots if s.lane == i] for i in range(len(LANES))}


@pytest.mark.parametrize(("layer", "dpi", "grain", "lamp", "kind", "how"), [
    ("grey", 150.0, 0.0, 0.15, "jpg", {"quality": 60}),
    ("grey", 300.0, 0.4, 0.15, "jpg", {"quality": 75}),
    ("pink", 150.0, 0.0, 0.05, "jpg", {"quality": 50}),
    ("blue", 200.0, 0.0, 0.05, "jpg", {"quality": 60}),
    ("blue", 300.0, 0.0, 0.2, "jpg", {"quality": 75}),
    ("pink", 150.0, 0.0, 0.1, "webp", {"quality": 50}),
    ("grey", 200.0, 0.4, 0.1, "webp", {"quality": 50}),
    ("blue", 200.0, 0.4, 0.1, "webp", {"quality": 80}),
])
def test_steps_of_a_smooth_layer_are_no_spots_and_no_lanes(
    layer: str, dpi: float, grain: float, lamp: float, kind: str, how: dict[str, Any],
    tmp_path: Path,
) -> None:
    picture = codes(layer, dpi, grain=grain, lamp=lamp)
    found = read(kept(picture, tmp_path / f"plate.{kind}", dpi, **how), dpi)
    true = drawn(SPOTS)
    assert found.keys() <= true.keys()
    for where, spots in found.items():
        assert spots == pytest.approx(true[where], abs=0.01)
    assert {0, 1} <= found.keys()


@pytest.mark.parametrize(("layer", "dpi", "grain", "kind", "how"), [
    ("grey", 300.0, 0.4, "jpg", {"quality": 75}),
    ("pink", 150.0, 0.0, "jpg", {"quality": 50}),
    ("pink", 300.0, 0.4, "webp", {"quality": 75}),
    ("blue", 200.0, 0.0, "webp", {"quality": 75}),
])
def test_nor_where_it_was_saved_anew(
    layer: str, dpi: float, grain: float, kind: str, how: dict[str, Any], tmp_path: Path
) -> None:
    first = kept(codes(layer, dpi, grain=grain), tmp_path / f"first.{kind}", dpi, **how)
    with Image.open(first) as image:
        unpacked = np.asarray(image.convert("RGB"))
    found = read(kept(unpacked, tmp_path / "again.png", dpi), dpi)
    true = drawn(SPOTS)
    assert found.keys() <= true.keys()
    for where, spots in found.items():
        assert spots == pytest.approx(true[where], abs=0.01)


@pytest.mark.parametrize(("kind", "how"), [
    ("png", {}), ("tif", {}), ("jpg", {"quality": 95, "subsampling": 0}), ("jpg", {"quality": 85})])
def test_grain_above_a_code_leaves_noise_as_the_layer_shows_it(
    kind: str, how: dict[str, Any], tmp_path: Path
) -> None:
    path = kept(codes(grain=1.5), tmp_path / f"plate.{kind}", **how)
    signal = prepare(path, Settings(light="white", dpi=150.0)).signal
    assert signal.rounding < 0.05 * signal.step


def test_a_spot_of_six_codes_is_read_though_the_file_keeps_one(tmp_path: Path) -> None:
    """Quality 75 keeps a block's mean in whole codes; the layer has no grain to spread them."""
    spots = (*SPOTS, Spot(1, 0.8, 1.2, 0.0075), Spot(2, 0.4, 1.2, 0.0075))
    clean = codes(spots=SPOTS).astype(int)
    assert 4 <= (clean - codes(spots=spots)).max() <= 7
    found = read(kept(codes(spots=spots), tmp_path / "plate.jpg", quality=75), 150.0)
    assert {k: len(v) for k, v in found.items()} == {k: len(v) for k, v in drawn(spots).items()}


@pytest.mark.parametrize(("layer", "first", "last"), [
    ("pink", 3.0, 7.5), ("pink", 0.0, 5.8), ("grey", 35.0, 40.0)])
def test_a_front_ticked_at_one_edge_is_read_beside_waves(
    layer: str, first: float, last: float, tmp_path: Path
) -> None:
    """A stroke of 4.5 to 5.8 mm that rises by a tenth of a millimetre, at quality 80."""
    slope = 0.0356
    picture = codes(layer, grain=0.3, front=(first, last, slope))
    layout = prepare(kept(picture, tmp_path / "plate.jpg", quality=80),
                     Settings(light="white", dpi=150.0)).layout
    middle = 0.5 * (first + last)
    assert float(layout.front.at(middle)) == pytest.approx(FRONT + slope * middle, abs=0.2)

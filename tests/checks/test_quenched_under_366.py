"""Under 366 nm what quenches the glow is told beside what shines, or read where none does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lanes import Reading, measure
from lanes.checks.blobs import other_side
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw
from lanes.plate.layout import Blob, Layout, Line

ORIGIN, FRONT, HEIGHT, DPI = 8.0, 50.0, 60.0, 150
SPOT_MM, LEFT = 1.2, 0.25  # a dark spot's sigma, and what it leaves of the layer's code


def picture(path: Path, shining: dict[float, float], dark: list[tuple[float, float]]) -> Path:
    """Draw lanes at each x of `shining` with one spot at its Rf; dark ones are (x, Rf)."""
    lanes = tuple(LaneSpec(x, (SpotSpec(rf, 2.0),) if rf else ()) for x, rf in shining.items())
    drawing = draw(PlateSpec(width=40, height=HEIGHT, origin=ORIGIN, front=FRONT, dpi=DPI,
                             lanes=lanes, light="366"))
    (x0, y0), *_ = drawing.truth["corners_px"]
    codes, mm = drawing.pixels.astype(float), 25.4 / DPI
    row, column = np.indices(codes.shape[:2])
    for x, rf in dark:
        u = (column - x0) * mm - x
        v = (y0 - row) * mm - (ORIGIN + rf * (FRONT - ORIGIN))
        codes *= 1.0 - (1.0 - LEFT) * np.exp(-0.5 * (u * u + v * v) / SPOT_MM**2)[..., None]
    Image.fromarray(np.rint(codes).astype(np.uint8)).save(path, dpi=(DPI, DPI))
    return path


def rfs(reading: Reading) -> list[list[float]]:
    return [[round(s.rf, 2) for s in lane.spots] for lane in reading.lanes]


def test_dark_spots_are_flagged_however_bright_others_shine(tmp_path: Path) -> None:
    path = picture(tmp_path / "both.png", {10.0: 0.7, 20.0: 0.3, 30.0: 0.6},
                   [(10.0, 0.35), (20.0, 0.62), (30.0, 0.25)])
    reading = measure(path, light="366", dpi=DPI)
    assert rfs(reading) == [[0.7], [0.3], [0.6]]  # a dip in the trace makes no spots beside it
    for lane, rf in zip(reading.lanes, ("0.35 (darker)", "0.62 (darker)", "0.25 (darker)"),
                        strict=True):
        messages = [f.message for f in lane.flags if f.name == "spot-unread"]
        assert len(messages) == 1
        assert rf in messages[0]
        assert messages[0].endswith("; --spots dark reads what is darker")


@pytest.mark.parametrize("spots", ["auto", "dark"])
def test_where_none_shines_dark_spots_are_read(tmp_path: Path, spots: str) -> None:
    path = picture(tmp_path / "dark.png", {10.0: 0.0, 20.0: 0.0, 30.0: 0.0},
                   [(10.0, 0.35), (20.0, 0.62), (30.0, 0.25), (10.0, 0.8)])
    reading = measure(path, light="366", dpi=DPI, spots=spots)
    assert rfs(reading) == [[0.35, 0.8], [0.62], [0.25]]
    (message,) = (f.message for f in reading.flags if f.name == "spots-darker")
    assert ("as was asked" in message) == (spots == "dark")
    assert reading.law == "optical density"


def test_a_blank_plate_under_366_nm_says_nothing_of_dark_spots(tmp_path: Path) -> None:
    path = picture(tmp_path / "blank.png", {10.0: 0.0, 20.0: 0.0, 30.0: 0.0}, [])
    reading = measure(path, light="366", dpi=DPI)
    assert rfs(reading) == [[], [], []]
    assert reading.law == "emission"
    assert "spots-darker" not in [f.name for f in reading.flags]


@pytest.mark.parametrize(("depth", "dark"), [((-0.4, -0.4, -0.4), True), ((0.1, 0.3, -0.4), False)])
def test_only_what_is_darker_in_every_colour_is_dark(
    depth: tuple[float, float, float], dark: bool
) -> None:
    """A yellow spot on a violet layer is darker in blue and lighter in green: it is read."""
    shining = Blob(10.0, 40.0, 2.5, 2.5, 400.0, True, (1.0, 1.0, 1.0), {})
    other = Blob(30.0, 20.0, 2.5, 2.5, 60.0, False, depth, {})
    layout = Layout(40.0, 60.0, True, 1.0, np.zeros((4, 2)), Line((8.0,)), Line((50.0,)),
                    blobs=(shining, other), lighter=True)
    assert bool(other_side(layout)) == dark

"""What must not change a reading: the scan's size, turn, brightness or format, and mirroring."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lanes import Reading, measure
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save

LANES = (
    (10.0, (SpotSpec(0.25, 1.0), SpotSpec(0.6, 0.6))),
    (20.0, (SpotSpec(0.4, 1.2),)),
    (30.0, (SpotSpec(0.2, 0.5), SpotSpec(0.31, 0.8), SpotSpec(0.75, 1.0))),
)


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plate whose lines are level and whose lanes are even about its middle."""
    folder = tmp_path_factory.mktemp("unchanged")
    spec = PlateSpec(width=40, height=60, origin=8, front=50, dpi=200, labels=False,
                     lanes=tuple(LaneSpec(x, spots) for x, spots in LANES))
    save(draw(spec), folder / "plate.png")
    return folder / "plate.png"


@pytest.fixture(scope="module")
def with_its_dpi(scan: Path) -> Reading:
    return measure(scan, light="white", picture=False, dpi=200)


@pytest.fixture(scope="module")
def first(scan: Path) -> Reading:
    reading = measure(scan, light="white", picture=False)
    assert [len(lane.spots) for lane in reading.lanes] == [2, 1, 3]
    return reading


def agree(one: Reading, two: Reading, sds: float = 2.0, mirrored: bool = False) -> None:
    """Assert that the readings agree to within `sds` of the first one's standard deviations."""
    lanes = two.lanes[::-1] if mirrored else two.lanes
    for a, b in zip(one.lanes, lanes, strict=True):
        for p, q in zip(a.spots, b.spots, strict=True):
            assert p.rf_sd is not None
            assert abs(p.rf - q.rf) < sds * p.rf_sd
            if p.area_percent_sd is not None:
                assert abs(p.area_percent - q.area_percent) < sds * p.area_percent_sd


def save_as(scan: Path, folder: Path, change: object, name: str = "other.png",
            dpi: float = 200.0) -> Path:
    with Image.open(scan) as image:
        changed = change(image.convert("RGB"))  # type: ignore[operator]
    path = folder / name
    changed.save(path, dpi=(dpi, dpi))
    return path


@pytest.mark.parametrize("suffix", [".bmp", ".tif", ".webp"])
def test_another_format_without_loss_changes_nothing(
    scan: Path, with_its_dpi: Reading, tmp_path: Path, suffix: str
) -> None:
    with Image.open(scan) as image:
        options = {"lossless": True} if suffix == ".webp" else {"dpi": (200, 200)}
        image.convert("RGB").save(tmp_path / f"other{suffix}", **options)
    other = measure(tmp_path / f"other{suffix}", light="white", picture=False, dpi=200)
    for a, b in zip(with_its_dpi.lanes, other.lanes, strict=True):
        assert [s.rf for s in a.spots] == [s.rf for s in b.spots]
        assert [s.area for s in a.spots] == [s.area for s in b.spots]


@pytest.mark.parametrize(("method", "turn"), [
    (Image.Transpose.ROTATE_90, 270), (Image.Transpose.ROTATE_180, 180),
    (Image.Transpose.ROTATE_270, 90),
])
def test_a_quarter_turn_changes_nothing(
    scan: Path, first: Reading, tmp_path: Path, method: Image.Transpose, turn: int
) -> None:
    path = save_as(scan, tmp_path, lambda image: image.transpose(method))
    agree(first, measure(path, light="white", picture=False, turn=turn), 0.01)


def test_a_mirrored_plate_gives_the_mirrored_reading(
    scan: Path, first: Reading, tmp_path: Path
) -> None:
    path = save_as(scan, tmp_path,
                   lambda image: image.transpose(Image.Transpose.FLIP_LEFT_RIGHT))
    agree(first, measure(path, light="white", picture=False), 0.5, mirrored=True)


@pytest.mark.parametrize("factor", [0.75, 1.5])
def test_another_scale_changes_nothing_that_matters(
    scan: Path, first: Reading, tmp_path: Path, factor: float
) -> None:
    def scaled(image: Image.Image) -> Image.Image:
        size = (round(factor * image.width), round(factor * image.height))
        return image.resize(size, Image.Resampling.BICUBIC)

    path = save_as(scan, tmp_path, scaled, dpi=200 * factor)
    agree(first, measure(path, light="white", picture=False))


@pytest.fixture(scope="module", params=["254", "366"])
def glowing(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
            ) -> tuple[Path, Reading]:
    """Return a plate under either lamp and its reading."""
    light: str = request.param
    path = tmp_path_factory.mktemp("glowing") / "plate.png"
    save(draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=200, labels=False,
                        light=light, bed=0.004 if light == "366" else 0.06,
                        lanes=tuple(LaneSpec(x, spots) for x, spots in LANES))), path)
    return path, measure(path, light=light, picture=False)


@pytest.mark.parametrize("factor", [0.6, 0.8, 1.2])
def test_another_exposure_changes_nothing_that_matters(
    glowing: tuple[Path, Reading], tmp_path: Path, factor: float
) -> None:
    """Quenching is a ratio to the layer's glow, and emission shares a factor: both are free of it.

    (Reflectance is not: Kubelka and Munk's function asks for the layer's own.) Light is scaled in
    linear light (IEC 61966-2-1).
    """
    def exposed(image: Image.Image) -> Image.Image:
        v = np.asarray(image, float) / 255.0
        linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4) * factor
        linear = np.clip(linear, 0.0, 1.0)
        coded = np.where(linear <= 0.0031308, 12.92 * linear,
                         1.055 * linear ** (1 / 2.4) - 0.055)
        return Image.fromarray(np.rint(255.0 * coded).astype(np.uint8))

    plate, first = glowing
    assert first.light is not None
    path = save_as(plate, tmp_path, exposed)
    agree(first, measure(path, light=first.light, picture=False))


def test_a_symmetric_plate_gives_a_symmetric_reading(tmp_path: Path) -> None:
    spots = (SpotSpec(0.25, 1.0), SpotSpec(0.6, 0.6))
    spec = PlateSpec(width=40, height=60, origin=8, front=50, dpi=200, labels=False,
                     lanes=(LaneSpec(12, spots), LaneSpec(28, spots)))
    save(draw(spec), tmp_path / "plate.png")
    with Image.open(tmp_path / "plate.png") as image:
        half = np.asarray(image.convert("RGB"), float)
    both = Image.fromarray(np.rint(0.5 * (half + half[:, ::-1])).astype(np.uint8))
    both.save(tmp_path / "both.png", dpi=(200, 200))
    left, right = measure(tmp_path / "both.png", light="white", picture=False).lanes
    assert left.x_mm is not None
    assert right.x_mm is not None
    assert left.x_mm + right.x_mm == pytest.approx(40, abs=0.4)
    for p, q in zip(left.spots, right.spots, strict=True):
        assert p.rf_sd is not None
        assert p.area_sd is not None
        assert abs(p.rf - q.rf) < 0.5 * p.rf_sd
        assert abs(p.area - q.area) < 0.5 * p.area_sd

"""How a plate was run and scanned: what each remark rests on, and where it keeps silent."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy.fft import dctn, idctn

import lanes
from lanes.checks import run
from lanes.checks.spots import _usual_widths
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.detection_limit import lane_of
from lanes.evidence.laws import under_law
from lanes.measuring import prepare, read_lane
from lanes.plate.layout import Lane
from lanes.reading import LaneReading, Plate
from lanes.scan import blocks as compressed
from lanes.settings import Settings
from lanes.spots.law_doubt import OTHER, percents_under
from lanes.spots.quantities import area_percents

UNEVEN = (SpotSpec(0.2, 0.3), SpotSpec(0.45, 1.8), SpotSpec(0.7, 0.8))
CLOSE = (SpotSpec(0.3, 1.0), SpotSpec(0.37, 0.4), SpotSpec(0.6, 1.5, tail=1.0))


def spec(**changes: Any) -> PlateSpec:
    usual: dict[str, Any] = {
        "width": 40, "height": 60, "origin": 8, "front": 50, "dpi": 150, "seed": 6,
        "lanes": (LaneSpec(12, UNEVEN), LaneSpec(27, CLOSE)),
    }
    return PlateSpec(**{**usual, **changes})


def read(folder: Path, made: PlateSpec, **settings: Any) -> tuple[Plate, list[LaneReading]]:
    save(draw(made), folder / "plate.png")
    plate = prepare(folder / "plate.png", Settings(light=made.light, **settings))
    return plate, [read_lane(plate, lane) for lane in plate.layout.lanes]


def names(reading: lanes.Reading) -> set[str]:
    return {f.name for f in reading.flags} | {f.name for la in reading.lanes for f in la.flags} | {
        f.name for la in reading.lanes for s in la.spots for f in s.flags}


# The law


def fitted_anew(plate: Plate, lane: Lane, reading: LaneReading, i: int) -> float:
    """Return spot `i`'s area percent by the other law, the light turned by it and fitted again."""
    start = lane_of(plate, reading, i)
    fit = under_law(plate, lane, OTHER[plate.signal.law], start, reading.fit)[1]
    return float(area_percents(fit)[0][i])


@pytest.mark.parametrize("light", ["white", "254"])
def test_the_other_law_without_a_fit_agrees_with_the_same_spots_fitted_anew(
    light: str, tmp_path: Path
) -> None:
    """Beside purity's answer: the light turned to signal by the other law, and a new fit."""
    plate, readings = read(tmp_path, spec(light=light))
    law = plate.signal.law
    moved = []
    for lane, reading in zip(plate.layout.lanes, readings, strict=True):
        quick = percents_under(reading.trace, reading.fit, law, OTHER[law], plate.signal.reference)
        assert quick is not None
        assert quick.sum() == pytest.approx(100.0)
        for i, spot in enumerate(reading.spots):
            full = fitted_anew(plate, lane, reading, i)
            # Where spots overlap the new fit parts them anew, by some tenths of a percent.
            assert quick[i] == pytest.approx(full, abs=0.5)
            moved.append(abs(full - spot.area_percent))
    assert max(moved) > 2.0  # there was something to foretell


def test_what_an_uneven_dark_spot_gains_by_another_law_is_predicted() -> None:
    """The demo's darkest spot: its samples reach further than its smooth fit, and the law bends."""
    plate = prepare(Path(__file__).parents[2] / "fixtures" / "demo.png",
                    Settings(light="254", names=("SM", "co", "rxn", "prod")))
    lane = plate.layout.lanes[2]
    reading = read_lane(plate, lane)
    law = plate.signal.law
    quick = percents_under(reading.trace, reading.fit, law, OTHER[law], plate.signal.reference)
    full = fitted_anew(plate, lane, reading, 1)
    assert quick is not None
    assert quick[1] == pytest.approx(full, abs=0.3)
    # The interval takes the other law in, as `lanes purity` prints it.
    spot = reading.spots[1]
    assert spot.area_percent + 1.96 * spot.area_percent_sd > full


def test_law_matters_where_the_spots_differ_and_not_where_they_are_alike(tmp_path: Path) -> None:
    same = (SpotSpec(0.25, 1.0, width=2.2), SpotSpec(0.5, 1.0, width=2.2),
            SpotSpec(0.75, 1.0, width=2.2))
    save(draw(spec(lanes=(LaneSpec(12, UNEVEN), LaneSpec(27, same)))), tmp_path / "plate.png")
    reading = lanes.measure(tmp_path / "plate.png", light="white", picture=False)
    found = [f.message for f in reading.flags if f.name == "law-matters"]
    assert len(found) == 1  # once a plate, and it names the lane
    assert found[0].startswith("in lane 1: the spot at Rf ")
    assert "by optical density it would hold about" in found[0]
    assert not any(f.name == "law-matters" for lane in reading.lanes for f in lane.flags)


def test_emission_has_no_other_law(tmp_path: Path) -> None:
    save(draw(spec(light="366")), tmp_path / "plate.png")
    assert "law-matters" not in names(
        lanes.measure(tmp_path / "plate.png", light="366", picture=False))


# JPEG

# Luminance table K.1 of ITU-T T.81, annex K (from memory).
K1 = np.array([
    [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55],
    [14, 13, 16, 24, 40, 57, 69, 56], [14, 17, 22, 29, 51, 87, 80, 62],
    [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99]], float)


def layer(rows: int = 320, columns: int = 280) -> np.ndarray[Any, np.dtype[np.uint8]]:
    rng = np.random.default_rng(5)
    return np.rint(rng.normal(225, 2.0, (rows, columns, 1))).astype(np.uint8)


@pytest.mark.parametrize("scale", [0.2, 0.5, 1.0])
def test_blocks_made_by_the_standards_own_steps_show(scale: float) -> None:
    codes = layer()
    blocks = codes[:, :, 0].astype(float).reshape(40, 8, 35, 8).swapaxes(1, 2) - 128.0
    table = K1 * scale
    kept = table * np.rint(dctn(blocks, axes=(2, 3), norm="ortho") / table)
    back = idctn(kept, axes=(2, 3), norm="ortho").swapaxes(1, 2).reshape(320, 280) + 128.0
    coded = np.clip(np.rint(back), 0, 255).astype(np.uint8)[:, :, None]
    assert compressed.blockiness(codes) < 1.05
    assert compressed.blockiness(coded) > compressed.BLOCKY
    # Cropped anywhere, turned: still there.
    assert compressed.blockiness(np.rot90(coded[5:, 3:])) > compressed.BLOCKY


@pytest.mark.parametrize("quality", [90, 75, 50])
def test_blocks_of_a_jpeg_written_by_a_library_show(quality: int) -> None:
    # At 95 a grain of two codes comes through whole, and there is nothing to report.
    stream = io.BytesIO()
    Image.fromarray(layer()[:, :, 0]).save(stream, "JPEG", quality=quality)
    codes = np.asarray(Image.open(stream))[:, :, None]
    assert compressed.blockiness(codes) > compressed.BLOCKY


@pytest.mark.parametrize("quality", [95, 85, 75, 65, 50, 30])
def test_the_step_of_blocks_means_is_read_from_the_picture(quality: int) -> None:
    # A layer of two codes' grain under a lamp that falls off, as every photograph has it.
    lit = layer(320, 280)[:, :, 0] - np.linspace(0.0, 30.0, 280)[None, :]
    stream = io.BytesIO()
    Image.fromarray(np.rint(np.repeat(lit[:, :, None], 3, axis=2)).astype(np.uint8)).save(
        stream, "JPEG", quality=quality)
    picture = Image.open(stream)
    step = picture.quantization[0][0] / 8.0  # the file's own table
    found = compressed.mean_step(np.asarray(picture)[5:, 3:])
    assert found == step if step > compressed.MEAN_STEP else found <= step


def test_blocks_of_one_mean_do_not_show_their_step() -> None:
    assert math.isinf(compressed.mean_step(np.full((160, 160, 1), 200, np.uint8)))


def test_stripes_one_way_and_blank_pictures_are_no_blocks() -> None:
    striped = layer().astype(int)
    striped[:, ::8] += 6
    assert compressed.blockiness(striped) < 1.05
    assert compressed.blockiness(np.full((200, 200, 3), 7, np.uint8)) == 1.0
    assert compressed.blockiness(layer(60, 200)) == 1.0  # too little to judge


# Where it keeps silent


def test_without_a_scale_no_length_is_judged(tmp_path: Path) -> None:
    low = spec(origin=3.5, front=57, labels=False)
    picture = Image.fromarray(draw(low).pixels)
    picture.save(tmp_path / "bare.png")
    picture.save(tmp_path / "scaled.png", dpi=(150, 150))
    wanted = {"front-near-edge", "origin-low"}
    scaled = names(lanes.measure(tmp_path / "scaled.png", light="white", picture=False))
    bare = names(lanes.measure(tmp_path / "bare.png", light="white", picture=False))
    assert wanted <= scaled
    assert wanted & bare == set()
    assert "scale-unknown" in bare


def test_without_a_bed_no_edge_is_judged(tmp_path: Path) -> None:
    """A picture cropped to the layer does not show where the plate ends."""
    save(draw(spec(front=57, margin=0)), tmp_path / "plate.png")
    found = names(lanes.measure(tmp_path / "plate.png", light="white", picture=False))
    assert "bed-unseen" in found
    assert "front-near-edge" not in found


def test_a_stated_size_is_believed(tmp_path: Path) -> None:
    wide = tuple(SpotSpec(rf, 2.0, width=4.6) for rf in (0.3, 0.6))
    made = spec(lanes=(LaneSpec(12, wide), LaneSpec(27, wide)))
    picture = Image.fromarray(draw(made).pixels)
    picture.save(tmp_path / "plate.png", dpi=(96, 96))
    doubted = lanes.measure(tmp_path / "plate.png", light="white", picture=False)
    assert "scale-implausible" in names(doubted)
    stated = lanes.measure(tmp_path / "plate.png", light="white", picture=False, plate_width=40.0)
    assert "scale-implausible" not in names(stated)


def test_a_traces_reading_is_left_alone(trace: Path) -> None:
    assert names(lanes.measure(trace, origin=0.0, front=75.0)) <= {"noise-from-residuals"}


def test_a_weak_spot_is_no_judge_of_the_solvent(tmp_path: Path) -> None:
    _, readings = read(tmp_path, spec(lanes=(LaneSpec(12, (SpotSpec(0.1, 1.0),)),)))
    assert [f.name for f in run.solvent_remarks(readings)] == ["solvent-weak"]
    spot = readings[0].spots[0]
    weak = replace(spot, flags=(lanes.Flag("weak", "faint"),))
    assert run.solvent_remarks([replace(readings[0], spots=(weak,))]) == ()


def test_an_rf_on_the_bound_is_inside(tmp_path: Path) -> None:
    _, readings = read(tmp_path, spec(lanes=(LaneSpec(12, (SpotSpec(0.5, 1.0),)),)))
    spot = readings[0].spots[0]

    def remarks(*rf: float) -> list[str]:
        spots = tuple(replace(spot, rf=r) for r in rf)
        return [f.name for f in run.solvent_remarks([replace(readings[0], spots=spots)])]

    assert remarks(0.2) == remarks(0.8) == remarks(0.1, 0.2) == []
    assert remarks(0.199) == ["solvent-weak"]
    assert remarks(0.801) == ["solvent-strong"]
    assert remarks(0.199, 0.801) == ["rf-outside"]


def test_a_reading_keeps_the_remarks_it_had(tmp_path: Path) -> None:
    made = spec(lanes=(LaneSpec(12, (SpotSpec(0.0, 1.0),)), LaneSpec(27, (SpotSpec(0.1, 1.0),))))
    plate, readings = read(tmp_path, made)
    measured = lanes.measure(tmp_path / "plate.png", light="white", picture=False)
    assert [f.name for f in measured.flags] == [*(f.name for f in plate.flags), "solvent-weak"]
    for before, after in zip(readings, measured.lanes, strict=True):
        assert [s.flags for s in after.spots] == [s.flags for s in before.spots]
    assert "at-origin" in names(measured)


def test_no_width_is_usual_where_the_line_through_all_falls_below_nothing() -> None:
    """Widths squared that rise steeply with Rf leave less than nothing at the lowest."""
    def component(rf: float) -> SimpleNamespace:
        return SimpleNamespace(centre=10.0 * rf)

    rfs = (0.1, 0.5, 0.6, 0.7, 0.8, 0.9)
    spots = [SimpleNamespace(rf=rf, width_mm=math.sqrt(max(rf - 0.4, 0.05))) for rf in rfs]
    lane: Any = SimpleNamespace(
        spots=spots, fit=SimpleNamespace(components=list(map(component, rfs)), merged=()),
        trace=SimpleNamespace(run=10.0))
    (usual,) = _usual_widths([lane])
    assert np.isnan(usual[0])
    assert (usual[1:] > 0.0).all()

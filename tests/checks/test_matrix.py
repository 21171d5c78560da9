"""Each plate check is raised by a plate that deserves it, and by no plate run with care."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from faults import NAMES, raised
from PIL import Image, ImageDraw

import lanes
from lanes.checks.plate_checks import check_plate
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import prepare, read_lane
from lanes.settings import Settings

Picture = Image.Image
SPOTS = (SpotSpec(0.25, 1.0), SpotSpec(0.5, 1.0), SpotSpec(0.75, 1.0))
XS = (9.0, 20.0, 31.0)

def plate(*spots: SpotSpec, xs: tuple[float, ...] = XS, **changes: Any) -> PlateSpec:
    usual: dict[str, Any] = {
        "width": 40, "height": 60, "origin": 8, "front": 50, "dpi": 150, "seed": 3,
        "lanes": tuple(LaneSpec(x, spots or SPOTS) for x in xs),
    }
    return PlateSpec(**{**usual, **changes})


def one_among(*spots: SpotSpec) -> PlateSpec:
    """Return a plate of which only the last lane differs."""
    usual = plate()
    return replace(usual, lanes=(*usual.lanes[:2], LaneSpec(XS[2], spots)))


def brighter(by: float) -> Callable[[Picture], Picture]:
    return lambda image: image.point([min(255, int(v * by)) for v in range(256)] * 3)


def toned(image: Image.Image) -> Image.Image:
    """Return `image` as grey with a paper's tone, as many scanners keep it."""
    grey = np.asarray(image.convert("L"), float)
    return Image.fromarray(np.rint(np.dstack([grey, grey, 0.97 * grey])).astype(np.uint8))


def dimmed(image: Picture) -> Picture:
    """Return the picture lit from below: a fifth of the light at the top."""
    light = (np.asarray(image) / 255.0) ** 2.2
    light *= np.linspace(0.2, 1.0, light.shape[0])[:, None, None]
    return Image.fromarray(np.rint(255.0 * light ** (1 / 2.2)).astype(np.uint8))


def ruled(origin: tuple[float, float], front: tuple[float, float]
          ) -> Callable[[Picture], Picture]:
    """Return what draws both lines from left to right at these heights (mm)."""
    def pencilled(image: Picture) -> Picture:
        dot, out = 150 / 25.4, image.copy()
        bottom = out.height - 4 * dot
        for left, right in (origin, front):
            ends = [(5 * dot, bottom - left * dot), (out.width - 5 * dot, bottom - right * dot)]
            ImageDraw.Draw(out).line(ends, fill=(130, 130, 130), width=2)
        return out
    return pencilled


@dataclass(frozen=True)
class Case:
    """A plate, what is done to its picture, how it is kept and read, and what its remark says."""

    name: str
    spec: PlateSpec
    says: str
    change: Callable[[Picture], Picture] = field(default=lambda image: image)
    suffix: str = ".png"
    dpi: float | None = None
    options: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)


UNRULED = plate(pencil=False)
TALL = plate(width=50, height=100, origin=10, front=85, dpi=200)
CASES = {
    "front near the upper edge": Case(
        "front-near-edge", plate(front=57), r"stands [23]\.\d\d mm below .*; 5 mm"),
    "origin in the solvent": Case(
        "origin-low", plate(origin=3.5, labels=False), r"stands 3\.\d\d mm above .*; 5 mm"),
    "origin above a quarter": Case("origin-high", plate(origin=17), r"at 28 % .* 25 %"),
    "origin above 20 mm": Case(
        "origin-high", replace(TALL, origin=22), r"stands 22\.\d mm .* 20 mm"),
    "front sloping": Case(
        "lines-sloping", UNRULED, r"front slopes .* [34]\.\d % .* 2 %", ruled((8, 8), (51, 49.4))),
    "origin sloping": Case(
        "lines-sloping", UNRULED, r"origin slopes .* [34]\.\d % .* 2 %",
        ruled((7.2, 8.8), (49.2, 50.8))),
    "front lagging at the sides": Case(
        "front-curved", plate(smile=2), r"lags .* 4\.\d % of the run; .* 2 %"),
    "run of 26 mm": Case(
        "run-short", plate(SpotSpec(0.25, 1, width=1.2), SpotSpec(0.7, 1, width=1.4), front=34,
                           height=50, dpi=200),
        r"ran 2[56]\.\d mm; 30 mm"),
    "lane at the side": Case("lane-crowded", plate(xs=(4, 20, 31)),
                             r"runs (3\.9|4\.[01]) mm from the side edge; 5 mm"),
    "lanes side by side": Case(
        "lane-crowded", plate(xs=(9, 13.4, 31)), r"next lane runs 4\.\d mm away; 5 mm",
        settings={"lanes": (9.0, 13.4, 31.0)}),
    "spots of 6 mm": Case("wide", one_among(SPOTS[0], SpotSpec(0.6, 3, width=6)),
                          r"is [56]\.\d mm wide .* 5 mm"),
    "one spot twice as wide": Case("wide", one_among(SPOTS[0], SpotSpec(0.6, 2, width=4.6)),
                                   r"[12]\.\d times as wide .* 1\.8 times"),
    "tail of three sigma": Case("asymmetric", one_among(SpotSpec(0.5, 2, tail=3.0)),
                                r"factor is (1\.[89]|2\.)\d* ?\d*; 0\.8 to 1\.8"),
    "tail of six sigma": Case("streak", one_among(SpotSpec(0.5, 2, tail=5.5)),
                              r"reaches [45]\.\d times as far behind .* 4 times"),
    "spot nearly black": Case("overloaded", plate(SpotSpec(0.3, 50), SpotSpec(0.7, 20)),
                              r"leaves [2-8]\.\d % .*; 10 %"),
    "all low": Case("solvent-weak", plate(SpotSpec(0.06, 0.8), SpotSpec(0.15, 0.6)),
                    r"highest spot stands at Rf 0\.15; Rf 0\.2 to 0\.8"),
    "all at the origin": Case("solvent-weak", plate(SpotSpec(0.0, 0.8)), r"Rf -?0\.0"),
    "all high": Case("solvent-strong", plate(SpotSpec(0.87, 0.8)),
                     r"lowest spot stands at Rf 0\.87; Rf 0\.2 to 0\.8"),
    "nothing between": Case("rf-outside", plate(SpotSpec(0.12, 0.8), SpotSpec(0.88, 0.6)),
                            r"between Rf 0\.12 and 0\.88; Rf 0\.2 to 0\.8"),
    "layer burnt out": Case("clipped", plate(), r"\d+ % of the clean layer .* 5 %",
                            brighter(1.065)),
    "60 dots per inch": Case("coarse", plate(dpi=60), r"has [12]\.\d samples .*; 2\.5"),
    "JPEG": Case("compressed", plate(), r"are [1-9]\.\d times .* of 1\.6 codes; .* 1\.15 times",
                 suffix=".jpg", options={"quality": 60}),
    "palette": Case("few-levels", plate(), r"in [12]?\d\d colours; more than 256",
                    lambda image: image.quantize(256)),
    "lit from one end": Case("lamp-uneven", plate(), r"has [234]\d\.\d % .* 50 %", dimmed),
    "upside down": Case("upside-down", plate(), r"100 % of the lanes and the lower one in 0 %",
                        lambda image: image.transpose(Image.Transpose.ROTATE_180),
                        settings={"turn": 0}),
    "96 dots per inch by default": Case("scale-implausible", replace(TALL, dpi=190),
                                        r"96 dots .* 4\.\d mm wide .* 4 mm", dpi=96),
    "too many dots per inch": Case("scale-implausible", replace(TALL, dpi=195),
                                   r"600 dots .* 0\.[5-7]\d mm .*; 0\.8", dpi=600),
}


def reading_of(case: Case, folder: Path) -> lanes.Reading:
    path = folder / f"plate{case.suffix}"
    dpi = case.dpi or case.spec.dpi
    picture = case.change(Image.fromarray(draw(case.spec).pixels))
    picture.save(path, dpi=(dpi, dpi), **case.options)
    return lanes.measure(path, picture=False, light=case.spec.light, **case.settings)


@pytest.mark.parametrize("what", list(CASES))
def test_a_fault_is_flagged_with_its_number_and_bound(what: str, tmp_path: Path) -> None:
    case = CASES[what]
    found = raised(reading_of(case, tmp_path))
    assert set(found) == {case.name}
    assert any(re.search(case.says, message) for message in found[case.name]), found


def test_every_remark_has_its_case() -> None:
    assert {case.name for case in CASES.values()} == NAMES


# More clean plates stand in tests/test_measuring.py, where all that is read must be right.
CLEAN = {
    **{light: Case("", plate(light=light, seed=1), "") for light in ("white", "254", "366")},
    "a grey plate, toned": Case("", plate(), "", toned),
    "front 8 mm below the edge": Case("", plate(front=52), ""),
    "smile of 0.6 mm": Case("", plate(smile=0.6, seed=4), ""),
    "symmetry 1.65": Case("", one_among(SpotSpec(0.5, 2, tail=2.0)), ""),
    "one spot": Case("", plate(SpotSpec(0.4, 1.0)), ""),
    # Its table keeps a block's mean to 0.5 codes.
    "a mild JPEG": Case("", plate(), "", suffix=".jpg", options={"quality": 88}),
}


@pytest.mark.parametrize("what", list(CLEAN))
def test_a_plate_run_with_care_raises_none(what: str, tmp_path: Path) -> None:
    assert raised(reading_of(CLEAN[what], tmp_path)) == {}


@pytest.mark.study
@pytest.mark.parametrize("kind", ["white", "quenched", "glowing", "smiling", "photograph", "bands",
                                  "dusty", "coloured", "empty", "crowded"])
def test_many_clean_plates_raise_none(kind: str, tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "benchmarks"))
    from scenes import scene

    flagged: list[tuple[int, dict[str, list[str]]]] = []
    for seed in range(100, 112):
        spec = scene(kind, seed)
        # A front that sags by 2 % of its run is no longer clean.
        spec = replace(spec, smile=min(spec.smile, 0.01 * (spec.front - spec.origin)))
        save(draw(spec), tmp_path / f"{seed}.png")
        given: dict[str, Any] = {"light": spec.light}
        if kind == "bands":
            given |= {"origin": 8.0, "front": 80.0}
        if kind == "photograph":
            given |= {"plate_width": 50.0, "plate_height": 100.0}
        found = raised(lanes.measure(tmp_path / f"{seed}.png", picture=False, **given))
        rf = [s.rf for lane in spec.lanes for s in lane.spots]
        if not any(0.2 < r < 0.8 for r in rf):
            found = {k: v for k, v in found.items() if k not in ("solvent-weak", "solvent-strong",
                                                                 "rf-outside")}
        if found:
            flagged.append((seed, found))
    print(kind, flagged)
    assert flagged == []


@pytest.mark.study
def test_what_it_costs(tmp_path: Path) -> None:
    """Share of a reading's time, both within one run."""
    for name, spec in (("3 lanes", plate()), ("4 lanes", replace(TALL, dpi=300)),
                       ("tailing", plate(SpotSpec(0.3, 2, tail=1), SpotSpec(0.7, 2, tail=1)))):
        path = tmp_path / f"{name}.png"
        save(draw(spec), path)
        with_it, alone = [], []
        for _ in range(5):
            start = time.process_time()
            made = prepare(path, Settings(light="white"))
            readings = [read_lane(made, lane) for lane in made.layout.lanes]
            middle = time.process_time()
            check_plate(made, readings)
            alone.append(middle - start)
            with_it.append(time.process_time() - start)
        print(f"{name}: measure with the plate checks over without {min(with_it) / min(alone):.3f}")
        assert min(with_it) < 1.25 * min(alone)

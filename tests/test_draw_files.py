"""Drawn plates on disk: specs read or refused, pictures saved with their truth or not at all."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, read_spec, save
from lanes.errors import InputError, OutputError

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
PLAIN = PlateSpec(pencil=False, ticks=False, labels=False, dpi=50)


def test_read_spec_reads_the_demo_and_the_fixture_is_what_it_draws() -> None:
    spec = read_spec(FIXTURES / "demo.toml")
    truth = json.loads((FIXTURES / "demo.json").read_text(encoding="utf-8"))
    drawing = draw(spec)
    assert drawing.truth == truth
    with Image.open(FIXTURES / "demo.png") as image:
        stored = np.asarray(image).astype(int)
    # Fonts and the last bit of a power may differ between builds of the libraries.
    off = np.abs(stored - drawing.pixels)
    assert stored.shape == drawing.pixels.shape
    assert np.mean(off > 1) < 0.005


@pytest.mark.parametrize(
    ("name", "spec"),
    [
        ("a.png", PLAIN),
        ("a.tif", PLAIN),
        ("a.jpg", PLAIN),
        ("deep.png", replace(PLAIN, bits=16, mode="grey")),
        ("deep.tif", replace(PLAIN, bits=16, mode="grey", transfer="linear")),
    ],
)
def test_a_saved_plate_comes_back(tmp_path: Path, name: str, spec: PlateSpec) -> None:
    drawing = draw(replace(spec, dpi=150, lanes=(LaneSpec(25, (SpotSpec(0.4, 1.0),)),)))
    save(drawing, tmp_path / name)
    with Image.open(tmp_path / name) as image:
        pixels = np.asarray(image)
        assert [float(v) for v in image.info["dpi"]] == pytest.approx([150, 150], abs=0.02)
        # PNG counts whole pixels per metre.
    assert pixels.shape == drawing.pixels.shape
    assert pixels.dtype == drawing.pixels.dtype
    off = np.abs(pixels.astype(int) - drawing.pixels.astype(int))
    assert off.max() <= (6 if name.endswith("jpg") else 0)
    beside = (tmp_path / name).with_suffix(".json")
    assert json.loads(beside.read_text(encoding="utf-8")) == drawing.truth
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, beside.name])


def test_nothing_is_overwritten_or_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawing = draw(PLAIN)

    def left() -> list[str]:
        return sorted(p.name for p in tmp_path.iterdir())

    (tmp_path / "b.json").write_text("mine", encoding="utf-8")
    for name, text in (
        ("b.png", "b.json exists already: choose another name"),
        ("c.bmp", "c.bmp: the picture's name must end in .png, .tif or .jpg"),
        ("no/c.png", f"folder {tmp_path / 'no'} does not exist: make it, or choose another"),
    ):
        with pytest.raises(OutputError) as caught:
            save(drawing, tmp_path / name)
        assert str(caught.value) == text
        assert left() == ["b.json"]
    deep = draw(replace(PLAIN, bits=16))
    with pytest.raises(OutputError, match="16 bits are saved as grey"):
        save(deep, tmp_path / "c.png")
    # The disk fills up while the truth, or the second name, is written.
    real = Path.replace

    def full(self: Path, target: Path) -> Path:
        if target.suffix == ".json":
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OutputError, match=r"c\.png can't be written: No space left on device"):
        save(drawing, tmp_path / "c.png")
    assert left() == ["b.json"]
    assert (tmp_path / "b.json").read_text(encoding="utf-8") == "mine"


LANE = "[[lanes]]\nx = 10\n"


@pytest.mark.parametrize(
    ("toml", "text"),
    [
        ("widht = 50", "p.toml: key 'widht' is unknown: the keys are width, height"),
        ("width = nan", "p.toml: width must be a number from 5 to 400, not nan"),
        ("width = -3", "p.toml: width must be a number from 5 to 400, not -3"),
        ("dpi = '300'", "p.toml: dpi must be a number from 40 to 2400, not '300'"),
        ("noise = inf", "p.toml: noise must be a number from 0 to 0.2, not inf"),
        ("dust = 2.5", "p.toml: dust must be a whole number from 0 to 2000, not 2.5"),
        ("seed = true", "p.toml: seed must be a whole number from 0 to 9.22337e+18, not True"),
        ("pencil = 1", "p.toml: pencil must be true or false, not 1"),
        ("light = 'red'", "p.toml: light must be one of white, 254, 366, not 'red'"),
        ("light = 254", "p.toml: light must be one of white, 254, 366, not 254"),
        ("bits = 12", "p.toml: bits must be one of 8, 16, not 12"),
        ("front = 120", "p.toml: front 120 lies above the plate's upper edge at 100"),
        ("smile = -18", "p.toml: front 103 lies above the plate's upper edge at 100"),
        ("front = 8", "p.toml: front 8 is not above origin 10"),
        ("width = 300\nheight = 300\ndpi = 2400", "p.toml: 29102 x 29102 pixels are too many"),
        ("lanes = 3", "p.toml: lanes must be a list of tables, not 3"),
        (LANE + "spots = [1]", "p.toml, lane 1: spots must be a list of tables, not [1]"),
        ("[[lanes]]\nname = 'a'", "p.toml, lane 1: x is missing: give x = a number"),
        ("[[lanes]]\nx = 60", "p.toml: lane '1': x 60 lies outside the plate"),
        (LANE + LANE, "p.toml: lanes must stand from left to right, but x 10 follows 10"),
        (LANE + "name = '2'\n[[lanes]]\nx = 20", "p.toml: lane name '2' stands twice"),
        (LANE + "name = ''", "p.toml, lane 1: name must be 1 to 40 printable characters"),
        ('[[lanes]]\nx = 9\nname = "a\\nb"', "p.toml, lane 1: name must be 1 to 40 printable"),
        (LANE + "band = 0", "p.toml, lane 1: band must be a number from 0.5 to 200, not 0"),
        ("lean = 0.3\n[[lanes]]\nx = 45", "p.toml: lane '1' does not reach the front"),
        (LANE + "spots = [{rf = 0.5}]", "p.toml, lane 1, spot 1: amount is missing"),
        (
            LANE + "spots = [{rf = 0.5, amount = 1}, {rf = 1.2, amount = 1}]",
            "p.toml, lane 1, spot 2: rf must be a number from 0 to 1, not 1.2",
        ),
        (
            LANE + "spots = [{rf = 0.5, amount = 0}]",
            "p.toml, lane 1, spot 1: amount must be a number from 1e-06 to 10000, not 0",
        ),
        (
            LANE + "spots = [{rf = 0.5, amount = 1, colour = [1, 2]}]",
            "p.toml, lane 1, spot 1: colour must be three numbers from 0 to 4",
        ),
        (
            LANE + "spots = [{rf = 0.5, amount = 1, mass = 1}]",
            "p.toml, lane 1, spot 1: key 'mass' is unknown: the keys are rf, amount",
        ),
        ("width = ", "plate file p.toml is not TOML: Invalid value"),
    ],
)
def test_a_bad_spec_is_refused_in_one_line(tmp_path: Path, toml: str, text: str) -> None:
    path = tmp_path / "p.toml"
    path.write_text(toml, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_spec(path)
    assert str(caught.value).startswith(text)
    assert "\n" not in str(caught.value)


def test_unreadable_specs_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"plate file none\.toml: No such file"):
        read_spec(tmp_path / "none.toml")
    with pytest.raises(InputError, match="plate file"):
        read_spec(tmp_path)
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match=r"b\.toml is not TOML"):
        read_spec(tmp_path / "b.toml")
    (tmp_path / "h.toml").write_text("width = 0x" + "f" * 9000, encoding="utf-8")
    with pytest.raises(InputError, match=r"not so large a number$"):
        read_spec(tmp_path / "h.toml")


def test_specs_made_in_python_are_checked_alike() -> None:
    with pytest.raises(InputError, match="spots must be a list of SpotSpec"):
        LaneSpec(10, ((0.5, 1.0),))  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"rf must be a number .* not '0\.5'"):
        SpotSpec("0.5", 1.0)  # type: ignore[arg-type]
    assert LaneSpec(10, [SpotSpec(0, 1)]).spots == (SpotSpec(0.0, 1.0),)  # type: ignore[arg-type]

"""Whatever is wrong, the command says so in one line that names cause and mend, and exits with 2.

Nothing is left on the disk, and nobody sees a traceback.
"""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import lanes
from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save

pytestmark = pytest.mark.usefixtures("located_once")
SPOTS = (SpotSpec(0.2, 2.0), SpotSpec(0.5, 1.0), SpotSpec(0.8, 0.5))
Refused = Callable[..., str]


def plate(**changes: Any) -> PlateSpec:
    usual: dict[str, Any] = {
        "width": 40, "height": 60, "origin": 8, "front": 50, "dpi": 100,
        "lanes": tuple(LaneSpec(x, SPOTS) for x in (10.0, 20.0, 30.0)),
    }
    return PlateSpec(**{**usual, **changes})


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of plates: whole.png, nothing.png (bare), lost.png (spots, no pencil)."""
    folder = tmp_path_factory.mktemp("drawn")
    bare: dict[str, Any] = {"pencil": False, "ticks": False, "labels": False}
    save(draw(plate()), folder / "whole.png")
    save(draw(plate(lanes=(), **bare)), folder / "nothing.png")
    save(draw(plate(lanes=(LaneSpec(20, SPOTS),), **bare)), folder / "lost.png")
    save(draw(plate(lanes=(LaneSpec(10, SPOTS), LaneSpec(20)))), folder / "half.png")
    save(draw(plate(lanes=(LaneSpec(10), LaneSpec(20)))), folder / "empty.png")
    return folder


LINES = ("--origin", "0", "--front", "75")


# The file


def test_no_such_file(refused: Refused, tmp_path: Path) -> None:
    assert "no such file: lost.png; check the path" in refused("measure", "lost.png")
    assert "no such file" in refused("measure", tmp_path / "no" / "lost.png", "--out", "out")
    assert "no such file: lost.csv" in refused("measure", "lost.csv", *LINES)
    assert refused("measure", "two\nlines.png")


def test_a_folder(refused: Refused, tmp_path: Path) -> None:
    assert "is a folder: give one image file" in refused("measure", tmp_path)
    (tmp_path / "folder.csv").mkdir()
    assert "is a folder" in refused("measure", "folder.csv", *LINES)


def test_files_that_hold_no_image(refused: Refused, tmp_path: Path, drawn: Path) -> None:
    whole = (drawn / "whole.png").read_bytes()
    for name, data, says in (
        ("empty.png", b"", "is empty"),
        ("cut.png", whole[: len(whole) // 2], "cut short"),
        ("head.png", whole[:40], "cut short"),
        ("text.png", b"distance,signal\n" * 40, "not an image"),
        ("bytes.png", bytes(range(256)) * 40, "not an image"),
        ("doc.png", b"%PDF-1.7\n" + b"x" * 400, "is a PDF"),
        ("film.png", b"GIF89a" + b"\0" * 400, "is a GIF"),
    ):
        (tmp_path / name).write_bytes(data)
        assert says in refused("measure", name, "--out", "out"), name


def test_a_cut_jpeg_and_tiff(refused: Refused, tmp_path: Path) -> None:
    drawing = draw(plate(lanes=()))
    for suffix in (".jpg", ".tif"):
        save(drawing, tmp_path / f"plate-{suffix[1:]}{suffix}")
        data = (tmp_path / f"plate-{suffix[1:]}{suffix}").read_bytes()
        (tmp_path / f"cut{suffix}").write_bytes(data[: len(data) // 3])
        assert "cut short" in refused("measure", f"cut{suffix}")


def test_an_image_of_a_billion_pixels_is_not_decoded(refused: Refused, tmp_path: Path) -> None:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return (struct.pack(">I", len(data)) + kind + data
                + struct.pack(">I", zlib.crc32(kind + data)))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 40_000, 25_000, 8, 2, 0, 0, 0))
    (tmp_path / "vast.png").write_bytes(
        b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"\0" * 100))
        + chunk(b"IEND", b"")
    )
    assert "more than 150 million pixels: crop it" in refused("measure", "vast.png")


def image(tmp_path: Path, values: Any, name: str = "image.png") -> Path:
    Image.fromarray(np.asarray(values, np.uint8)).save(tmp_path / name, dpi=(150, 150))
    return tmp_path / name


NOISE = np.random.default_rng(4)
NO_PLATES = {
    "white": np.full((400, 300, 3), 255),
    "black": np.zeros((400, 300, 3)),
    "one tone": np.full((400, 300), 128),
    "noise": NOISE.integers(0, 256, (400, 300, 3)),
    "faint noise": 128 + NOISE.integers(-3, 4, (400, 300)),
    "slope": np.broadcast_to(np.linspace(0, 255, 300), (400, 300)),
    "stripes": np.broadcast_to(255 * (np.arange(400) // 20 % 2)[:, None], (400, 300)),
    "chequers": 255 * ((np.arange(400)[:, None] // 25 + np.arange(300) // 25) % 2),
    "half and half": np.where(np.arange(300) < 150, 20, 220) * np.ones((400, 1)),
    "blobs": 255 * (NOISE.random((20, 15)).repeat(20, 0).repeat(20, 1)),
}


@pytest.mark.parametrize("kind", list(NO_PLATES))
def test_an_image_without_a_plate(refused: Refused, tmp_path: Path, kind: str) -> None:
    image(tmp_path, NO_PLATES[kind])
    assert refused("measure", "image.png", "--out", "out")
    assert refused("measure", "image.png", "--light", "366")


@pytest.mark.parametrize("kind", ["white", "black", "one tone", "noise"])
def test_lines_given_make_no_plate_of_it(refused: Refused, tmp_path: Path, kind: str) -> None:
    image(tmp_path, NO_PLATES[kind])
    text = refused("measure", "image.png", "--origin", "8", "--front", "50", "--lanes", "3")
    assert "no plate" in text


@pytest.mark.parametrize("kind", ["white", "black", "one tone"])
def test_all_given_makes_no_plate_of_it(refused: Refused, tmp_path: Path, kind: str) -> None:
    image(tmp_path, NO_PLATES[kind])
    text = refused("measure", "image.png", "--whole-image", "--origin", "10%", "--front", "90%",
                   "--lanes", "2", "--out", "out")
    assert "one even tone" in text


@pytest.mark.parametrize("size", [(1, 1), (1, 400), (400, 1), (15, 15)])
def test_an_image_of_hardly_a_pixel(refused: Refused, tmp_path: Path, size: tuple[int, int]
                                    ) -> None:
    image(tmp_path, np.full(size, 90))
    assert "too small to hold a plate" in refused("measure", "image.png")


# The plate


def test_no_lines_and_none_given(refused: Refused, drawn: Path) -> None:
    text = refused("measure", drawn / "nothing.png")
    assert "no origin line found" in text
    assert "--origin MM" in text
    text = refused("measure", drawn / "lost.png", "--origin", "8")
    assert "no solvent front found" in text
    assert "--front MM" in text
    text = refused("measure", drawn / "nothing.png", "--origin", "8", "--front", "50")
    assert "no lanes found" in text
    assert "--lanes" in text


def test_lines_that_do_not_fit(refused: Refused, drawn: Path) -> None:
    whole = drawn / "whole.png"
    text = refused("measure", whole, "--origin", "50", "--front", "8")
    assert "front 8 is not above origin 50" in text
    assert "not above" in refused("measure", whole, "--origin", "8", "--front", "8")
    assert "--front" in refused("measure", whole, "--origin", "48")
    text = refused("measure", whole, "--origin", "47", "--front", "50")
    assert "--origin and --front" in text
    assert "--front 61 lies outside the plate" in refused("measure", whole, "--front", "61")
    assert "--origin -2 lies outside" in refused("measure", whole, "--origin", "-2")
    assert "--origin 0 lies outside" in refused("measure", whole, "--origin", "0")


def test_as_many_lanes_as_asked_for(drawn: Path) -> None:
    """Of five, three are marked; where the others are put is reported."""
    reading = lanes.measure(drawn / "whole.png", lanes=5, picture=False)
    assert len(reading.lanes) == 5
    assert [f.name for f in reading.flags].count("lanes-assumed") == 1
    assert sum(bool(lane.spots) for lane in reading.lanes) == 3


@pytest.mark.parametrize(
    ("lanes", "says"),
    [("0", "whole number, 1 to 60"), ("-2", "whole number"), ("61", "whole number"),
     ("40", "no more than"), ("nan", "--lanes"),
     ("three", "give a whole number, or the x"), ("", "give a whole number"), (",", "--lanes"),
     ("1,x", "give a whole number, or the x"), ("20,10", "rise from left to right"),
     ("10,10", "rise from left to right"), ("10,45", "45 lies outside the plate"),
     ("-1,10", "-1 lies outside the plate"), ("10,nan", "--lanes nan"), ("10,inf", "--lanes inf"),
     ("1,1e9", "beyond any plate"), ("9" * 5000, "give a whole number")],
)
def test_lanes_that_do_not_fit(refused: Refused, drawn: Path, lanes: str, says: str) -> None:
    assert says in refused("measure", drawn / "whole.png", f"--lanes={lanes}")


def test_one_number_with_a_point_is_a_place_and_no_count(
    drawn: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(drawn / "whole.png"), "--lanes", "20.0", "--names", "only"]) == 0
    assert "only" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("names", "says"),
    [("a,a,b", "'a' stands twice"), ("A,a,b", "stands twice"), ("a,b", "gives 2 names for 3 lanes"),
     ("a", "gives 1 name for 3 lanes"),
     ("a,b,c,d", "gives 4 names for 3 lanes"), ("a/b,c,d", "can't name a lane"),
     ("../x,c,d", "can't name a lane"), ("..,c,d", "can't name a lane"),
     ("/etc/passwd,c,d", "can't name a lane"), ("C:\\x,c,d", "can't name a lane"),
     ("a,,b", "can't name a lane"), ("", "can't name a lane"), ("a,b\nc,d", "printable"),
     ("x" * 41 + ",b,c", "40 printable characters"), ("\udcff,b,c", "printable")],
)
def test_names_that_name_no_lane(refused: Refused, drawn: Path, names: str, says: str) -> None:
    assert says in refused("measure", drawn / "whole.png", "--names", names, "--out", "out")


def test_roles_of_a_wrong_number(refused: Refused, drawn: Path) -> None:
    text = refused("measure", drawn / "whole.png", "--roles", "reference,sample")
    assert "--roles gives 2 roles for 3 lanes" in text


# Numbers

SIZES = ("--lane-width", "--plate-width", "--plate-height", "--dpi")


@pytest.mark.parametrize("option", ["--origin", "--front", *SIZES])
@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e9", "-1e9", "1e999", "abc", "", "8,5"])
def test_what_is_no_number_of_millimetres(refused: Refused, drawn: Path, option: str, value: str
                                          ) -> None:
    assert option in refused("measure", drawn / "whole.png", f"{option}={value}")


@pytest.mark.parametrize("option", SIZES)
@pytest.mark.parametrize("value", ["0", "-0", "-5", "1e-400"])
def test_a_size_of_nothing_or_less(refused: Refused, drawn: Path, option: str, value: str) -> None:
    text = refused("measure", drawn / "whole.png", f"{option}={value}")
    assert f"{option} " in text
    assert "greater than zero" in text


@pytest.mark.parametrize(
    "words",
    [("--plate-width", "2"), ("--plate-width", "3000"),
     ("--plate-height", "3"), ("--plate-height", "4000"), ("--dpi", "1e-9"), ("--dpi", "5"),
     ("--dpi", "20000")],
    ids=" ".join,
)
def test_a_size_no_plate_has(refused: Refused, drawn: Path, words: tuple[str, str]) -> None:
    assert "--plate-width" in refused("measure", drawn / "whole.png", *words)


@pytest.mark.parametrize("option", ["--components", "--turn"])
@pytest.mark.parametrize("value", ["-1", "1.5", "nan", "1e3", "abc", "", "99", "9" * 5000])
def test_what_is_no_whole_number(refused: Refused, drawn: Path, option: str, value: str) -> None:
    assert option in refused("measure", drawn / "whole.png", f"{option}={value}")


@pytest.mark.parametrize("value", ["0", "-2.2", "nan", "inf", "99", "gamma", ""])
def test_no_transfer(refused: Refused, drawn: Path, value: str) -> None:
    text = refused("measure", drawn / "whole.png", f"--transfer={value}")
    assert "give auto, srgb, linear or a power from 0.2 to 5" in text


def test_a_channel_the_scan_lacks(refused: Refused, tmp_path: Path) -> None:
    save(draw(plate(mode="grey")), tmp_path / "grey.png")
    assert "the scan is grey" in refused("measure", "grey.png", "--channel", "blue")


# Lengths and their units

LENGTHS = ("--origin", "--front", "--lane-width")


@pytest.mark.parametrize("option", [*LENGTHS, "--lanes"])
@pytest.mark.parametrize("value", ["10 cm", "10cm", "px", "%", "10pxpx", "ten%", "10 mm mm",
                                   "1,5px", "nanpx", "inf%", "0x10px", "10\nmm", "--px"])
def test_what_is_no_length(refused: Refused, drawn: Path, option: str, value: str) -> None:
    assert option in refused("measure", drawn / "whole.png", f"{option}={value}")


@pytest.mark.parametrize("option", LENGTHS)
@pytest.mark.parametrize("value", ["1e9px", "-1e9%", "1e300mm"])
def test_a_length_beyond_any_plate(refused: Refused, drawn: Path, option: str, value: str) -> None:
    text = refused("measure", drawn / "whole.png", f"{option}={value}")
    assert f"{option} " in text
    assert "beyond any plate" in text


def test_lengths_that_do_not_fit(refused: Refused, drawn: Path) -> None:
    whole = drawn / "whole.png"
    for words, says in (
        (("--origin", "0%"), "--origin 0% lies outside"),
        (("--front", "101%"), "--front 101% lies outside"),
        (("--front", "9000px"), "--front 9000px lies outside"),
        (("--origin", "50%", "--front", "20%"), "front 20% is not above origin 50%"),
        (("--origin", "48mm", "--front", "50%"), "--origin and --front"),
        (("--lanes", "50%,20%"), "rise from left to right"),
        (("--lanes", "80%,10mm"), "does not rise"), (("--lanes", "120%"), "outside the plate"),
        (("--lane-width", "0%"), "greater than zero"), (("--lane-width", "90%"), "does not fit"),
        (("--plate-width", "120px"), "gives no scale: give mm"),
        (("--plate-height", "50%"), "gives no scale: give mm"),
    ):
        assert says in refused("measure", whole, *words), words


@pytest.mark.parametrize(("option", "value"), [("--origin", "8"), ("--front", "50"),
                                               ("--lanes", "10,20"), ("--lane-width", "5")])
def test_millimetres_where_there_is_no_scale(
    refused: Refused, drawn: Path, tmp_path: Path, option: str, value: str
) -> None:
    with Image.open(drawn / "whole.png") as image:
        image.convert("RGB").save(tmp_path / "bare.png")
    text = refused("measure", "bare.png", option, value, "--out", "out")
    assert "--plate-width MM" in text
    assert f"{option} as 12% of the plate's" in text
    assert text.endswith("; see out/plate-unread.png")


@pytest.mark.parametrize("value", ["10px", "10%"])
def test_a_trace_has_no_pixels(refused: Refused, lone_trace: Path, value: str) -> None:
    text = refused("measure", lone_trace, "--origin", value, "--front", "75")
    assert "give a plain number" in text


# Which part of the picture, which page, which way up


@pytest.mark.parametrize(
    ("corners", "says"),
    [(("1,1", "2,2", "3,3"), "--corners takes four points: give x,y of each in pixels"),
     (("1,1", "2", "3,3", "4,4"), "--corners '2'"),
     (("a,b", "2,2", "3,3", "4,4"), "--corners 'a,b'"), (("1,1", "1,1", "1,1", "1,1"), "go round"),
     (("0,0", "99,0", "99,99", "nan,99"), "--corners"), (("0,0", "99,0", "99,99", "1e9,9"),
                                                         "--corners"),
     (("0,0", "99,0", "99,99", "9000,9"), "outside the picture"),
     (("10,10", "100,10", "100,100", "90,20"), "go round"), ((), "--corners")],
)
def test_corners_that_are_none(
    refused: Refused, drawn: Path, corners: tuple[str, ...], says: str
) -> None:
    assert says in refused("measure", drawn / "whole.png", "--corners", *corners)


def test_two_ways_to_say_where_the_plate_is(refused: Refused, drawn: Path) -> None:
    four = ("--corners", "1,1", "90,1", "90,90", "1,90")
    for words in ((*four, "--whole-image"), (*four, "--plate", "1"),
                  ("--plate", "1", "--whole-image")):
        assert "give one" in refused("measure", drawn / "whole.png", *words)


@pytest.mark.parametrize("option", ["--plate", "--page"])
@pytest.mark.parametrize("value", ["0", "-1", "2", "1.5", "abc", "", "9" * 30])
def test_no_such_plate_or_page(refused: Refused, drawn: Path, option: str, value: str) -> None:
    assert option in refused("measure", drawn / "whole.png", f"{option}={value}")


@pytest.mark.parametrize("value", ["45", "90.5", "left", "Auto", "-90", "360"])
def test_no_such_turn(refused: Refused, drawn: Path, value: str) -> None:
    assert "--turn" in refused("measure", drawn / "whole.png", f"--turn={value}")


@pytest.mark.parametrize("light", ["367", "uv", "254 mm", "", "WHITE"])
def test_no_such_light(refused: Refused, drawn: Path, light: str) -> None:
    assert "--light" in refused("measure", drawn / "whole.png", f"--light={light}")


@pytest.mark.parametrize(("text", "says"), [
    ("origin = '10cm'\n", "origin takes a number"), ("origin = '10'\n", "origin takes a number"),
    ("lanes = ['x%']\n", "--lanes"), ("plate_width = '50%'\n", "gives no scale"),
    ("corners = [[1, 2], [3, 4]]\n", "--corners"), ("corners = 'abcd'\n", "--corners"),
    ("corners = [[1, 'x'], [3, 4], [5, 6], [7, 8]]\n", "--corners"),
    ("whole_image = 'yes'\n", "--whole-image"), ("whole_image = 1\n", "--whole-image"),
    ("which_plate = 0\n", "--plate"), ("page = 1.5\n", "--page"), ("turn = 'left'\n", "--turn"),
])
def test_settings_of_places_that_can_not_be_used(
    refused: Refused, tmp_path: Path, drawn: Path, text: str, says: str
) -> None:
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    assert says in refused("measure", drawn / "whole.png", "--settings", "own.toml")


# What a refusal leaves


def test_a_refusal_leaves_a_picture_that_the_next_run_replaces(
    drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    for words in ((), ("--origin", "8")):
        assert main(["measure", str(drawn / "lost.png"), "--out", str(out), *words]) == 2
        assert capsys.readouterr().err.endswith("plate-unread.png\n")
        assert {p.name for p in out.iterdir()} == {"plate-unread.png", "written.json"}
    with Image.open(out / "plate-unread.png") as image:
        assert image.width > 600
    words = ("--origin", "8", "--front", "50", "--lanes", "20.0", "--no-figures")
    assert main(["measure", str(drawn / "lost.png"), "--out", str(out), *words]) == 0
    assert (out / "results.json").is_file()
    assert not (out / "plate-unread.png").exists()


def test_a_refusal_spares_a_reading_and_what_others_put_there(
    drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["measure", str(drawn / "whole.png"), "--out", str(out), "--no-figures"]) == 0
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    lost = ["measure", str(drawn / "lost.png"), "--out", str(out)]
    assert main([*lost, "--force"]) == 2
    assert "plate-unread.png" not in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before
    other = tmp_path / "other"
    assert main([*lost[:-1], str(other)]) == 2
    (other / "notes.txt").write_text("mine", encoding="utf-8")
    capsys.readouterr()
    assert main([*lost[:-1], str(other)]) == 2
    assert "--force to replace it" in capsys.readouterr().err
    assert (other / "notes.txt").is_file()


# Traces


@pytest.mark.parametrize(
    ("text", "says"),
    [("", "0 rows"), ("1,2\n", "1 rows"), ("mm,signal\n1,2\n", "1 rows"),
     ("these are\nonly words\n" * 20, "line 2"), ("0,1\n1,x\n" * 20, "line 2"),
     ("0,1\n1,nan\n" * 20, "line 2"), ("0,1\n1,inf\n" * 20, "line 2"),
     ("0,1\n1,\n" * 20, "line 2"), ("0,1\n1,2\n" * 20, "falls back at data row 3"),
     ("".join(f"{30 - i},1\n" for i in range(30)), "falls back"),
     ("".join(f"{i // 2},1\n" for i in range(60)), "repeats"), ("1\n2\n" * 20, "line 1"),
     (b"\xff\xd8\xff\xe0" * 100, "not plain text"), (bytes(400), "line 1"),
     ("".join(f"{i},1e300\n" for i in range(90)), "beyond any trace"),
     ("".join(f"{i},{(-1) ** i * 1.7e308}\n" for i in range(90)), "beyond any trace")],
    ids=["empty", "one row", "heading and one row", "words", "a word", "nan", "inf", "a gap",
         "unsorted", "reversed", "repeated", "one column", "binary", "zeros", "vast",
         "vaster than its numbers"],
)
def test_a_table_that_is_no_trace(refused: Refused, tmp_path: Path, text: str | bytes, says: str
                                  ) -> None:
    (tmp_path / "bad.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    assert says in refused("measure", "bad.csv", *LINES, "--out", "out")


def test_a_trace_and_its_lines(refused: Refused, trace: Path) -> None:
    assert "--origin and --front" in refused("measure", trace)
    assert "--origin and --front" in refused("measure", trace, "--origin", "0")
    for origin, front in ((-1, 75), (0, 90), (80, 90)):
        text = refused("measure", trace, "--origin", origin, "--front", front)
        assert "must lie within the trace, 0 to 79.75" in text
    assert "not above" in refused("measure", trace, "--origin", "75", "--front", "0")


# Settings


@pytest.mark.parametrize(
    ("text", "says"),
    [("orgin = 8\n", "'orgin' is unknown"), ("origin = 'eight'\n", "origin takes a number"),
     ("origin = true\n", "origin takes a number"), ("lanes = 'three'\n", "--lanes"),
     ("lanes = [1, 'x']\n", "--lanes"), ("names = 'abc'\n", "--names"),
     ("names = [1, 2, 3]\n", "--names"), ("roles = 5\n", "--roles"), ("turn = 45\n", "--turn"),
     ("light = 254\n", "--light"), ("components = 2.0\n", "--components"),
     ("[plate]\nwidth = 5\n", "'plate' is unknown"), ("dpi = nan\n", "--dpi"),
     ("dpi = " + "9" * 400 + "\n", "--dpi"), ("this is not TOML", "is not TOML"),
     (b"\x89PNG\r\n", "is not TOML"), ("a = 1\na = 2\n", "is not TOML")],
)
def test_settings_that_can_not_be_used(
    refused: Refused, tmp_path: Path, drawn: Path, text: str | bytes, says: str
) -> None:
    (tmp_path / "own.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    whole = drawn / "whole.png"
    assert says in refused("measure", whole, "--settings", "own.toml", "--out", "out")


def test_no_settings_file(refused: Refused, tmp_path: Path, drawn: Path) -> None:
    whole = drawn / "whole.png"
    assert "lost.toml can't be read" in refused("measure", whole, "--settings", "lost.toml")
    assert "can't be read" in refused("measure", whole, "--settings", tmp_path)
    assert "settings file . can't be read" in refused("measure", whole, "--settings", ".")
    assert "the settings file has no name" in refused("measure", whole, "--settings", "")


def test_a_trace_without_heights_is_refused_for_its_own_faults_first(
    refused: Refused, tmp_path: Path
) -> None:
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "words.csv").write_text("distance,signal\n0,1\none,2\n", encoding="utf-8")
    assert "empty.csv has 0 rows of numbers" in refused("measure", "empty.csv")
    assert "words.csv: line 3 is not two numbers" in refused("measure", "words.csv")
    (tmp_path / "fine.csv").write_text(
        "".join(f"{x / 4},{x % 7}\n" for x in range(200)), encoding="utf-8")
    text = refused("measure", "fine.csv")
    assert "neither origin nor front: give their distances, 0 to 49.75, with --origin" in text


# The words themselves


@pytest.mark.parametrize(
    ("words", "says"),
    [(("measure",), "plate is missing"), (("measure", "a.png", "b.png"), "--out DIR"),
     (("mesure", "a.png"), "mesure is not a command: give one"),
     (("measure", "a.png", "--out", "d", "scans"), "scans comes too late: plates stand before"),
     (("explain", "merged", "tailing"), "tailing is one too many: see lanes explain --help"),
     (("purity", ""), "a plate's name is empty: give the path of a picture"),
     (("measure", "a.png", ""), "a plate's name is empty: give the path of a picture"),
     (("purity", "a.png", "b.png"), "b.png is one too many: see lanes purity --help"),
     (("--colour",), "--colour is not an option here: see lanes --help"),
     (("purity", "a.png", "--rf", "0.3"), "--rf 0.3 is not an option here: see lanes purity"),
     (("purity", "a.png", "--main", "x"), "--main x is not a number: see lanes purity --help"),
     (("measure", "a.png", "--page", "x"), "--page x is not a whole number"),
     (("measure", "a.png", "--origin"), "--origin needs one value after it"),
     (("fractions", "a.png"), "--target, --purity is missing"),
     (("follow", "a.png", "--times", "-5,10"), "--times -5 lies before the start: give times"),
     (("follow", "a.png", "--times", "-.5,10"), "--times -0.5 lies before the start"),
     (("follow", "a.png", "--times", "a=0,b=-5"), "--times -5 lies before the start: give times"),
     (("measure", "a.png", "--colour", "red"), "--colour"),
     (("measure", "a.png", "--light", "uv"), "--light"),
     (("measure", "a.png", "--law", "beer"), "--law beer is unknown: give one of auto, kubelka"),
     (("measure", "a.png", "--channel", "cyan"), "--channel"),
     (("measure", "a.png", "--background", "flat"), "--background"),
     (("measure", "a.png", "--baseline-order", "cubic"), "--baseline-order"),
     (("measure", "a.png", "--lane", "3"), "--lane"),
     (("measure", "a.png", "--light", "u\nv"), "--light"), (("draw", "a.toml"), "--out"),
     (("draw", "a.toml", "--out", "a.png"), "a.toml")],
)
def test_words_that_are_not_known(refused: Refused, words: tuple[str, ...], says: str) -> None:
    assert says in refused(*words)


def test_a_description_that_can_not_be_drawn(refused: Refused, tmp_path: Path) -> None:
    for text, says in (("x", "is not TOML"), ("witdh = 5\n", "'witdh' is unknown"),
                       ("width = -5\n", "width must be"), ("dpi = 1e9\n", "dpi must be"),
                       ("front = 5\norigin = 10\n", "not above origin"),
                       ("[[lanes]]\nspots = []\n", "x is missing")):
        (tmp_path / "plate.toml").write_text(text, encoding="utf-8")
        assert says in refused("draw", "plate.toml", "--out", "plate.png")
    (tmp_path / "plate.toml").write_text("dpi = 50\n", encoding="utf-8")
    assert "must end in .png" in refused("draw", "plate.toml", "--out", "plate.xcf")
    assert "--out is empty" in refused("draw", "plate.toml", "--out", "")
    assert "does not exist" in refused("draw", "plate.toml", "--out", "no/plate.png")
    assert "plate.toml is a file" in refused("draw", "plate.toml", "--out", "plate.toml/a.png")
    (tmp_path / "plate.json").write_text("{}", encoding="utf-8")
    assert "exists already" in refused("draw", "plate.toml", "--out", "plate.png")


def test_too_little_memory(
    refused: Refused, drawn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def small(*words: Any, **choices: Any) -> None:
        raise MemoryError

    monkeypatch.setattr("lanes.measuring.locate", small)
    assert "not enough memory" in refused("measure", drawn / "whole.png", "--out", "out")


# What would be ignored is reported


@pytest.fixture
def lone_trace(tmp_path: Path) -> Path:
    x = np.arange(0.0, 75.0, 0.2)
    y = np.exp(-0.5 * (x - 30) ** 2) + np.random.default_rng(1).normal(0, 0.01, x.size)
    path = tmp_path / "lone.csv"
    path.write_text("".join(f"{a},{b}\n" for a, b in zip(x, y, strict=True)), encoding="utf-8")
    return path


@pytest.mark.parametrize("option", [("--light", "254"), ("--lanes", "3"), ("--turn", "90"),
                                    ("--lane-width", "5"), ("--transfer", "linear")])
def test_a_trace_has_no_use_for_what_is_about_a_plate(
    refused: Refused, lone_trace: Path, option: tuple[str, str]
) -> None:
    message = refused("measure", lone_trace, *LINES, *option)
    assert f"leave {option[0]} out" in message


def test_a_trace_is_of_one_lane(refused: Refused, lone_trace: Path) -> None:
    text = refused("measure", lone_trace, *LINES, "--names", "A,B")
    assert "--names has 2 entries, and lone.csv is the trace of one lane: give one" in text


def test_options_are_written_out(refused: Refused, drawn: Path) -> None:
    assert "--spot" in refused("measure", drawn / "whole.png", "--spot", "dark")


def test_questions_that_need_a_scan_say_so(refused: Refused, lone_trace: Path) -> None:
    assert "needs the plate's scan" in refused("purity", lone_trace, "--lane", "lone", *LINES)


def test_options_about_the_folder_need_one(refused: Refused, drawn: Path) -> None:
    for command in (("measure",), ("purity", "--lane", "1"), ("shoulder", "--lane", "1")):
        assert "give --out DIR too" in refused(*command, drawn / "whole.png", "--force")
        assert "--out is empty" in refused(*command, drawn / "whole.png", "--out", "")


@pytest.mark.parametrize("shape", [lambda x: 1.0 - np.exp(-0.5 * (x - 30) ** 2),
                                   lambda x: 1.0 * (x > 40)], ids=["dip", "step"])
@pytest.mark.parametrize("seed", range(3))
def test_what_is_no_lane_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], shape: Callable[[Any], Any], seed: int
) -> None:
    x = np.arange(0.0, 75.3, 0.4)
    y = shape(x) + np.random.default_rng(seed).normal(0, 0.01, x.size)
    path = tmp_path / "odd.csv"
    path.write_text("".join(f"{a},{b}\n" for a, b in zip(x, y, strict=True)), encoding="utf-8")
    assert main(["measure", str(path), *LINES]) == 0
    assert "is it a lane's trace?" in capsys.readouterr().out


def test_a_lone_trace_is_not_doubted(
    lone_trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(lone_trace), "--origin", "0", "--front", "70"]) == 0
    assert "is it a lane's trace?" not in capsys.readouterr().out


@pytest.mark.parametrize("seed", [0, 7])  # where humps beside the dips pass for spots, too
def test_a_trace_of_light_is_flagged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    x = np.arange(0.0, 75.0, 0.1)
    height, centre, wide = (rng.uniform(*ends, 3) for ends in ((0.1, 1), (8, 68), (0.8, 1.8)))
    signal = np.exp(-0.5 * ((x[:, None] - centre) / wide) ** 2) @ height
    for name, y in (("light", 0.9 * 10.0 ** (-0.5 * signal)), ("signal", signal)):
        table = tmp_path / f"{name}.csv"
        np.savetxt(table, np.column_stack([x, y + rng.normal(0.0, 0.004, x.size)]),
                   delimiter=",", fmt="%.5f")
        assert main(["measure", str(table), "--origin", "0", "--front", "74"]) == 0
        assert ("is it light?" in capsys.readouterr().out) == (name == "light")


# Nothing found is an answer


@pytest.mark.parametrize(("name", "empties"), [("half.png", 1), ("empty.png", 2)])
def test_an_empty_lane_is_no_error(
    drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, empties: int
) -> None:
    out = tmp_path / "out"
    assert main(["measure", str(drawn / name), "--out", str(out), "--no-figures"]) == 0
    printed, err = capsys.readouterr()
    assert printed.count("no spot above") == empties
    assert err == ""
    assert (out / "results.json").is_file()


def test_an_empty_trace_is_no_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    noise = np.random.default_rng(2).normal(0, 1, 300)
    path = tmp_path / "noise.csv"
    path.write_text("".join(f"{0.25 * i},{v}\n" for i, v in enumerate(noise)), encoding="utf-8")
    assert main(["measure", str(path), *LINES[:3], "70"]) == 0
    printed, err = capsys.readouterr()
    assert "no spot above" in printed
    assert err == ""


# From outside


def command(*words: object, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "lanes", *map(str, words)], capture_output="stdout" not in options,
        text=True, check=False, timeout=60, stdin=subprocess.DEVNULL, **options,
    )


@pytest.mark.parametrize(
    "words",
    [("measure", "noise.png"), ("measure", "cut.tif"), ("frobnicate",)], ids=" ".join,
)
def test_the_same_from_a_shell(tmp_path: Path, words: tuple[str, ...]) -> None:
    image(tmp_path, NO_PLATES["noise"], "noise.png")
    (tmp_path / "cut.tif").write_bytes(b"II*\0\x08\0\0\0\xff\xff")
    before = sorted(tmp_path.rglob("*"))
    done = command(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("lanes: ")
    assert sorted(tmp_path.rglob("*")) == before

"""A file that can't be read gives one line with the cause and the mend, never a traceback."""

from __future__ import annotations

import io
import os
import struct
import time
import tracemalloc
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from lanes.errors import InputError
from lanes.scan.decode import MAX_BYTES
from lanes.scan.scan import read_scan

RNG = np.random.default_rng(5)
C8 = RNG.integers(0, 256, (60, 80, 3), dtype=np.uint8)
C16 = RNG.integers(0, 65536, (60, 80, 3), dtype=np.uint16)


def refusal(path: Any, **options: Any) -> str:
    """Return the line `path` is refused with: just one, and without a path."""
    with pytest.raises(InputError) as caught:
        read_scan(path, **options)
    return one_line(caught.value)


def one_line(error: InputError) -> str:
    """Return the line of a refusal, which names no path."""
    text = str(error)
    assert len(text.splitlines()) == 1
    assert "/" not in text
    assert " object at 0x" not in text
    assert ":" in text or ";" in text  # the cause, then the mend
    return text


def encoded(image: Any, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    image = image if isinstance(image, Image.Image) else Image.fromarray(image)
    image.save(stream, kind, **options)
    return stream.getvalue()


def deep_tiff(**options: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, C16, photometric="rgb", **options)
    return stream.getvalue()


def written(tmp_path: Path, data: bytes, name: str = "plate.png") -> Path:
    path = tmp_path / name
    path.write_bytes(data)
    return path


def test_no_such_file(tmp_path: Path) -> None:
    assert refusal(tmp_path / "lost.png") == "no such file: lost.png; check the path"
    assert "no such file" in refusal(str(tmp_path / "no folder" / "lost.png"))


def test_not_a_file(tmp_path: Path) -> None:
    assert refusal(tmp_path) == f"{tmp_path.name} is a folder: give one image file"
    assert refusal("") == "the path given is a folder: give one image file"
    os.mkfifo(tmp_path / "pipe.png")
    assert "is not a plain file" in refusal(tmp_path / "pipe.png")
    inside = written(tmp_path, b"x") / "plate.png"
    assert "can't be read" in refusal(inside)
    assert "can't be read" in refusal("a\0b.png")
    assert "can't be read" in refusal(tmp_path / ("n" * 300))


def test_no_permission(tmp_path: Path) -> None:
    path = written(tmp_path, encoded(C8, "PNG"))
    path.chmod(0)
    root = os.geteuid() == 0
    if root:  # whom permissions don't bind
        os.seteuid(65534)
    try:
        text = refusal(path)
    finally:
        if root:
            os.seteuid(0)
    assert text == "plate.png can't be opened: allow yourself to read it"


def test_empty_or_no_image(tmp_path: Path) -> None:
    assert refusal(written(tmp_path, b"")) == "plate.png is empty: scan or copy it again"
    assert refusal(written(tmp_path, b"distance,signal\n0,1\n")) == (
        "plate.png is not an image this program knows: give PNG, TIFF, JPEG, BMP or WebP"
    )


def test_other_kinds_by_name(tmp_path: Path) -> None:
    grey = Image.fromarray(C8).convert("L")
    for data, word in (
        (encoded(grey, "GIF"), "a GIF file"),
        (b"%PDF-1.7\n", "a PDF file"),
        (b"\0\0\0\x18ftypavif" + bytes(16), "an AVIF or film file"),
        (b"\0\0\0\x18ftypisom" + bytes(16), "an AVIF or film file"),
        (b"\0\0\0\x0cjP  \r\n", "a JPEG 2000 file"),
    ):
        assert f"is {word}: give PNG" in refusal(written(tmp_path, data))


@pytest.mark.parametrize("brand", [b"heic", b"mif1"])
def test_a_telephones_photograph_without_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, brand: bytes
) -> None:
    monkeypatch.setattr("lanes.scan.decode.installed", lambda module: False)
    text = refusal(written(tmp_path, b"\0\0\0\x18ftyp" + brand + bytes(16), "plate.heic"))
    assert "pip install 'lanes[heic]', or export the photograph as JPEG or PNG" in text


def test_a_page_that_is_not_there(tmp_path: Path) -> None:
    few = [Image.fromarray(C8), Image.fromarray(C8)]
    for kind, data in (
        ("PNG", encoded(C8, "PNG")), ("JPEG", encoded(C8, "JPEG")), ("BMP", encoded(C8, "BMP")),
        ("TIFF", encoded(C8, "TIFF")), ("TIFF deep", deep_tiff()),
    ):
        text = refusal(written(tmp_path, data), page=2)
        assert "has one page, and no page 2: give --page 1, or leave" in text, kind
    pages = encoded(few[0], "TIFF", save_all=True, append_images=few[1:])
    assert "has 2 pages, and no page 3" in refusal(written(tmp_path, pages), page=3)


@pytest.mark.parametrize("page", [0, -1, 10_000, True])
def test_no_such_page(tmp_path: Path, page: int) -> None:
    with pytest.raises(InputError, match="--page"):
        read_scan(written(tmp_path, encoded(C8, "PNG")), page=page)


def test_directories_in_a_ring(tmp_path: Path) -> None:
    """A page that says the next one is itself: there is one page."""
    data = bytearray(encoded(C8, "TIFF"))
    start = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, start)[0]
    struct.pack_into("<I", data, start + 2 + 12 * count, start)
    scan = read_scan(written(tmp_path, bytes(data)))
    np.testing.assert_array_equal(scan.codes, C8)
    assert scan.flags == ()


def test_name_of_a_file_stays_one_line_of_text(tmp_path: Path) -> None:
    assert refusal(tmp_path / "a\nb.png") == "no such file: a b.png; check the path"
    assert "no such file: a?.png" in refusal(os.fsencode(tmp_path).decode() + "/a\udcff.png")


@pytest.mark.parametrize("shape", [(15, 80, 3), (80, 15), (1, 1)])
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "JPEG", "BMP", "WEBP"])
def test_too_small(tmp_path: Path, shape: tuple[int, ...], kind: str) -> None:
    path = written(tmp_path, encoded(np.zeros(shape, np.uint8), kind))
    assert "too small to hold a plate" in refusal(path)


def test_smallest_is_read(tmp_path: Path) -> None:
    path = written(tmp_path, encoded(np.zeros((16, 16), np.uint8), "PNG"))
    assert read_scan(path).codes.shape == (16, 16, 1)


def lying_png(width: int, height: int) -> bytes:
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = encoded(C8, "PNG")
    return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]


def lying_bmp(width: int, height: int) -> bytes:
    data = encoded(C8, "BMP")
    return data[:18] + struct.pack("<ii", width, height) + data[26:]


def lying_jpeg(width: int, height: int) -> bytes:
    data = encoded(C8, "JPEG")
    at = data.index(b"\xff\xc0") + 5
    return data[:at] + struct.pack(">HH", height, width) + data[at + 4 :]


def lying_tiff(width: int, height: int, deep: bool = True) -> bytes:
    stream = io.BytesIO(deep_tiff() if deep else encoded(C8, "TIFF"))
    with tifffile.TiffFile(stream, mode="r+b") as file:
        file.pages[0].tags[256].overwrite(width, dtype="I")
        file.pages[0].tags[257].overwrite(height, dtype="I")
    return stream.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        lying_png(32000, 32000),
        lying_png(2**31 - 1, 2**31 - 1),
        lying_png(12500, 12500),
        lying_bmp(32000, 32000),
        lying_jpeg(65000, 65000),
        lying_tiff(32000, 32000),
        lying_tiff(32000, 32000, deep=False),
    ],
)
def test_billions_of_pixels(tmp_path: Path, data: bytes) -> None:
    path = written(tmp_path, data)
    started = time.perf_counter()
    tracemalloc.start()
    try:
        text = refusal(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert text == "plate.png has more than 150 million pixels: crop it to the plate"
    assert peak < 5e6
    assert time.perf_counter() - started < 2


def test_header_that_lies_within_the_limit(tmp_path: Path) -> None:
    # 100 million pixels: between the image library's warning and its error.
    for data in (
        lying_png(10000, 10000),
        lying_bmp(10000, 10000),
        lying_tiff(10000, 10000),
        lying_tiff(10000, 10000, deep=False),
    ):
        assert "is cut short, broken" in refusal(written(tmp_path, data))


@pytest.mark.parametrize("array", [C8, C16])
@pytest.mark.parametrize("tiled", [False, True])
@pytest.mark.parametrize(("size", "height"), [(0, 60), (None, 70)])
def test_strip_that_is_missing(
    tmp_path: Path, array: np.ndarray, tiled: bool, size: int | None, height: int
) -> None:
    # A decoder would fill the gap with black.
    path = tmp_path / "plate.tif"
    options = {"tile": (32, 32), "compression": "zlib"} if tiled else {"rowsperstrip": 10}
    tifffile.imwrite(path, array, photometric="rgb", **options)
    np.testing.assert_array_equal(read_scan(path).codes, array)
    with tifffile.TiffFile(path, mode="r+b") as file:
        tags = file.pages[0].tags
        counts = tags[325 if tiled else 279]
        if size is not None:
            counts.overwrite((size, *counts.value[1:]))
        tags[257].overwrite(height)
    assert "is cut short" in refusal(path)


def test_file_of_many_gigabytes(tmp_path: Path) -> None:
    path = written(tmp_path, encoded(C8, "PNG"))
    os.truncate(path, MAX_BYTES + 1)  # sparse: takes no room
    assert "is larger than any scan" in refusal(path)


def test_numbers_that_are_no_light(tmp_path: Path) -> None:
    grey = C8[:, :, 0]
    for array, options, word in (
        (grey.astype("f4"), {}, "floating-point or signed"),
        (grey.astype("f2"), {}, "floating-point or signed"),
        (grey.astype("i2"), {}, "floating-point or signed"),
        (grey.astype("u4"), {}, "a TIFF of 32 bits a channel"),
        (C8, {"photometric": "cielab"}, "a TIFF of colour kind 8 at 8 bits"),
        (
            np.dstack([C16, C16[:, :, :1]]),
            {"photometric": "separated"},
            "a TIFF of colour kind 5 at 16 bits",
        ),
        (grey, {"subfiletype": 1}, "begins with a thumbnail"),
        (grey, {"extratags": [(50706, "B", 4, (1, 4, 0, 0), True)]}, "a camera's raw file"),
    ):
        path = tmp_path / "plate.tif"
        tifffile.imwrite(path, array, **{"photometric": "minisblack", **options})
        text = refusal(path)
        assert word in text
        assert text.endswith(": save it as 8- or 16-bit grey or RGB")


def see_through() -> dict[str, bytes]:
    alpha = np.full((60, 80), 255, np.uint8)
    alpha[59, 79] = 254
    few = Image.fromarray(C8).quantize(16)
    grey = C8[:, :, 0]
    return {
        "RGBA": encoded(np.dstack([C8, alpha]), "PNG"),
        "LA": encoded(np.dstack([grey, alpha]), "PNG"),
        "TIFF": encoded(np.dstack([C8, alpha]), "TIFF"),
        "WebP": encoded(np.dstack([C8, alpha]), "WEBP", lossless=True),
        "palette": encoded(few, "PNG", transparency=3),
        "key": encoded(C8, "PNG", transparency=tuple(int(v) for v in C8[30, 40])),
        "grey key": encoded(grey, "PNG", transparency=int(grey[30, 40])),
    }


@pytest.mark.parametrize("kind", list(see_through()))
def test_see_through_pixels(tmp_path: Path, kind: str) -> None:
    path = written(tmp_path, see_through()[kind])
    assert refusal(path) == (
        "plate.png has transparent pixels, which hold no light: flatten it, or crop to the plate"
    )


def test_key_that_no_pixel_has(tmp_path: Path) -> None:
    grey = np.minimum(C8[:, :, 0], 250)
    path = written(tmp_path, encoded(grey, "PNG", transparency=251))
    np.testing.assert_array_equal(read_scan(path).codes[:, :, 0], grey)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"turn": 45}, "--turn 45"),
        ({"transfer": "bright"}, "--transfer bright"),
        ({"transfer": "9"}, "--transfer 9"),
        ({"dpi": 0}, "--dpi 0"),
        ({"dpi": float("nan")}, "--dpi nan"),
    ],
)
def test_options(tmp_path: Path, options: dict[str, Any], word: str) -> None:
    with pytest.raises(InputError, match=word):
        read_scan(written(tmp_path, encoded(C8, "PNG")), **options)


def samples() -> dict[str, bytes]:
    exif = Image.Exif()
    exif[274], exif[271] = 6, "A maker"
    exif.get_ifd(0x8769)[33434] = 0.01
    few = Image.fromarray(C8).quantize(16)
    return {
        "png": encoded(C8, "PNG", dpi=(300, 300), exif=exif, icc_profile=bytes(200)),
        "palette": encoded(few, "PNG", transparency=3),
        "tiff": encoded(C8, "TIFF", dpi=(300, 300)),
        "tiff deflate": encoded(C8, "TIFF", compression="tiff_deflate"),
        "tiff lzw": encoded(C8, "TIFF", compression="tiff_lzw"),
        "tiff deep": deep_tiff(rowsperstrip=10, resolution=(300, 300)),
        "tiff deep deflate": deep_tiff(compression="zlib", predictor=True, tile=(32, 32)),
        "jpeg": encoded(C8, "JPEG", dpi=(300, 300), exif=exif),
        "jpeg progressive": encoded(C8, "JPEG", progressive=True),
        "bmp": encoded(C8, "BMP"),
        "webp": encoded(C8, "WEBP", exif=exif),
        "webp lossless": encoded(C8, "WEBP", lossless=True),
    }


KINDS = list(samples())


@pytest.mark.parametrize("kind", KINDS)
def test_cut_short(tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    whole = samples()[kind]
    pixels = None
    if kind != "palette":
        pixels = read_scan(written(tmp_path, whole)).codes
    for share in np.linspace(0.02, 0.98, 25):
        path = written(tmp_path, whole[: int(share * len(whole))])
        try:
            scan = read_scan(path)
        except InputError as error:
            one_line(error)
        else:
            # Only what follows the pixels may be missing.
            np.testing.assert_array_equal(scan.codes, pixels)
    assert "is cut short" in refusal(written(tmp_path, whole[: len(whole) // 2]))
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", KINDS)
def test_spoiled_bytes(tmp_path: Path, kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    whole = samples()[kind]
    random = np.random.default_rng(len(whole))
    slowest = 0.0
    # Three spans and four counts of spoiled bytes. A packed TIFF is unpacked in a process of its
    # own, which takes a quarter of a second: each of the twelve once.
    for turn in range(12 if kind in ("tiff deflate", "tiff lzw") else 60):
        data = bytearray(whole)
        # Headers stand at the front, or at the end in a TIFF.
        span = (0, len(data)) if turn % 3 == 0 else (0, 300) if turn % 3 == 1 else (-300, 0)
        for _ in range(1 + turn % 4):
            data[random.integers(*span)] ^= int(random.integers(1, 256))
        path = written(tmp_path, bytes(data))
        started = time.perf_counter()
        try:
            scan = read_scan(path)
        except InputError as error:
            one_line(error)
        else:
            samples_each = 1 if scan.channels == ("mean",) else 3
            assert scan.codes.shape == (scan.height_px, scan.width_px, samples_each)
        slowest = max(slowest, time.perf_counter() - started)
    assert slowest < 2
    assert capfd.readouterr() == ("", "")

"""A scan's codes come out exactly as they were put in, upright, and its light by the standard."""

from __future__ import annotations

import hashlib
import io
import struct
import sys
import tracemalloc
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps, PngImagePlugin

from lanes.errors import InputError
from lanes.scan.scan import Scan, read_scan
from lanes.scan.transfer import linear_to_srgb, srgb_to_linear, to_linear

RNG = np.random.default_rng(11)
G8 = RNG.integers(0, 256, (40, 50), dtype=np.uint8)
C8 = RNG.integers(0, 256, (40, 50, 3), dtype=np.uint8)
G16 = RNG.integers(0, 65536, (40, 50), dtype=np.uint16)
C16 = RNG.integers(0, 65536, (40, 50, 3), dtype=np.uint16)


def names(scan: Scan) -> list[str]:
    return [f.name for f in scan.flags]


def saved(tmp_path: Path, image: Any, suffix: str = ".png", **options: Any) -> Path:
    path = tmp_path / f"plate{suffix}"
    image = image if isinstance(image, Image.Image) else Image.fromarray(image)
    image.save(path, **options)
    return path


def tiff(tmp_path: Path, array: Any, **options: Any) -> Path:
    path = tmp_path / "plate.tif"
    tifffile.imwrite(path, array, **options)
    return path


def png16(tmp_path: Path, array: np.ndarray, colour: int) -> Path:
    """Write a 16-bit PNG by hand (PNG specification, 5 and 11): the image library can't."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    height, width = array.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in array)
    path = tmp_path / "deep.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 16, colour, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
    return path


# Light


def test_srgb_against_the_standard() -> None:
    # IEC 61966-2-1; values worked out from its equation.
    codes = [0, 10, 64, 128, 186, 200, 254, 255]
    light = [0, 0.00303527, 0.0512695, 0.215861, 0.491021, 0.577580, 0.991102, 1]
    near = {"rtol": 0, "atol": 6e-7}  # printed to six figures
    np.testing.assert_allclose(srgb_to_linear(np.array(codes) / 255), light, **near)
    np.testing.assert_allclose(to_linear(codes, 8, "srgb"), light, **near)
    np.testing.assert_allclose(to_linear(np.array(codes) * 257, 16, "srgb"), light, **near)
    # D = -log10 R is 0.66583 at code 128.
    assert -np.log10(to_linear(128, 8, "srgb")) == pytest.approx(0.66583, abs=5e-6)


def test_srgb_round_trip() -> None:
    v = np.linspace(0, 1, 4001)
    np.testing.assert_allclose(linear_to_srgb(srgb_to_linear(v)), v, atol=2e-7)


def test_other_transfers() -> None:
    codes = np.array([0, 1, 13107, 65535])
    np.testing.assert_allclose(to_linear(codes, 16, "linear"), codes / 65535, rtol=1e-6)
    np.testing.assert_allclose(to_linear(codes, 16, "2.2"), (codes / 65535) ** 2.2, rtol=1e-6)


@pytest.mark.parametrize(
    ("codes", "bits", "transfer"),
    [
        ([256], 8, "srgb"),
        ([-1], 8, "srgb"),
        ([0.5], 8, "srgb"),
        ([1], 12, "srgb"),
        ([1], 8, "auto"),
        ([1], 8, "bright"),
    ],
)
def test_to_linear_refuses(codes: Any, bits: int, transfer: str) -> None:
    with pytest.raises(InputError):
        to_linear(codes, bits, transfer)


def by_the_book(scan: Scan, channel: str, reduce: int) -> np.ndarray:
    """Return the same light the slow way, in float64."""
    v = scan.codes / (2.0**scan.bits - 1)
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    if scan.codes.shape[2] == 1:
        plane = linear[:, :, 0]
    elif channel == "mean":
        plane = linear.mean(axis=2)
    elif channel == "luminance":  # Rec. ITU-R BT.709
        plane = linear @ [0.2126, 0.7152, 0.0722]
    else:
        colours = [("red", "green", "blue").index(name) for name in channel.split("+")]
        plane = linear[:, :, colours].mean(axis=2)
    h, w = plane.shape[0] // reduce, plane.shape[1] // reduce
    return plane[: h * reduce, : w * reduce].reshape(h, reduce, w, reduce).mean(axis=(1, 3))


@pytest.mark.parametrize("reduce", [1, 2, 3, 7])
def test_light_is_averaged_as_light(tmp_path: Path, reduce: int) -> None:
    # Larger than one strip, so that the seams between strips are seen.
    array = RNG.integers(0, 256, (701, 803, 3), dtype=np.uint8)
    scan = read_scan(saved(tmp_path, array))
    assert scan.channels == ("red", "green", "blue", "mean", "luminance", "red+green",
                             "green+blue", "red+blue")
    for channel in scan.channels:
        light = scan.light(channel, reduce)
        assert light.dtype == np.float32
        np.testing.assert_allclose(light, by_the_book(scan, channel, reduce), rtol=2e-6, atol=1e-9)


def test_light_of_deep_grey(tmp_path: Path) -> None:
    scan = read_scan(saved(tmp_path, G16))
    assert scan.channels == ("mean",)
    np.testing.assert_allclose(scan.light("mean", 3), by_the_book(scan, "mean", 3), rtol=2e-6)


def test_white_is_one_and_black_is_zero(tmp_path: Path) -> None:
    for value in (0, 255):
        scan = read_scan(saved(tmp_path, np.full((20, 20, 3), value, np.uint8)))
        for channel in scan.channels:
            for reduce in (1, 2, 3):
                light = scan.light(channel, reduce)
                assert light.max() <= 1
                np.testing.assert_allclose(light, value / 255, atol=2e-7)


def test_clipped(tmp_path: Path) -> None:
    array = np.full((20, 20, 3), 128, np.uint8)
    array[0, 0, 0], array[0, 1, 1], array[4, 4, :] = 0, 255, 255
    scan = read_scan(saved(tmp_path, array))
    red, mean = scan.clipped("red", 2), scan.clipped("mean", 2)
    assert (red[0, 0], red[2, 2], red.sum()) == (0.25, 0.25, 0.5)
    assert (mean[0, 0], mean[2, 2], mean.sum()) == (0.5, 0.25, 0.75)
    assert scan.clipped("blue").sum() == 1
    deep = np.full((20, 20), 255, np.uint16)
    deep[3, 3] = 65535
    assert read_scan(saved(tmp_path, deep)).clipped("mean").sum() == 1


def test_channel_or_block_that_is_not_there(tmp_path: Path) -> None:
    scan = read_scan(saved(tmp_path, G8))
    with pytest.raises(InputError, match="is grey and has no channel 'red': give --channel mean"):
        scan.light("red")
    with pytest.raises(InputError, match="is grey"):
        scan.clipped("luminance")
    for reduce in (0, 41):
        with pytest.raises(InputError, match="shorter side"):
            scan.light("mean", reduce)


# Codes


def test_what_a_scan_carries(tmp_path: Path) -> None:
    path = saved(tmp_path, C8, dpi=(100, 100))
    scan = read_scan(path)
    assert (scan.file, scan.width_px, scan.height_px, scan.bits) == ("plate.png", 50, 40, 8)
    assert scan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (scan.mode, scan.transfer, scan.camera, scan.flags) == ("RGB", "srgb", False, ())
    np.testing.assert_array_equal(scan.codes, C8)
    assert scan.codes.flags.c_contiguous
    with pytest.raises(ValueError, match="read-only"):
        scan.codes[0, 0, 0] = 1


@pytest.mark.parametrize("suffix", [".png", ".tif", ".bmp", ".webp"])
def test_formats_without_loss(tmp_path: Path, suffix: str) -> None:
    options = {"lossless": True} if suffix == ".webp" else {}
    np.testing.assert_array_equal(read_scan(saved(tmp_path, C8, suffix, **options)).codes, C8)


def test_jpeg(tmp_path: Path) -> None:
    path = saved(tmp_path, C8, ".jpg", quality=95)
    np.testing.assert_array_equal(read_scan(path).codes, np.asarray(Image.open(path)))
    grey = read_scan(saved(tmp_path, np.full((40, 50), 99, np.uint8), ".jpg"))
    np.testing.assert_array_equal(grey.codes, np.full((40, 50, 1), 99))


@pytest.mark.parametrize("suffix", [".png", ".tif"])
@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "RGB", "RGBA", "I;16"])
def test_modes(tmp_path: Path, suffix: str, mode: str) -> None:
    bits = np.where(G8 > 99, 255, 0).astype(np.uint8)
    opaque = np.full_like(G8, 255)
    few = C8 // 64 * 85
    image, codes = {
        "1": (Image.fromarray(bits).convert("1"), bits),
        "L": (Image.fromarray(G8), G8),
        "P": (Image.fromarray(few).quantize(64, dither=Image.Dither.NONE), few),
        "LA": (Image.fromarray(np.dstack([G8, opaque])), G8),
        "RGB": (Image.fromarray(C8), C8),
        "RGBA": (Image.fromarray(np.dstack([C8, opaque])), C8),
        "I;16": (Image.fromarray(G16), G16),
    }[mode]
    if mode == "P":
        codes = np.asarray(image.convert("RGB"))
    scan = read_scan(saved(tmp_path, image, suffix))
    assert scan.mode == mode
    assert scan.bits == (16 if mode == "I;16" else 8)
    assert scan.codes.dtype == codes.dtype
    np.testing.assert_array_equal(scan.codes, codes.reshape(40, 50, -1))


def test_inks_are_read_and_doubted(tmp_path: Path) -> None:
    inks = np.zeros((40, 50, 4), np.uint8)
    inks[:, :, 0], inks[:20, :, 3] = 255, 255
    scan = read_scan(saved(tmp_path, Image.fromarray(inks, "CMYK"), ".tif"))
    np.testing.assert_array_equal(scan.codes[0, 0], [0, 0, 0])
    np.testing.assert_array_equal(scan.codes[-1, 0], [0, 255, 255])
    assert (scan.mode, names(scan)) == ("CMYK", ["transfer-assumed"])


def test_first_page_is_read(tmp_path: Path) -> None:
    other = Image.fromarray(255 - C8)
    for suffix, options in ((".tif", {}), (".png", {}), (".webp", {"lossless": True})):
        path = saved(tmp_path, C8, suffix, save_all=True, append_images=[other], **options)
        np.testing.assert_array_equal(read_scan(path).codes, C8)


@pytest.mark.parametrize("compression", [None, "tiff_lzw", "tiff_adobe_deflate"])
def test_a_page_is_chosen(tmp_path: Path, compression: str | None) -> None:
    other = Image.fromarray(C8[::-1].copy())
    path = saved(tmp_path, C8, ".tif", save_all=True, append_images=[other],
                 compression=compression)
    np.testing.assert_array_equal(read_scan(path, page=1).codes, C8)
    np.testing.assert_array_equal(read_scan(path, page=2).codes, C8[::-1])
    assert names(read_scan(path)) == ["more-pages"]
    assert "2 pages" in read_scan(path).flags[0].message
    assert names(read_scan(path, page=1)) == []


@pytest.mark.parametrize("array", [C16, G16])
@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"bigtiff": True},
                                     {"byteorder": ">"}])
def test_a_page_of_a_deep_tiff_is_chosen(
    tmp_path: Path, array: np.ndarray, options: dict[str, Any]
) -> None:
    path = tmp_path / "plate.tif"
    with tifffile.TiffWriter(path, **{k: v for k, v in options.items() if k != "compression"}) as f:
        for page in (array, array[::-1]):
            f.write(page, compression=options.get("compression"),
                    photometric="rgb" if array.ndim == 3 else "minisblack", metadata=None)
    one, two = read_scan(path, page=1).codes, read_scan(path, page=2).codes
    np.testing.assert_array_equal(one.squeeze(), array)
    np.testing.assert_array_equal(two.squeeze(), array[::-1])
    assert "more-pages" in names(read_scan(path))


def test_a_reduced_copy_is_no_page(tmp_path: Path) -> None:
    path = tmp_path / "plate.tif"
    with tifffile.TiffWriter(path) as file:
        for page, kind in ((C8, 0), (C8[::2, ::2], 1), (C8[::-1], 0)):
            file.write(page, photometric="rgb", subfiletype=kind, metadata=None)
    assert "2 pages" in read_scan(path).flags[0].message
    np.testing.assert_array_equal(read_scan(path, page=2).codes, C8[::-1])


def test_a_telephones_photograph(tmp_path: Path) -> None:
    """Through the optional extra; the codec is lossy, so codes come back nearly as they went."""
    heif = pytest.importorskip("pillow_heif")
    heif.register_heif_opener()
    slope = np.add.outer(np.arange(64), 2 * np.arange(96)).astype(np.uint8)
    smooth = np.dstack([slope, slope, 255 - slope])
    Image.fromarray(smooth).save(tmp_path / "plate.heic", quality=95)
    scan = read_scan(tmp_path / "plate.heic")
    assert scan.codes.shape == smooth.shape
    assert np.abs(scan.codes.astype(int) - smooth).mean() < 4


# Depth: each kind of TIFF written by a reference library, each code compared.


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("kind", ["grey", "grey white is zero", "colour", "colour planar"])
@pytest.mark.parametrize("bits", [8, 16])
def test_tiff(tmp_path: Path, order: str, compression: str | None, kind: str, bits: int) -> None:
    grey, colour = (G8, C8) if bits == 8 else (G16, C16)
    array, codes, options = {
        "grey": (grey, grey[:, :, None], {"photometric": "minisblack"}),
        "grey white is zero": (2**bits - 1 - grey, grey[:, :, None], {"photometric": "miniswhite"}),
        "colour": (colour, colour, {"photometric": "rgb"}),
        "colour planar": (
            np.moveaxis(colour, -1, 0).copy(),
            colour,
            {"photometric": "rgb", "planarconfig": "separate"},
        ),
    }[kind]
    path = tiff(
        tmp_path,
        array,
        compression=compression,
        byteorder=order,
        rowsperstrip=16,
        resolution=(100, 100),
        resolutionunit="inch",
        **options,
    )
    scan = read_scan(path)
    assert (scan.bits, scan.dpi) == (bits, 100.0)
    assert scan.codes.dtype.isnative
    np.testing.assert_array_equal(scan.codes, codes)
    assert names(scan) == ([] if bits == 8 else ["transfer-assumed"])


def test_tiff_tiled_predicted_and_large(tmp_path: Path) -> None:
    array = np.tile(C16, (3, 3, 1))
    path = tiff(
        tmp_path,
        array,
        photometric="rgb",
        tile=(32, 32),
        compression="zlib",
        predictor=True,
        bigtiff=True,
    )
    np.testing.assert_array_equal(read_scan(path).codes, array)


def test_tiff_extra_samples(tmp_path: Path) -> None:
    full, noise = np.full_like(G16, 65535), G16[::-1]
    for extra, sample in (("unassalpha", full), ("unspecified", noise)):
        for base, photometric in ((C16, "rgb"), (G16, "minisblack")):
            path = tiff(
                tmp_path,
                np.dstack([base, sample]),
                photometric=photometric,
                planarconfig="contig",
                extrasamples=[extra],
            )
            np.testing.assert_array_equal(read_scan(path).codes, base.reshape(40, 50, -1))
    path = tiff(tmp_path, np.dstack([C16, noise]), photometric="rgb", extrasamples=["unassalpha"])
    with pytest.raises(InputError, match="transparent pixels"):
        read_scan(path)


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    planar = np.moveaxis(C16, -1, 0).copy()
    colour = tiff(tmp_path, C16, photometric="rgb").rename(tmp_path / "colour.tif")
    separate = tiff(tmp_path, planar, photometric="rgb", planarconfig="separate")
    separate = separate.rename(tmp_path / "separate.tif")
    negative = tiff(tmp_path, G16, photometric="miniswhite", byteorder=">")
    monkeypatch.setitem(sys.modules, "tifffile", None)
    scan = read_scan(colour)
    np.testing.assert_array_equal(scan.codes, C16 >> 8)
    assert names(scan) == ["depth-lost", "transfer-assumed"]
    for path in (separate, negative):
        with pytest.raises(InputError, match=r"needs the Python package tifffile: install it, or"):
            read_scan(path)


def lzw(data: bytes) -> bytes:
    """Return `data` as TIFF LZW (TIFF 6.0, section 13), cleared before codes grow past 9 bits."""
    codes = []
    for i in range(0, len(data), 200):
        codes += [256, *data[i : i + 200]]
    text = "".join(f"{code:09b}" for code in [*codes, 257])
    text += "0" * (-len(text) % 8)
    return int(text, 2).to_bytes(len(text) // 8, "big")


def test_deep_colour_packed_by_lzw(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The optional library unpacks this only with a further one.
    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    path = tiff(tmp_path, C16, photometric="rgb", byteorder="<")
    strip = lzw(C16.astype("<u2").tobytes())
    start = path.stat().st_size
    with tifffile.TiffFile(path, mode="r+b") as file:
        tags = file.pages[0].tags
        tags[259].overwrite(5)
        tags[273].overwrite(start)
        tags[279].overwrite(len(strip))
    path.write_bytes(path.read_bytes()[:start].ljust(start, b"\0") + strip)
    scan = read_scan(path)
    np.testing.assert_array_equal(scan.codes, C16 >> 8)
    assert "depth-lost" in names(scan)


@pytest.mark.parametrize(("colour", "samples"), [(2, 3), (4, 2), (6, 4)])
def test_deep_colour_png_loses_depth_aloud(tmp_path: Path, colour: int, samples: int) -> None:
    array = np.full((40, 50, samples), 65535, np.uint16)
    inked = samples - (colour > 2)  # the last of an even number is how opaque it is
    array[:, :, :inked] = C16[:, :, :inked]
    scan = read_scan(png16(tmp_path, array, colour))
    # Deep grey with transparency comes as three equal channels.
    wanted = np.broadcast_to(array[:, :, :inked] >> 8, (40, 50, 3))
    np.testing.assert_array_equal(scan.codes, wanted)
    assert (scan.bits, names(scan)) == (8, ["depth-lost", "transfer-assumed"])


def test_deep_grey_png(tmp_path: Path) -> None:
    scan = read_scan(png16(tmp_path, G16, 0))
    np.testing.assert_array_equal(scan.codes[:, :, 0], G16)
    assert (scan.bits, scan.mode, names(scan)) == (16, "I;16", ["transfer-assumed"])


# Turning


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_orientation_then_turn(tmp_path: Path, orientation: int, turn: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    upright = np.rot90(
        np.asarray(ImageOps.exif_transpose(Image.open(saved(tmp_path, C8, exif=exif)))), turn // 90
    )
    tag = [(274, "H", 1, orientation, True)]
    plain = saved(tmp_path, C8, exif=exif)
    for path in (plain, tiff(tmp_path, C8, photometric="rgb", extratags=tag)):
        scan = read_scan(path, turn=turn)
        np.testing.assert_array_equal(scan.codes, upright)
        assert scan.codes.shape[:2] == (scan.height_px, scan.width_px)
        assert scan.codes.flags.c_contiguous
    deep = read_scan(
        tiff(tmp_path, C8 * np.uint16(257), photometric="rgb", extratags=tag), turn=turn
    )
    np.testing.assert_array_equal(deep.codes, upright * np.uint16(257))


def test_a_turned_picture_by_hand(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[274] = 6  # row 0 is the visual right side (EXIF 2.32, 4.6.4): turn clockwise
    array = np.zeros((40, 50), np.uint8)
    array[0, 0] = 200
    assert read_scan(saved(tmp_path, array, exif=exif)).codes[0, 39, 0] == 200
    assert read_scan(saved(tmp_path, array), turn=90).codes[49, 0, 0] == 200


# Scale


@pytest.mark.parametrize("suffix", [".png", ".tif", ".jpg", ".bmp"])
@pytest.mark.parametrize("dpi", [150, 300, 1200])
def test_dots_per_inch(tmp_path: Path, suffix: str, dpi: int) -> None:
    array = np.full((600, 500), 128, np.uint8)
    assert read_scan(saved(tmp_path, array, suffix, dpi=(dpi, dpi))).dpi == dpi


def test_dots_per_centimetre(tmp_path: Path) -> None:
    for array in (C8, C16):
        path = tiff(
            tmp_path, array, photometric="rgb", resolution=(50, 50), resolutionunit="centimeter"
        )
        assert read_scan(path).dpi == 127.0
        path = tiff(tmp_path, array, photometric="rgb", resolution=(50, 50), resolutionunit="none")
        assert read_scan(path).dpi is None


def test_no_dots_is_unknown(tmp_path: Path) -> None:
    scan = read_scan(saved(tmp_path, C8))
    assert (scan.dpi, scan.flags) == (None, ())


@pytest.mark.parametrize("dots", [(300, 600), (2, 2), (30000, 30000)])
def test_implausible_dots(tmp_path: Path, dots: tuple[int, int]) -> None:
    path = saved(tmp_path, C8, dpi=dots)
    scan = read_scan(path)
    assert (scan.dpi, names(scan)) == (None, ["scale-implausible"])
    stated = read_scan(path, dpi=300)
    assert (stated.dpi, stated.flags) == (300.0, ())


def test_camera_has_no_scale(tmp_path: Path) -> None:
    for tags, details, dots, camera, dpi in (
        ({}, {33434: 0.01}, 100, True, None),
        ({271: "A maker"}, {}, 72, True, None),
        ({271: "A maker"}, {}, 100, False, 100.0),  # scanners sign their files too
        ({}, {}, 100, False, 100.0),
    ):
        exif = Image.Exif()
        exif.update(tags)
        exif.get_ifd(0x8769).update(details)
        scan = read_scan(saved(tmp_path, C8, ".jpg", dpi=(dots, dots), exif=exif))
        assert (scan.camera, scan.dpi, scan.flags) == (camera, dpi, ())
    assert read_scan(saved(tmp_path, C8, ".jpg", dpi=(72, 72))).dpi is None


# Transfer


def curve_profile(*curves: bytes) -> bytes:
    """Return the part of an ICC profile that is read: a header, and one curve for each channel."""
    table, body = b"", b""
    start = 132 + 12 * len(curves)
    for signature, curve in zip((b"rTRC", b"gTRC", b"bTRC"), curves, strict=False):
        table += signature + struct.pack(">II", start + len(body), len(curve))
        body += curve
    return bytes(128) + struct.pack(">I", len(curves)) + table + body


def gamma_curve(gamma: float) -> bytes:
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


SRGB_TABLE = (
    b"curv"
    + bytes(4)
    + struct.pack(
        ">I1024H", 1024, *np.round(65535 * srgb_to_linear(np.linspace(0, 1, 1024))).astype(int)
    )
)
S_CURVE = b"curv" + bytes(4) + struct.pack(">5H", 0, 3, 0, 9000, 65535)
LINEAR = b"curv" + bytes(8)
LIBRARY_SRGB = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.mark.parametrize(
    ("profile", "transfer", "sure"),
    [
        (LIBRARY_SRGB, "srgb", True),
        (curve_profile(SRGB_TABLE, SRGB_TABLE, SRGB_TABLE), "srgb", True),
        (curve_profile(*[gamma_curve(2.19921875)] * 3), "2.199", True),
        (curve_profile(LINEAR, LINEAR, LINEAR), "linear", True),
        (curve_profile(LINEAR, LINEAR, gamma_curve(1.8)), "srgb", False),
        (curve_profile(S_CURVE), "srgb", False),
        (b"nothing of the kind", "srgb", False),
    ],
)
def test_colour_profile(tmp_path: Path, profile: bytes, transfer: str, sure: bool) -> None:
    for suffix in (".png", ".tif", ".jpg"):
        scan = read_scan(saved(tmp_path, C8, suffix, icc_profile=profile))
        assert (scan.transfer, names(scan)) == (transfer, [] if sure else ["transfer-assumed"])
    deep = read_scan(tiff(tmp_path, C16, photometric="rgb", iccprofile=profile))
    assert (deep.transfer, names(deep)) == (transfer, [] if sure else ["transfer-assumed"])


@pytest.mark.parametrize(
    ("chunk", "body", "transfer"),
    [
        (b"gAMA", 100000, "linear"),
        (b"gAMA", 45455, "srgb"),
        (b"gAMA", 55556, "1.8"),
        (b"sRGB", None, "srgb"),
    ],
)
def test_png_says_its_transfer(
    tmp_path: Path, chunk: bytes, body: int | None, transfer: str
) -> None:
    info_chunk = PngImagePlugin.PngInfo()
    info_chunk.add(chunk, b"\0" if body is None else struct.pack(">I", body))
    for array in (C8, G16):
        scan = read_scan(saved(tmp_path, array, pnginfo=info_chunk))
        assert (scan.transfer, scan.flags) == (transfer, ())


def test_a_stated_transfer_is_used(tmp_path: Path) -> None:
    path = saved(tmp_path, G16)
    for stated, resolved in {
        "linear": "linear",
        "srgb": "srgb",
        "2.20": "2.2",
        "1": "linear",
    }.items():
        scan = read_scan(path, transfer=stated)
        assert (scan.transfer, scan.flags) == (resolved, ())
    linear = read_scan(path, transfer="linear").light("mean")
    np.testing.assert_allclose(linear, G16 / 65535, rtol=1e-6)


# Cost


def test_memory_stays_within_twice_the_codes(tmp_path: Path) -> None:
    array = RNG.integers(190, 210, (1200, 1000, 3), dtype=np.uint8)
    path = saved(tmp_path, array, ".bmp")
    read_scan(saved(tmp_path, G8))  # load the decoders first
    tracemalloc.start()
    try:
        scan = read_scan(path, turn=90)
        read = tracemalloc.get_traced_memory()[1]
        tracemalloc.reset_peak()
        held = tracemalloc.get_traced_memory()[0]
        scan.light("luminance", 2)
        light = tracemalloc.get_traced_memory()[1] - held
    finally:
        tracemalloc.stop()
    assert read < 2 * array.nbytes
    assert light < 1.5 * array.nbytes


def test_bytes_of_the_file_are_not_touched(tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.fromarray(C8).save(stream, "PNG")
    path = tmp_path / "plate.png"
    path.write_bytes(stream.getvalue())
    first, second = read_scan(path), read_scan(str(path))
    assert path.read_bytes() == stream.getvalue()
    np.testing.assert_array_equal(first.codes, second.codes)
    assert first.sha256 == second.sha256

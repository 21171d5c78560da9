"""From an image file's bytes to its codes: formats, depths, headers and what breaks them.

Looks at a file's header before the image library decodes it: that library hands over 16-bit colour
at 8 bits, and some 16-bit TIFFs wrong, without a word.
"""

from __future__ import annotations

import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lanes.errors import InputError, one_line
from lanes.scan.pixels import (
    MAX_PIXELS,
    STRIP,
    ColourStep,
    Raw,
    check_size,
    installed,
    opaque,
    see_through,
)
from lanes.scan.webp import webp_step

MAX_BYTES = MAX_PIXELS * 9  # sixteen bits, four channels, and room for a header

_MAGIC = {
    b"\x89PNG\r\n\x1a\n": "PNG", b"II*\0": "TIFF", b"MM\0*": "TIFF", b"II+\0": "TIFF",
    b"MM\0+": "TIFF", b"\xff\xd8\xff": "JPEG", b"BM": "BMP",
}  # fmt: skip
# Brands of a still photograph in ISO/IEC 23008-12, as telephones write it.
_HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_REFUSED = {b"GIF8": "a GIF", b"%PDF": "a PDF", b"\0\0\0\x0cjP  ": "a JPEG 2000"}
# What each mode of the image library is turned into; a mode not here is refused.
_MODES = {
    "1": "L", "L": "L", "P": "RGB", "RGB": "RGB", "RGBX": "RGB", "CMYK": "RGB", "YCbCr": "RGB",
    "LA": "LA", "La": "LA", "PA": "RGBA", "RGBA": "RGBA", "RGBa": "RGBA",
    "I;16": "I;16", "I;16L": "I;16L", "I;16B": "I;16B", "I;16N": "I;16N",
}  # fmt: skip

# EXIF 2.3, sections 4.6.4 and 4.6.5.
_ORIENTATION, _MAKE, _MODEL, _DETAILS = 274, 271, 272, 0x8769
_CAMERA_DETAILS = (33434, 33437, 37386)  # exposure time, aperture, focal length
_FILE_SOURCE, _DIGITAL_CAMERA = 41728, b"\x03"


def read_bytes(path: str | Path) -> tuple[str, bytes]:
    # A name may hold bytes that are no text: it must still fit in a JSON file.
    name = one_line(Path(path).name.encode("utf-8", "replace").decode()) or "the path given"
    try:
        status = Path(path).stat()
        fits = stat.S_ISREG(status.st_mode) and status.st_size <= MAX_BYTES
        data = Path(path).read_bytes() if fits else b""
    except FileNotFoundError:
        raise InputError(f"no such file: {name}; check the path") from None
    except PermissionError:
        raise InputError(f"{name} can't be opened: allow yourself to read it") from None
    except (OSError, ValueError, MemoryError):
        raise InputError(f"{name} can't be read: check the path, or copy the file") from None
    if stat.S_ISDIR(status.st_mode):
        raise InputError(f"{name} is a folder: give one image file")
    if not stat.S_ISREG(status.st_mode):
        raise InputError(f"{name} is not a plain file: save the image to one")
    if not fits:
        raise InputError(f"{name} is larger than any scan of a plate: crop it to the plate")
    if not data:
        raise InputError(f"{name} is empty: scan or copy it again")
    return name, data


def file_kind(name: str, data: bytes) -> str:
    for magic, kind in _MAGIC.items():
        if data.startswith(magic):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    known = [word for magic, word in _REFUSED.items() if data.startswith(magic)]
    if data[4:8] == b"ftyp":
        if data[8:12] in _HEIF:
            return "HEIF"
        known = ["an AVIF or film"]
    what = f"{known[0]} file" if known else "not an image this program knows"
    raise InputError(f"{name} is {what}: give PNG, TIFF, JPEG, BMP or WebP")


def decode(name: str, kind: str, stream: BytesIO, invert: bool, page: int = 0) -> Raw:
    if kind == "HEIF":
        _open_heif(name)
    image: Image.Image = Image.open(stream, formats=(kind,))
    pages = 1 if kind == "JPEG" else getattr(image, "n_frames", 1)
    if kind != "TIFF":  # whose pages were counted from its directories
        check_page(name, page, pages)
    if page:
        image.seek(page)
    check_size(name, *image.size)
    if image.mode not in _MODES:
        raise InputError(f"{name} has pixels of kind {image.mode}: save it as grey or RGB")
    step = webp_step(stream.getvalue()) if kind == "WEBP" else None
    tiles = getattr(image, "tile", [])
    if kind == "TIFF" and tiles and tiles[0][0] == "libtiff":
        image = _unpacked(image, stream.getvalue(), page)
    else:
        image.load()
    if kind == "JPEG":
        step = _colour_step(image)
    orientation, exposure, maker = 1, False, False
    # A damaged EXIF block is no reason to refuse whole pixels.
    with suppress(Exception):
        exif = image.getexif()
        orientation = exif.get(_ORIENTATION, 1)
        maker = _MAKE in exif or _MODEL in exif
        details = exif.get_ifd(_DETAILS)
        exposure = (not details.keys().isdisjoint(_CAMERA_DETAILS)
                    or details.get(_FILE_SOURCE) == _DIGITAL_CAMERA)
    stream.close()
    target = _MODES[image.mode]
    if image.mode == "P" and "transparency" in image.info:
        target = "RGBA"
    deep = target.startswith("I;16")
    channels = 3 if target.startswith("RGB") else 1
    shape = (image.height, image.width, channels)
    key = None if image.mode == "P" else image.info.get("transparency")

    def strips() -> Iterator[tuple[int, NDArray[Any]]]:
        step = max(1, STRIP // image.width)
        for top in range(0, image.height, step):
            part = image.crop((0, top, image.width, min(top + step, image.height)))
            rows = np.asarray(part if part.mode == target else part.convert(target))
            rows = rows.reshape(*rows.shape[:2], -1)
            if key is not None and (rows == np.asarray(key)).all(axis=2).any():
                raise InputError(see_through(name))
            rows = opaque(name, rows, channels)
            yield top, (65535 - rows if invert else rows)

    dtype = np.dtype(np.uint16 if deep else np.uint8)
    return Raw(shape, dtype, strips(), image.mode, image.info, orientation, exposure, maker, pages,
               step)


def _colour_step(image: Any) -> ColourStep | None:
    """Return the step of colour of a JPEG by its own tables (ITU-T T.81, A.3.4 and B.2.4.1).

    A block's mean is kept in eighths of the table's first entry, and in whole codes when unpacked.
    """
    tables: Any = getattr(image, "quantization", None)
    layer: Any = getattr(image, "layer", ())
    if image.mode == "L" and len(layer) == 1 and tables:
        return _kept(1.0, 8, tables[layer[0][3]][0])
    if image.mode != "RGB" or len(layer) != 3 or not tables:
        return None
    _, across, down, _ = layer[0]
    first = max(tables[part[3]][0] for part in layer[1:] if part[3] in tables)
    coarser = max(across // max(layer[1][1], 1), down // max(layer[1][2], 1), 1)
    luma = tables[layer[0][3]][0] if layer[0][3] in tables else 0
    return _kept(max(1.0, first / 8), 8 * coarser, luma)


def _kept(codes: float, side_px: int, first: int) -> ColourStep:
    """Return the step of colour, with luma's by the first entry of its table.

    Two multiples of that are whole codes when unpacked, and may lie so much farther apart.
    """
    return ColourStep(codes, side_px, max(1.0, float(np.ceil(first / 8))), first / 8)


def _open_heif(name: str) -> None:
    """Let the image library read HEIF, or raise an InputError that names what it needs."""
    if not installed("pillow_heif"):
        raise InputError(
            f"{name} is a HEIC photograph, which needs the Python package pillow-heif: install "
            "it with pip install 'lanes[heic]', or export the photograph as JPEG or PNG"
        )
    import pillow_heif

    pillow_heif.register_heif_opener()


def check_page(name: str, page: int, pages: int) -> None:
    """Raise InputError where the file has no page `page`, counted from 0."""
    if page >= pages:
        few, span = ("one page", "--page 1") if pages == 1 else (
            f"{pages} pages", f"--page 1 to {pages}")
        raise InputError(f"{name} has {few}, and no page {page + 1}: give {span}, or leave it out")


# The C library that unpacks TIFF prints its complaints straight to standard error, which belongs
# to the whole process: packed pages are unpacked in one of their own.
_UNPACK = """
import io, sys, warnings
warnings.simplefilter("ignore")
from PIL import Image
Image.MAX_IMAGE_PIXELS = None  # the size was looked at before
image = Image.open(io.BytesIO(sys.stdin.buffer.read()), formats=("TIFF",))
image.seek(int(sys.argv[1]))
image.load()
if image.mode != sys.argv[2]:
    image = image.convert(sys.argv[2])
sys.stdout.buffer.write(image.tobytes())
"""
_UNPACK_S = 120.0  # for the largest scan on a slow machine; a broken file fails at once


def _unpacked(image: Image.Image, data: bytes, page: int) -> Image.Image:
    """Return `image`, a packed TIFF of which only the head was read, with its pixels."""
    if not sys.executable:  # Python inside another program: there is nothing to start
        image.load()
        return image
    target = "RGBA" if image.mode == "PA" else _MODES[image.mode]
    done = subprocess.run(
        [sys.executable, "-P", "-c", _UNPACK, str(page), target], input=data, check=True,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, timeout=_UNPACK_S,
    )
    whole = Image.frombytes(target, image.size, done.stdout)
    whole.info = image.info
    whole.getexif().update(image.getexif())
    return whole

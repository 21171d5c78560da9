"""From an image file's bytes to its codes: formats, depths, headers and what breaks them.

Looks at a file's header before the image library decodes it: that library hands over 16-bit colour
at 8 bits, and some 16-bit TIFFs wrong, without a word.
"""

from __future__ import annotations

import logging
import math
import stat
import struct
import subprocess
import sys
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image, TiffImagePlugin

from lanes.errors import InputError, one_line
from lanes.flags import Flag, flag
from lanes.scan.transfer import srgb_to_linear

Codes = NDArray[np.uint8] | NDArray[np.uint16]

# An A4 scanner bed at 1200 dots per inch has 139 million pixels. Below the image library's own
# limit (179 million), so none of its settings need touching.
MAX_PIXELS = 150_000_000
MAX_BYTES = MAX_PIXELS * 9  # sixteen bits, four channels, and room for a header
MIN_SIDE_PX = 16
LONGEST_MM = 440.0  # an A3 bed is 420 mm long
SHORTEST_MM = 8.0
STRIP = 1 << 18  # pixels handled at a time: temporaries stay in the cache

_MAGIC = {
    b"\x89PNG\r\n\x1a\n": "PNG", b"II*\0": "TIFF", b"MM\0*": "TIFF", b"II+\0": "TIFF",
    b"MM\0+": "TIFF", b"\xff\xd8\xff": "JPEG", b"BM": "BMP",
}  # fmt: skip
# Brands of a still photograph in ISO/IEC 23008-12, as telephones write it.
_HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
MOST_PAGES = 9999
_REFUSED = {b"GIF8": "a GIF", b"%PDF": "a PDF", b"\0\0\0\x0cjP  ": "a JPEG 2000"}
# What each mode of the image library is turned into; a mode not here is refused.
_MODES = {
    "1": "L", "L": "L", "P": "RGB", "RGB": "RGB", "RGBX": "RGB", "CMYK": "RGB", "YCbCr": "RGB",
    "LA": "LA", "La": "LA", "PA": "RGBA", "RGBA": "RGBA", "RGBa": "RGBA",
    "I;16": "I;16", "I;16L": "I;16L", "I;16B": "I;16B", "I;16N": "I;16N",
}  # fmt: skip

# The libraries log what they dislike about a file; unheard, Python would print it.
for _library in ("PIL", "tifffile"):
    logging.getLogger(_library).addHandler(logging.NullHandler())


class Raw(NamedTuple):
    """A decoded image on its way: strips of (top row, codes), not yet upright."""

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    strips: Iterable[tuple[int, NDArray[Any]]]
    mode: str
    info: Mapping[Any, Any]
    orientation: int = 1
    exposure: bool = False
    maker: bool = False
    pages: int = 1


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


@contextmanager
def guarded(name: str, kind: str) -> Iterator[None]:
    """Turn whatever a decoder does with a broken file into one InputError, without warnings."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except InputError:
        raise
    except Image.DecompressionBombError:
        raise InputError(_too_large(name)) from None
    except MemoryError:
        raise InputError(f"{name} does not fit in memory: crop it to the plate") from None
    except Exception:  # decoders let nearly every kind escape
        raise InputError(
            f"{name} is cut short, broken or an unusual kind of {kind}: scan or copy it again, "
            "or save it anew as PNG or plain TIFF"
        ) from None


def _too_large(name: str) -> str:
    return f"{name} has more than {MAX_PIXELS // 10**6} million pixels: crop it to the plate"


def _check_size(name: str, width: int, height: int) -> None:
    if width * height > MAX_PIXELS:
        raise InputError(_too_large(name))
    if min(width, height) < MIN_SIDE_PX:
        raise InputError(
            f"{name} is {width} x {height} pixels, too small to hold a plate: scan at 300 dpi"
        )


def decode(name: str, kind: str, stream: BytesIO, invert: bool, page: int = 0) -> Raw:
    if kind == "HEIF":
        _open_heif(name)
    image: Image.Image = Image.open(stream, formats=(kind,))
    pages = 1 if kind == "JPEG" else getattr(image, "n_frames", 1)
    if kind != "TIFF":  # whose pages were counted from its directories
        check_page(name, page, pages)
    if page:
        image.seek(page)
    _check_size(name, *image.size)
    if image.mode not in _MODES:
        raise InputError(f"{name} has pixels of kind {image.mode}: save it as grey or RGB")
    tiles = getattr(image, "tile", [])
    if kind == "TIFF" and tiles and tiles[0][0] == "libtiff":
        image = _unpacked(image, stream.getvalue(), page)
    else:
        image.load()
    orientation, exposure, maker = 1, False, False
    # A damaged EXIF block is no reason to refuse whole pixels.
    with suppress(Exception):
        exif = image.getexif()
        orientation = exif.get(274, 1)
        maker = 271 in exif or 272 in exif
        details = exif.get_ifd(0x8769)
        # Exposure time, aperture or focal length; or the file's source is a digital camera.
        exposure = not details.keys().isdisjoint((33434, 33437, 37386))
        exposure = exposure or details.get(41728) == b"\x03"
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
                raise InputError(_see_through(name))
            rows = _opaque(name, rows, channels)
            yield top, (65535 - rows if invert else rows)

    dtype = np.dtype(np.uint16 if deep else np.uint8)
    return Raw(shape, dtype, strips(), image.mode, image.info, orientation, exposure, maker, pages)


def _open_heif(name: str) -> None:
    """Teach the image library HEIF, or say how to get such a photograph read."""
    if not _installed("pillow_heif"):
        raise InputError(
            f"{name} is a HEIC photograph, which needs the Python package pillow-heif: install "
            "it with pip install 'lanes[heic]', or export the photograph as JPEG or PNG"
        )
    import pillow_heif

    pillow_heif.register_heif_opener()


def check_page(name: str, page: int, pages: int) -> None:
    """Raise InputError where the file has no page `page`, counted from 0."""
    if page >= pages:
        few = "one page" if pages == 1 else f"{pages} pages"
        raise InputError(f"{name} has {few}, and no page {page + 1}: give --page 1 to {pages}, or "
                         "leave it out")


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


def _see_through(name: str) -> str:
    return f"{name} has transparent pixels, which hold no light: flatten it, or crop to the plate"


def _opaque(name: str, rows: NDArray[Any], channels: int) -> NDArray[Any]:
    if rows.shape[2] > channels and rows[:, :, channels].min() < np.iinfo(rows.dtype).max:
        raise InputError(_see_through(name))
    return rows[:, :, :channels]


def turned(
    shape: tuple[int, int, int], dtype: np.dtype[Any], turns: int, mirrored: bool
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return upright codes to fill, and the view of them that takes rows as the file has them."""
    height, width, channels = shape
    codes = np.empty((width, height, channels) if turns % 2 else shape, dtype)
    view = np.rot90(codes, -turns)
    return codes, view[:, ::-1] if mirrored else view


def tiff_pages(data: bytes) -> list[tuple[int, int]]:
    """Return each page's number in the file and where its directory starts.

    Reduced copies of a page are no pages, though numbered.

    TIFF 6.0, section 2; the large kind has 8-byte offsets and counts (from memory). The first
    directory always counts: what is wrong with it is said when it is read.
    """
    order = "<" if data[:2] == b"II" else ">"
    large = data[2] == 43 or data[3] == 43
    word, count_kind, entry, head = ("Q", "Q", 20, 8) if large else ("I", "H", 12, 4)
    out: list[tuple[int, int]] = []
    seen: set[int] = set()
    with suppress(struct.error):
        (at,) = struct.unpack_from(order + word, data, head)
        while at and at not in seen and len(seen) < MOST_PAGES:
            seen.add(at)
            (count,) = struct.unpack_from(order + count_kind, data, at)
            first = at + struct.calcsize(count_kind if large else "H")
            (following,) = struct.unpack_from(order + word, data, first + count * entry)
            tags = (struct.unpack_from(f"{order}H", data, first + i * entry)[0]
                    for i in range(min(count, 4)))  # tags rise: 254 comes first
            small = any(tag == 254 and data[first + i * entry + (12 if large else 8)
                                            + (0 if order == "<" else 3)] & 1
                        for i, tag in enumerate(tags))
            if not out or not small:
                out.append((len(seen) - 1, at))
            at = following
    return out or [(0, 0)]


def tiff_tags(name: str, data: bytes, start: int = 0) -> dict[int, tuple[Any, ...]]:
    """Return a page's tags, each a tuple, of a TIFF whose pixels are counted light.

    `start` is where the page's directory starts; 0 for the first one.
    """
    directory: Any = TiffImagePlugin.ImageFileDirectory_v2(data[: 16 if data[2] == 43 else 8])
    stream = BytesIO(data)
    stream.seek(start or directory.next)
    directory.load(stream)
    tags: dict[int, tuple[Any, ...]] = {258: (1,), 277: (1,), 284: (1,), 259: (1,)}
    for key, value in directory.items():
        tags[key] = value if isinstance(value, tuple) else (value,)
    _check_size(name, int(tags[256][0]), int(tags[257][0]))
    bits, photometric = tags[258], tags.get(262, (1,))[0]
    if len(bits) not in (1, int(tags[277][0])):
        raise ValueError
    what = ""
    if 50706 in tags or int(tags.get(254, (0,))[0]) & 1:
        what = "a camera's raw file, or begins with a thumbnail"
    elif set(tags.get(339, (1,))) - {1, 4}:
        what = "a TIFF of floating-point or signed numbers"
    elif len(set(bits)) > 1 or bits[0] not in (1, 2, 4, 8, 16):
        what = f"a TIFF of {' and '.join(map(str, sorted(set(bits))))} bits a channel"
    elif photometric not in ((0, 1, 2) if bits[0] == 16 else (0, 1, 2, 3, 5, 6)):
        what = f"a TIFF of colour kind {photometric} at {bits[0]} bits"
    if what:
        raise InputError(f"{name} is {what}: save it as 8- or 16-bit grey or RGB")
    _check_whole(data, tags)
    return tags


def deep_tiff(
    name: str, data: bytes, tags: Mapping[int, tuple[Any, ...]], page: int = 0
) -> Raw | None:
    """Read a 16-bit TIFF with the optional library; None where the usual one does as well.

    Colour for which the library is missing also gives None, and is then read at 8 bits.
    """
    samples, photometric = int(tags[277][0]), tags.get(262, (1,))[0]
    if samples == 1 and (photometric == 1 or data[:2] == b"II"):
        return None
    # Without its own extra, the library knows no other compression than deflate.
    packed = tags[259][0] not in (1, 8, 32946)
    missing = [m for m in ("tifffile", "imagecodecs")[: 1 + packed] if not _installed(m)]
    if missing:
        if photometric == 2 and tags[284][0] == 1:
            return None
        raise InputError(
            f"{name} is a 16-bit TIFF laid out in a way that needs the Python package "
            f"{' and '.join(missing)}: install it, or save as plain 16-bit grey or 8-bit RGB"
        )
    import tifffile

    with tifffile.TiffFile(BytesIO(data)) as file:
        pixels = file.pages[page].asarray(maxworkers=1)
    height, width = int(tags[257][0]), int(tags[256][0])
    if tags[284][0] == 2 and samples > 1:
        pixels = np.moveaxis(pixels, 0, -1)
    pixels = pixels.reshape(height, width, samples)
    channels = 3 if photometric == 2 else 1
    alpha = tags.get(338, (0,))[0] in (1, 2)
    rows = _opaque(name, pixels, channels) if alpha else pixels[:, :, :channels]
    if photometric == 0:
        rows = 65535 - rows
    info: dict[str, Any] = {"icc_profile": tags.get(34675, (None,))[0]}
    unit = {2: 1.0, 3: 2.54}.get(tags.get(296, (2,))[0])
    if unit and 282 in tags and 283 in tags:
        info["dpi"] = (float(tags[282][0]) * unit, float(tags[283][0]) * unit)
    mode = "RGB;16" if channels == 3 else "I;16"
    return Raw(rows.shape, rows.dtype, [(0, rows)], mode, info, tags.get(274, (1,))[0])


def _installed(module: str) -> bool:
    try:
        import_module(module)
    except ImportError:
        return False
    return True


def _check_whole(data: bytes, tags: Mapping[int, tuple[Any, ...]]) -> None:
    """Raise ValueError where a strip or tile is missing or cut: libraries fill it with zeros."""
    width, height, planes = int(tags[256][0]), int(tags[257][0]), int(tags[277][0])
    if 324 in tags:
        starts, sizes = tags[324], tags[325]
        count = math.ceil(width / tags[322][0]) * math.ceil(height / tags[323][0])
    else:
        starts, sizes = tags[273], tags[279]
        count = math.ceil(height / tags.get(278, (height,))[0])
    if tags[284][0] == 2:
        count *= planes
    if len(starts) < count or len(starts) != len(sizes) or min(starts) < 8 or min(sizes) < 1:
        raise ValueError
    if max(start + size for start, size in zip(starts, sizes, strict=True)) > len(data):
        raise ValueError


def power_text(power: float) -> str:
    return "linear" if abs(power - 1) < 0.005 else f"{power:.4g}"


def stated_transfer(info: Mapping[Any, Any]) -> str | None:
    """Return the transfer a file states: None for nothing, "" for nothing that can be used."""
    profile, gamma = info.get("icc_profile"), info.get("gamma")
    if profile:
        try:
            return _profile_transfer(profile)
        except (struct.error, IndexError, ValueError, ZeroDivisionError):
            return ""
    if "srgb" in info:
        return "srgb"
    if gamma is None:
        return None
    # 0.45455 is what writers of sRGB put there for readers that know no sRGB chunk.
    if abs(gamma - 0.45455) < 0.001:
        return "srgb"
    return power_text(1 / gamma) if 0.2 <= gamma <= 5 else ""


def _profile_transfer(profile: bytes) -> str:
    """Return the one curve of a grey or three-colour ICC profile (ICC.1, 10.6 and 10.18)."""
    (count,) = struct.unpack_from(">I", profile, 128)
    found = set()
    for i in range(min(count, 100)):
        signature, start = struct.unpack_from(">4sI", profile, 132 + 12 * i)
        if signature in (b"rTRC", b"gTRC", b"bTRC", b"kTRC"):
            found.add(_curve_transfer(profile[start:]))
    return found.pop() if len(found) == 1 else ""


def _curve_transfer(curve: bytes) -> str:
    if curve[:4] == b"curv":
        (count,) = struct.unpack_from(">I", curve, 8)
        if count == 0:
            return "linear"
        table = np.array(struct.unpack_from(f">{count}H", curve, 12))
        if count == 1:
            return power_text(table[0] / 256)
        v = np.linspace(0, 1, count)
        return "srgb" if np.abs(table / 65535 - srgb_to_linear(v)).max() < 0.002 else ""
    if curve[:4] == b"para":
        (form,) = struct.unpack_from(">H", curve, 8)
        numbers = np.array(struct.unpack_from(">5i" if form == 3 else ">1i", curve, 12)) / 65536
        if form == 0:
            return power_text(numbers[0])
        srgb = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
        if form == 3 and np.allclose(numbers, srgb, atol=0.001):
            return "srgb"
    return ""


def dots(name: str, kind: str, stated: Any, side: int) -> tuple[float | None, Flag | None]:
    """Return the file's dots per inch, or None and why, for an image with `side` as longer side."""
    try:
        # Files count in whole pixels per metre: 300 comes back as 299.9994.
        x, y = (round(d) if abs(d - round(d)) < 0.0127 else d for d in map(float, stated))
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None, None
    # 1 is what stands in a TIFF that says nothing; 72 in a JPEG means unknown (EXIF), and is what
    # the library says for one without any.
    if not (1 < x < math.inf and 1 < y < math.inf) or (kind == "JPEG" and x == y == 72):
        return None, None
    if abs(x - y) > 0.005 * max(x, y):
        message = f"{name} states {x:g} dots per inch across and {y:g} down: neither is used"
        return None, flag("scale-implausible", message)
    long = 25.4 * side / x
    if not SHORTEST_MM <= long <= LONGEST_MM:
        message = f"{name} states {x:g} dots per inch, which makes it {long:.3g} mm long: not used"
        return None, flag("scale-implausible", message)
    return float(x), None

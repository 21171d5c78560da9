"""TIFF files before their pixels: pages, tags, and 16-bit kinds that the image library spoils."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from contextlib import suppress
from io import BytesIO
from typing import Any

import numpy as np
from PIL import TiffImagePlugin

from lanes.errors import InputError
from lanes.scan.pixels import Raw, check_size, installed, opaque
from lanes.setting_values import MOST_PAGES

# TIFF 6.0, its supplements, ICC.1 annex B and DNG 1.0: numbers of the tags.
SUBFILE_TYPE = 254
WIDTH = 256
HEIGHT = 257
BITS = 258
COMPRESSION = 259
PHOTOMETRIC = 262
STRIP_OFFSETS = 273
ORIENTATION = 274
SAMPLES = 277
ROWS_PER_STRIP = 278
STRIP_BYTES = 279
X_RESOLUTION = 282
Y_RESOLUTION = 283
PLANAR = 284
RESOLUTION_UNIT = 296
TILE_WIDTH = 322
TILE_HEIGHT = 323
TILE_OFFSETS = 324
TILE_BYTES = 325
EXTRA_SAMPLES = 338
SAMPLE_FORMAT = 339
ICC_PROFILE = 34675
DNG_VERSION = 50706
MIN_IS_WHITE, MIN_IS_BLACK, RGB = 0, 1, 2  # kinds of colour
SEPARATE = 2  # each channel in a plane of its own
BIG = 43  # the version of the large kind, with 8-byte offsets
PLAIN_COMPRESSIONS = (1, 8, 32946)  # none, and deflate by either number
WHOLE_NUMBERS = {1, 4}  # kinds of sample: unsigned, and not stated
PER_INCH = {2: 1.0, 3: 2.54}  # of the resolution's unit: inch, centimetre


def tiff_pages(data: bytes) -> list[tuple[int, int]]:
    """Return each page's number in the file and where its directory starts.

    Reduced copies of a page are no pages, though numbered.

    TIFF 6.0, section 2; the large kind has 8-byte offsets and counts (from memory). The first
    directory always counts: what is wrong with it is reported when it is read.
    """
    order = "<" if data[:2] == b"II" else ">"
    large = BIG in (data[2], data[3])
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
                    for i in range(min(count, 4)))  # tags rise: SUBFILE_TYPE comes first
            small = any(tag == SUBFILE_TYPE and data[first + i * entry + (12 if large else 8)
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
    directory: Any = TiffImagePlugin.ImageFileDirectory_v2(data[: 16 if data[2] == BIG else 8])
    stream = BytesIO(data)
    stream.seek(start or directory.next)
    directory.load(stream)
    tags: dict[int, tuple[Any, ...]] = {BITS: (1,), SAMPLES: (1,), PLANAR: (1,), COMPRESSION: (1,)}
    for key, value in directory.items():
        tags[key] = value if isinstance(value, tuple) else (value,)
    check_size(name, int(tags[WIDTH][0]), int(tags[HEIGHT][0]))
    bits, photometric = tags[BITS], tags.get(PHOTOMETRIC, (1,))[0]
    if len(bits) not in (1, int(tags[SAMPLES][0])):
        raise ValueError
    what = ""
    if DNG_VERSION in tags or int(tags.get(SUBFILE_TYPE, (0,))[0]) & 1:
        what = "a camera's raw file, or begins with a thumbnail"
    elif set(tags.get(SAMPLE_FORMAT, (1,))) - WHOLE_NUMBERS:
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
    samples, photometric = int(tags[SAMPLES][0]), tags.get(PHOTOMETRIC, (1,))[0]
    if samples == 1 and (photometric == MIN_IS_BLACK or data[:2] == b"II"):
        return None
    # Without its own extra, the library knows no other compression than deflate.
    packed = tags[COMPRESSION][0] not in PLAIN_COMPRESSIONS
    missing = [m for m in ("tifffile", "imagecodecs")[: 1 + packed] if not installed(m)]
    if missing:
        if photometric == RGB and tags[PLANAR][0] == 1:
            return None
        raise InputError(
            f"{name} is a 16-bit TIFF laid out in a way that needs the Python package "
            f"{' and '.join(missing)}: install it, or save as plain 16-bit grey or 8-bit RGB"
        )
    import tifffile

    with tifffile.TiffFile(BytesIO(data)) as file:
        pixels = file.pages[page].asarray(maxworkers=1)
    height, width = int(tags[HEIGHT][0]), int(tags[WIDTH][0])
    if tags[PLANAR][0] == SEPARATE and samples > 1:
        pixels = np.moveaxis(pixels, 0, -1)
    pixels = pixels.reshape(height, width, samples)
    channels = 3 if photometric == RGB else 1
    alpha = tags.get(EXTRA_SAMPLES, (0,))[0] in (1, 2)
    rows = opaque(name, pixels, channels) if alpha else pixels[:, :, :channels]
    if photometric == MIN_IS_WHITE:
        rows = 65535 - rows
    info: dict[str, Any] = {"icc_profile": tags.get(ICC_PROFILE, (None,))[0]}
    unit = PER_INCH.get(tags.get(RESOLUTION_UNIT, (2,))[0])
    if unit and X_RESOLUTION in tags and Y_RESOLUTION in tags:
        info["dpi"] = (float(tags[X_RESOLUTION][0]) * unit, float(tags[Y_RESOLUTION][0]) * unit)
    mode = "RGB;16" if channels == 3 else "I;16"
    return Raw(rows.shape, rows.dtype, [(0, rows)], mode, info, tags.get(ORIENTATION, (1,))[0])


def _check_whole(data: bytes, tags: Mapping[int, tuple[Any, ...]]) -> None:
    """Raise ValueError where a strip or tile is missing or cut: libraries fill it with zeros."""
    width, height, planes = int(tags[WIDTH][0]), int(tags[HEIGHT][0]), int(tags[SAMPLES][0])
    if TILE_OFFSETS in tags:
        starts, sizes = tags[TILE_OFFSETS], tags[TILE_BYTES]
        count = math.ceil(width / tags[TILE_WIDTH][0]) * math.ceil(height / tags[TILE_HEIGHT][0])
    else:
        starts, sizes = tags[STRIP_OFFSETS], tags[STRIP_BYTES]
        count = math.ceil(height / tags.get(ROWS_PER_STRIP, (height,))[0])
    if tags[PLANAR][0] == SEPARATE:
        count *= planes
    if len(starts) < count or len(starts) != len(sizes) or min(starts) < 8 or min(sizes) < 1:
        raise ValueError
    if max(start + size for start, size in zip(starts, sizes, strict=True)) > len(data):
        raise ValueError

"""From an image file to codes, and from codes to linear light.

Looks at a file's header before the image library decodes it: that library hands over 16-bit colour
at 8 bits, and some 16-bit TIFFs wrong, without a word.
"""

from __future__ import annotations

import hashlib
import logging
import math
import os
import stat
import struct
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, TiffImagePlugin

from lanes.errors import InputError, one_line
from lanes.flags import Flag, flag
from lanes.settings import Settings

Codes = NDArray[np.uint8] | NDArray[np.uint16]
Light = NDArray[np.float32]

# An A4 scanner bed at 1200 dots per inch has 139 million pixels. Below the image library's own
# limit (179 million), so none of its settings need touching.
MAX_PIXELS = 150_000_000
MAX_BYTES = MAX_PIXELS * 9  # sixteen bits, four channels, and room for a header
MIN_SIDE_PX = 16
LONGEST_MM = 440.0  # an A3 bed is 420 mm long
SHORTEST_MM = 8.0
STRIP = 1 << 18  # pixels handled at a time: temporaries stay in the cache

# Relative luminance of linear red, green and blue: IEC 61966-2-1 (Rec. ITU-R BT.709).
_LUMINANCE = (0.2126, 0.7152, 0.0722)
_WEIGHTS = {
    "red": (1.0, 0.0, 0.0),
    "green": (0.0, 1.0, 0.0),
    "blue": (0.0, 0.0, 1.0),
    "mean": (1 / 3, 1 / 3, 1 / 3),
    "luminance": _LUMINANCE,
}
# EXIF orientation: quarter turns counter-clockwise that follow a left-right mirroring, if any.
_ORIENTATIONS = {
    1: (0, False), 2: (0, True), 3: (2, False), 4: (2, True),
    5: (1, True), 6: (3, False), 7: (3, True), 8: (1, False),
}  # fmt: skip
_MAGIC = {
    b"\x89PNG\r\n\x1a\n": "PNG", b"II*\0": "TIFF", b"MM\0*": "TIFF", b"II+\0": "TIFF",
    b"MM\0+": "TIFF", b"\xff\xd8\xff": "JPEG", b"BM": "BMP",
}  # fmt: skip
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


@dataclass(frozen=True, eq=False)
class Scan:
    """One image as the file holds it, upright, with what the file says about itself.

    Attributes
    ----------
    codes : (height_px, width_px, C) array of uint8 or uint16
        C is 1 (grey) or 3 (red, green, blue). Contiguous and locked.
    file, sha256 : str
        The file's name without its folder, and the hash of its bytes.
    width_px, height_px : int
        After turning.
    bits : int
        8 or 16: the depth of `codes`.
    mode : str
        The image library's word for the kind of pixel in the file.
    dpi : float or None
        Dots per inch; None where unknown, implausible, or written by a camera.
    transfer : str
        "srgb", "linear", or the power as text: how codes map to light.
    camera : bool
        Whether the file was made by a camera rather than a scanner.
    flags : tuple of Flag
    """

    codes: Codes
    file: str
    sha256: str
    width_px: int
    height_px: int
    bits: int
    mode: str
    dpi: float | None
    transfer: str
    camera: bool = False
    flags: tuple[Flag, ...] = ()

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels `light` offers: only "mean" for a grey scan."""
        return tuple(_WEIGHTS) if self.codes.shape[2] == 3 else ("mean",)

    def light(self, channel: str, reduce: int = 1) -> Light:
        """Return linear light from 0 to 1, averaged over blocks of `reduce` x `reduce` pixels.

        Parameters
        ----------
        channel : str
            One of `channels`. "luminance" weighs by IEC 61966-2-1.
        reduce : int
            Side of a block in pixels. The rows at the bottom and the columns at the right that
            fill no block are dropped.

        Returns
        -------
        (height_px // reduce, width_px // reduce) array of float32

        Raises
        ------
        InputError
            If the scan has no such channel, or no block fits in it.
        """
        table = _table(self.bits, self.transfer)
        tables = [(c, table * np.float32(w)) for c, w in self._parts(channel)]

        def value(rows: Codes) -> Light:
            return _total(scaled[rows[:, :, c]] for c, scaled in tables)

        return self._blocks(value, reduce)

    def clipped(self, channel: str, reduce: int = 1) -> Light:
        """Return the share of pixels at code 0 or the highest code, in the blocks of `light`.

        In a mixture of channels a pixel counts where any of them is at its limit.
        """
        parts = self._parts(channel)
        top = (1 << self.bits) - 1

        def value(rows: Codes) -> Light:
            hit = np.zeros(rows.shape[:2], bool)
            for c, _ in parts:
                hit |= (rows[:, :, c] == 0) | (rows[:, :, c] == top)
            return hit.astype(np.float32)

        return self._blocks(value, reduce)

    def _parts(self, channel: str) -> list[tuple[int, float]]:
        if channel not in self.channels:
            kind = "grey" if len(self.channels) == 1 else "in colour"
            raise InputError(
                f"{self.file} is {kind} and has no channel {channel!r}: "
                f"give --channel {' or '.join(self.channels)}"
            )
        if len(self.channels) == 1:
            return [(0, 1.0)]
        return [(c, w) for c, w in enumerate(_WEIGHTS[channel]) if w]

    def _blocks(self, value: Callable[[Codes], Light], reduce: int) -> Light:
        if not 1 <= reduce <= min(self.width_px, self.height_px):
            raise InputError(f"reduce {reduce} must be from 1 to the image's shorter side")
        height, width = self.height_px // reduce, self.width_px // reduce
        out = np.empty((height, width), np.float32)
        step = max(1, STRIP // (self.width_px * reduce))
        for top in range(0, height, step):
            end = min(top + step, height)
            block = value(self.codes[top * reduce : end * reduce, : width * reduce])
            if reduce > 1:
                rows = _total(block[i::reduce] for i in range(reduce))
                block = _total(rows[:, i::reduce] for i in range(reduce))
                block /= reduce**2
            # Weights rounded to float32 may add up to a hair above 1.
            np.minimum(block, 1, out=out[top:end])
        return out


def _total(arrays: Iterable[Light]) -> Light:
    # The built-in sum, without a new array at each step.
    arrays = iter(arrays)
    total = next(arrays).copy()
    for array in arrays:
        total += array
    return total


def srgb_to_linear(v: ArrayLike) -> NDArray[np.float64]:
    """Return linear light of sRGB values `v`, both from 0 to 1 (IEC 61966-2-1)."""
    v = np.asarray(v, float)
    return np.where(v <= 0.04045, v / 12.92, ((np.maximum(v, 0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(v: ArrayLike) -> NDArray[np.float64]:
    """Return sRGB values of linear light `v`, both from 0 to 1 (IEC 61966-2-1)."""
    v = np.asarray(v, float)
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * np.maximum(v, 0) ** (1 / 2.4) - 0.055)


def to_linear(codes: ArrayLike, bits: int, transfer: str) -> Light:
    """Return linear light from 0 to 1, float32 of the shape of `codes`.

    Parameters
    ----------
    codes : array of whole numbers, any shape
    bits : int
        8 or 16.
    transfer : str
        "srgb", "linear", or a power such as "2.2".

    Raises
    ------
    InputError
        If a code lies outside `bits`, or `bits` or `transfer` is unknown.
    """
    Settings(transfer=transfer)
    codes = np.asarray(codes)
    if bits not in (8, 16) or transfer == "auto":
        raise InputError(f"no light from {bits} bits with transfer {transfer}: both must be known")
    if codes.dtype.kind not in "ui" or (codes.size and (codes.min() < 0 or codes.max() >> bits)):
        raise InputError(f"codes must be whole numbers from 0 to {(1 << bits) - 1}")
    return np.take(_table(bits, transfer), codes)


@lru_cache(maxsize=8)
def _table(bits: int, transfer: str) -> Light:
    v = np.linspace(0, 1, 1 << bits)
    if transfer == "srgb":
        v = srgb_to_linear(v)
    elif transfer != "linear":
        v = v ** float(transfer)
    table = v.astype(np.float32)
    table.setflags(write=False)
    return table


def read_scan(
    path: str | Path, *, transfer: str = "auto", turn: int = 0, dpi: float | None = None
) -> Scan:
    """Read a PNG, TIFF, JPEG, BMP or WebP file; of several pages or frames, the first.

    Opaque transparency is dropped. A file with a pixel that is not opaque is refused: what shows
    through was never measured, and any colour put there would be invented.

    Parameters
    ----------
    path : str or Path
    transfer : str
        "auto" believes the file (a plain curve in its colour profile, or a PNG's sRGB or gAMA
        chunk) and takes sRGB where it says nothing. Only the curve of a profile is used, not
        its colours.
    turn : int
        Quarter turns counter-clockwise, in degrees, after the EXIF orientation.
    dpi : float or None
        Dots per inch, instead of the file's own.

    Raises
    ------
    InputError
        If the file can't be read, is not such an image, is broken, or is too large or too small.
    """
    Settings(transfer=transfer, turn=turn, dpi=dpi)
    name, data = _read_bytes(path)
    sha256 = hashlib.sha256(data).hexdigest()
    kind = _kind(name, data)
    with _guarded(name, kind):
        tags = _tiff_tags(name, data) if kind == "TIFF" else {}
        # A PNG's depth is byte 24 of the file.
        deep = 16 in tags.get(258, ()) or (kind == "PNG" and data[24] == 16)
        raw = _deep_tiff(name, data, tags) if deep and tags else None
        if raw is None:
            stream = BytesIO(data)
            del data  # the decoder closes the stream: the file's bytes go before the codes come
            raw = _decode(name, kind, stream, invert=deep and tags.get(262) == (0,))
        turns, mirrored = _ORIENTATIONS.get(raw.orientation, (0, False))
        codes, upright = _turned(raw.shape, raw.dtype, turns + int(turn) // 90, mirrored)
        for top, strip in raw.strips:
            upright[top : top + len(strip)] = strip
    codes.setflags(write=False)
    bits = 8 * codes.dtype.itemsize
    flags: list[Flag] = []
    if deep and bits == 8:
        flags.append(flag("depth-lost", f"{name} holds 16 bits a channel and was read at 8"))
    if transfer == "auto":
        stated = "" if raw.mode == "CMYK" else _stated_transfer(raw.info)
        transfer = stated or "srgb"
        if stated == "" or (deep and not stated):
            why = "says nothing" if stated is None else "says nothing that can be used"
            message = f"{name} {why} of how its codes map to light: taken as sRGB"
            flags.append(flag("transfer-assumed", message))
    elif transfer not in ("srgb", "linear"):
        transfer = _power(float(transfer))
    own, remark = _dots(name, kind, raw.info.get("dpi"), max(codes.shape[:2]))
    # EXIF tells cameras to write 72 where the resolution is unknown; a scanner may sign its
    # files with make and model too, but then states its resolution.
    camera = raw.exposure or (raw.maker and own in (None, 72.0))
    if dpi is None and not camera:
        dpi = own
        flags += [remark] if remark else []
    return Scan(
        codes, name, sha256, codes.shape[1], codes.shape[0], bits, raw.mode,
        None if dpi is None else float(dpi), transfer, camera, tuple(flags),
    )  # fmt: skip


class _Raw(NamedTuple):
    """A decoded image on its way: strips of (top row, codes), not yet upright."""

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    strips: Iterable[tuple[int, NDArray[Any]]]
    mode: str
    info: Mapping[Any, Any]
    orientation: int = 1
    exposure: bool = False
    maker: bool = False


def _read_bytes(path: str | Path) -> tuple[str, bytes]:
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


def _kind(name: str, data: bytes) -> str:
    for magic, kind in _MAGIC.items():
        if data.startswith(magic):
            return kind
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    known = [word for magic, word in _REFUSED.items() if data.startswith(magic)]
    if data[4:8] == b"ftyp":
        known = ["a HEIF, AVIF or film"]
    what = f"{known[0]} file" if known else "not an image this program knows"
    raise InputError(f"{name} is {what}: give PNG, TIFF, JPEG, BMP or WebP")


@contextmanager
def _guarded(name: str, kind: str) -> Iterator[None]:
    """Turn whatever a decoder does with a broken file into one InputError, without warnings."""
    try:
        with warnings.catch_warnings(), _unheard() if kind == "TIFF" else nullcontext():
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


@contextmanager
def _unheard() -> Iterator[None]:
    """Keep standard error clean: the C library for TIFF prints its complaints straight to it."""
    try:
        kept = os.dup(2)
    except OSError:  # there is none
        kept = None
    if kept is not None:
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), 2)
    try:
        yield
    finally:
        if kept is not None:
            os.dup2(kept, 2)
            os.close(kept)


def _too_large(name: str) -> str:
    return f"{name} has more than {MAX_PIXELS // 10**6} million pixels: crop it to the plate"


def _check_size(name: str, width: int, height: int) -> None:
    if width * height > MAX_PIXELS:
        raise InputError(_too_large(name))
    if min(width, height) < MIN_SIDE_PX:
        raise InputError(
            f"{name} is {width} x {height} pixels, too small to hold a plate: scan at 300 dpi"
        )


def _decode(name: str, kind: str, stream: BytesIO, invert: bool) -> _Raw:
    image = Image.open(stream, formats=(kind,))
    _check_size(name, *image.size)
    if image.mode not in _MODES:
        raise InputError(f"{name} has pixels of kind {image.mode}: save it as grey or RGB")
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
    return _Raw(shape, dtype, strips(), image.mode, image.info, orientation, exposure, maker)


def _see_through(name: str) -> str:
    return f"{name} has transparent pixels, which hold no light: flatten it, or crop to the plate"


def _opaque(name: str, rows: NDArray[Any], channels: int) -> NDArray[Any]:
    if rows.shape[2] > channels and rows[:, :, channels].min() < np.iinfo(rows.dtype).max:
        raise InputError(_see_through(name))
    return rows[:, :, :channels]


def _turned(
    shape: tuple[int, int, int], dtype: np.dtype[Any], turns: int, mirrored: bool
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return upright codes to fill, and the view of them that takes rows as the file has them."""
    height, width, channels = shape
    codes = np.empty((width, height, channels) if turns % 2 else shape, dtype)
    view = np.rot90(codes, -turns)
    return codes, view[:, ::-1] if mirrored else view


def _tiff_tags(name: str, data: bytes) -> dict[int, tuple[Any, ...]]:
    """Return the first page's tags, each a tuple, of a TIFF whose pixels are counted light."""
    directory: Any = TiffImagePlugin.ImageFileDirectory_v2(data[: 16 if data[2] == 43 else 8])
    stream = BytesIO(data)
    stream.seek(directory.next)
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


def _deep_tiff(name: str, data: bytes, tags: Mapping[int, tuple[Any, ...]]) -> _Raw | None:
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
        pixels = file.pages[0].asarray(maxworkers=1)
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
    return _Raw(rows.shape, rows.dtype, [(0, rows)], mode, info, tags.get(274, (1,))[0])


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


def _power(power: float) -> str:
    return "linear" if abs(power - 1) < 0.005 else f"{power:.4g}"


def _stated_transfer(info: Mapping[Any, Any]) -> str | None:
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
    return _power(1 / gamma) if 0.2 <= gamma <= 5 else ""


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
            return _power(table[0] / 256)
        v = np.linspace(0, 1, count)
        return "srgb" if np.abs(table / 65535 - srgb_to_linear(v)).max() < 0.002 else ""
    if curve[:4] == b"para":
        (form,) = struct.unpack_from(">H", curve, 8)
        numbers = np.array(struct.unpack_from(">5i" if form == 3 else ">1i", curve, 12)) / 65536
        if form == 0:
            return _power(numbers[0])
        srgb = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
        if form == 3 and np.allclose(numbers, srgb, atol=0.001):
            return "srgb"
    return ""


def _dots(name: str, kind: str, stated: Any, side: int) -> tuple[float | None, Flag | None]:
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

"""Pixels on their way from a file: what is decoded, and what is refused of any format."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from lanes.errors import InputError

Codes = NDArray[np.uint8] | NDArray[np.uint16]

# An A4 scanner bed at 1200 dots per inch has 139 million pixels. Below the image library's own
# limit (179 million), so none of its settings need touching.
MAX_PIXELS = 150_000_000
MIN_SIDE_PX = 16  # fewer hold no spot between two lines
STRIP = 1 << 18  # pixels handled at a time: temporaries stay in the cache

# The libraries log what they dislike about a file; unheard, Python would print it.
for _library in ("PIL", "tifffile"):
    logging.getLogger(_library).addHandler(logging.NullHandler())

class ColourStep(NamedTuple):
    """The finest difference of colour that lossy compression keeps, in `codes`, over a block.

    The two differences of colour are kept more coarsely than luma, in blocks of `side_px` pixels.
    `luma` is luma's own step in codes, over a block of `luma_px`, as unpacked in whole codes, and
    `block_mean` the one it is kept in.
    """

    codes: float
    side_px: int
    luma: float = 1.0
    block_mean: float = 0.0
    luma_px: int = 8


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
    colour_step: ColourStep | None = None


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


def check_size(name: str, width: int, height: int) -> None:
    if width * height > MAX_PIXELS:
        raise InputError(_too_large(name))
    if min(width, height) < MIN_SIDE_PX:
        raise InputError(
            f"{name} is {width} x {height} pixels, too small to hold a plate: scan at 300 dpi"
        )


def installed(module: str) -> bool:
    try:
        import_module(module)
    except ImportError:
        return False
    return True


def see_through(name: str) -> str:
    return f"{name} has transparent pixels, which hold no light: flatten it, or crop to the plate"


def opaque(name: str, rows: NDArray[Any], channels: int) -> NDArray[Any]:
    if rows.shape[2] > channels and rows[:, :, channels].min() < np.iinfo(rows.dtype).max:
        raise InputError(see_through(name))
    return rows[:, :, :channels]


def turned(
    shape: tuple[int, int, int], dtype: np.dtype[Any], turns: int, mirrored: bool
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return upright codes to fill, and the view of them that takes rows as the file has them."""
    height, width, channels = shape
    codes = np.empty((width, height, channels) if turns % 2 else shape, dtype)
    view = np.rot90(codes, -turns)
    return codes, view[:, ::-1] if mirrored else view

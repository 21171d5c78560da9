"""From codes to linear light: the sRGB curve, powers, and tables of either."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.errors import InputError
from lanes.settings import Settings

Light = NDArray[np.float32]

# The sRGB curve (IEC 61966-2-1): up to these, in values and in light, a straight line of this
# slope; beyond, a power of what is offset and scaled.
LINE_TO, LINE_TO_LIGHT, SLOPE = 0.04045, 0.0031308, 12.92
OFFSET, SCALE, POWER = 0.055, 1.055, 2.4


def srgb_to_linear(v: ArrayLike) -> NDArray[np.float64]:
    """Return linear light of sRGB values `v`, both from 0 to 1 (IEC 61966-2-1)."""
    v = np.asarray(v, float)
    return np.where(v <= LINE_TO, v / SLOPE, ((np.maximum(v, 0) + OFFSET) / SCALE) ** POWER)


def linear_to_srgb(v: ArrayLike) -> NDArray[np.float64]:
    """Return sRGB values of linear light `v`, both from 0 to 1 (IEC 61966-2-1)."""
    v = np.asarray(v, float)
    return np.where(v <= LINE_TO_LIGHT, v * SLOPE,
                    SCALE * np.maximum(v, 0) ** (1 / POWER) - OFFSET)


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
    return np.take(code_table(bits, transfer), codes)


@lru_cache(maxsize=8)
def code_table(bits: int, transfer: str) -> Light:
    v = np.linspace(0, 1, 1 << bits)
    if transfer == "srgb":
        v = srgb_to_linear(v)
    elif transfer != "linear":
        v = v ** float(transfer)
    table = v.astype(np.float32)
    table.setflags(write=False)
    return table

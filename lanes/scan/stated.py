"""What a file states of itself: its tone curve, and its dots per inch."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np

from lanes.flags import Flag, flag
from lanes.scan.transfer import srgb_to_linear
from lanes.setting_values import POWERS

LONGEST_MM = 440.0  # an A3 bed is 420 mm long
SHORTEST_MM = 8.0  # no plate is cut so small
MM_PER_INCH = 25.4
EXIF_UNKNOWN_DPI = 72.0  # EXIF 2.3, 4.6.4: what a camera writes that knows no resolution
PER_METRE_ROUNDING = 0.0127  # dots per inch: half a pixel per metre
ALIKE_DPI = 0.005  # share by which dots per inch across and down may differ in rounding
LINEAR_WITHIN = 0.005  # of a power of 1: profiles hold powers in 256ths
SRGB_GAMMA = 0.45455  # PNG 11.3.3.2: what writers of sRGB put for readers that know no sRGB chunk
GAMMA_WITHIN = 0.001  # gAMA holds whole 100000ths, rounded by writers to three or more figures
CURVE_WITHIN = 0.002  # of full scale: rounding of tabulated sRGB curves
PARAMETERS_WITHIN = 0.001  # profiles hold 65536ths, of numbers printed to three or four digits
SRGB_PARAMETERS = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)  # IEC 61966-2-1


def power_text(power: float) -> str:
    return "linear" if abs(power - 1) < LINEAR_WITHIN else f"{power:.4g}"


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
    if abs(gamma - SRGB_GAMMA) < GAMMA_WITHIN:
        return "srgb"
    return power_text(1 / gamma) if POWERS[0] <= gamma <= POWERS[1] else ""


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
        return "srgb" if np.abs(table / 65535 - srgb_to_linear(v)).max() < CURVE_WITHIN else ""
    if curve[:4] == b"para":
        (form,) = struct.unpack_from(">H", curve, 8)
        numbers = np.array(struct.unpack_from(">5i" if form == 3 else ">1i", curve, 12)) / 65536
        if form == 0:
            return power_text(numbers[0])
        if form == 3 and np.allclose(numbers, SRGB_PARAMETERS, atol=PARAMETERS_WITHIN):
            return "srgb"
    return ""


def dots(name: str, kind: str, stated: Any, side: int) -> tuple[float | None, Flag | None]:
    """Return the file's dots per inch, or None and why, for an image with `side` as longer side."""
    try:
        # Files count in whole pixels per metre: 300 comes back as 299.9994.
        x, y = (round(d) if abs(d - round(d)) < PER_METRE_ROUNDING else d
                for d in map(float, stated))
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None, None
    # 1 is what stands in a TIFF that states nothing; 72 in a JPEG means unknown (EXIF), and is what
    # the library gives for one without any.
    unknown = kind == "JPEG" and x == y == EXIF_UNKNOWN_DPI
    if unknown or not (1 < x < math.inf and 1 < y < math.inf):
        return None, None
    if abs(x - y) > ALIKE_DPI * max(x, y):
        message = f"{name} states {x:g} dots per inch across and {y:g} down: neither is used"
        return None, flag("scale-implausible", message)
    long = MM_PER_INCH * side / x
    if not SHORTEST_MM <= long <= LONGEST_MM:
        message = f"{name} states {x:g} dots per inch, which makes it {long:.3g} mm long: not used"
        return None, flag("scale-implausible", message)
    return float(x), None

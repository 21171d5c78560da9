"""Laws from amount to light, and the colours of dyes in three channels (red, green, blue).

Written from the textbook forms: Beer and Lambert, R = R0 10^-A; Kubelka and Munk,
K/S = (1 - R)^2 / 2R (J. Opt. Soc. Am. 1948, 38, 448), inverted; and a signal that saturates,
s = c (1 - exp(-x / c)).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]

# Relative absorption of red, green and blue light; a channel near 1 absorbs most. From the colour
# wheel: what absorbs blue looks yellow, and so on. Set by eye.
DYES: dict[str, tuple[float, float, float]] = {
    "black": (1.0, 1.0, 1.0),
    "grey-violet": (0.85, 1.0, 0.8),
    "brown": (0.42, 0.74, 1.0),
    "orange": (0.05, 0.42, 1.0),
    "red": (0.05, 1.0, 0.75),
    "pink": (0.04, 1.0, 0.38),
    "yellow": (0.02, 0.10, 1.0),
    "green": (1.0, 0.28, 0.80),
    "blue": (1.0, 0.55, 0.12),
    "violet": (0.62, 1.0, 0.28),
}
STAINED = ("black", "grey-violet", "brown", "blue", "violet")
COLOURED = ("orange", "blue", "brown", "violet", "pink", "yellow", "green", "red")

# What a substance glows with under 366 nm, linear light, greatest channel 1. Set by eye.
GLOWS: dict[str, tuple[float, float, float]] = {
    "blue": (0.10, 0.32, 1.0),
    "sky": (0.18, 0.72, 1.0),
    "white-blue": (0.55, 0.75, 1.0),
    "green": (0.22, 1.0, 0.35),
    "yellow": (1.0, 0.85, 0.15),
    "orange": (1.0, 0.42, 0.06),
    "red": (1.0, 0.10, 0.10),
}

SATURATION = 1.1  # signal a saturating law tends to; heavy spots (peak 1) then lose 35 %


def saturate(amount: Floats, limit: float = SATURATION) -> Floats:
    """Return `amount` bent toward `limit`, with slope 1 at zero."""
    return limit * (1 - np.exp(-amount / limit))


def remission(k_over_s: Floats) -> Floats:
    """Return the reflectance of an endless layer of the given K/S."""
    return 1 + k_over_s - np.sqrt(k_over_s * (k_over_s + 2))


def k_over_s(reflectance: Floats) -> Floats:
    """Return K/S of an endless layer of the given reflectance."""
    return (1 - reflectance) ** 2 / (2 * reflectance)


def signal_of(law: str, amount: Floats) -> Floats:
    """Return the signal that `amount` (absorption x density) gives under a law, layer's own apart.

    "kubelka-munk": added K/S. "beer-lambert": added absorbance. "saturating": absorbance bent.
    "emission": light emitted, quenching itself. "bleach": share of the layer's stain removed.
    """
    if law == "saturating":
        return saturate(amount)
    if law == "emission":
        return saturate(amount, 2.0)
    if law == "bleach":
        return 1 - np.exp(-amount)
    return amount


def srgb_code(linear: Floats) -> Floats:
    """Return sRGB codes in [0, 1] of linear light (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)

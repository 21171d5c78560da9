"""Shapes of spots: density over the layer, peak 1, on coordinates in millimetres.

`u` runs across the lane, `v` along the run (upward); both are zero at the spot's place. `across`
and `along` are full widths at half height, `strength` in [0, 1] says how far a shape departs from
round.
None of these is the solution of a transport equation: they are what plates show.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import special

Floats = NDArray[np.floating]
LN2 = np.log(2.0)


def smooth_field(rng: np.random.Generator, shape: tuple[int, int], cell: float) -> Floats:
    """Return a smooth random field, mean about 0 and sd about 1, of features `cell` pixels wide."""
    rows, cols = (max(4, round(n / cell) + 3) for n in shape)
    coarse = Image.fromarray(rng.normal(size=(rows, cols)).astype(np.float32))
    fine = coarse.resize((shape[1], shape[0]), Image.Resampling.BICUBIC)
    return np.asarray(fine, np.float32) / np.float32(0.75)  # bicubic keeps 3/4 of the sd


def _gaussian(u, v, across, along, strength):
    return np.exp(-4 * LN2 * ((u / across) ** 2 + (v / along) ** 2))


def _flat(u, v, across, along, strength):
    # a disc as it was applied, its rim blurred by diffusion: sd 0.10 to 0.18 of the width
    radius = np.sqrt((2 * u / across) ** 2 + (2 * v / along) ** 2)
    rim = 2 * (0.18 - 0.08 * strength)
    return 0.5 * special.erfc((radius - 1) / (np.sqrt(2) * rim))


def _split(u, v, across, along, above, below):
    width = along * np.where(v > 0, above, below)
    return np.exp(-4 * LN2 * ((u / across) ** 2 + (v / width) ** 2))


def _skewed_up(u, v, across, along, strength):
    ratio = 1.3 + 0.7 * strength
    return _split(u, v, across, along, 2 * ratio / (1 + ratio), 2 / (1 + ratio))


def _skewed_down(u, v, across, along, strength):
    ratio = 1.3 + 0.7 * strength
    return _split(u, v, across, along, 2 / (1 + ratio), 2 * ratio / (1 + ratio))


def _tailed(u, v, across, along, strength):
    # head with an exponential tail toward the origin, joined where the slopes meet
    length = along * (0.45 + 0.5 * strength)
    sigma = 0.85 * along / 2.355
    join = sigma**2 / length
    tail = np.exp(-(join**2) / (2 * sigma**2) + (v + join) / length)
    head = np.exp(-(v**2) / (2 * sigma**2))
    return np.where(v > -join, head, tail) * np.exp(-4 * LN2 * (u / across) ** 2)


def _comet(u, v, across, along, strength):
    # a round head, and a tail that narrows and fades toward the origin
    behind = np.clip(-v, 0, None)
    reach = along * (1.2 + strength)
    narrow = across * np.exp(-behind / (2.2 * reach))
    head = np.exp(-4 * LN2 * ((u / across) ** 2 + (v / along) ** 2))
    tail = np.exp(-4 * LN2 * (u / narrow) ** 2 - behind / reach) / (1 + np.exp((v + 0.1) / 0.15))
    out = np.maximum(head, 0.6 * tail)
    return out + 0.1 * head * tail


def _crescent(u, v, across, along, strength):
    bend = (0.15 + 0.3 * strength) * along * (2 * u / across) ** 2
    wide = np.exp(-LN2 * np.abs(2 * u / (1.25 * across)) ** 3)
    return wide * np.exp(-4 * LN2 * ((v + bend) / (0.8 * along)) ** 2)


def _ring(u, v, across, along, strength):
    radius2 = (2 * u / across) ** 2 + (2 * v / along) ** 2
    disc = _flat(u, v, across, along, 0.6)
    rim = np.exp(-(((np.sqrt(radius2) - 0.78) / 0.2) ** 2))
    return disc * (1 - 0.15 - 0.4 * strength + (0.15 + 0.4 * strength) * rim)


def _uneven(u, v, across, along, strength):
    # outline wanders by some per cent with the angle; its phases follow from the strength alone
    angle = np.arctan2(v, u)
    phase = 40 * strength
    wander = 1 + (0.05 + 0.07 * strength) * (
        np.sin(2 * angle + phase) + 0.8 * np.sin(3 * angle + 2.3 * phase)
    )
    radius2 = ((2 * u / across) ** 2 + (2 * v / along) ** 2) / wander**2
    return np.exp(-LN2 * radius2**1.5)


def _streak(u, v, across, along, strength):
    behind = np.clip(-v, 0, None)
    head = np.exp(-4 * LN2 * (v / along) ** 2)
    drag = (0.25 + 0.3 * strength) * np.exp(-behind / (along * (2.5 + 2 * strength)))
    drag = drag / (1 + np.exp(np.clip(v / (0.12 * along), -40, 40)))
    return np.maximum(head, drag) * np.exp(-4 * LN2 * (u / across) ** 2)


def _band(u, v, across, along, strength):
    return np.exp(-LN2 * (2 * u / across) ** 8) * np.exp(-4 * LN2 * (v / along) ** 2)


SHAPES: dict[str, Callable] = {
    "gaussian": _gaussian,
    "flat": _flat,
    "skewed-up": _skewed_up,
    "skewed-down": _skewed_down,
    "tailed": _tailed,
    "comet": _comet,
    "crescent": _crescent,
    "ring": _ring,
    "uneven": _uneven,
    "blotchy": _uneven,
    "elliptical": _gaussian,
    "streak": _streak,
    "band": _band,
}


def density(
    shape: str,
    u: Floats,
    v: Floats,
    across: float,
    along: float,
    strength: float,
    blotch: float = 0.0,
    blotch_field: Floats | None = None,
) -> Floats:
    """Return a spot's density at offsets `u`, `v` (mm) from its place, peak about 1.

    Parameters
    ----------
    blotch : float
        Relative sd of the smooth field that multiplies the spot, 0.06 to 0.2 for a blotchy one.
    blotch_field : array, optional
        That field, of mean 0 and sd 1, on the same grid.
    """
    out = SHAPES[shape](u, v, across, along, strength)
    if blotch and blotch_field is not None:
        out = out * np.clip(1 + blotch * blotch_field, 0.2, None)
    return out


def apex(position: Floats, profile: Floats) -> float:
    """Return the middle of what exceeds 90 % of a profile's greatest value.

    A flat or ringed spot has no single highest place; its middle is what a ruler would be laid to.
    """
    low, high = _crossings(position, profile, 0.9)
    return (low + high) / 2


def half_width(position: Floats, profile: Floats) -> float:
    """Return the full width at half height, from the outermost crossings."""
    low, high = _crossings(position, profile, 0.5)
    return high - low


def _crossings(position: Floats, profile: Floats, level: float) -> tuple[float, float]:
    """Return the outermost places where an increasing `position` crosses `level` of the maximum."""
    over = profile / profile.max() - level
    above = np.flatnonzero(over >= 0)
    i, j = int(above[0]), int(above[-1])
    low = position[i]
    if i > 0:
        low = np.interp(0, over[i - 1 : i + 1], position[i - 1 : i + 1])
    high = position[j]
    if j < len(position) - 1:
        high = np.interp(0, -over[j : j + 2], position[j : j + 2])
    return float(low), float(high)

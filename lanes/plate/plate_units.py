"""From lengths as they were given to the plate's own units."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from lanes.errors import InputError
from lanes.lengths import Length, number_and_unit, text
from lanes.plate.layout import Floats, Layout
from lanes.settings import Settings

# Of the plate's size, beyond each of its edges: as far as places given in pixels are worked out, so
# that what lies outside is seen to.
BEYOND = 0.2


def height_of(option: str, stated: Length | None, layout: Layout) -> float | None:
    """Return a height above the plate's lower edge in the plate's units; None where not given.

    The units are mm where `layout` is scaled, else pixels of the squared plate. Pixels given are
    those of the picture, counted along the plate's middle from its lower edge.

    Raises
    ------
    InputError
        If a bare number, which is mm, is given for a plate without a scale.
    """
    return _on_plate(option, stated, layout, upward=True)


def lanes_in_plate_units(settings: Settings, layout: Layout) -> Settings:
    """Return `settings` with lanes and their width in the plate's units, as `height_of` has them.

    Pixels of the picture are counted along the origin line's height from the plate's left edge.

    Raises
    ------
    InputError
        If a bare number is given for a plate without a scale, or lanes do not rise.
    """
    level = float(layout.origin.at(0.5 * layout.width))
    lanes: int | tuple[Length, ...] | None = settings.lanes
    if isinstance(lanes, tuple):
        xs = tuple(_known("--lanes", x, layout, False, level) for x in lanes)
        if any(b <= a for a, b in pairwise(xs)):
            listed = ",".join(map(text, lanes))
            raise InputError(f"--lanes {listed} does not rise from left to right: give each x once")
        lanes = xs
    return replace(settings, lanes=lanes,
                   lane_width=_on_plate("--lane-width", settings.lane_width, layout, False, level))


def _on_plate(
    option: str, stated: Length | None, layout: Layout, upward: bool, level: float = 0.0
) -> float | None:
    return None if stated is None else _known(option, stated, layout, upward, level)


def _known(option: str, stated: Length, layout: Layout, upward: bool, level: float) -> float:
    value, unit = number_and_unit(stated)
    whole = layout.height if upward else layout.width
    if unit == "%":
        return value / 100.0 * whole
    if unit == "px":
        return _from_picture(value, layout, upward, level)
    if layout.scaled:
        return value
    raise InputError(no_scale(option, value, upward))


def no_scale(option: str, value: float, upward: bool) -> str:
    """Return the line that refuses a number of mm on a plate of unknown size."""
    side = "height" if upward else "width"
    return (f"{option} {value:g} is in mm, and the picture tells no scale: give the plate's size "
            f"with --plate-width MM, or {option} as 12% of the plate's {side} or 120px of the "
            "picture")


def _from_picture(pixels: float, layout: Layout, upward: bool, level: float) -> float:
    """Return the plate's length that so many pixels of the picture show."""
    whole = layout.height if upward else layout.width
    along: Floats = np.linspace(-BEYOND, 1.0 + BEYOND, 281) * whole
    middle = np.full(along.size, 0.5 * layout.width if upward else level)
    u, v = layout.to_pixels(middle, along) if upward else layout.to_pixels(along, middle)
    zero = int(np.argmin(np.abs(along)))
    counted = np.hypot(u - u[zero], v - v[zero]) * np.sign(along)
    return float(np.interp(pixels, counted, along))

"""From lengths as they were given to the plate's own units."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lanes.errors import InputError
from lanes.lengths import Length, parts, text
from lanes.plate.layout import Floats, Layout
from lanes.settings import Settings

RULER_MM = 0.1  # a length read off a ruler is good to about this (common practice)


def in_plate_units(settings: Settings, layout: Layout) -> Settings:
    """Return `settings` with every place on the plate in the plate's own units.

    Those are mm where `layout` is scaled, else pixels of the squared plate. Pixels given are
    those of the picture: heights are counted along the plate's middle from its lower edge, x
    along the origin (or the plate's middle) from its left edge.

    Raises
    ------
    InputError
        If a bare number, which is mm, is given for a plate without a scale.
    """
    origin = _on_plate("--origin", settings.origin, layout, upward=True)
    front = _on_plate("--front", settings.front, layout, upward=True)
    level = origin if origin is not None else 0.5 * layout.height
    lanes: int | tuple[Length, ...] | None = settings.lanes
    if isinstance(lanes, tuple):
        lanes = tuple(_known("--lanes", x, layout, False, level) for x in lanes)
        if any(b <= a for a, b in zip(lanes, lanes[1:], strict=False)):  # type: ignore[operator]
            given = ",".join(map(text, settings.lanes))  # type: ignore[arg-type]
            raise InputError(f"--lanes {given} does not rise from left to right: give each x once")
    return replace(settings, origin=origin, front=front, lanes=lanes,
                   lane_width=_on_plate("--lane-width", settings.lane_width, layout, False, level))


def _on_plate(
    option: str, given: Length | None, layout: Layout, upward: bool, level: float = 0.0
) -> float | None:
    return None if given is None else _known(option, given, layout, upward, level)


def _known(option: str, given: Length, layout: Layout, upward: bool, level: float) -> float:
    value, unit = parts(given)
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
    # A little beyond the plate, so that what lies outside is seen to.
    along: Floats = np.linspace(-0.2, 1.2, 281) * whole
    middle = np.full(along.size, 0.5 * layout.width if upward else level)
    u, v = layout.to_pixels(middle, along) if upward else layout.to_pixels(along, middle)
    zero = int(np.argmin(np.abs(along)))
    away = np.hypot(u - u[zero], v - v[zero]) * np.sign(along)
    return float(np.interp(pixels, away, along))

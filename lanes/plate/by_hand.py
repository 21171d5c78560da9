"""A person's own places put into the layout, and their masks taken out of the light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.errors import InputError
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.square import Grid
from lanes.settings import Settings

RULER_MM = 0.1  # how well a line is placed by hand (common practice)
RING_MM = 1.0   # layer about a mask that shows what lay under it
STEEPEST = 0.3  # lean of a lane: 17 degrees, more than any chamber stands askew

Mask = tuple[tuple[float, float], ...]


def placed_line(heights: tuple[float, float, float] | None, layout: Layout, name: str
               ) -> Line | None:
    """Return the parabola through `heights` at the plate's left edge, middle and right edge.

    Raises
    ------
    InputError
        If it leaves the plate.
    """
    if heights is None:
        return None
    left, middle, right = heights
    if not all(0.0 < y < layout.height for y in heights):
        raise InputError(f"the {name}'s heights {left:.4g}, {middle:.4g}, {right:.4g} do not all "
                         f"lie on the plate, which is {layout.height:.4g} {unit(layout)} high: "
                         "put it between its edges")
    w = layout.width
    slope = (4 * middle - 3 * left - right) / w
    bend = 2.0 * (left - 2.0 * middle + right) / w**2
    return Line((left, slope, bend), RULER_MM / layout.mm_per_unit)


def heights_of(line: Line, layout: Layout) -> tuple[float, float, float]:
    """Return a line's heights at the plate's left edge, middle and right edge."""
    left, middle, right = line.at(np.array([0.0, 0.5, 1.0]) * layout.width)
    return float(left), float(middle), float(right)


def placed_lanes(settings: Settings, layout: Layout) -> tuple[Lane, ...] | None:
    """Return the lanes as placed, unnamed; None where they are to be looked for.

    Raises
    ------
    InputError
        If one leaves the plate or leans too far.
    """
    if settings.places.lanes is None:
        return None
    lanes = []
    for number, place in enumerate(settings.places.lanes, 1):
        lane = Lane("", place.x, place.width)
        y0, y1 = layout.ends(lane)
        for _ in range(3):  # the front's height hangs on where the lane meets it
            lane = replace(lane, lean=(place.x_front - place.x) / (y1 - y0))
            y0, y1 = layout.ends(lane)
        inside = all(0.0 < x < layout.width for x in (place.x, place.x_front))
        if not inside or place.width > layout.width:
            raise InputError(f"lane {number}, at {place.x:.4g} and {place.x_front:.4g} "
                             f"{unit(layout)}, leaves the plate, which is {layout.width:.4g} wide: "
                             "put it between its edges")
        if abs(lane.lean) > STEEPEST:
            raise InputError(f"lane {number} leans by {np.degrees(np.arctan(lane.lean)):.0f} "
                             "degrees: a lane runs nearly straight up; move one of its ends")
        lanes.append(lane)
    return tuple(lanes)


def as_placed(layout: Layout, settings: Settings) -> Layout:
    """Return `layout` with lines and lanes where `settings` places them, ahead of any reading.

    Raises
    ------
    InputError
        If something leaves the plate.
    """
    places = settings.places
    layout = replace(
        layout, origin=placed_line(places.origin, layout, "origin") or layout.origin,
        front=placed_line(places.front, layout, "front") or layout.front)
    lanes = placed_lanes(settings, layout) or layout.lanes
    names = settings.names or tuple(lane.name for lane in lanes)
    if len(names) == len(lanes):
        lanes = tuple(replace(lane, name=name, role=settings.note(name).role or lane.role)
                      for lane, name in zip(lanes, names, strict=True))
    return replace(layout, lanes=lanes)


def unit(layout: Layout) -> str:
    """Return the word for the plate's unit of length."""
    return "mm" if layout.scaled else "pixels"


def masked(grid: Grid, masks: tuple[Mask, ...]) -> NDArray[np.bool_]:
    """Return where `grid`'s samples lie inside a mask, (rows, columns), by the even-odd rule."""
    x, y = grid.x()[None, :], grid.y()[:, None]
    out = np.zeros((grid.rows, grid.columns), bool)
    for mask in masks:
        inside = np.zeros_like(out)
        for (ax, ay), (bx, by) in zip(mask, (*mask[1:], mask[0]), strict=True):
            if ay == by:
                continue
            crosses = (ay > y) != (by > y)
            inside ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
        out |= inside
    return out


def without_masked(
    light: NDArray[np.float32], hidden: NDArray[np.bool_], mm: float
) -> NDArray[np.float32]:
    """Return `light` with what is `hidden` replaced by the layer about it.

    A plane through the ring of a millimetre about each mask, its darker and brighter quarters
    left out, stands for what lay under it.
    """
    if not hidden.any():
        return light
    out = light.copy()
    reach = max(2, round(RING_MM / mm))
    labels, _ = ndimage.label(hidden)
    for number, found in enumerate(ndimage.find_objects(labels), 1):
        box = tuple(slice(max(0, s.start - reach), s.stop + reach) for s in found)
        here = labels[box] == number
        ring = ndimage.binary_dilation(here, iterations=reach) & ~hidden[box]
        if not ring.any():
            continue
        row, column = np.indices(here.shape)
        terms = np.stack([np.ones(here.shape), row, column], axis=-1)
        values = light[box][ring]
        low, high = np.percentile(values, (25, 75))
        kept = (values >= low) & (values <= high)
        solved = np.linalg.lstsq(terms[ring][kept], values[kept], rcond=None)[0]
        out[box][here] = np.clip(terms[here] @ solved, low, high)
    return out

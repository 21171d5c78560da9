"""The signal of every spot on the plate: what a perfect reading would find."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lanes.draw.shapes import Across, Along
from lanes.draw.spec import LaneSpec, PlateSpec, SpotSpec

Floats = NDArray[np.float64]
Colour = tuple[float, float, float]


def signal(spec: PlateSpec, x: Floats, y: Floats, colour: Colour = (1.0, 1.0, 1.0)) -> Floats:
    """Return the signal on the grid of columns `x` and rows `y` (mm).

    Parameters
    ----------
    spec : PlateSpec
    x, y : (columns,) and (rows,) arrays
        Both evenly spaced, in mm.
    colour : (r, g, b)
        Colour of the spots that have none of their own.

    Returns
    -------
    (rows, columns, channels) array
        One channel where no spot has a colour of its own, else three. The sum over one spot
        times the area of a cell is its amount, times its colour where there are three.
    """
    coloured = any(spot.colour for lane in spec.lanes for spot in lane.spots)
    out = np.zeros((3 if coloured else 1, y.size, x.size))
    for lane in spec.lanes:
        for spot in lane.spots:
            rows, columns, shape = _spot(spec, lane, spot, x, y)
            weights = (spot.colour or colour) if coloured else (1.0,)
            for plane, weight in zip(out, weights, strict=True):
                plane[rows, columns] += weight * spot.amount * shape
    return np.moveaxis(out, 0, -1)


def _spot(
    spec: PlateSpec, lane: LaneSpec, spot: SpotSpec, x: Floats, y: Floats
) -> tuple[slice, slice, Floats]:
    along, across = Along(spot.fwhm, spot.tail), _across(lane, spot)
    rise = spot.rf * spec.rise(lane)
    dx = x - (lane.x + spec.lean * rise)
    dy = y - (spec.origin + rise)
    reach = along.reach + (across.reach if spec.lean else 0.0)
    side = across.reach + (along.reach if spec.lean else 0.0)
    rows, columns = _window(dy, reach), _window(dx, side)
    dx, dy = dx[columns], dy[rows]
    if not spec.lean:
        return rows, columns, np.outer(along(dy), across(dx))
    length = math.hypot(1.0, spec.lean)
    u = (dx[None, :] * spec.lean + dy[:, None]) / length
    v = (dx[None, :] - spec.lean * dy[:, None]) / length
    return rows, columns, along(u) * across(v)


def _across(lane: LaneSpec, spot: SpotSpec) -> Across:
    if lane.band is not None:
        # The ends of a band spread as the band does along the lane.
        return Across(spot.across or lane.band, Along(spot.fwhm, 0.0).sigma)
    return Across(spot.across or max(spot.fwhm, 2.2 + 0.6 * spot.rf), None)


def _window(offset: Floats, reach: float) -> slice:
    inside = np.flatnonzero(np.abs(offset) <= reach)
    return slice(int(inside[0]), int(inside[-1]) + 1) if inside.size else slice(0, 0)

"""A small drawn plate and the scan of it, without a file between."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.draw import Drawing, LaneSpec, PlateSpec, SpotSpec
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.square import Grid, choose_grid, square_up
from lanes.scan.scan import Scan

SPOTS = (SpotSpec(0.2, 2.0), SpotSpec(0.5, 1.0), SpotSpec(0.8, 0.5))
XS = (10.0, 20.0, 30.0)


def plate(**changes: Any) -> PlateSpec:
    """Return a plate of 40 x 60 mm with three lanes of three spots, at 150 dpi."""
    usual: dict[str, Any] = {
        "width": 40, "height": 60, "origin": 8, "front": 50, "dpi": 150,
        "lanes": tuple(LaneSpec(x, SPOTS) for x in XS),
    }
    return PlateSpec(**{**usual, **changes})


def scan_of(drawing: Drawing, **changes: Any) -> Scan:
    """Return what reading the drawing from a file would give."""
    pixels = drawing.pixels
    codes = np.ascontiguousarray(pixels if pixels.ndim == 3 else pixels[..., None])
    values: dict[str, Any] = {
        "codes": codes, "file": "plate.png", "sha256": "0" * 64, "width_px": codes.shape[1],
        "height_px": codes.shape[0], "bits": 8 * codes.dtype.itemsize, "mode": "RGB",
        "dpi": drawing.spec.dpi, "transfer": drawing.spec.transfer,
    }
    return Scan(**{**values, **changes})


def layout_of(drawing: Drawing, lane_width: float = 7.0) -> Layout:
    """Return the drawing's true layout."""
    spec, truth = drawing.spec, drawing.truth
    lanes = tuple(
        Lane(spec.lane_name(i), lane.x, lane_width, spec.lean) for i, lane in enumerate(spec.lanes)
    )
    return Layout(
        spec.width, spec.height, True, 1.0, np.array(truth["corners_px"]),
        Line(tuple(truth["lines"]["origin"])), Line(tuple(truth["lines"]["front"])), lanes,
    )


def squared(drawing: Drawing) -> tuple[NDArray[np.float32], Grid]:
    """Return the drawing's light on the plate's grid, by its true corners."""
    spec, corners = drawing.spec, np.array(drawing.truth["corners_px"])
    grid, reduce = choose_grid(spec.width, spec.height, corners, 1.0)
    light = square_up(scan_of(drawing), "mean", grid, reduce, spec.width, spec.height, corners)
    return light, grid

"""Where each point of the plate falls in the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.draw.spec import PlateSpec

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """The picture's size and the homography from plate (x, y) in mm to (column, row).

    Whole pixel coordinates are the centres of pixels. `flat` says that the plate's grid and the
    picture's are one, so that nothing need be resampled.
    """

    columns: int
    rows: int
    homography: Floats
    flat: bool

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return (column, row) of the plate's point `x`, `y` in mm."""
        u, v, w = self.homography @ (x, y, 1.0)
        return float(u / w), float(v / w)


def grid(spec: PlateSpec, margin: float) -> tuple[Floats, Floats]:
    """Return x of columns and y of rows (mm), centred on the plate, row 0 at the top."""
    pitch = 25.4 / spec.dpi
    columns = round((spec.width + 2 * margin) / pitch)
    rows = round((spec.height + 2 * margin) / pitch)
    x = spec.width / 2 + (np.arange(columns, dtype=float) - (columns - 1) / 2) * pitch
    y = spec.height / 2 - (np.arange(rows, dtype=float) - (rows - 1) / 2) * pitch
    return x, y


def view(spec: PlateSpec) -> View:
    """Return how `spec` is seen: upright, or turned and in perspective."""
    pitch = 25.4 / spec.dpi
    width, height = spec.width, spec.height
    # The upper edge is narrower by `keystone`; lower edge and height keep their length.
    c = spec.keystone / ((1 - spec.keystone) * height)
    perspective = np.array([[1, 0, 0], [0, 1 + c * height, 0], [0, c, 1]])
    turn = math.radians(spec.tilt)
    cos, sin = math.cos(turn), math.sin(turn)
    turned = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]]) @ _shift(0, -height / 2)
    seen = turned @ perspective @ _shift(-width / 2, 0)
    flat = spec.tilt == 0 and spec.keystone == 0
    if flat:
        x, y = grid(spec, spec.margin)
        columns, rows = x.size, y.size
        middle = (0.0, 0.0)
    else:
        corners = seen @ np.array([[0, width, width, 0], [0, 0, height, height], [1, 1, 1, 1]])
        u, v = corners[:2] / corners[2]
        columns = round((np.ptp(u) + 2 * spec.margin) / pitch)
        rows = round((np.ptp(v) + 2 * spec.margin) / pitch)
        middle = ((u.max() + u.min()) / 2, (v.max() + v.min()) / 2)
    scale = np.array(
        [[1 / pitch, 0, (columns - 1) / 2], [0, -1 / pitch, (rows - 1) / 2], [0, 0, 1]]
    )
    return View(columns, rows, scale @ _shift(-middle[0], -middle[1]) @ seen, flat)


def _shift(x: float, y: float) -> Floats:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]])

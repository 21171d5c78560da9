"""The plate squared up as a picture, for drawing on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Layout
from lanes.plate.square import Grid, resample
from lanes.scan.scan import Scan
from lanes.scan.transfer import linear_to_srgb

LONGEST = 1500  # samples along the longer side: enough for print


@dataclass(frozen=True)
class Picture:
    """The plate squared up for drawing: (rows, columns, 3) bytes, row 0 at the top edge.

    `strokes` is True where pencil, scratches and dust were taken out of the signal, (rows,
    columns) of another spacing; None where that is not known.
    """

    pixels: NDArray[np.uint8]
    width: float
    height: float
    strokes: NDArray[np.bool_] | None = None


def picture(scan: Scan, layout: Layout, thin: NDArray[np.bool_] | None = None) -> Picture:
    """Return the plate in `scan` squared up, in sRGB whatever the scan's own transfer.

    `thin` is what was taken out of the signal, (rows, columns), lowest row first.
    """
    corners = layout.corners_px
    native = 2.0 * layout.width / float(
        np.hypot(*(corners[1] - corners[0])) + np.hypot(*(corners[2] - corners[3])))
    reduce = max(1, int(max(layout.width, layout.height) / native / LONGEST + 0.5))
    pitch = native * reduce
    grid = Grid(max(2, round(layout.height / pitch)), max(2, round(layout.width / pitch)),
                pitch, pitch * layout.mm_per_unit)
    names = ("red", "green", "blue") if "red" in scan.channels else ("mean",)
    planes = []
    for name in names:
        light = resample(scan.light(name, reduce), grid, reduce, layout.width, layout.height,
                         corners)
        planes.append(np.rint(255 * linear_to_srgb(np.clip(light[::-1], 0, 1))).astype(np.uint8))
    pixels = np.stack(planes if len(planes) == 3 else planes * 3, axis=-1)
    strokes = None if thin is None else thin[::-1]
    return Picture(pixels, layout.width, layout.height, strokes)

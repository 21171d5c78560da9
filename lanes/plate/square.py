"""The plate squared up: the image resampled onto an even grid of plate coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from lanes.plate.layout import Floats, plate_to_pixels, project
from lanes.scan.scan import Scan

FINE_MM = 0.085  # about 300 dots per inch: finer detail than any spot's
STRIP = 128      # rows worked out at a time: temporaries stay small

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Grid:
    """Even samples over the plate: sample (i, j) lies at x = (j + 1/2) pitch, y likewise upward.

    `pitch` is in the plate's units, `mm` the same in millimetres (assumed ones without a scale).
    """

    rows: int
    columns: int
    pitch: float
    mm: float

    def row(self, y: ArrayLike) -> Floats:
        """Return the fractional row of height `y`."""
        return np.asarray(y, np.float64) / self.pitch - 0.5

    def column(self, x: ArrayLike) -> Floats:
        """Return the fractional column of `x`."""
        return np.asarray(x, np.float64) / self.pitch - 0.5

    def x(self) -> Floats:
        """Return the x of every column."""
        return (np.arange(self.columns, dtype=np.float64) + 0.5) * self.pitch

    def y(self) -> Floats:
        """Return the y of every row, lowest first."""
        return (np.arange(self.rows, dtype=np.float64) + 0.5) * self.pitch


def choose_grid(
    width: float, height: float, corners_px: Floats, mm_per_unit: float
) -> tuple[Grid, int]:
    """Return the grid for a plate and the whole-number reduction of the image before it."""
    across = np.hypot(*(corners_px[1] - corners_px[0])) + np.hypot(*(corners_px[2] - corners_px[3]))
    native = 2.0 * width / float(across)
    reduce = max(1, int(np.floor(FINE_MM / (native * mm_per_unit) + 0.15)))
    pitch = native * reduce
    grid = Grid(max(8, int(height / pitch)), max(8, int(width / pitch)), pitch, pitch * mm_per_unit)
    return grid, reduce


def square_up(
    scan: Scan, channel: str, grid: Grid, reduce: int, width: float, height: float,
    corners_px: Floats,
) -> Image:
    """Return `scan`'s light in `channel` on `grid`, lowest row first.

    The image is first averaged over blocks of `reduce` pixels, so that no light is skipped.
    """
    return resample(scan.light(channel, reduce), grid, reduce, width, height, corners_px)


def resample(
    image: Image, grid: Grid, reduce: int, width: float, height: float, corners_px: Floats,
) -> Image:
    """Return `image` (already reduced) on `grid`, by linear interpolation."""
    return at_places(image, places(grid, reduce, width, height, corners_px))


def places(
    grid: Grid, reduce: int, width: float, height: float, corners_px: Floats,
) -> Image:
    """Return where each sample of `grid` lies in the reduced image, (2, rows, columns)."""
    homography = plate_to_pixels(width, height, corners_px)
    where = np.empty((2, grid.rows, grid.columns), np.float32)
    x, y = grid.x()[None, :], grid.y()[:, None]
    for top in range(0, grid.rows, STRIP):
        column, row = project(homography, x, y[top: top + STRIP])
        where[0, top: top + STRIP] = (row + 0.5) / reduce - 0.5
        where[1, top: top + STRIP] = (column + 0.5) / reduce - 0.5
    return where


def at_places(image: Image, where: Image) -> Image:
    """Return `image` at `where`, by linear interpolation; beyond it, what its rim shows."""
    return ndimage.map_coordinates(image, where, order=1, mode="nearest", prefilter=False)

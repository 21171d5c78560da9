"""The plate squared up: the image resampled onto an even grid of plate coordinates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from lanes.plate.layout import Floats, plate_to_pixels, project
from lanes.scan.scan import Scan

FINE_MM = 0.085  # about 300 dots per inch: finer detail than any spot's
# A picture is reduced where its samples are finer than FINE_MM, by the whole number next below the
# ratio; one that lacks less than this is rounded up, so that 590 dots per inch count as 600.
NEARLY = 0.15
STRIP = 32       # rows worked out at a time: temporaries stay small

NO_MOVE = 1e-4   # pixels: what single precision leaves of a place in a large picture

Image = NDArray[np.float32]
Places = tuple[NDArray[np.floating], NDArray[np.floating]]


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
    reduce = max(1, int(np.floor(FINE_MM / (native * mm_per_unit) + NEARLY)))
    pitch = native * reduce
    grid = Grid(max(8, int(height / pitch)), max(8, int(width / pitch)), pitch, pitch * mm_per_unit)
    return grid, reduce


def base_channels(scan: Scan) -> tuple[str, ...]:
    """Return the channels that every other one is a mixture of."""
    return ("red", "green", "blue") if "red" in scan.channels else ("mean",)


@lru_cache(maxsize=1)  # the plate is looked for in it, and then squared up from it
def base_light(scan: Scan, reduce: int) -> Image:
    """Return `scan.light` of the base channels, (rows, columns, channels), locked."""
    light = np.stack([scan.light(name, reduce) for name in base_channels(scan)], axis=-1)
    light.setflags(write=False)
    return light


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
) -> Places:
    """Return the rows and columns of the reduced image at which the samples of `grid` lie.

    Both are (rows, columns); of a plate that lies straight in its picture, (rows, 1) and
    (1, columns).
    """
    homography = plate_to_pixels(width, height, corners_px)
    x, y = grid.x()[None, :], grid.y()[:, None]
    if _is_straight(corners_px):
        column, row = project(homography, x, y[:1])[0], project(homography, x[:, :1], y)[1]
        return (row + 0.5) / reduce - 0.5, (column + 0.5) / reduce - 0.5
    where = np.empty((2, grid.rows, grid.columns), np.float32)
    for top in range(0, grid.rows, STRIP):
        column, row = project(homography, x, y[top: top + STRIP])
        where[0, top: top + STRIP] = (row + 0.5) / reduce - 0.5
        where[1, top: top + STRIP] = (column + 0.5) / reduce - 0.5
    return where[0], where[1]


def _is_straight(corners_px: Floats) -> bool:
    """Return whether the plate's sides run along the picture's: upright or upside down."""
    (left, bottom), (right, _), (_, top), _ = corners_px
    square = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
    return bool(np.abs(corners_px - square).max() < NO_MOVE)


def at_places(image: Image, where: Places) -> Image:
    """Return `image` at `where`, by linear interpolation; beyond it, what its rim shows."""
    return all_at_places((image,), where)[0]


def all_at_places(images: Sequence[Image], where: Places) -> tuple[Image, ...]:
    """Return images of one shape at `where`, as `at_places` each."""
    row, column = where
    if row.shape[1] == 1:
        return tuple(_between(_between(image, row.ravel(), 0), column.ravel(), 1)
                     for image in images)
    rows, columns = images[0].shape
    if min(rows, columns) < 2:
        return tuple(ndimage.map_coordinates(image, where, order=1, mode="nearest",
                                             prefilter=False) for image in images)
    out = tuple(np.empty(row.shape, np.float32) for _ in images)
    flat = [np.ascontiguousarray(image).ravel() for image in images]
    # Two fifths of the time of scipy's, which works out every place for each image (timed).
    for top in range(0, len(row), STRIP):
        part = slice(top, top + STRIP)
        first, down = cells(row[part], rows)
        at, across = cells(column[part], columns)
        at += first * np.intp(columns)
        # In double precision, and summed as scipy sums: the same to the last bit.
        corners = [(at, 1.0 - down, 1.0 - across), (at + 1, 1.0 - down, across),
                   (at + columns, down, 1.0 - across), (at + (columns + 1), down, across)]
        for image, made in zip(flat, out, strict=True):
            total = np.zeros(at.shape)
            for corner, tall, wide in corners:
                share = image.take(corner) * tall
                share *= wide
                total += share
            made[part] = total
    return out


def cells(at: NDArray[np.floating], samples: int) -> tuple[NDArray[np.intp], Floats]:
    """Return the sample before each place, and how far beyond it the place lies, from 0 to 1."""
    at = np.clip(at, 0, samples - 1)
    low = np.minimum(at.astype(np.intp), samples - 2)
    return low, np.asarray(at - low, np.float64)


def _between(image: Image, at: NDArray[np.floating], axis: int) -> Image:
    """Return `image` at places `at` along an axis, by linear interpolation."""
    last = image.shape[axis] - 1
    at = np.clip(at, 0, last)
    at = np.where(np.abs(at - np.rint(at)) < NO_MOVE, np.rint(at), at)
    low = np.floor(at).astype(np.intp)
    share = np.asarray(at - low, np.float32)
    out: Image = image.take(low, axis)
    if share.any():
        if axis == 0:
            share = share[:, None]
        out *= 1 - share
        out += image.take(np.minimum(low + 1, last), axis) * share
    return out

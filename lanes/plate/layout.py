"""Where things are on the plate: its corners, origin line, solvent front and lanes."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.flags import Flag

Floats = NDArray[np.float64]
OFF_PLATE = 1e6  # plate units: a line so far below or above has the whole plate on one side


@dataclass(frozen=True)
class Line:
    """A pencilled line: y as a polynomial of x, lowest power first, in plate units.

    `thick` is its stroke's full width, its wavering and blur included; 0 where it is not known.
    """

    coefficients: tuple[float, ...]
    sd: float = 0.0
    thick: float = 0.0

    def at(self, x: ArrayLike) -> Floats:
        """Return y at `x`, both in plate units, any shape."""
        x = np.asarray(x, float)
        y = self.coefficients[-1] + x * 0.0
        for coefficient in self.coefficients[-2::-1]:
            y = coefficient + y * x
        return np.asarray(y)


@dataclass(frozen=True)
class Blob:
    """A place on the layer that stands out of its noise.

    Attributes
    ----------
    x, y : float
        Its centre, in plate units as the widths.
    width, height : float
        Full extent at half its depth, across the plate and along it.
    strength : float
        Standard deviations of the layer's noise, in the channel or combination that sees it best.
    lighter : bool
        Whether it is lighter than the layer.
    depth : tuple of float
        Light over the layer's, less 1, in each of the planes' channels.
    seen : dict
        Standard deviations in each channel.
    """

    x: float
    y: float
    width: float
    height: float
    strength: float
    lighter: bool
    depth: tuple[float, ...]
    seen: dict[str, float]


@dataclass(frozen=True)
class Lane:
    """One lane: its path is x + lean (y - origin y), from the origin to the front.

    `width` is what is integrated across the path, in mm. `confidence` is between 0 and 1.
    """

    name: str
    x: float
    width: float
    lean: float = 0.0
    role: str | None = None
    confidence: float = 1.0


@dataclass(frozen=True)
class Layout:
    """The geometry of one scan.

    Attributes
    ----------
    width, height : float
        The plate's size in mm (in pixels where `scaled` is False).
    scaled : bool
        Whether lengths are millimetres.
    mm_per_unit : float
        What one unit of length is taken to be when a rule of thumb in mm is applied: 1 where
        `scaled`, else a guess from the plate's size that never reaches a result.
    corners_px : (4, 2) array
        The plate's corners in image pixels (column, row): lower left, lower right, upper right,
        upper left.
    origin, front : Line
        Heights of the two lines.
    lanes : tuple of Lane
        From left to right.
    found : dict
        What was automatic, with its confidence from 0 to 1; a given value has no entry.
    flags : tuple of Flag
    blobs : tuple of Blob or None
        What stands out between the lines; None where it was not looked for.
    faint : tuple of Blob
        What nearly stands out, in a lane and in a row of other lanes' spots.
    lighter : bool or None
        Whether spots are lighter than the layer; None: as the law has it.
    skew_sd : float
        Standard deviation of how much longer, of itself, a length is at the upper edge than at the
        lower one: a plate that was cut out of square is squared up with what it is not.
    """

    width: float
    height: float
    scaled: bool
    mm_per_unit: float
    corners_px: Floats
    origin: Line
    front: Line
    lanes: tuple[Lane, ...] = ()
    found: dict[str, float] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()
    blobs: tuple[Blob, ...] | None = None
    faint: tuple[Blob, ...] = ()
    lighter: bool | None = None
    skew_sd: float = 0.0

    def to_pixels(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return (column, row) in image pixels of plate points `x`, `y`."""
        return project(plate_to_pixels(self.width, self.height, self.corners_px), x, y)

    def path(self, lane: Lane, rf: ArrayLike) -> tuple[Floats, Floats]:
        """Return plate coordinates (x, y) of retardation factors `rf` on `lane`'s path."""
        rf = np.asarray(rf, float)
        y0, y1 = self.ends(lane)
        y = y0 + rf * (y1 - y0)
        return lane.x + lane.lean * (y - y0), y

    def ends(self, lane: Lane) -> tuple[float, float]:
        """Return the heights where `lane`'s path crosses the origin line and the front."""
        return _ends(self.origin, self.front, lane.x, lane.lean)

    def retention(self, blob: Blob) -> float:
        """Return the Rf a blob would have in a lane straight below it."""
        low, high = float(self.origin.at(blob.x)), float(self.front.at(blob.x))
        return (blob.y - low) / (high - low)

    def run(self, lane: Lane) -> float:
        """Return the length of `lane`'s path from origin to front."""
        y0, y1 = self.ends(lane)
        return float((y1 - y0) * np.hypot(1.0, lane.lean))


@lru_cache(maxsize=256)  # every blob and spot asks which lane it is in
def _ends(origin: Line, front: Line, x: float, lean: float) -> tuple[float, float]:
    y0 = float(origin.at(x))
    y1 = float(front.at(x))
    for _ in range(3):
        y1 = float(front.at(x + lean * (y1 - y0)))
    return y0, y1


def plate_to_pixels(width: float, height: float, corners_px: Floats) -> Floats:
    """Return the 3 x 3 homography that takes plate (x, y) to image (column, row).

    Solved from the four corner pairs by the direct linear transform (Hartley & Zisserman,
    Multiple View Geometry, sec. 4.1; from memory).
    """
    plate = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    rows = []
    for (x, y), (u, v) in zip(plate, corners_px, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    h = np.linalg.solve(np.array(rows), np.asarray(corners_px, float).ravel())
    return np.append(h, 1.0).reshape(3, 3)


def project(homography: Floats, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Return `x`, `y` taken through a 3 x 3 `homography`."""
    x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
    w = homography[2, 0] * x + homography[2, 1] * y + homography[2, 2]
    u = (homography[0, 0] * x + homography[0, 1] * y + homography[0, 2]) / w
    v = (homography[1, 0] * x + homography[1, 1] * y + homography[1, 2]) / w
    return u, v

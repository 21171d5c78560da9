"""The clean layer as a smooth surface, carried on under whatever hides it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.interpolate import CubicSpline
from scipy.linalg import cho_solve_banded, cholesky_banded

from lanes.confidence import MAD_SD
from lanes.plate.morphology import dilated, opened
from lanes.quantiles import median, quantile

Floats = NDArray[np.float64]

CELL_MM = 1.5
# Half-power wavelength of the smoother. Mottle and lamp vary more slowly than this, spots faster.
CUTOFF_MM = 14.0
STIFF = 3.0  # times the cutoff: a surface that follows the lamp, and no spot or mottle
NO_WEIGHT = 1e-300  # so that nothing is divided by 0 where no cell is clean
# Of the weight of one wholly clean cell: a trace of stiffness keeps the system solvable on a plate
# with hardly a clean cell, and bends no surface.
TRACE = 1e-9
KERNEL_SDS = 3.0  # where a Gaussian filter is cut off: 0.3 % of it lies beyond
BLUR_MM = 0.6     # standard deviation under which marks are looked for: grain goes, spots stay
# Standard deviations of blurred layer that a mark departs by: at first, beside a surface still
# stiff, and then; and how far beyond its own edge its skirt is left out.
FIRST_SDS, MARK_SDS, SKIRT_MM = 4.0, 3.0, 0.6
NO_NOISE = 1e-12  # so that a picture without noise marks nothing by rounding
# Of the plate: where less seems bare, the surface was wrong, and all is taken as bare again.
LEAST_BARE = 0.15
# Quantiles of light beyond which samples do not pull at the first surface: heavy spots, and glare.
CAPS = (0.1, 0.99)


@dataclass(frozen=True)
class Surface:
    """A smooth surface, known at the centres of square cells of side `size` in mm."""

    cells: Floats
    size: float

    def on(self, shape: tuple[int, ...], mm: float) -> NDArray[np.float32]:
        """Return the surface at every sample of an image of `shape`, samples `mm` apart.

        Natural cubic splines along both axes, so that it is as smooth as it was solved.
        """
        down: NDArray[np.float32] = _spline(self.cells.shape[0], shape[0], mm / self.size)
        across = _spline(self.cells.shape[1], shape[1], mm / self.size)
        return np.asarray(down @ self.cells.astype(np.float32) @ across.T)


def smooth_layer(
    image: NDArray[np.floating], clean: NDArray[np.bool_], mm: float, cutoff: float = CUTOFF_MM
) -> Surface:
    """Return the smooth surface through the clean samples of `image`, on cells of about 1.5 mm.

    Minimises sum n (z - b)^2 + strength sum (second differences of b)^2, a two-dimensional
    Whittaker smoother (Eilers, Anal. Chem. 75, 3631 (2003)); where nothing is clean the surface
    bends as little as it can.

    Parameters
    ----------
    image : (rows, columns) array
    clean : (rows, columns) bool array
        Samples that show bare layer.
    mm : float
        Spacing of the samples in mm.
    cutoff : float
        Wavelength in mm that the smoother halves.

    Returns
    -------
    Surface
    """
    step = max(1, round(CELL_MM / mm))
    total, count = _cells(np.where(clean, image, 0.0), step), _cells(clean, step)
    weight = count / step**2
    values = np.divide(total, count, out=np.zeros_like(total), where=count > 0)
    lamp = _quadratic(values, weight)
    strength = (cutoff / (2 * np.pi * step * mm)) ** 4
    counted = _by_shorter_side(weight)
    # The channels of a plate start stiff, and from the same samples.
    factored = _stiff if cutoff > CUTOFF_MM else _factor
    factor = factored(counted.tobytes(), counted.shape, strength)
    solved = cho_solve_banded((factor, True), _by_shorter_side(weight * (values - lamp)).ravel(),
                              check_finite=False).reshape(counted.shape)
    return Surface(lamp + (solved if solved.shape == lamp.shape else solved.T), step * mm)


def _by_shorter_side(grid: Floats) -> Floats:
    """Return values of cells in a row, counted along the shorter side: a narrow band joins them."""
    return np.ascontiguousarray(grid if grid.shape[0] >= grid.shape[1] else grid.T)


def _factor(weight: bytes, shape: tuple[int, int], strength: float) -> Floats:
    """Return the Cholesky factor of the smoother's system, in bands below its diagonal."""
    bands = strength * _roughness(*shape)
    bands[0] += np.frombuffer(weight)
    return np.asarray(cholesky_banded(bands, lower=True, overwrite_ab=True, check_finite=False))


_stiff = lru_cache(maxsize=1)(_factor)


def _quadratic(values: Floats, weight: Floats) -> Floats:
    """Return the quadratic surface nearest to `values`: the lamp, which needs no smoothing."""
    if np.count_nonzero(weight) < 24:  # too few to know a slope by
        return np.full(values.shape, float((weight * values).sum() / max(weight.sum(), NO_WEIGHT)))
    terms = _quadratic_terms(*values.shape)
    weighed = terms * weight.ravel()
    solved = np.linalg.lstsq(weighed @ terms.T, weighed @ values.ravel(), rcond=None)[0]
    return np.asarray((solved @ terms).reshape(values.shape))


@lru_cache(maxsize=4)
def _quadratic_terms(rows: int, columns: int) -> Floats:
    """Return the six terms of a quadratic surface at every cell, sides from -1 to 1."""
    row, column = np.indices((rows, columns)).reshape(2, -1)
    u = 2.0 * row / max(rows - 1, 1) - 1.0
    v = 2.0 * column / max(columns - 1, 1) - 1.0
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v])


@lru_cache(maxsize=32)
def _spline(cells: int, samples: int, pitch: float) -> NDArray[np.float32]:
    """Return the matrix that takes values at cell centres to samples `pitch` cells apart."""
    at = (np.arange(samples) + 0.5) * pitch - 0.5
    if cells < 3:
        low = np.clip(at, 0, max(cells - 1, 0))
        matrix = np.maximum(1.0 - np.abs(low[:, None] - np.arange(cells)), 0.0)
        return np.asarray(matrix, np.float32)
    spline = CubicSpline(np.arange(cells), np.eye(cells), bc_type="natural")
    return np.asarray(spline(at), np.float32)


def _cells(image: NDArray[np.generic], step: int) -> Floats:
    rows, columns = -(-image.shape[0] // step), -(-image.shape[1] // step)
    out = np.add.reduceat(image.astype(np.float32), np.arange(0, image.shape[0], step), axis=0)
    out = np.add.reduceat(out, np.arange(0, image.shape[1], step), axis=1)
    assert out.shape == (rows, columns)
    return out.astype(float)


@lru_cache(maxsize=1)
def _roughness(rows: int, columns: int) -> Floats:
    """Return the penalty of a surface's bends, in bands below its diagonal.

    Cells are counted row by row; rows are no shorter than columns are long.
    """
    def second(n: int) -> sparse.csc_array:
        if n < 3:
            return sparse.csc_array((1, n))
        return sparse.csc_array(
            sparse.diags_array([1.0, -2.0, 1.0], offsets=[0, 1, 2], shape=(n - 2, n))
        )

    def first(n: int) -> sparse.csc_array:
        return sparse.csc_array(
            sparse.diags_array([-1.0, 1.0], offsets=[0, 1], shape=(n - 1, n)))

    down = sparse.kron(second(rows), sparse.eye_array(columns))
    across = sparse.kron(sparse.eye_array(rows), second(columns))
    mixed = sparse.kron(first(rows), first(columns)) if min(rows, columns) > 1 else None
    penalty = down.T @ down + across.T @ across
    if mixed is not None:
        penalty = penalty + 2.0 * (mixed.T @ mixed)
    entries = sparse.coo_array(penalty + TRACE * sparse.eye_array(rows * columns))
    below = entries.row - entries.col
    # By columns, as LAPACK takes them: turning them round takes as long as factoring.
    bands = np.zeros((int(below.max()) + 1, rows * columns), order="F")
    bands[below[below >= 0], entries.col[below >= 0]] = entries.data[below >= 0]
    return bands


def mask_marks(
    relative: NDArray[np.float32], mm: float, known: NDArray[np.bool_] | None = None,
    rounds: int = 2,
) -> tuple[NDArray[np.bool_], Surface]:
    """Find what is not bare layer, and the surface of what is.

    Parameters
    ----------
    relative : (rows, columns) array
        Light, or any quantity in which bare layer is smooth.
    mm : float
        Spacing in mm; about 0.25 serves.
    known : (rows, columns) bool array, optional
        Samples known not to be bare layer.
    rounds : int

    Returns
    -------
    (rows, columns) bool array, True where bare; and the surface.
    """
    bare = np.ones(relative.shape, bool) if known is None else ~known
    blurred = ndimage.gaussian_filter(relative, BLUR_MM / mm, truncate=KERNEL_SDS)
    # The first surface is stiff, so that a heavy spot can't pull it down to itself.
    surface = smooth_layer(_capped(relative, bare), bare, mm, STIFF * CUTOFF_MM)
    for i in range(rounds):
        rest = blurred - surface.on(relative.shape, mm)
        clean = rest[bare]
        middle = float(median(clean))
        sd = MAD_SD * float(median(np.abs(clean - middle)))
        marks = np.abs(rest - middle) > (FIRST_SDS if i == 0 else MARK_SDS) * max(sd, NO_NOISE)
        marks = dilated(opened(marks), max(1, round(SKIRT_MM / mm)))
        bare = ~marks if known is None else ~(marks | known)
        if bare.mean() < LEAST_BARE:
            bare = np.ones(relative.shape, bool) if known is None else ~known
        surface = smooth_layer(relative, bare, mm)
    return bare, surface


def _capped(image: NDArray[np.float32], bare: NDArray[np.bool_]) -> NDArray[np.float32]:
    seen = image[bare]
    low, high = (quantile(seen, np.float64(share)) if seen.size else share for share in CAPS)
    return np.clip(image, low, high)

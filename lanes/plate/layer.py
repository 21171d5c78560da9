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
from lanes.plate.grain import without_grain
from lanes.plate.morphology import dilated, opened
from lanes.quantiles import median, quantile
from lanes.scan.transfer import code_table

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
FIRST_SDS, MARK_SDS, SKIRT_MM = 6.0, 3.0, 0.6
# Rounds of reweighting for the lamp, and the least deviation that one is weighed by, of the usual.
LAMP_ROUNDS, NEAR_LAMP = 8, 0.1
# The quantile of light that the lamp is first drawn at: among bare layer wherever that is more than
# a fifth of what is seen. And that of the tails which tell to which side spots depart.
LAYER_SIDE, TAIL = 0.8, 0.02
HALVINGS = 2
FEW, FEW_SD = 0.0228, 2.0  # of Gaussian places, beyond so many standard deviations to one side
BITS = 8
ROUNDED = 12**-0.5  # standard deviation of what rounding leaves, of the step
NO_NOISE = 1e-12  # so that a picture without noise marks nothing by rounding
# Of what is seen of the plate, taken as bare whatever it departs by, before skirts.
LEAST_BARE = 0.15


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
    codes: float = 1.0,
) -> tuple[NDArray[np.bool_], Surface]:
    """Find what is not bare layer, and the surface of what is.

    From the lamp's stiffest shape to the layer's own: at each step what departs from the surface is
    left out of the next, so that broad spots, which a supple surface would follow, are known before
    there is one.

    Parameters
    ----------
    relative : (rows, columns) array
        Light, or any quantity in which bare layer is smooth.
    mm : float
        Spacing in mm; about 0.25 serves.
    known : (rows, columns) bool array, optional
        Samples known not to be bare layer.
    codes : float
        Step in which the file keeps light, in codes of 255 by sRGB's curve.

    Returns
    -------
    (rows, columns) bool array, True where bare; and the surface.
    """
    seen = np.ones(relative.shape, bool) if known is None else ~known
    blurred = ndimage.gaussian_filter(relative, BLUR_MM / mm, truncate=KERNEL_SDS)
    finest = _rounding(relative, seen, codes)
    surface, middle, sd = _lamp(blurred, seen, mm, finest)
    bare = seen
    for cutoff, sds in ((STIFF * CUTOFF_MM, FIRST_SDS), (CUTOFF_MM, FIRST_SDS),
                        (CUTOFF_MM, MARK_SDS)):
        rest = blurred - surface.on(relative.shape, mm)
        if bare is not seen:
            middle, sd = _scatter(rest[bare])
        off = np.abs(rest - middle)
        least = quantile(off[seen], np.float64(LEAST_BARE)) if seen.any() else 0.0
        marks = opened(off > max(sds * max(sd, finest), least))
        bare = seen & ~dilated(marks, max(1, round(SKIRT_MM / mm)))
        if not bare.any():  # skirts may meet everywhere
            bare = seen & ~marks
        surface = smooth_layer(relative, bare, mm, cutoff)
    return bare, surface


def _lamp(
    blurred: NDArray[np.float32], seen: NDArray[np.bool_], mm: float, finest: float
) -> tuple[Surface, float, float]:
    """Return the quadratic surface that bare layer follows, though spots cover most of it.

    And the middle of what bare layer departs from it by, and the standard deviation, of which no
    less than `finest` is believed.

    Spots depart to one side, the one with the longer tail: a quantile near the other side is drawn
    first (Koenker & Bassett, Econometrica 46, 33 (1978), by reweighting), then what lies about it.
    """
    step = max(1, round(CELL_MM / mm))
    total, count = _cells(np.where(seen, blurred, 0.0), step), _cells(seen, step)
    values = np.divide(total, count, out=np.zeros_like(total), where=count > 0)
    weight = count / step**2
    there = weight > 0
    surface = _quadratic(values, weight)
    if not there.any():
        return Surface(surface, step * mm), 0.0, 0.0
    share = 0.5
    for i in range(LAMP_ROUNDS):
        if i == LAMP_ROUNDS // 2:
            low, middle, high = np.quantile((values - surface)[there], [TAIL, 0.5, 1.0 - TAIL])
            share = LAYER_SIDE if middle - low > high - middle else 1.0 - LAYER_SIDE
        off = values - surface
        near = NEAR_LAMP * float(median(np.abs(off[there]))) + NO_NOISE
        pull = np.where(off > 0, share, 1.0 - share) / np.maximum(np.abs(off), near)
        surface = _quadratic(values, weight * pull)
    for _ in range(LAMP_ROUNDS):
        off = values - surface
        middle, sd = _scatter(off[there], _mode(off[there]))
        kept = there & (np.abs(off - middle) < MARK_SDS * max(sd, finest))
        surface = _quadratic(values, weight * kept)
    return Surface(surface, step * mm), middle, sd


def _rounding(light: NDArray[np.float32], seen: NDArray[np.bool_], codes: float) -> float:
    """Return the standard deviation that rounding to steps of `codes` leaves without grain.

    Grain spreads a step over its neighbours. Without it a lamp's fall-off is a flight of flat
    stairs, of which a surface would follow every few and take the others for marks.
    """
    if not without_grain(light, seen):
        return NO_NOISE
    table = code_table(BITS, "srgb")
    code = float(np.interp(float(median(light[seen])), table, np.arange(table.size)))
    above, below = np.interp([code + 0.5, code - 0.5], np.arange(table.size), table)
    return float(codes * (above - below) * ROUNDED)


def _mode(values: NDArray[np.floating]) -> float:
    """Return the middle of the narrowest half of `values`, halved again, to a quarter.

    Robertson & Cryer, J. Am. Stat. Assoc. 69, 1012 (1974), who halve to the last: a quarter is
    steadier.
    """
    some = np.sort(values.ravel())
    for _ in range(HALVINGS):
        half = -(-some.size // 2)
        first = int(np.argmin(some[half - 1:] - some[: some.size - half + 1]))
        some = some[first: first + half]
    return float(median(some))


def _scatter(rest: NDArray[np.floating], middle: float | None = None) -> tuple[float, float]:
    """Return the middle of `rest` and its standard deviation, by the side that scatters less.

    What is left of spots departs to one side. A compressed picture is flat over most of its blocks
    and steps at others, which the median does not see and what few places exceed does.
    """
    if middle is None:
        middle = float(median(rest)) if rest.size else 0.0
    spread = [0.0]
    sides = [np.abs(rest[rest < middle] - middle), np.abs(rest[rest > middle] - middle)]
    if all(side.size for side in sides):
        spread = [max(MAD_SD * float(median(side)),
                      float(quantile(side, np.float64(1.0 - 2.0 * FEW))) / FEW_SD)
                  for side in sides]
    return middle, min(spread)

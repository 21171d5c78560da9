"""The background under a trace, from the trace alone, by named methods from the literature.

Each method works on means over cells of `CELL` mm, and its answer is laid back over the samples
by a cubic spline: how finely the plate was scanned does not change the background.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from numbers import Real

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.linalg import solveh_banded
from scipy.special import expit

from lanes.confidence import MAD_SD, SECOND_DIFFERENCE_SD
from lanes.errors import InputError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Lengths in mm. They were chosen on drawn lanes of 50 to 150 mm that held one spot, or four to
# eight overlapping ones, 1 to 4 mm wide at half height, on backgrounds of half a spot's height.
CELL = 0.25
STIFFNESS = 4.0  # the fourth root of the penalty: bends much shorter than this are not followed
CLIP = 6.0  # half the widest window: the base of the widest spot
ORDER = 3  # higher orders swell under a crowd of spots
RUN = 80.0  # what a trace of unknown pitch is taken to measure, a common run
SHORTEST = 8  # samples, and cells with something in them
SHORTEST_BEND = 0.1  # cells: much shorter, and nothing would bridge what is not usable
QUIET = 1e-12  # of the trace's own height: less is rounding, and leaves nothing to weigh by
SETTLED = 1e-9  # of the trace's own height, from turn to turn
LEAST_SHARE = 1e-6  # of a cell: what rounding leaves of one that is not usable


def background(
    signal: ArrayLike,
    method: str,
    *,
    usable: ArrayLike | None = None,
    pitch: float | None = None,
) -> Floats:
    """Return the background under `signal`.

    Spots rise above the background; the noise about it is taken from the trace. "asymmetric" and
    "snip" first take off the cubic that "polynomial" gives and add it back: on their own the
    former lets go of a trace that rises towards an end, and the latter cuts through one that
    bulges.

    Parameters
    ----------
    signal : (n,) array_like
        The trace in any unit, n at least 8, all finite. A spot cut by the end of the trace is in
        part taken for background.
    method : str
        One of `METHODS`: "asymmetric" (`arpls`), "snip" (`snip`), "polynomial"
        (`modified_polynomial`) or "none" (zeros).
    usable : (n,) array_like of bool, optional
        False where a sample is to be ignored, such as under pencil; the background bridges it.
    pitch : float, optional
        Distance between samples in mm. Where unknown, the trace is taken to be `RUN` mm long.

    Returns
    -------
    (n,) array
        The background in the unit of `signal`.

    Raises
    ------
    InputError
        If an argument can't be used.

    Examples
    --------
    A level trace is all background:

    >>> background([2.0] * 10, "snip", pitch=0.1)
    array([2., 2., 2., 2., 2., 2., 2., 2., 2., 2.])
    """
    if method not in METHODS:
        raise InputError(f"background {method!s} is unknown: give one of {', '.join(METHODS)}")
    clean = _signal(signal)
    mask = _usable(usable, clean.size)
    cell = RUN / clean.size if pitch is None else _pitch(pitch)
    if method == "none":
        return np.zeros(clean.size)
    return _by_cells(clean, mask, cell, _BY_NAME[method])


def _by_cells(
    clean: Floats, mask: Bools, cell: float, method: Callable[[Floats, Floats, float], Floats]
) -> Floats:
    """Return what `method` makes of the means over cells, laid back over the samples."""
    n = clean.size
    count = int(np.clip(round(min(n * cell / CELL, n)), SHORTEST, n))
    cell *= n / count
    # Level and size are taken off, so that the tolerances below suit every unit.
    size = float(np.abs(clean).max())
    if size == 0.0:
        return np.zeros(n)
    unit = clean / size
    level = float(np.median(unit[mask])) if mask.any() else 0.0
    unit -= level
    means, share = _cells(unit, mask, count)
    filled = np.count_nonzero(share)
    if filled < SHORTEST:
        raise InputError(
            f"usable leaves {np.count_nonzero(mask)} of {n} samples, in {filled} cells of "
            f"{cell:.2g} mm: a background needs {SHORTEST} cells, so mark fewer samples"
        )
    spread = float(np.abs(means).max())
    if spread == 0.0:
        return np.full(n, level * size)
    under = method(means / spread, share, cell)
    centres = (np.arange(count) + 0.5) * (n / count) - 0.5
    # Natural ends: a spline let loose would magnify the noise in the outermost half cell.
    laid: Floats = CubicSpline(centres, under, bc_type="natural")(np.arange(n))
    return (laid * spread + level) * size


def arpls(
    y: Floats, share: Floats, penalty: float, tolerance: float = 1e-3, tries: int = 50
) -> Floats:
    """Return the asymmetrically reweighted penalised least-squares background of `y`.

    Parameters
    ----------
    y : (n,) array
    share : (n,) array
        Weight of each sample before any reweighting, 0 to ignore it.
    penalty : float
        Weight of the squared second differences: (length in samples)^4.
    tolerance : float
        Relative change of the weights at which it stops.
    tries : int
        The most fits.

    Returns
    -------
    (n,) array

    References
    ----------
    Baek, Park, Ahn & Choo, Analyst 140, 250 (2015): weights 1 / (1 + exp(2 (d - (2s - m)) / s)),
    m and s the mean and standard deviation of the negative residuals.
    """
    n = y.size
    # D'D in upper banded form, D the matrix of second differences.
    bands = np.zeros((3, n))
    bands[2] = np.convolve(np.ones(n - 2), [1, 4, 1])
    bands[1, 1:] = np.convolve(np.ones(n - 2), [-2.0, -2.0])
    bands[0, 2:] = 1.0
    bands *= penalty
    there = share > 0
    weight = share
    under = y
    for _ in range(tries):
        system = bands.copy()
        system[2] += weight
        under = solveh_banded(system, weight * y)
        rest = y - under
        below = rest[there & (rest < 0)]
        # Without noise there is nothing left to weigh by.
        if below.size < 2 or (s := float(below.std(ddof=1))) <= QUIET:
            break
        fresh = share * expit(-2.0 * (rest - (2.0 * s - float(below.mean()))) / s)
        change = np.linalg.norm(fresh - weight) / np.linalg.norm(weight)
        weight = fresh
        if change < tolerance:
            break
    return under


def snip(y: Floats, half_window: int) -> Floats:
    """Return `y` clipped to the mean of its neighbours, from the widest window to the narrowest.

    Where a window reaches beyond the end the sample waits for a narrower one; the first and the
    last sample are never clipped, so that the ends keep their noise, and any spot they cut.

    Parameters
    ----------
    y : (n,) array
    half_window : int
        Distance of the farthest neighbours in samples.

    Returns
    -------
    (n,) array

    References
    ----------
    Ryan, Clayton, Griffin, Sie & Cousens, Nucl. Instrum. Methods B 34, 396 (1988); decreasing
    window: Morhac, Kliman, Matousek, Veselsky & Turzo, Nucl. Instrum. Methods A 401, 113 (1997).
    Their logarithm of counts is left out: a trace is no count and dips below zero.
    """
    under = y.copy()
    n = y.size
    for reach in range(min(half_window, (n - 1) // 2), 0, -1):
        inside = slice(reach, n - reach)
        means = 0.5 * (under[: n - 2 * reach] + under[2 * reach :])
        under[inside] = np.minimum(under[inside], means)
    return under


def modified_polynomial(
    y: Floats, share: Floats, order: int, tolerance: float = 1e-3, tries: int = 250
) -> Floats:
    """Return the polynomial left when `y` is cut, again and again, to just above its own fit.

    Parameters
    ----------
    y : (n,) array
    share : (n,) array
        Weight of each sample, 0 to ignore it.
    order : int
        The polynomial's degree.
    tolerance : float
        Relative change of the residual's standard deviation at which it stops.
    tries : int
        The most cuts.

    Returns
    -------
    (n,) array

    References
    ----------
    Lieber & Mahadevan-Jansen, Appl. Spectrosc. 57, 1363 (2003); cut one standard deviation above
    the fit, for noise, and samples above the first cut left out of every fit: Zhao, Lui, McLean &
    Zeng, Appl. Spectrosc. 61, 1225 (2007). Their cut values still count in the deviation.
    """
    basis = np.polynomial.chebyshev.chebvander(np.linspace(-1.0, 1.0, y.size), order)
    there = share > 0
    keep = there

    def fit(values: Floats) -> Floats:
        root = np.sqrt(share[keep])
        solution = np.linalg.lstsq(basis[keep] * root[:, None], values[keep] * root, rcond=None)
        return np.asarray(basis @ solution[0], np.float64)

    under = fit(y)
    deviation = float(np.std((y - under)[there]))
    low = there & (y <= under + deviation)
    if np.count_nonzero(low) > order:
        keep = low
    for _ in range(tries):
        y = np.minimum(y, under + deviation)
        under = fit(y)
        fresh = float(np.std((y - under)[there]))
        if fresh <= QUIET or abs(fresh - deviation) < tolerance * fresh:
            break
        deviation = fresh
    return under


def _asymmetric(means: Floats, share: Floats, cell: float) -> Floats:
    trend = _polynomial(means, share, cell)
    # Stiffer than the trace is long is a straight line already.
    length = float(np.clip(STIFFNESS / cell, SHORTEST_BEND, means.size))
    return trend + arpls(means - trend, share, length**4)


def _clipped(means: Floats, share: Floats, cell: float) -> Floats:
    trend = _polynomial(means, share, cell)
    there = np.flatnonzero(share)
    bridged = np.interp(np.arange(means.size), there, (means - trend)[there])
    under = snip(bridged, max(1, round(min(CLIP / cell, means.size))))
    return trend + under + _lift((bridged - under)[there])


def _polynomial(means: Floats, share: Floats, cell: float) -> Floats:
    return modified_polynomial(means, share, ORDER)


_BY_NAME: dict[str, Callable[[Floats, Floats, float], Floats]] = {
    "asymmetric": _asymmetric,
    "snip": _clipped,
    "polynomial": _polynomial,
}
METHODS = (*_BY_NAME, "none")


def _lift(rest: Floats) -> float:
    """Return the height of the noise's middle above the clipped trace, which runs beneath it.

    It is the mode of what was clipped off: the mean within two standard deviations of itself, the
    standard deviation from second differences, whose variance is six times that of the noise.
    """
    noise = MAD_SD * float(np.median(np.abs(np.diff(rest, 2)))) / SECOND_DIFFERENCE_SD
    lift = noise
    for _ in range(50):
        near = rest[np.abs(rest - lift) <= 2.0 * noise]
        fresh = float(near.mean()) if near.size else lift
        if abs(fresh - lift) <= SETTLED:
            break
        lift = fresh
    return lift


def _cells(unit: Floats, mask: Bools, count: int) -> tuple[Floats, Floats]:
    """Return mean and usable share of `count` equal cells; samples are shared out by overlap."""
    n = unit.size
    edges = np.linspace(0.0, n, count + 1)

    def totals(values: Floats) -> Floats:
        heaped = np.concatenate(([0.0], np.cumsum(values)))
        return np.diff(np.interp(edges, np.arange(n + 1), heaped))

    weight = totals(mask.astype(np.float64))
    weight[weight < LEAST_SHARE] = 0.0
    total = totals(np.where(mask, unit, 0.0))
    means = np.divide(total, weight, out=np.zeros(count), where=weight > 0)
    return means, weight * (count / n)


def _signal(signal: ArrayLike) -> Floats:
    try:
        samples = np.asarray(signal)
    except ValueError:
        raise InputError("signal is ragged: give one number a sample") from None
    if samples.dtype.kind not in "iuf":
        raise InputError(f"signal holds {samples.dtype} values: give real numbers")
    if samples.ndim != 1:
        raise InputError(f"signal has shape {samples.shape}: give one dimension, a trace")
    if samples.size < SHORTEST:
        raise InputError(f"signal has {samples.size} samples: a background needs {SHORTEST} or "
                         "more")
    clean = samples.astype(np.float64)
    bad = np.flatnonzero(~np.isfinite(clean))
    if bad.size:
        raise InputError(
            f"signal is {clean[bad[0]]} at sample {bad[0]}: give finite numbers, and mark what "
            "to ignore in usable"
        )
    return clean


def _usable(usable: ArrayLike | None, n: int) -> Bools:
    if usable is None:
        return np.ones(n, np.bool_)
    mask = np.asarray(usable)
    if mask.dtype != np.bool_ or mask.shape != (n,):
        raise InputError(
            f"usable is {mask.dtype} of shape {mask.shape}: give True or False for each of the "
            f"{n} samples"
        )
    return np.asarray(mask, np.bool_)


def _pitch(pitch: float) -> float:
    if not isinstance(pitch, Real) or not 0.0 < pitch < math.inf:
        raise InputError(f"pitch {pitch!s} can't be used: give the distance between samples in mm")
    return float(pitch)

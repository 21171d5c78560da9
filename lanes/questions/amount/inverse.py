"""From a response back to the amount: inverse prediction, bands and limits of a calibration."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from lanes.questions.amount.calibration import Calibration
from lanes.rounding import TINY

Floats = NDArray[np.float64]

LEVEL = 0.05            # 1 less the confidence of every interval
DETECTION, QUANTITATION = 3.3, 10.0  # times sigma / S: ICH Q2(R1), 2005
FARTHEST = 1e4          # times the largest standard: what reaches beyond is no finite interval
# Shares of the largest standard: first steps towards an end of an interval from nothing, and from
# an amount without a standard deviation. Of a standard deviation the first step is a quarter, and
# each is a quarter longer than the last (choices: brentq finds the end between the last two).
STEP_UP, STEP_DOWN, FIRST_STEP, LONGER = 1e-2, 1e-3, 0.25, 1.25
DIGITS = 1e-12          # relative: to which an end is found
WIDEST = 1e3            # standard deviations: no band is wider, whatever Student's degrees


@dataclass(frozen=True)
class Amount:
    """An amount read off the curve.

    Attributes
    ----------
    value : float or None
        None where the curve has no amount of that response.
    sd : float or None
        To first order: for the line (s/b) sqrt(1/m + 1/n + (y0 - mean y)^2 / (b^2 Sxx)), Eurachem
        CG 4, QUAM:2012, appendix E.3 (edition from memory).
    low, high : float or None
        95 % interval, from 0 on; None where that end is not finite.
    reached : bool
        Whether the curve reaches the response.
    bounded : bool
        Whether the curve's rise is significant (for the line, Fieller's g below 1).
    """

    value: float | None
    sd: float | None
    low: float | None
    high: float | None
    reached: bool
    bounded: bool


@dataclass(frozen=True)
class CalibrationLimits:
    """Detection and quantitation limit: 3.3 and 10 times `sigma` / `slope` (ICH Q2).

    `sigma` is the residual standard deviation that the fit gives the weakest standard, `slope`
    the curve's there. None where the curve does not rise there.
    """

    detection: float | None
    quantitation: float | None
    sigma: float
    slope: float


def amount_of(
    calibration: Calibration, y: float | Sequence[float], u: Sequence[float] | None = None
) -> Amount:
    """Return the amount whose response is the mean of `y`.

    The interval holds every amount at which the difference of response and curve is not
    significant at 5 %: for the line Fieller's limits (J. R. Stat. Soc. B 16, 175 (1954)), for
    curves the same with the curve taken as straight in its parameters.

    Parameters
    ----------
    calibration : Calibration
    y : float or (m,) sequence
        Responses of m spots of the same sample.
    u : (m,) sequence, optional
        Their own standard deviations.
    """
    values = np.atleast_1d(np.asarray(y, float))
    own = np.zeros_like(values) if u is None else np.atleast_1d(np.asarray(u, float))
    m, mean = values.size, float(values.mean())
    curve, largest = calibration.curve, float(calibration.x.max())
    variance = float((own**2).sum()) / m**2 + _scatter(calibration, mean) / m
    doubt = _doubt(calibration, mean, variance)
    bounded = _rise(calibration) < LEVEL
    value = curve.inverse(calibration.values, mean)
    low, high = curve.branch(calibration.values)
    low, high = max(low, 0.0), min(high, FARTHEST * largest)
    foot = float(calibration.at(low)[0])
    if mean < foot:
        # Less than nothing by the curve: the interval starts at nothing.
        top = _end(doubt, low, high, STEP_UP * largest) if bounded else None
        return Amount(None, None, low if bounded else None, top, False, bounded)
    if value is None or not math.isfinite(value) or value > high:
        # Above all the curve reaches: only the lower end is known.
        near = bounded and doubt(high) >= LEVEL
        bottom = _end(doubt, high, low, STEP_DOWN * largest) if near else None
        return Amount(None, None, bottom, None, False, bounded)
    sd = _sd(calibration, value, mean, own, m)
    if not bounded:
        return Amount(value, sd, None, None, True, False)
    step = sd if sd and math.isfinite(sd) else STEP_DOWN * largest
    lower = _end(doubt, value, low, step)
    return Amount(value, sd, low if lower is None else lower, _end(doubt, value, high, step),
                  True, True)


def _scatter(calibration: Calibration, y: float) -> Floats:
    """Return what the scatter adds to the variance of one response `y`, for each of `scatters`."""
    return calibration.scatters.squares * (1.0 if calibration.kind == "constant" else y * y)


def _doubt(calibration: Calibration, y: float, variance: Floats) -> Callable[[float], float]:
    """Return the two-sided p-value of `y` against the curve, as a function of the amount."""
    some = calibration.scatters

    def p(x: float) -> float:
        slopes = calibration.curve.slopes(calibration.values, np.array([x]))[0]
        distance = y - float(calibration.at(x)[0]) - some.shifts @ slopes
        total = variance + np.einsum("gij,i,j->g", some.covariances, slopes, slopes)
        sd = np.sqrt(np.maximum(total, TINY))
        return float(2.0 * (some.weights @ ndtr(-np.abs(distance) / sd)))

    return p


def _rise(calibration: Calibration) -> float:
    """Return the p-value of the curve's rise over the standards; for the line, of its slope.

    For the line it is below 5 % where Fieller's g = (t s(b)/b)^2 is below 1.
    """
    some = calibration.scatters
    ends = np.array([calibration.x.min(), calibration.x.max()])
    slopes = np.diff(calibration.curve.slopes(calibration.values, ends), axis=0)[0]
    rise = float(np.diff(calibration.at(ends))[0]) + some.shifts @ slopes
    variance = np.einsum("gij,i,j->g", some.covariances, slopes, slopes)
    return float(2.0 * (some.weights @ ndtr(-np.abs(rise) / np.sqrt(np.maximum(variance, TINY)))))


def _end(doubt: Callable[[float], float], start: float, stop: float, step: float) -> float | None:
    """Return where the p-value first falls to 5 % on the way from `start` to `stop`, or None."""
    sign = 1.0 if stop > start else -1.0
    step = max(FIRST_STEP * step, DIGITS * abs(start), TINY)
    if doubt(start) < LEVEL:
        return start
    here = start
    while here != stop:
        there = here + sign * step
        if (stop - there) * sign <= 0:
            there = stop
        if doubt(there) < LEVEL:
            return float(brentq(lambda x: doubt(x) - LEVEL, here, there, xtol=DIGITS * abs(there)
                                + TINY, rtol=DIGITS))
        here, step = there, LONGER * step
    return None


def _sd(calibration: Calibration, x: float, y: float, own: Floats, m: int) -> float | None:
    steep = calibration.curve.steepness(calibration.values, x)
    if not steep > 0:
        return None
    slopes = calibration.curve.slopes(calibration.values, np.array([x]))[0]
    shape = 1.0 if calibration.kind == "constant" else y * y
    variance = (float((own**2).sum()) / m**2 + calibration.scatter**2 * shape / m
                + float(slopes @ calibration.covariance @ slopes))
    return math.sqrt(variance) / steep


def bands(calibration: Calibration, x: Floats) -> tuple[Floats, Floats]:
    """Return the half-widths of the 95 % confidence and prediction bands at (n,) amounts `x`.

    A predicted response has the standards' own standard deviation, interpolated.
    """
    some = calibration.scatters
    x = np.asarray(x, float)
    slopes = calibration.curve.slopes(calibration.values, x)
    curve = np.einsum("gij,ni,nj->gn", some.covariances, slopes, slopes)
    order = np.argsort(calibration.x)
    own = np.interp(x, calibration.x[order], calibration.u[order])
    shape = np.ones_like(x) if calibration.kind == "constant" else calibration.at(x) ** 2
    more = own**2 + some.squares[:, None] * shape
    distance = some.shifts @ slopes.T
    return _half(curve, distance, some.weights), _half(curve + more, distance, some.weights)


def _half(variance: Floats, distance: Floats, weights: Floats) -> Floats:
    """Return the half-widths that hold 95 %, by halving."""
    sd = np.sqrt(np.maximum(variance, TINY))
    low = np.zeros(sd.shape[1])
    high = WIDEST * np.sqrt(weights @ sd**2) + np.abs(distance).max(axis=0, initial=0.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        outside = weights @ (ndtr((-middle - distance) / sd) + ndtr((distance - middle) / sd))
        low, high = np.where(outside > LEVEL, middle, low), np.where(outside > LEVEL, high, middle)
    return np.asarray(high, float)


def limits(calibration: Calibration) -> CalibrationLimits:
    """Return the detection and the quantitation limit."""
    some = np.flatnonzero(calibration.x > 0)
    weakest = some[np.argmin(calibration.x[some])]
    sigma = float(calibration.sd[weakest])
    slope = calibration.curve.steepness(calibration.values, float(calibration.x[weakest]))
    if not slope > 0:
        return CalibrationLimits(None, None, sigma, slope)
    return CalibrationLimits(DETECTION * sigma / slope, QUANTITATION * sigma / slope, sigma, slope)

"""Misshapen spots in the place of Gaussians: skewed, flat-topped, or as they look across a lane."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import leastsq

from lanes.rounding import TINY
from lanes.spots.cross_profile import CrossProfile
from lanes.spots.model import WIDTH_PRIOR, Peak, Problem, Solution, located, peak_shape
from lanes.spots.search_fit import remembered
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

# What the shape's first terms are of the two values below, to first order (computed): h3 is 0.16
# of ln(upper over lower width), h4 is -0.20 of ln(power / 2).
H3_OF_LEAN, H4_OF_POWER = 0.16, 0.20
STARTS = ((0.3, 0.1), (-0.3, 0.1))  # lean and power from which the fit sets out
MOST_EVALUATIONS = 40
# Of squares and values: a step that changes them by less is the last. What is compared are whole
# units of a criterion, some 1e-3 of the squares.
STILL = 1e-5
DIFFERENCE = float(np.sqrt(np.finfo(float).eps))  # of a value: rounding and bend err alike
# Most of a plate's spots are well formed and some are not at all: such a mixture's scatter is
# Student's, of few degrees of freedom (common practice), about the standard deviations learned.
FREEDOM = 3.0
FREE = 2  # values beside a Gaussian's
PROFILE_FREE = 2  # lean and tilt; its length along the lane is open as a Gaussian's sigma is
# A spot is wetted by dabs, and those repeat within a tenth (manual spotting, common practice): its
# two halves then differ by 0.14 as ln (root of two tenths squared). Their middles lie 0.8 standard
# deviations to either side, so that a slope of 0.14 / 1.6 a standard deviation makes as much.
TILT_PRIOR = 0.09
# What a spot like its profile across sets out from: times the ln of length over width of the peak
# in its place, lean, and tilt. One start to either side.
PROFILE_STARTS = ((1.0, 0.1, 0.1), (0.9, -0.1, -0.1))
MOST_TILTED = 20.0  # ln of height by a tilt: a search that runs away must stay finite
RUNAWAY = 1e50      # residual from which it is one, whose square is still a number


def misshapen(x: Floats, values: Floats) -> Floats:
    """Return height exp(-|z|^p / 2), its two sides of different width.

    Parameters
    ----------
    x : (n,) array
    values : (5,) array
        Centre, ln height, ln sigma, ln(upper over lower width), ln(p / 2); or (5, b, 1), for as
        many curves at once.
    """
    centre, ln_height, ln_sigma, lean, power = values
    distance = x - centre
    sigma = np.exp(ln_sigma + 0.5 * np.where(distance > 0.0, lean, -lean))
    return np.asarray(np.exp(ln_height - 0.5 * np.abs(distance / sigma) ** (2.0 * np.exp(power))))


def misshapen_rss(
    problem: Problem, single: Solution, at: int, doubt: ShapeDoubt
) -> Iterator[float]:
    """Yield the squares left by one misshapen spot for peak `at`, its prior's among them.

    From each of two starts: the least counts.

    The other peaks keep to their fit but for first-order changes. The terms of `doubt` reach to
    small departures; this goes on where they end.

    Parameters
    ----------
    problem : Problem
    single : Solution
        All peaks fitted as Gaussians.
    at : int
    doubt : ShapeDoubt
    """
    p: Peak = single.peaks[at]
    sds = np.array([doubt.sds[0] / H3_OF_LEAN, doubt.sds[1] / H4_OF_POWER])
    start = (p.centre, np.log(_height(p)), np.log(p.sigma))
    return _least_squares(
        problem, single, {at}, misshapen, lambda values: student(values[..., 3:] / sds),
        [np.array([*start, *more]) for more in STARTS])


def several_misshapen(x: Floats, values: Floats) -> Floats:
    """Return the sum of several such curves.

    Parameters
    ----------
    x : (n,) array
    values : (5 k,) array
        The values of each in turn; or (5 k, b, 1), as above.
    """
    return np.asarray(np.sum([misshapen(x, values[i: i + 5])
                              for i in range(0, len(values), 5)], axis=0))


def several_misshapen_rss(
    problem: Problem, several: Solution, at: int, count: int, doubt: ShapeDoubt
) -> float:
    """Return the squares left by `count` misshapen spots from `at` on, their priors' among them.

    Their widths differ by no more than the prior of merged widths allows. Parameters are those of
    `misshapen_rss`, and the fit of all peaks as Gaussians.
    """
    sds = np.array([doubt.sds[0] / H3_OF_LEAN, doubt.sds[1] / H4_OF_POWER])

    def prior(values: Floats) -> Floats:
        each = values.reshape(*values.shape[:-1], count, 5)
        shapes = student(each[..., 3:] / sds).reshape(*values.shape[:-1], 2 * count)
        widths = np.diff(each[..., 2], axis=-1) / WIDTH_PRIOR
        return np.concatenate([shapes, widths], axis=-1)

    peaks = several.peaks[at: at + count]
    starts = [np.concatenate([(p.centre, np.log(_height(p)), np.log(p.sigma), *more)
                              for p in peaks]) for more in STARTS]
    return min(_least_squares(
        problem, several, set(range(at, at + count)), several_misshapen, prior, starts))


def student(z: Floats) -> Floats:
    """Return the residuals whose squares are -2 ln of Student's density at `z`, over its largest.
    """
    return np.asarray(np.copysign(np.sqrt((FREEDOM + 1.0) * np.log1p(z * z / FREEDOM)), z))


def as_across(x: Floats, values: Floats, profile: CrossProfile) -> Floats:
    """Return a spot whose profile along the lane is that across it, its two sides stretched.

    Parameters
    ----------
    x : (n,) array
    values : (5,) array
        Centre, ln height, ln(length over width), ln(upper over lower length), and how steeply
        the upper side is the higher, per standard deviation; or (5, b, 1), as above.
    profile : CrossProfile
    """
    centre, ln_height, ln_length, lean, tilt = values
    distance = x - centre
    stretch = np.exp(ln_length + 0.5 * np.where(distance > 0.0, lean, -lean))
    u = distance / stretch
    tilted = np.exp(ln_height + np.clip(
        tilt * u / profile.sigma, -MOST_TILTED, MOST_TILTED))
    return np.asarray(tilted * profile.at(u))


def profile_rss(
    problem: Problem, single: Solution, at: int, doubt: ShapeDoubt, profile: CrossProfile
) -> Iterator[float]:
    """Yield the squares left by one spot of that profile for peak `at`, its prior's among them.

    From each of two starts: the least counts. Parameters are those of `misshapen_rss`, and the
    spot's `profile` across.
    """
    p: Peak = single.peaks[at]
    sds = np.array([doubt.length_sd, doubt.sds[0] / H3_OF_LEAN, TILT_PRIOR])
    length = np.log(p.sigma / profile.sigma)
    return _least_squares(
        problem, single, {at}, lambda x, values: as_across(x, values, profile),
        lambda values: student(values[..., 2:] / sds),
        [np.array([p.centre, np.log(_height(p)), share * length, *more])
         for share, *more in PROFILE_STARTS])


def _height(p: Peak) -> float:
    return max(p.area / (p.sigma * ROOT_2PI), TINY)


def _least_squares(
    problem: Problem, solution: Solution, places: set[int],
    shape: Callable[[Floats, Floats], Floats], prior: Callable[[Floats], Floats],
    starts: list[Floats],
) -> Iterator[float]:
    """Yield the squares that `shape` and its prior leave for the peaks at `places`, by start."""
    rest = problem.y
    for j, q in enumerate(solution.peaks):
        if j not in places:
            rest = rest - peak_shape(problem.x, q)[0]
    rows = [k for k, name in enumerate(solution.names)
            if (which := located(name)) and which[0] not in places]
    others = solution.jacobian[rows, : problem.x.size].T
    basis = np.linalg.qr(others)[0] if rows else np.zeros((problem.x.size, 0))
    data = problem.weigh(rest)

    @remembered
    def residual(values: Floats) -> Floats:
        """Return the residuals of one row of values, or of several, (b, k), at once."""
        curves = shape(problem.x, values if values.ndim == 1 else values.T[:, :, None])
        left = problem.weigh(curves) - data
        left = left - (left @ basis) @ basis.T
        out = np.concatenate([left, prior(values)], axis=-1)
        if np.abs(out).max() < RUNAWAY:
            return np.asarray(out)
        return np.asarray(np.clip(np.nan_to_num(out, nan=RUNAWAY), -RUNAWAY, RUNAWAY))

    @remembered
    def jacobian(values: Floats) -> Floats:
        """Return the residual's derivatives, (k, n), by forward differences."""
        stepped = values + DIFFERENCE * np.where(values < 0, -1.0, 1.0) * np.maximum(
            1.0, np.abs(values))
        moved = residual(np.vstack([values, np.where(np.eye(values.size) > 0, stepped, values)]))
        return np.asarray((moved[1:] - moved[0]) / (stepped - values)[:, None])

    for start in starts:
        with np.errstate(all="ignore"):
            rest = leastsq(
                residual, start, Dfun=jacobian, col_deriv=True, full_output=True, ftol=STILL,
                xtol=STILL, gtol=STILL, maxfev=MOST_EVALUATIONS * start.size)[2]["fvec"]
        yield float(rest @ rest)

"""Models of one spot or two, each for many sets of parameters at once, with their derivatives.

Parameters are (b, p), values (b, n), derivatives (b, p, n); the same shapes as in `lanes.spots`.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.hermite_e import hermeder, hermemulx, hermesub, hermeval
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from lanes.evidence.whitened_space import LN_SIGMA_AT, Model
from lanes.spots.shapes import FWHM, ROOT_2PI, tailed

Floats = NDArray[np.float64]

STEP = 1e-5  # of numerical derivatives: the root of rounding's share, times a few
MARKED = 12.0  # sigmas either side of a centre: an apex and half its height lie within
BOX = 30.0, 1400.0  # where cosh and exp end: the density is zero long before


def one(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Gaussian of centre, ln sigma, area."""
    sigma = np.exp(p[:, 1:2])
    z = (x - p[:, :1]) / sigma
    unit = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
    value = p[:, 2:3] * unit
    return value, np.stack([value * z / sigma, value * (z * z - 1.0), unit], axis=1)


def pair_of(single: Model) -> Model:
    """Two of `single`, alike but for place and area.

    Centre of the lower, gap in sigmas, what shapes both (ln sigma and, where `single` has them,
    others: all between its centre and its area), two areas.
    """

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        at = LN_SIGMA_AT[p.shape[1]]
        gap, sigma = p[:, 1:2], np.exp(p[:, at:at + 1])
        low, by_low = single(x, np.concatenate([p[:, :1], p[:, 2:-2], p[:, -2:-1]], axis=1))
        high, by_high = single(x, np.concatenate(
            [p[:, :1] + gap * sigma, p[:, 2:-2], p[:, -1:]], axis=1))
        move = by_high[:, 0] * sigma
        shared = by_low[:, 1:-1] + by_high[:, 1:-1]
        shared[:, at - 2] += gap * move
        return low + high, np.concatenate([
            (by_low[:, 0] + by_high[:, 0])[:, None], move[:, None], shared,
            by_low[:, -1:], by_high[:, -1:]], axis=1)

    return model


two = pair_of(one)


def stretched(z: Floats, height: Floats) -> Model:
    """A spot of any even profile: centre, ln of its stretch, area.

    Parameters
    ----------
    z : (m,) array
        Distances from the middle, from 0 on, evenly spaced; a stretch of 1 leaves them as they are.
    height : (m,) array
        The profile there, of any scale, near 0 at its end.
    """
    place = np.concatenate([-z[:0:-1], z])
    values = np.concatenate([height[:0:-1], height])
    spline = CubicSpline(place, values / (np.sum(values) * (z[1] - z[0])))
    slope_of = spline.derivative()

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        sigma, area = np.exp(p[:, 1:2]), p[:, 2:3]
        z_at = (x - p[:, :1]) / sigma
        inside = np.abs(z_at) <= z[-1]
        at = np.where(inside, z_at, 0.0)
        unit = np.where(inside, spline(at), 0.0) / sigma
        slope = np.where(inside, slope_of(at), 0.0) / sigma
        return area * unit, np.stack(
            [-area * slope / sigma, -area * (unit + z_at * slope), unit], axis=1)

    return model


def tail(side: int) -> Model:
    """Exponentially modified Gaussian of mean, ln sigma, tau / sigma, area; +1 tails to small x."""

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        sigma, ratio = np.exp(p[:, 1:2]), side * p[:, 2:3]
        value, (by_mean, unit, by_sigma, by_tau) = tailed(
            x, p[:, :1], p[:, 3:4], sigma, ratio * sigma)
        return value, np.stack([by_mean, sigma * (by_sigma + ratio * by_tau),
                                side * sigma * by_tau, unit], axis=1)

    return model


def uneven(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """One spot, skewed and flat or peaked: centre, skew, ln sigma, flatness, area.

    The sinh-arcsinh density of Jones & Pewsey, Biometrika 96, 761 (2009) (from memory): of one
    maximum whatever its values; a Gaussian at skew 0 and flatness 1. sigma is that of the
    Gaussian as high and of the same area where there is no skew.
    """
    def density(q: Floats) -> Floats:
        sigma, flat = np.exp(q[:, 2:3]), q[:, 3:4]
        z = (x - q[:, :1]) / (sigma * flat)
        u = np.clip(flat * np.arcsinh(z) - q[:, 1:2], -BOX[0], BOX[0])
        inner = np.cosh(u) * np.exp(-0.5 * np.minimum(np.sinh(u) ** 2, BOX[1]))
        return np.asarray(inner / np.sqrt(1.0 + z * z) / (sigma * ROOT_2PI))

    unit = density(p)
    by = []
    for k, step in enumerate((None, STEP, STEP, STEP)):
        move = np.zeros_like(p)
        move[:, k] = STEP * np.exp(p[:, 2]) if step is None else step
        by.append(p[:, 4:] * (density(p + move) - density(p - move)) / (2.0 * move[:, k:k + 1]))
    return p[:, 4:] * unit, np.stack([*by, unit], axis=1)


def uneven_marks(p: Floats) -> tuple[Floats, Floats]:
    """Return apex and sigma, each (b,), of the Gaussians as wide at half height as `uneven` is."""
    sigma = np.exp(p[:, 2])
    z = np.linspace(-MARKED, MARKED, 4001)
    apexes, widths = [], []
    for row, s in zip(p, sigma, strict=True):
        curve = uneven(row[0] + s * z, row[None])[0][0]
        top = int(np.clip(np.argmax(curve), 1, z.size - 2))
        low, high, after = curve[top - 1:top + 2]
        apexes.append(z[top] + 0.5 * (z[1] - z[0]) * (low - after) / (low - 2.0 * high + after))
        over = np.nonzero(curve >= 0.5 * curve[top])[0]
        ends = [np.interp(0.5 * curve[top], curve[i:i + 2][::way], z[i:i + 2][::way])
                for i, way in ((over[0] - 1, 1), (over[-1], -1))]
        widths.append((ends[1] - ends[0]) / FWHM)
    return p[:, 0] + sigma * np.array(apexes), sigma * np.array(widths)


def measured(coefficients: Floats) -> Model:
    """A measured shape of centre, ln sigma, area: Hermite functions times a Gaussian."""
    # (d/dz - z) of a Hermite series times a Gaussian.
    slope_series = hermesub(hermeder(coefficients), hermemulx(coefficients))

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        sigma, area = np.exp(p[:, 1:2]), p[:, 2:3]
        z = (x - p[:, :1]) / sigma
        bell = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
        unit = hermeval(z, coefficients) * bell
        slope = hermeval(z, slope_series) * bell
        return area * unit, np.stack(
            [-area * slope / sigma, -area * (unit + z * slope), unit], axis=1)

    return model

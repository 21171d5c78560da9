"""Many least-squares fits of one window at once, under the correlated noise of its plate.

Whitening turns the noise into unit normal deviates, and a projection takes out what is not asked
for (baseline, neighbours); after that a bootstrap needs no more than a row of normal deviates for
each of its traces, and all of them are fitted together. The models are those of
`lanes.spots.model`, which fits the measured trace itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline
from scipy.linalg import cholesky, solve_triangular
from scipy.special import erfcx

from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]
# Parameters (b, p) to values (b, n) and their derivatives (b, p, n).
Model = Callable[[Floats, Floats], tuple[Floats, Floats]]

NEAREST, FARTHEST = 1.0, 6.2  # sigmas between the two of a pair: resolution 0.25 to 1.55
LN_SIGMA_AT = {3: 1, 4: 1, 5: 2}  # where a model of so many parameters has its ln sigma
# Limits of an uneven spot: skew of 1 is a symmetry factor of about 3; flatness of 0.7 has a broad
# foot, of 3 nearly a box's edges (computed).
SKEWED, PEAKED, FLAT = 1.2, 0.7, 3.0
COARSE = 0.7  # spacing of positions over the least sigma
TAIL_LEAST, TAIL_MOST = 0.02, 6.0  # tau over sigma, as in the fit of a trace


@dataclass(frozen=True)
class Space:
    """A window made ready for fitting.

    Attributes
    ----------
    x : (n,) array
        Positions.
    reduce : (r, n) array
        Takes a curve on `x` to coordinates in which the noise is white and of unit variance,
        baseline and neighbours gone. They span all that the models can draw.
    whole : (m, n) array
        The same without the restriction to the models' span.
    freedom : int
        Samples less the columns taken out.
    width : (ln sigma, sd) or None
        The width that other spots lead to expect: one more measurement, that of ln sigma.
    coarse : ((m,) array, (r, m) array) or None
        Fewer positions, and what takes a curve on those to the same coordinates: models are
        smooth, and drawn there at less cost.
    """

    x: Floats
    reduce: Floats
    whole: Floats
    freedom: int
    width: tuple[float, float] | None = None
    coarse: tuple[Floats, Floats] | None = None

    def data(self, y: Floats) -> Floats:
        """Return a trace in this space, (1, r), the expected width behind it where there is one."""
        row = self.reduce @ y
        return (row if self.width is None else np.append(row, self.width[0] / self.width[1]))[None]

    def seen(self, model: Model, p: Floats) -> tuple[Floats, Floats]:
        """Return a model's values (b, r) and derivatives (b, p, r) in this space."""
        x, reduce = (self.x, self.reduce) if self.coarse is None else self.coarse
        value, by = model(x, p)
        value, by = value @ reduce.T, by @ reduce.T
        if self.width is None:
            return value, by
        at = LN_SIGMA_AT[p.shape[1]]
        sd = self.width[1]
        slope = np.zeros((*by.shape[:2], 1))
        slope[:, at] = 1.0 / sd
        return (np.concatenate([value, p[:, at:at + 1] / sd], axis=1),
                np.concatenate([by, slope], axis=2))

    def without_width(self) -> Space:
        """Return the space of the trace alone."""
        return replace(self, width=None)

    def rest(self, y: Floats) -> float:
        """Return the squares of `y` that no model can take up."""
        return max(float(np.sum((self.whole @ y) ** 2) - np.sum((self.reduce @ y) ** 2)), 0.0)


def make_space(x: Floats, covariance: Floats, nuisance: Floats, narrowest: float) -> Space:
    """Return the space of a window.

    Parameters
    ----------
    x : (n,) array
    covariance : (n, n) array
        Of the samples' noise, all that counts as noise included.
    nuisance : (n, q) array
        Columns whose multiples are of no interest.
    narrowest : float
        The smallest sigma to be fitted.
    """
    n = x.size
    lower = cholesky(covariance + 1e-10 * np.diag(np.diag(covariance)), lower=True)
    white = solve_triangular(lower, np.eye(n), lower=True)
    columns = white @ nuisance
    columns = columns / np.linalg.norm(columns, axis=0)
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    q = u[:, s > 1e-8 * s[0]]
    white = white - q @ (q.T @ white)
    steps = np.arange(x[0] - 2 * narrowest, x[-1] + 2 * narrowest, 0.7 * narrowest)
    shapes = np.exp(-0.5 * ((x[:, None] - steps) / narrowest) ** 2)
    u, s, _ = np.linalg.svd(white @ shapes, full_matrices=False)
    span = u[:, s > 1e-5 * s[0]]
    reduce = span.T @ white
    return Space(x, reduce, white, n - q.shape[1], None, _coarse(x, reduce, narrowest))


def _coarse(x: Floats, reduce: Floats, narrowest: float) -> tuple[Floats, Floats] | None:
    """Return fewer positions and their operator, None where that would save nothing.

    A quintic spline through a Gaussian at `COARSE` of its sigma is true to 4e-4 of its height
    (computed); those that are fitted are mostly twice as broad, and truer by 2^6.
    """
    step = COARSE * narrowest
    grid = np.arange(x[0] - 3 * step, x[-1] + 4 * step, step)
    if grid.size > 0.7 * x.size:
        return None
    return grid, reduce @ make_interp_spline(grid, np.eye(grid.size), k=5)(x)


def one(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Gaussian of centre, ln sigma, area."""
    sigma = np.exp(p[:, 1:2])
    z = (x - p[:, :1]) / sigma
    unit = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
    value = p[:, 2:3] * unit
    return value, np.stack([value * z / sigma, value * (z * z - 1.0), unit], axis=1)


def two(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Two Gaussians of one sigma: centre of the lower, gap in sigmas, ln sigma, two areas."""
    sigma = np.exp(p[:, 2:3])
    a = np.stack([p[:, 0], p[:, 2], p[:, 3]], axis=1)
    b = np.stack([p[:, 0] + p[:, 1] * sigma[:, 0], p[:, 2], p[:, 4]], axis=1)
    low, by_low = one(x, a)
    high, by_high = one(x, b)
    move = by_high[:, 0] * sigma
    return low + high, np.stack([
        by_low[:, 0] + by_high[:, 0], move, by_low[:, 1] + by_high[:, 1] + p[:, 1:2] * move,
        by_low[:, 2], by_high[:, 2],
    ], axis=1)


def tail(side: int) -> Model:
    """Exponentially modified Gaussian of mean, ln sigma, tau / sigma, area; +1 tails to small x.

    The stable form of `lanes.spots.shapes.tailed`.
    """

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        sigma, ratio, area = np.exp(p[:, 1:2]), p[:, 2:3], p[:, 3:4]
        t = ratio * sigma
        z = -side * (x - p[:, :1]) / sigma
        w = (1.0 / ratio - z) / np.sqrt(2.0)
        core = np.exp(-0.5 * z * z)
        low = w < -20.0
        far = 2.0 * np.exp(np.minimum(0.5 / ratio**2 - z / ratio, 0.0))
        scaled = np.where(low, far, core * erfcx(np.where(low, 0.0, w)))
        unit = scaled / (2.0 * t)
        value = area * unit
        normal = area * core / (sigma * ROOT_2PI)
        slope = (normal - value) / t
        bend = (-normal * z / sigma - slope) / t
        by_tau = -value / t - area / (2.0 * t) * (
            2.0 * w * scaled - 2.0 / np.sqrt(np.pi) * core) / (np.sqrt(2.0) * ratio * t)
        return value, np.stack([
            side * slope, sigma * sigma * bend + t * by_tau, sigma * by_tau, unit], axis=1)

    return model


def uneven(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """One spot, skewed and flat or peaked: centre, skew, ln sigma, flatness, area.

    The sinh-arcsinh density of Jones & Pewsey, Biometrika 96, 761 (2009) (from memory): of one
    maximum whatever its values; a Gaussian at skew 0 and flatness 1. sigma is that of the
    Gaussian as high and of the same area where there is no skew.
    """
    root = np.sqrt(2.0 * np.pi)

    def density(q: Floats) -> Floats:
        sigma, flat = np.exp(q[:, 2:3]), q[:, 3:4]
        z = (x - q[:, :1]) / (sigma * flat)
        u = np.clip(flat * np.arcsinh(z) - q[:, 1:2], -30.0, 30.0)
        inner = np.cosh(u) * np.exp(-0.5 * np.minimum(np.sinh(u) ** 2, 1400.0))
        return np.asarray(inner / np.sqrt(1.0 + z * z) / (sigma * root))

    unit = density(p)
    by = []
    for k, step in enumerate((None, 1e-5, 1e-5, 1e-5)):
        move = np.zeros_like(p)
        move[:, k] = 1e-5 * np.exp(p[:, 2]) if step is None else step
        by.append(p[:, 4:] * (density(p + move) - density(p - move)) / (2.0 * move[:, k:k + 1]))
    return p[:, 4:] * unit, np.stack([*by, unit], axis=1)


def measured(coefficients: Floats) -> Model:
    """A measured shape of centre, ln sigma, area: Hermite functions times a Gaussian."""
    from numpy.polynomial.hermite_e import hermeder, hermeval

    # (d/dz - z) of a Hermite series times a Gaussian.
    slope_series = np.polynomial.hermite_e.hermesub(
        hermeder(coefficients), np.polynomial.hermite_e.hermemulx(coefficients))

    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        sigma, area = np.exp(p[:, 1:2]), p[:, 2:3]
        z = (x - p[:, :1]) / sigma
        bell = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
        unit = hermeval(z, coefficients) * bell
        slope = hermeval(z, slope_series) * bell
        return area * unit, np.stack(
            [-area * slope / sigma, -area * (unit + z * slope), unit], axis=1)

    return model


def fit(
    model: Model, space: Space, z: Floats, start: Floats, low: Floats, high: Floats,
    steps: int = 40,
) -> tuple[Floats, Floats]:
    """Fit `model` to every row of `z`, from every row of `start` (Levenberg-Marquardt).

    Parameters
    ----------
    z : (b, r) array
        Reduced traces.
    start, low, high : (b, p) array
        A value at its limit is held there while it presses outward.

    Returns
    -------
    (b, p) parameters and (b,) sums of squares.
    """
    p = np.clip(start, low, high)
    value, jac = space.seen(model, p)
    left = z - value
    rss = np.einsum("br,br->b", left, left)
    damp = np.full(len(p), 1e-2)
    going = np.arange(len(p))
    for _ in range(steps):
        j, r, at = jac[going], left[going], p[going]
        normal = j @ j.transpose(0, 2, 1)
        pull = np.einsum("bpr,br->bp", j, r)
        held = ((at <= low[going]) & (pull < 0)) | ((at >= high[going]) & (pull > 0))
        pull[held] = 0.0
        normal[held[:, :, None] | held[:, None, :]] = 0.0
        d = np.einsum("bpp->bp", normal)
        d = np.where(d > 0, d, 1.0)
        normal = normal + np.eye(p.shape[1]) * (damp[going, None] * d + 1e-12 * d + held)[:, None]
        trial = np.clip(at + np.linalg.solve(normal, pull[:, :, None])[:, :, 0],
                        low[going], high[going])
        value, by = space.seen(model, trial)
        new = z[going] - value
        squares = np.einsum("br,br->b", new, new)
        better = squares < rss[going]
        gained = np.where(better, rss[going] - squares, 0.0)
        won = going[better]
        p[won], left[won], rss[won] = trial[better], new[better], squares[better]
        jac[won] = by[better]
        damp[going] = np.where(better, 0.2 * damp[going], 6.0 * damp[going])
        done = (better & (gained < 1e-4) & (damp[going] < 1e-2)) | (damp[going] > 1e5)
        going = going[~done]
        if not going.size:
            break
    return p, rss


@dataclass(frozen=True)
class Limits:
    """Where centres and widths may lie: the places of a window, and its range of sigmas."""

    left: float
    right: float
    narrowest: float
    broadest: float


def fit_single(
    model: Model, space: Space, z: Floats, guess: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit `one` or a measured shape to every row of `z` from `guess`, (3,) or (b, 3)."""
    b = len(z)
    low = np.array([limits.left, np.log(limits.narrowest), 0.0])
    high = np.array([limits.right, np.log(limits.broadest), np.inf])
    rows = np.ones((b, 1))
    return fit(model, space, z, rows * guess, rows * low, rows * high)


def fit_tail(
    space: Space, z: Floats, single: Floats, limits: Limits, side: int | None = None
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Fit a tail either way to every row of `z` from its Gaussian `single`, (b, 3).

    Returns
    -------
    (b, 4) parameters, (b,) sums of squares, (b,) sides.
    """
    b = len(z)
    best = np.zeros((b, 4))
    squares, sides = np.full(b, np.inf), np.ones(b, np.int64)
    rows = np.ones((b, 1))
    low = rows * np.array([limits.left, np.log(0.6 * limits.narrowest), TAIL_LEAST, 0.0])
    high = rows * np.array([limits.right, np.log(limits.broadest), TAIL_MOST, np.inf])
    sigma = np.exp(single[:, 1])
    for way in (1, -1) if side is None else (side,):
        for ratio in (0.4, 1.1):
            narrow = 1.0 / np.sqrt(1.0 + 0.8 * ratio**2)
            start = np.stack([
                single[:, 0] + way * 0.7 * ratio * narrow * sigma,
                single[:, 1] + np.log(narrow), np.full(b, ratio), single[:, 2]], axis=1)
            p, rss = fit(tail(way), space, z, start, low, high)
            better = rss < squares
            best[better], squares[better], sides[better] = p[better], rss[better], way
    return best, squares, sides


def fit_uneven(
    space: Space, z: Floats, single: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit `uneven` to every row of `z` from its Gaussian `single`, (b, 3).

    Returns
    -------
    (b, 5) parameters and (b,) sums of squares.
    """
    b = len(z)
    best, squares = np.zeros((b, 5)), np.full(b, np.inf)
    rows = np.ones((b, 1))
    low = rows * np.array([limits.left, -SKEWED, np.log(0.6 * limits.narrowest), PEAKED, 0.0])
    high = rows * np.array([limits.right, SKEWED, np.log(limits.broadest), FLAT, np.inf])
    for skew in (-0.3, 0.3):
        start = np.stack([single[:, 0] - skew * np.exp(single[:, 1]), np.full(b, skew),
                          single[:, 1], np.full(b, 1.2), single[:, 2]], axis=1)
        p, rss = fit(uneven, space, z, start, low, high)
        better = rss < squares
        best[better], squares[better] = p[better], rss[better]
    return best, squares


_NEAR = ((1.3, 0.5), (1.6, 0.25), (1.6, 0.75), (2.3, 0.12), (2.3, 0.88), (3.2, 0.5))
_FAR = np.array([2.4, 3.0, 3.6, 4.2, 4.8, 5.4, 6.0])


def fit_two(
    space: Space, z: Floats, single: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit a pair to every row of `z` from its Gaussian `single`, (b, 3), by several starts.

    Close pairs start from the Gaussian divided; a distant small one from where, on either side,
    the residual asks most for it.

    Returns
    -------
    (b, 5) parameters and (b,) sums of squares.
    """
    b = len(z)
    c, ln_sigma, area = single.T
    sigma = np.exp(ln_sigma)
    starts = []
    for gap, share in _NEAR:
        narrow = 1.0 / np.sqrt(1.0 + share * (1.0 - share) * gap**2)
        s = narrow * sigma
        starts.append(np.stack([
            c - (1.0 - share) * gap * s, np.full(b, gap), np.log(s),
            share * area, (1.0 - share) * area], axis=1))
    value, jac = space.seen(one, single)
    left = z - value
    for way in (-1.0, 1.0):
        score, bump = np.full(b, -np.inf), np.full((b, 2), 2.4)
        bump[:, 1] = 0.01
        for gap in _FAR:
            place = np.stack([c + way * gap * sigma, ln_sigma, np.ones(b)], axis=1)
            g = space.without_width().seen(one, place)[0]
            if space.width is not None:  # a second spot's height tells nothing of widths
                g = np.concatenate([g, np.zeros((b, 1))], axis=1)
            # The bump less what the Gaussian's own values can make of it.
            normal = jac @ jac.transpose(0, 2, 1)
            ridge = 1e-9 * np.trace(normal, axis1=1, axis2=2) + 1e-300
            normal = normal + np.eye(3) * ridge[:, None, None]
            along = np.linalg.solve(normal, np.einsum("bpr,br->bp", jac, g)[:, :, None])
            g = g - np.einsum("bpr,bp->br", jac, along[:, :, 0])
            size = np.einsum("br,br->b", g, g)
            amount = np.einsum("br,br->b", g, left) / np.maximum(size, 1e-300)
            gain = np.where(amount > 0, amount**2 * size, -1.0)
            better = gain > score
            score[better] = gain[better]
            bump[better, 0] = gap
            bump[better, 1] = np.clip(amount[better] / np.maximum(area[better], 1e-300), 0.003, 1)
        small, first = bump[:, 1] * area, c if way > 0 else c - bump[:, 0] * sigma
        pair = (area, small) if way > 0 else (small, area)
        starts.append(np.stack([first, bump[:, 0], ln_sigma, *pair], axis=1))
    low = np.array([limits.left - FARTHEST * limits.narrowest, NEAREST,
                    np.log(0.6 * limits.narrowest), 0.0, 0.0])
    high = np.array([limits.right, FARTHEST, np.log(limits.broadest), np.inf, np.inf])
    p = np.concatenate(starts)
    # All starts a few steps, the best three some more, the best one to its end.
    for steps, keep in ((4, 3), (8, 1), (60, 0)):
        rows = np.ones((len(p), 1))
        p, rss = fit(two, space, np.tile(z, (len(p) // b, 1)), p, rows * low, rows * high, steps)
        if keep:
            order = np.argsort(rss.reshape(-1, b), axis=0, kind="stable")[:keep]
            p = p.reshape(-1, b, 5)[order, np.arange(b)].reshape(-1, 5)
    return p, rss

"""One window of a trace, whitened: its noise unit normal deviates, baseline and neighbours gone.

A bootstrap then needs no more than a row of normal deviates for each of its traces, and all of
them are fitted together (`whitened_fits`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_interp_spline
from scipy.linalg import cholesky, solve_triangular

Floats = NDArray[np.float64]
# Parameters (b, p) to values (b, n) and their derivatives (b, p, n).
Model = Callable[[Floats, Floats], tuple[Floats, Floats]]

LN_SIGMA_AT = {3: 1, 4: 1, 5: 2, 7: 3}  # where a model of so many values has its ln sigma
COARSE = 0.7  # spacing of positions over the smallest sigma
WORTHWHILE = 0.7  # of the samples: more positions than this save nothing
MARGIN = 2.0  # smallest sigmas beyond the window from which a Gaussian still reaches into it
JITTER = 1e-10  # of each variance: rounding, so that the covariance has a root
DEPENDENT = 1e-8  # of the largest singular value: a column that others already make
UNDRAWN = 1e-5  # of the largest: what models of the smallest sigma cannot draw


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

    def reduced(self, model: Model, p: Floats) -> tuple[Floats, Floats]:
        """Return a model's values (b, r) and derivatives (b, p, r) in this space."""
        x, reduce = (self.x, self.reduce) if self.coarse is None else self.coarse
        value, by = model(x, p)
        # One product of two matrices, not one for each set of parameters: a third of the time.
        by = (by.reshape(-1, x.size) @ reduce.T).reshape(*by.shape[:2], len(reduce))
        value = value @ reduce.T
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
    lower = cholesky(covariance + JITTER * np.diag(np.diag(covariance)), lower=True)
    white = solve_triangular(lower, np.eye(n), lower=True)
    columns = white @ nuisance
    columns = columns / np.linalg.norm(columns, axis=0)
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    q = u[:, s > DEPENDENT * s[0]]
    white = white - q @ (q.T @ white)
    steps = np.arange(x[0] - MARGIN * narrowest, x[-1] + MARGIN * narrowest, COARSE * narrowest)
    shapes = np.exp(-0.5 * ((x[:, None] - steps) / narrowest) ** 2)
    u, s, _ = np.linalg.svd(white @ shapes, full_matrices=False)
    span = u[:, s > UNDRAWN * s[0]]
    reduce = span.T @ white
    return Space(x, reduce, white, n - q.shape[1], None, _coarse(x, reduce, narrowest))


def _coarse(x: Floats, reduce: Floats, narrowest: float) -> tuple[Floats, Floats] | None:
    """Return fewer positions and their operator, None where that would save nothing.

    A quintic spline through a Gaussian at `COARSE` of its sigma is true to 4e-4 of its height
    (computed); those that are fitted are mostly twice as broad, and truer by 2^6.
    """
    step = COARSE * narrowest
    grid = np.arange(x[0] - 3 * step, x[-1] + 4 * step, step)
    if grid.size > WORTHWHILE * x.size:
        return None
    return grid, reduce @ make_interp_spline(grid, np.eye(grid.size), k=5)(x)

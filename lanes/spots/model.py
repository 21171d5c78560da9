"""The sum of peaks and a baseline, as lmfit wants it: parameters, residual, Jacobian."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray

from lanes.spots.shapes import ROOT_2PI, apex, gaussian, tailed

Floats = NDArray[np.float64]

MOST_EVALUATIONS = 200  # a fit that has not settled by then is of what is no spot
DEGREES = {"none": 0, "constant": 1, "linear": 2, "quadratic": 3, "exponential": 2}


@dataclass(frozen=True)
class Peak:
    """One peak's values: mean of its Gaussian part, area, sigma, tau (0 for a plain Gaussian)."""

    centre: float
    area: float
    sigma: float
    tau: float = 0.0

    def component(self) -> Component:
        """Return the same peak by its apex."""
        if self.tau == 0.0:
            height = self.area / (self.sigma * ROOT_2PI)
            return Component(self.centre, height, self.sigma, 0.0, self.area)
        at = self.centre + apex(self.sigma, self.tau)
        height = float(peak_shape(np.array([at]), self)[0][0])
        return Component(at, height, self.sigma, self.tau, self.area)


@dataclass(frozen=True)
class Component:
    """One fitted peak. `centre` is its apex, `sigma` and `tau` its widths, all in mm.

    `height` is at the apex in signal x mm; `area` in signal x mm^2.
    """

    centre: float
    height: float
    sigma: float
    tau: float
    area: float

    @property
    def spread(self) -> float:
        """Its standard deviation, the tail included."""
        return float(np.hypot(self.sigma, self.tau))

    @property
    def mean(self) -> float:
        """Its centre of mass: a positive tau tails to smaller positions."""
        return self.peak().centre - self.tau

    def peak(self) -> Peak:
        """Return the same peak by the mean of its Gaussian part."""
        shift = apex(self.sigma, self.tau) if self.tau else 0.0
        return Peak(self.centre - shift, self.area, self.sigma, self.tau)


@dataclass(frozen=True)
class Problem:
    """One trace to be fitted.

    Attributes
    ----------
    x, y : (n,) array
        Usable samples only.
    weight : (n,) array
        What multiplies the residual: 1 / standard deviation, less for shared noise.
    baseline_order : str
        A key of `DEGREES`.
    narrowest, broadest : float
        Limits of sigma.
    width_prior : float or None
        Standard deviation of ln(sigma ratio) of merged neighbours; None leaves them free.
    whitening : (n, n) array or None
        Instead of `weight`: what makes the noise of the residual white.
    """

    x: Floats
    y: Floats
    weight: Floats
    baseline_order: str
    narrowest: float
    broadest: float
    width_prior: float | None
    whitening: Floats | None = None

    def weigh(self, rows: Floats) -> Floats:
        """Return residuals or derivatives, (n,) or (k, n), in units of their noise."""
        return rows * self.weight if self.whitening is None else rows @ self.whitening.T

    @property
    def span(self) -> float:
        """Length of the trace."""
        return float(self.x[-1] - self.x[0])


@dataclass(frozen=True)
class Solution:
    """What a fit came to. `jacobian` is by `names`, weighted; `rss` is weighted too."""

    peaks: tuple[Peak, ...]
    baseline: Floats
    names: tuple[str, ...]
    jacobian: Floats
    rss: float
    at_bound: tuple[str, ...]
    merged: tuple[tuple[int, int], ...]


def located(name: str) -> tuple[int, str] | None:
    """Return the peak's place and the value that a parameter's name stands for.

    None where it is one of the baseline's. The one place that reads such names.
    """
    if not name.startswith("p"):
        return None
    place, value = name[1:].split("_")
    return int(place), value


def baseline_term(problem: Problem, x: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return the baseline at `x` and its derivatives by `values`."""
    u = (x - problem.x[0]) / problem.span
    if problem.baseline_order == "exponential":
        e = np.exp(-values[1] * u)
        return values[0] * e, np.stack([e, -values[0] * u * e])
    degree = DEGREES[problem.baseline_order]
    if degree == 0:
        return np.zeros_like(x), np.zeros((0, x.size))
    powers = np.stack([(2.0 * u - 1.0) ** k for k in range(degree)])
    return values @ powers, powers


def peak_shape(x: Floats, peak: Peak) -> tuple[Floats, Floats]:
    """Return one peak at `x` and its derivatives by (centre, area, sigma, tau)."""
    if peak.tau == 0.0:
        value, by = gaussian(x, peak.centre, peak.area, peak.sigma)
        return value, np.concatenate([by, np.zeros((1, x.size))])
    return tailed(x, peak.centre, peak.area, peak.sigma, peak.tau)


def valley(peaks: tuple[Peak, ...], low: float, high: float) -> float:
    """Return the valley of the peaks' sum between `low` and `high`; 1 where there is none.

    Each point is held against the lower of the highest ones on its two sides: the sum's own
    apexes, which overlap draws together.
    """
    x = np.linspace(low, high, 801)
    total = np.sum([peak_shape(x, p)[0] for p in peaks], axis=0)
    lower = np.minimum(np.maximum.accumulate(total), np.maximum.accumulate(total[::-1])[::-1])
    return float((total / np.maximum(lower, 1e-300)).min())


def merged_pairs(peaks: tuple[Peak, ...]) -> tuple[tuple[int, int], ...]:
    """Return neighbours too close (3 sigma) for their widths to be told apart on their own."""
    return tuple(
        (i, i + 1)
        for i, (a, b) in enumerate(pairwise(peaks))
        if abs(b.centre - a.centre) < 1.5 * (a.sigma + b.sigma)
    )


@dataclass(frozen=True)
class _Sum:
    """The sum of peaks and a baseline by lmfit's parameters: its residual and its Jacobian.

    `tied` says whose sigma a peak shares; `pairs` are those whose widths the prior holds together.
    """

    problem: Problem
    count: int
    tailing: frozenset[int]
    tied: dict[int, int]
    pairs: tuple[tuple[int, int], ...]
    free: tuple[str, ...]

    def unpack(self, parameters: lmfit.Parameters) -> tuple[tuple[Peak, ...], Floats]:
        """Return the peaks and the baseline's values."""
        values = parameters.valuesdict()
        found = tuple(
            Peak(values[f"p{i}_centre"], values[f"p{i}_area"], values[f"p{i}_sigma"],
                 values.get(f"p{i}_tau", 0.0))
            for i in range(self.count)
        )
        size = DEGREES[self.problem.baseline_order]
        return found, np.array([values[f"baseline_{k}"] for k in range(size)])

    def residual(self, parameters: lmfit.Parameters) -> Floats:
        """Return the weighted residual, the prior's rows behind it."""
        problem = self.problem
        found, low_order = self.unpack(parameters)
        model = baseline_term(problem, problem.x, low_order)[0]
        for peak in found:
            model = model + peak_shape(problem.x, peak)[0]
        out = problem.weigh(model - problem.y)
        if self.pairs:
            prior = [np.log(found[j].sigma / found[i].sigma) / problem.width_prior
                     for i, j in self.pairs]
            out = np.concatenate([out, prior])
        # A search that runs away must stay finite to come back.
        return np.asarray(np.clip(out, -1e100, 1e100))

    def jacobian(self, parameters: lmfit.Parameters) -> Floats:
        """Return the derivatives of the residual by the free parameters, one row each."""
        problem = self.problem
        found, low_order = self.unpack(parameters)
        columns: dict[str, Floats] = {}
        for i, peak in enumerate(found):
            by = problem.weigh(peak_shape(problem.x, peak)[1])
            for k, value in enumerate(("centre", "area", "sigma", "tau")[: _values(i, self)]):
                owner = i
                while value == "sigma" and owner in self.tied:
                    owner = self.tied[owner]
                key = f"p{owner}_{value}"
                columns[key] = columns.get(key, 0.0) + by[k]
        for k, by_baseline in enumerate(baseline_term(problem, problem.x, low_order)[1]):
            columns[f"baseline_{k}"] = problem.weigh(by_baseline)
        out = np.array([columns[name] for name in self.free]).reshape(-1, problem.x.size)
        if not self.pairs:
            return out
        assert problem.width_prior is not None
        rows = np.zeros((len(self.free), len(self.pairs)))
        for m, (i, j) in enumerate(self.pairs):
            for which, sign in ((i, -1.0), (j, 1.0)):
                key = f"p{which}_sigma"
                if key in self.free:
                    rows[self.free.index(key), m] = (
                        sign / found[which].sigma / problem.width_prior)
        return np.concatenate([out, rows], axis=1)


def _values(i: int, of: _Sum) -> int:
    return 4 if i in of.tailing else 3


def _parameters(
    problem: Problem, peaks: tuple[Peak, ...], start: Floats, tailing: frozenset[int],
    tied: dict[int, int], fixed: dict[str, float],
) -> lmfit.Parameters:
    """Return lmfit's parameters of `peaks` and the baseline, with their limits."""
    parameters = lmfit.Parameters()
    for i, peak in enumerate(peaks):
        reach = max(2.0 * peak.sigma, 0.03 * problem.span)
        parameters.add(f"p{i}_centre", peak.centre, min=peak.centre - reach,
                       max=peak.centre + reach)
        parameters.add(f"p{i}_area", max(peak.area, 0.0))
        sigma = float(np.clip(peak.sigma, 1.02 * problem.narrowest, 0.98 * problem.broadest))
        if i in tied:
            parameters.add(f"p{i}_sigma", expr=f"p{tied[i]}_sigma")
        else:
            parameters.add(f"p{i}_sigma", sigma, min=problem.narrowest, max=problem.broadest)
        if i in tailing:
            side = 1.0 if peak.tau > 0 else -1.0
            low, high = sorted((side * 0.02 * sigma, side * 6.0 * sigma))
            parameters.add(f"p{i}_tau", peak.tau, min=low, max=high)
    for k, value in enumerate(start):
        parameters.add(f"baseline_{k}", value)
    if problem.baseline_order == "exponential":
        # Beyond these it is a step at one end, not a term of low order.
        rate = parameters["baseline_1"]
        rate.set(value=float(np.clip(rate.value, -7.9, 39.9)), min=-8.0, max=40.0)
    for name, value in fixed.items():
        if name in parameters and parameters[name].expr is None:
            parameters[name].set(value=value, vary=False)
    return parameters


def _at_limits(values: lmfit.Parameters, free: tuple[str, ...]) -> tuple[str, ...]:
    """Return the peaks' parameters that ended at a limit: within 0.2 % of their room."""
    held = []
    for name in free:
        p = values[name]
        room = p.max - p.min
        if (located(name) is not None and np.isfinite(room)
                and min(p.value - p.min, p.max - p.value) < 2e-3 * room):
            held.append(name)
    return tuple(held)


def solve(
    problem: Problem, peaks: tuple[Peak, ...], baseline: Floats | None = None,
    tailing: frozenset[int] = frozenset(), fixed: dict[str, float] | None = None,
    share: bool = False,
) -> Solution:
    """Fit `peaks` to `problem` from where they stand.

    Parameters
    ----------
    problem : Problem
    peaks : tuple of Peak
        Starts, in order of centre. A peak in `tailing` keeps a free tau; its sign is the start's.
    baseline : (d,) array, optional
        Start of the baseline.
    fixed : dict, optional
        Parameters to hold, by lmfit name.
    share : bool
        Whether merged neighbours share one sigma (an lmfit expression ties them).

    Returns
    -------
    Solution
    """
    merged = merged_pairs(peaks)
    size = DEGREES[problem.baseline_order]
    start = np.zeros(size) if baseline is None or baseline.size != size else baseline
    tied = {j: j - 1 for _, j in merged} if share else {}
    parameters = _parameters(problem, peaks, start, tailing, tied, fixed or {})
    free = tuple(n for n in parameters if parameters[n].vary and parameters[n].expr is None)
    pairs = () if problem.width_prior is None or share else merged
    total = _Sum(problem, len(peaks), tailing, tied, pairs, free)
    values = parameters
    if free:
        minimizer = lmfit.Minimizer(total.residual, parameters, calc_covar=False)
        outcome: Any = minimizer.leastsq(
            Dfun=total.jacobian, col_deriv=1, ftol=1e-10, xtol=1e-10, gtol=1e-12,
            max_nfev=MOST_EVALUATIONS,
        )
        values = outcome.params
    found, low_order = total.unpack(values)
    rest = total.residual(values)
    return Solution(found, low_order, free, total.jacobian(values), float(rest @ rest),
                    _at_limits(values, free), merged)

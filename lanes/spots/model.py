"""Peaks and a baseline: what is fitted to one trace."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lanes.rounding import TINY
from lanes.spots.shapes import ROOT_2PI, apex, gaussian, tailed

Floats = NDArray[np.float64]

# Spots of one lane that nearly meet have nearly one width, but two substances may differ by 30 %
# (common practice), taken as two standard deviations of the logarithm of their sigmas' ratio.
WIDTH_PRIOR = 0.15
# Rows of a whitening matrix that are multiplied at once: they stay in a processor's nearest memory,
# where 600 rows at once take two to five times as long (timed).
BLOCK = 128
# Mean sigmas twofold between two peaks, 3 sigma, within which their widths are not fixed by the
# trace alone: two equal Gaussians have a valley from 2 sigma on.
MERGED = 1.5
# An exponential baseline's rate over the trace: beyond these it is a step at one end, not a
# baseline.
LEAST_RATE, MOST_RATE, RATE_MARGIN = -8.0, 40.0, 0.1
RUNAWAY = 1e100   # residual, in noise: a search that runs away must stay finite to come back
AT_LIMIT = 2e-3   # of the room between its limits: a value so near to one has ended there
# How far a fit may move a peak: in its sigmas, or of the trace, whichever is more.
MOVES, MOVES_SPAN = 2.0, 0.03
# Where a sigma starts at least inside its limits, as a share of them: at a limit it could not move.
INSIDE = 0.02
# Tau over sigma: a shorter tail is none, a longer one is a step.
LEAST_TAIL, MOST_TAIL = 0.02, 6.0
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
    triangular : bool
        Whether `whitening` has nothing above its diagonal: that half is passed over.
    """

    x: Floats
    y: Floats
    weight: Floats
    baseline_order: str
    narrowest: float
    broadest: float
    width_prior: float | None
    whitening: Floats | None = None
    triangular: bool = False

    def weigh(self, rows: Floats) -> Floats:
        """Return residuals or derivatives, (n,) or (k, n), in units of their noise."""
        if self.whitening is None:
            return rows * self.weight
        out = np.empty(rows.shape)
        for top in range(0, self.x.size, BLOCK):
            end = top + BLOCK
            known = end if self.triangular else self.x.size
            np.matmul(rows[..., :known], self.whitening[top:end, :known].T, out=out[..., top:end])
        return out

    @property
    def span(self) -> float:
        """Length of the trace."""
        return float(self.x[-1] - self.x[0])


@dataclass(frozen=True)
class Start:
    """What a fit sets out from.

    Attributes
    ----------
    peaks : tuple of Peak
        In order of centre. A peak in `tailing` keeps a free tau; its sign is the start's.
    baseline : (d,) array, or None to start from nothing
    tailing : frozenset of int
    fixed : dict
        Parameters to hold, by name.
    share : bool
        Whether merged neighbours share one sigma.
    """

    peaks: tuple[Peak, ...]
    baseline: Floats | None = None
    tailing: frozenset[int] = frozenset()
    fixed: dict[str, float] = field(default_factory=dict)
    share: bool = False


@dataclass(frozen=True)
class Solution:
    """What a fit came to, and from where. `jacobian` is by `names`, weighted, as is `rss`."""

    peaks: tuple[Peak, ...]
    baseline: Floats
    names: tuple[str, ...]
    jacobian: Floats
    rss: float
    at_bound: tuple[str, ...]
    merged: tuple[tuple[int, int], ...]
    start: Start | None = None


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
    return float((total / np.maximum(lower, TINY)).min())


def merged_pairs(peaks: tuple[Peak, ...]) -> tuple[tuple[int, int], ...]:
    """Return neighbours too close (3 sigma) for their widths to be fixed on their own."""
    return tuple(
        (i, i + 1)
        for i, (a, b) in enumerate(pairwise(peaks))
        if abs(b.centre - a.centre) < MERGED * (a.sigma + b.sigma)
    )


# Distances in sigmas of the Gaussians, their unit curves and their values, each (c, n); values and
# derivatives of those that tail.
_Shapes = tuple[Floats, Floats, Floats, list[tuple[Floats, Floats]]]


class PeakSum:
    """The sum of peaks and a baseline as a function of the values of its parameters.

    Attributes
    ----------
    names : tuple of str
        `p0_centre`, `p0_area`, `p0_sigma`, `p0_tau` where the peak tails, and so on; the
        baseline's after them.
    start, low, high : (m,) arrays
        By `names`: where the fit sets out, and the limits.
    free : (f,) array of int
        The places of the parameters that are fitted.
    owner : dict
        The place of each tied sigma, and of the one it is equal to.
    """

    def __init__(self, problem: Problem, start: Start) -> None:
        self.problem, self.peaks, self.tailing = problem, start.peaks, start.tailing
        self.merged = merged_pairs(start.peaks)
        size = DEGREES[problem.baseline_order]
        begun = start.baseline
        baseline = np.zeros(size) if begun is None or begun.size != size else begun
        rows: list[tuple[str, float, float, float]] = []
        for i, peak in enumerate(start.peaks):
            rows += _limits(problem, i, peak, i in start.tailing)
        for k, value in enumerate(baseline):
            rows.append((f"baseline_{k}", float(value), -np.inf, np.inf))
        if problem.baseline_order == "exponential":
            rate = np.clip(baseline[1], LEAST_RATE + RATE_MARGIN, MOST_RATE - RATE_MARGIN)
            rows[-1] = ("baseline_1", float(rate), LEAST_RATE, MOST_RATE)
        self.names = tuple(row[0] for row in rows)
        values = np.array([row[1:] for row in rows]).reshape(-1, 3)
        self.start, self.low, self.high = values[:, 0], values[:, 1], values[:, 2]
        place = {name: k for k, name in enumerate(self.names)}
        self.owner: dict[int, int] = {}
        for _, j in self.merged if start.share else ():
            above = place[f"p{j - 1}_sigma"]
            self.owner[place[f"p{j}_sigma"]] = self.owner.get(above, above)
        held = {place[n] for n in start.fixed if n in place} - set(self.owner)
        for k in held:
            self.start[k] = start.fixed[self.names[k]]
        self.start = np.clip(self.start, self.low, self.high)
        self.free = np.array([k for k in range(len(self.names))
                              if k not in held and k not in self.owner], int)
        self._place = np.array([place[f"p{i}_centre"] for i in range(len(start.peaks))], int)
        self._plain = self._place[[i not in start.tailing for i in range(len(start.peaks))]]
        self._tailed = self._place[sorted(start.tailing)].tolist()
        self._baseline = len(self.names) - size
        self._powers: Floats | None = None
        if problem.baseline_order != "exponential":
            self._powers = baseline_term(problem, problem.x, np.zeros(size))[1]
        prior = problem.width_prior is not None and not start.share
        pairs = self.merged if prior else ()
        self._pairs = np.array(pairs, int).reshape(-1, 2).T
        # The last place looked at: the Jacobian is wanted where the residual was.
        self._at: tuple[bytes, _Shapes] | None = None
        self._all_free = self.free.size == len(self.names)

    @property
    def free_names(self) -> tuple[str, ...]:
        """The names of the parameters that are fitted."""
        return tuple(self.names[k] for k in self.free)

    def unpack(self, values: Floats) -> tuple[tuple[Peak, ...], Floats]:
        """Return the peaks and the baseline's values."""
        found = tuple(
            Peak(*values[k: k + (4 if i in self.tailing else 3)].tolist())
            for i, k in enumerate(self._place))
        return found, values[self._baseline:].copy()

    def _shapes(self, values: Floats) -> _Shapes:
        """Return the peaks at the problem's places, and what their derivatives are made of."""
        place = values.tobytes()
        if self._at is None or self._at[0] != place:
            x, k = self.problem.x, self._plain
            sigma = values[k + 2][:, None]
            z = (x - values[k][:, None]) / sigma
            unit = np.exp(-0.5 * z * z) / (sigma * ROOT_2PI)
            tails = [tailed(x, *values[k: k + 4]) for k in self._tailed]
            self._at = place, (z, unit, values[k + 1][:, None] * unit, tails)
        return self._at[1]

    def residual(self, values: Floats) -> Floats:
        """Return the weighted residual, the prior's rows behind it."""
        problem = self.problem
        baseline = values[self._baseline:]
        model = (baseline @ self._powers if self._powers is not None
                 else baseline_term(problem, problem.x, baseline)[0])
        _, _, plain, tails = self._shapes(values)
        model = plain.sum(axis=0) + model
        for value, _ in tails:
            model += value
        out = problem.weigh(model - problem.y)
        if self._pairs.size:
            lower, upper = values[self._place[self._pairs] + 2]
            out = np.concatenate([out, np.log(upper / lower) / problem.width_prior])
        return np.asarray(np.minimum(np.maximum(out, -RUNAWAY, out=out), RUNAWAY, out=out))

    def jacobian(self, values: Floats) -> Floats:
        """Return the derivatives of the residual by the free parameters, one row each."""
        problem = self.problem
        by = np.empty((len(self.names), problem.x.size))
        z, unit, plain, tails = self._shapes(values)
        at = self._plain
        slope = plain / values[at + 2][:, None]
        by[at], by[at + 1], by[at + 2] = slope * z, unit, slope * (z * z - 1.0)
        for k, (_, derivatives) in zip(self._tailed, tails, strict=True):
            by[k: k + 4] = derivatives
        by[self._baseline:] = (
            self._powers if self._powers is not None
            else baseline_term(problem, problem.x, values[self._baseline:])[1])
        for k, owner in self.owner.items():
            by[owner] += by[k]
        out = problem.weigh(by if self._all_free else by[self.free])
        if not self._pairs.size:
            return out
        assert problem.width_prior is not None
        rows = np.zeros((len(self.names), self._pairs.shape[1]))
        for which, sign in zip(self._place[self._pairs] + 2, (-1.0, 1.0), strict=True):
            rows[which, np.arange(which.size)] = sign / values[which] / problem.width_prior
        return np.concatenate([out, rows[self.free]], axis=1)

    def solution(self, values: Floats, start: Start) -> Solution:
        """Return what a fit that ended at `values` came to."""
        found, baseline = self.unpack(values)
        rest = self.residual(values)
        return Solution(found, baseline, self.free_names, self.jacobian(values),
                        float(rest @ rest), self._at_limits(values), self.merged, start)

    def _at_limits(self, values: Floats) -> tuple[str, ...]:
        """Return the peaks' parameters that ended at a limit: within 0.2 % of their room."""
        room = self.high - self.low
        near = np.minimum(values - self.low, self.high - values) < AT_LIMIT * room
        return tuple(self.names[k] for k in self.free
                     if k < self._baseline and np.isfinite(room[k]) and near[k])


def _limits(
    problem: Problem, i: int, peak: Peak, tails: bool
) -> list[tuple[str, float, float, float]]:
    """Return the name, start and limits of each of a peak's values."""
    reach = max(MOVES * peak.sigma, MOVES_SPAN * problem.span)
    sigma = float(np.clip(peak.sigma, (1.0 + INSIDE) * problem.narrowest,
                          (1.0 - INSIDE) * problem.broadest))
    rows = [(f"p{i}_centre", peak.centre, peak.centre - reach, peak.centre + reach),
            (f"p{i}_area", max(peak.area, 0.0), -np.inf, np.inf),
            (f"p{i}_sigma", sigma, problem.narrowest, problem.broadest)]
    if tails:
        side = 1.0 if peak.tau > 0 else -1.0
        low, high = sorted((side * LEAST_TAIL * sigma, side * MOST_TAIL * sigma))
        rows.append((f"p{i}_tau", peak.tau, low, high))
    return rows

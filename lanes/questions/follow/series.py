"""A series of times as arrays, the models of a first-order fall, and residuals and slopes."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from lmfit import Parameters, minimize
from numpy.typing import NDArray
from scipy.optimize import leastsq
from scipy.special import log_ndtr

from lanes.confidence import ONE_SIDED_95
from lanes.rounding import ROUNDING
from lanes.spots.deconvolve import THRESHOLD

Floats = NDArray[np.float64]

RATIOS = (0.05, 20.0)    # of responses that are thought possible
# ln of products' response over the starting material's, as a standard deviation about alike: what
# one becomes mostly answers within threefold (common practice). Counted where the law is free too:
# a law and a response far from one explain a series together.
RESPONSE_SD = math.log(3.0)
LEAST_SQUARE = 1e-12     # of a residual at a limit: its slope divides by the root
LN_ROOT_2PI = 0.5 * math.log(2.0 * math.pi)  # of the normal density
MOST_POWER = 50.0        # of exp: nothing is left of a reaction long before
# What lmfit's least squares stop at: a change of the squares or of the values, as a share of them;
# and evaluations, for each value that is free and one more.
STILL, MOST_EVALUATIONS = 1.5e-8, 2000
BOUNDS = {
    "k": (-60.0, 60.0), "q0": (-60.0, 60.0), "b": (math.log(0.2), math.log(5.0)),
    "r": (math.log(RATIOS[0]), math.log(RATIOS[1])), "c": (0.0, 100.0),
}
# How far an assumption may be off, in its own standard deviations: beyond what its square allows.
ASSUMED = (-8.0, 8.0)


@dataclass(frozen=True)
class TimePoint:
    """One lane's quantity at its time, as a fraction.

    `value` and `sd` are None where the spot was not found: then the quantity is at most
    `at_most`, or at least `at_least`, the level that is found 95 % of the time. `sd` counts the
    noise; `moves` are standard deviations with their signs, one for each thing assumed of the
    light, which moves all points of a series together.
    """

    time: float
    value: float | None
    sd: float | None
    at_most: float | None = None
    at_least: float | None = None
    moves: tuple[float, ...] = ()

    @property
    def whole_sd(self) -> float | None:
        """The standard deviation, every doubt counted."""
        return None if self.sd is None else math.hypot(self.sd, *self.moves)


Model = Callable[[Floats, Floats], tuple[Floats, Floats]]


def decay(t: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Return q0 exp(-(k t)^b) and its slopes; `p` is ln k, ln q0, ln b."""
    b = math.exp(p[2])
    with np.errstate(divide="ignore"):
        x = np.where(t > 0, b * (p[0] + np.log(t)), -np.inf)
    power = np.exp(np.minimum(x, MOST_POWER))
    f = np.exp(p[1] - power)
    by_x = -f * power
    return f, np.stack([by_x * b, f, np.where(t > 0, by_x * np.where(t > 0, x, 0.0), 0.0)])


def share(t: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Return e / (e + r (1 + c - e)) and its slopes; `p` is ln k, ln r, c, ln b."""
    e, by = decay(t, np.array([p[0], 0.0, p[3]]))
    r, c = math.exp(p[1]), p[2]
    whole = e + r * (1.0 + c - e)
    by_e = r * (1.0 + c) / whole**2
    return e / whole, np.stack([by_e * by[0], -e * r * (1.0 + c - e) / whole**2,
                                -e * r / whole**2, by_e * by[2]])


def share_of_order(order: int) -> Model:
    """Return the model of `share` for a reaction of order 0 or 2 in the starting material.

    What is left of it is 1 - k t, while there is any, or 1 / (1 + k t); `b` plays no part.
    """
    def model(t: Floats, p: Floats) -> tuple[Floats, Floats]:
        x = np.exp(np.minimum(p[0], MOST_POWER)) * t
        left = np.maximum(1.0 - x, 0.0) if order == 0 else 1.0 / (1.0 + x)
        by = np.where(left > 0.0, -x, 0.0) if order == 0 else -x * left**2
        r, c = math.exp(p[1]), p[2]
        whole = left + r * (1.0 + c - left)
        return left / whole, np.stack([
            r * (1.0 + c) / whole**2 * by, -left * r * (1.0 + c - left) / whole**2,
            -left * r / whole**2, np.zeros_like(t)])

    return model


class Series:
    """The points as arrays, and the residuals of a model with their slopes.

    What is assumed of the light (the law, the layer) is a parameter too, in standard deviations
    and held near 0 by its own square: it moves all points at once, so that it is no scatter, and
    the points themselves may show that it was assumed wrong. How far responses may differ counts
    then, and where `responses` asks for it.
    """

    def __init__(self, points: Sequence[TimePoint], model: Model, names: tuple[str, ...],
                 responses: bool = False) -> None:
        measured = [p for p in points if p.value is not None and p.sd]
        upper_limits = [p for p in points if p.value is None and p.at_most]
        lower_limits = [p for p in points if p.value is None and p.at_least is not None]
        self.time = np.array([p.time for p in (*measured, *upper_limits, *lower_limits)], float)
        self.count = len(measured)
        self.value = np.array([p.value for p in measured], float)
        self.sd = np.array([p.sd for p in measured], float)
        reasons = max((len(p.moves) for p in measured), default=0)
        self.moves = np.array([p.moves for p in measured], float).reshape(self.count, reasons).T
        self.assumed = tuple(f"assumed{i}" for i in range(reasons))
        self.model, self.names = model, (*names, *self.assumed)
        self.responses = "r" in names and (responses or bool(self.assumed))
        # What would be missed: a limit that is found 95 % of the time, on the scale of the noise
        # of which it is THRESHOLD and 1.645 standard deviations.
        self.limit = np.array([*(p.at_most or 0.0 for p in upper_limits),
                               *(1.0 - (p.at_least or 0.0) for p in lower_limits)], float)
        self.scale = self.limit / (THRESHOLD + ONE_SIDED_95)
        self.side = np.array([*(1.0 for _ in upper_limits), *(-1.0 for _ in lower_limits)])

    def __call__(self, p: Floats) -> tuple[Floats, Floats]:
        """Return residuals whose squares sum to -2 ln likelihood, and their slopes."""
        own = len(self.names) - len(self.assumed)
        f, slope = self.model(self.time, p[:own])
        n, off = self.count, p[own:]
        near = (f[:n] - self.value - off @ self.moves) / self.sd
        amount = np.where(self.side > 0, f[n:], 1.0 - f[n:])
        z = (self.limit - amount) / self.scale - ONE_SIDED_95
        logs = log_ndtr(z)
        far = np.sqrt(np.maximum(-2.0 * logs, LEAST_SQUARE))
        density = np.exp(-0.5 * z * z - LN_ROOT_2PI - logs)
        by = density / far / self.scale * self.side
        response = n + far.size
        rest = np.concatenate([near, far, (0.0,), off])
        slopes = np.zeros((p.size, rest.size))
        slopes[:own, :n], slopes[:own, n:response] = slope[:, :n] / self.sd, slope[:, n:] * by
        slopes[own:, :n], slopes[own:, response + 1:] = -self.moves / self.sd, np.eye(off.size)
        if self.responses:
            at = self.names.index("r")
            rest[response], slopes[at, response] = p[at] / RESPONSE_SD, 1.0 / RESPONSE_SD
        return rest, slopes

    def measured(self, p: Floats) -> float:
        """Return the sum of squares of the measured points and of what was assumed."""
        residuals = self(p)[0]
        ends = residuals.size - len(self.assumed)
        return float((residuals[: self.count] ** 2).sum() + (residuals[ends:] ** 2).sum())

    def assumed_off(self, p: Floats) -> float:
        """Return by how many standard deviations what was assumed of the light is off."""
        return float(np.abs(p[len(self.names) - len(self.assumed):]).max(initial=0.0))

    def _limits(self, start: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the lowest and the highest values, and `start` between them."""
        low, high = np.array([BOUNDS.get(name, ASSUMED) for name in self.names]).T
        return low, high, np.minimum(np.maximum(start, low + ROUNDING), high - ROUNDING)

    def _undetermined(self, free: Sequence[str]) -> bool:
        return self.time.size + len(self.assumed) < len(free)

    def least(self, start: Floats, free: Sequence[str]) -> tuple[Floats, float]:
        """Return the best values and the sum of squares, as `fit` comes to them.

        lmfit's minimiser with its change of variables for the limits (after MINUIT), without its
        bookkeeping: an interval's end takes tens of fits. What was assumed is always free.
        """
        free = (*free, *self.assumed)
        chosen = [k for k, name in enumerate(self.names) if name in free]
        if self._undetermined(free) or not chosen:
            return start, float((self(start)[0] ** 2).sum())
        low, high, begun = self._limits(start)
        room = (high - low)[chosen]

        def values(inner: Floats) -> Floats:
            out = begun.copy()
            out[chosen] = low[chosen] + (np.sin(inner) + 1.0) * room / 2.0
            return out

        at = remembered(lambda inner: self(values(inner)))

        def residual(inner: Floats) -> Floats:
            return at(inner)[0]

        def slopes(inner: Floats) -> Floats:
            by = at(inner)[1][chosen]
            return np.asarray(by * (np.cos(inner) * room / 2.0)[:, None])

        first = np.arcsin(2.0 * (begun - low)[chosen] / room - 1.0)
        most = MOST_EVALUATIONS * (len(chosen) + 1)
        best = values(leastsq(residual, first, Dfun=slopes, col_deriv=True, full_output=True,
                              ftol=STILL, xtol=STILL, gtol=0.0, maxfev=most)[0])
        return best, float((self(best)[0] ** 2).sum())

    def fit(self, start: Floats, free: Sequence[str]) -> tuple[Floats, float, Floats | None]:
        """Return the best values, the sum of squares and the covariance of the free ones.

        What was assumed is always free.
        """
        parameters, free = Parameters(), (*free, *self.assumed)
        if self._undetermined(free):
            return start, float((self(start)[0] ** 2).sum()), None
        for name, low, high, value in zip(self.names, *self._limits(start), strict=True):
            parameters.add(name, value, vary=name in free, min=low, max=high)
        chosen = [k for k, name in enumerate(self.names) if name in free]
        at = remembered(self)

        def values(p: Parameters) -> Floats:
            return np.array([p[name].value for name in self.names])

        out = minimize(lambda p: at(values(p))[0], parameters, method="leastsq",
                       Dfun=lambda p: at(values(p))[1][chosen], col_deriv=1, scale_covar=False)
        best = values(out.params)
        return best, float((self(best)[0] ** 2).sum()), getattr(out, "covar", None)


def remembered(model: Callable[[Floats], tuple[Floats, Floats]]
               ) -> Callable[[Floats], tuple[Floats, Floats]]:
    """Return `model`, which keeps what it gave last: residuals and slopes are asked in turn."""
    last: dict[bytes, tuple[Floats, Floats]] = {}

    def at(p: Floats) -> tuple[Floats, Floats]:
        place = p.tobytes()
        if place not in last:
            last.clear()
            last[place] = model(p)
        return last[place]

    return at

"""A first-order rate from a series of times: fitted, tested for misfit, with its interval.

Two quantities fall with the starting material. Over an internal reference of constant amount,

    q(t) = q0 exp(-k t),

whatever the products' response. As a share of the signal of starting material and products,

    s(t) = e / (e + r (1 + c - e)),   e = exp(-k t),

where r is the products' response over the starting material's and c the product present at time
zero over the starting material. With r = 1 and c = 0 this is exp(-k t); taking r as 1 where it is
not biases k, so r is fitted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from lmfit import Parameters, minimize
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import log_ndtr
from scipy.stats import chi2, norm
from scipy.stats import f as fisher
from scipy.stats import t as student

from lanes.confidence import BELOW_TWO_SIDED_95, ONE_SIDED_95, TWO_SIDED_95
from lanes.rounding import ROUNDING
from lanes.spots.deconvolve import THRESHOLD

Floats = NDArray[np.float64]

RATIOS = (0.05, 20.0)    # of responses that are thought possible
LEAST_TIMES = 3
MISFIT = 0.01            # below this p-value the series is not first order
SCATTER = 0.05           # below this p-value of chi-square the scatter is larger than stated
MOST_SCATTER = 3.0       # times the stated standard deviation that scatter is believed to reach
FAR = 1e4                # how far from the best k an end of its interval is looked for
# In ln: the first step towards that end, by what each is longer than the last, and to what it is
# found: 1e-5 of a rate.
FIRST_STEP, LONGER, END = 0.02, 1.6, 1e-5
# Where the search starts: ln k from 50 times slower than the last time to 200 times faster, ratios
# of responses, the first quantity over the one measured, and orders of reaction either side of one.
RATES = np.geomspace(0.02, 200.0, 30)
RESPONSES, FIRSTS, BENDS = (0.2, 0.5, 1.0, 2.0, 5.0), (0.7, 1.0, 1.4, 3.0), (-0.4, 0.4)
LEAST_SQUARE = 1e-12     # of a residual at a limit: its slope divides by the root
LEAST_FIRST = 1e-12      # of a quantity started from: its ln must be a number
MOST_POWER = 50.0        # of exp: nothing is left of a reaction long before


@dataclass(frozen=True)
class TimePoint:
    """One lane's quantity at its time, as a fraction.

    `value` and `sd` are None where the spot was not found: then the quantity is at most
    `at_most`, or at least `at_least`, the level that is found 95 % of the time.
    """

    time: float
    value: float | None
    sd: float | None
    at_most: float | None = None
    at_least: float | None = None


@dataclass(frozen=True)
class Range:
    """A value with its 95 % interval; an end is None where the data set none."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Rate:
    """A first-order fit.

    Attributes
    ----------
    constant : Range
        k, per unit of time.
    sd : float or None
    half_life : Range
    ratio : Range or None
        The products' response over the starting material's; None over a reference.
    start : float or None
        q0; None where a share was fitted.
    present : float or None
        c; None where it was taken as nothing.
    chi_square : float
    freedom : int
    widened : float
        The factor by which standard deviations were widened, 1 where the scatter is no larger
        than stated.
    misfit : float or None
        p-value of a decay that is stretched or squeezed in time; None where there are too few
        times to ask.
    """

    constant: Range
    sd: float | None
    half_life: Range
    ratio: Range | None
    start: float | None
    present: float | None
    chi_square: float
    freedom: int
    widened: float
    misfit: float | None

    def curve(self, times: Floats) -> Floats:
        """Return the fitted fraction at `times`."""
        k = math.log(self.constant.value)
        if self.start is not None:
            return _decay(times, np.array([k, math.log(self.start), 0.0]))[0]
        assert self.ratio is not None
        return _share(times, np.array([k, math.log(self.ratio.value), self.present or 0.0, 0.0]))[0]


@dataclass(frozen=True)
class Order:
    """Whether the series is first order: "first order", "not first order" or "cannot tell".

    `rate` stands only beside the first. `used` lanes hold a measured quantity that depends on the
    rate, `limits` bound it.
    """

    verdict: str
    reason: str
    rate: Rate | None
    used: int
    limits: int


Model = Callable[[Floats, Floats], tuple[Floats, Floats]]


def _decay(t: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Return q0 exp(-(k t)^b) and its slopes; `p` is ln k, ln q0, ln b."""
    b = math.exp(p[2])
    with np.errstate(divide="ignore"):
        x = np.where(t > 0, b * (p[0] + np.log(t)), -np.inf)
    power = np.exp(np.minimum(x, MOST_POWER))
    f = np.exp(p[1] - power)
    by_x = -f * power
    return f, np.stack([by_x * b, f, np.where(t > 0, by_x * np.where(t > 0, x, 0.0), 0.0)])


def _share(t: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Return e / (e + r (1 + c - e)) and its slopes; `p` is ln k, ln r, c, ln b."""
    e, by = _decay(t, np.array([p[0], 0.0, p[3]]))
    r, c = math.exp(p[1]), p[2]
    whole = e + r * (1.0 + c - e)
    by_e = r * (1.0 + c) / whole**2
    return e / whole, np.stack([by_e * by[0], -e * r * (1.0 + c - e) / whole**2,
                                -e * r / whole**2, by_e * by[2]])


class _Series:
    """The points as arrays, and the residuals of a model with their slopes."""

    def __init__(self, points: Sequence[TimePoint], model: Model, names: tuple[str, ...]) -> None:
        self.model, self.names = model, names
        measured = [p for p in points if p.value is not None and p.sd]
        upper_limits = [p for p in points if p.value is None and p.at_most]
        lower_limits = [p for p in points if p.value is None and p.at_least is not None]
        self.time = np.array([p.time for p in (*measured, *upper_limits, *lower_limits)], float)
        self.count = len(measured)
        self.value = np.array([p.value for p in measured], float)
        self.sd = np.array([p.sd for p in measured], float)
        # What would be missed: a limit that is found 95 % of the time, on the scale of the noise
        # of which it is THRESHOLD and 1.645 standard deviations.
        self.limit = np.array([*(p.at_most or 0.0 for p in upper_limits),
                               *(1.0 - (p.at_least or 0.0) for p in lower_limits)], float)
        self.scale = self.limit / (THRESHOLD + ONE_SIDED_95)
        self.side = np.array([*(1.0 for _ in upper_limits), *(-1.0 for _ in lower_limits)])

    def __call__(self, p: Floats) -> tuple[Floats, Floats]:
        """Return residuals whose squares sum to -2 ln likelihood, and their slopes."""
        f, slope = self.model(self.time, p)
        n = self.count
        near = (f[:n] - self.value) / self.sd
        rest = f[n:] if f.size > n else f[:0]
        amount = np.where(self.side > 0, rest, 1.0 - rest)
        z = (self.limit - amount) / self.scale - ONE_SIDED_95
        logs = log_ndtr(z)
        far = np.sqrt(np.maximum(-2.0 * logs, LEAST_SQUARE))
        density = np.exp(norm.logpdf(z) - logs)
        by = density / far / self.scale * self.side
        return (np.concatenate([near, far]),
                np.concatenate([slope[:, :n] / self.sd, slope[:, n:] * by], axis=1))

    def fit(self, start: Floats, free: Sequence[str]) -> tuple[Floats, float, Floats | None]:
        """Return the best values, the sum of squares and the covariance of the free ones."""
        parameters = Parameters()
        for name, value in zip(self.names, start, strict=True):
            low, high = _BOUNDS[name]
            parameters.add(name, min(max(float(value), low + ROUNDING), high - ROUNDING),
                           vary=name in free, min=low, max=high)

        def values(p: Parameters) -> Floats:
            return np.array([p[name].value for name in self.names])

        def slopes(p: Parameters) -> Floats:
            rows = self(values(p))[1]
            return rows[[self.names.index(n) for n in self.names if n in free]]

        if self.time.size < len(free):
            squares = float((self(start)[0] ** 2).sum())
            return start, squares, None
        out = minimize(lambda p: self(values(p))[0], parameters, method="leastsq", Dfun=slopes,
                       col_deriv=1, scale_covar=False)
        best = values(out.params)
        return best, float((self(best)[0] ** 2).sum()), getattr(out, "covar", None)


_BOUNDS = {
    "k": (-60.0, 60.0), "q0": (-60.0, 60.0), "b": (math.log(0.2), math.log(5.0)),
    "r": (math.log(RATIOS[0]), math.log(RATIOS[1])), "c": (0.0, 100.0),
}


def first_order(
    points: Sequence[TimePoint], *, shares: bool, present: bool = False, alike: bool = False
) -> Order:
    """Return whether a series falls as a first-order reaction does, and how fast.

    Parameters
    ----------
    points : sequence of TimePoint
        The starting material's share of the signal of itself and the products, or its signal
        over a reference's. What was not found enters the likelihood through its limit.
    shares : bool
        Which of the two they are.
    present : bool
        Whether product was there at time zero, so that how much must be fitted too.
    alike : bool
        Whether the responses are taken as equal: r is then held at 1.

    Returns
    -------
    Order

    Notes
    -----
    The interval is where the likelihood is within its 95 % of the best (profile likelihood). Where
    the scatter is larger than stated it is widened by the root of chi-square over its degrees of
    freedom, and Student's t stands for the normal law. Misfit is asked for by letting the decay
    be exp(-(k t)^b): b = 1 must do as well. Scatter beyond three times what is stated is not
    believed.
    """
    names: tuple[str, ...] = ("k", "r", "c", "b") if shares else ("k", "q0", "b")
    free = ("k", "r", "c") if shares and present else names[:2]
    if alike:
        free = tuple(name for name in free if name != "r")
    measured = [p for p in points if p.value is not None and p.sd
                and (p.time > 0 or not shares or present)]
    limits = sum(p.value is None and bool(p.at_most) for p in points)
    used, times = len(measured), len({p.time for p in measured})

    def cannot(reason: str) -> Order:
        return Order("cannot tell", reason, None, used, limits)

    needed = max(LEAST_TIMES, len(free))
    if times < needed:
        return cannot(_too_few(times, needed, shares))
    series = _Series(points, _share if shares else _decay, names)
    fit = _fitted(series, _start(series, shares, alike), free, used)
    if fit.misfit is not None and fit.misfit < MISFIT:
        return Order("not first order", "a decay stretched or squeezed in time fits better "
                     f"(p {fit.misfit:.2g})", None, used, limits)
    if fit.doubtful:
        return cannot("the points lie off a first-order fit by more than their intervals allow, "
                      "and there are too few to tell scatter from another order")
    low, high = fit.ends("k")
    if low is None or high is None:
        return cannot("the series bounds the rate on one side only" if low or high
                      else "the series does not bound the rate")
    return Order("first order", "", _rate(fit, low, high, shares, present, alike), used, limits)


def _rate(
    fit: _Fitted, low: float, high: float, shares: bool, present: bool, alike: bool
) -> Rate:
    """Return the rate that a fit gives, `low` and `high` the ends of ln k."""
    best = fit.best
    k = Range(math.exp(best[0]), math.exp(low), math.exp(high))
    half = Range(*(math.log(2.0) * math.exp(-end) for end in (best[0], high, low)))
    ratio = None
    if alike:
        ratio = Range(1.0, None, None)
    elif shares:
        r_ends = (None if e is None else math.exp(e) for e in fit.ends("r"))
        ratio = Range(math.exp(best[1]), *r_ends)
    return Rate(
        k, None if fit.relative_sd is None else k.value * fit.relative_sd, half, ratio,
        None if shares else math.exp(best[1]), float(best[2]) if shares and present else None,
        fit.measured, fit.freedom, fit.widened, fit.misfit,
    )


def _too_few(times: int, needed: int, shares: bool) -> str:
    what = "the starting material" + (" and what it turns into" if shares else "")
    here = f"{times} time" if times == 1 else f"{times} times"
    return f"the rate needs {what} measured at {needed} times or more, and has {here}"


@dataclass(frozen=True)
class _Fitted:
    """The best values of a series, and what its scatter makes of them.

    `measured` is the sum of squares of the measured points alone, `widened` what intervals are
    wider by for scatter beyond what is stated, `misfit` the p-value of b = 1.
    """

    series: _Series
    free: tuple[str, ...]
    best: Floats
    squares: float
    freedom: int
    measured: float
    widened: float
    misfit: float | None
    doubtful: bool
    relative_sd: float | None

    def ends(self, name: str) -> list[float | None]:
        """Return both ends of the 95 % interval of `name`, None where there is none."""
        level = TWO_SIDED_95**2
        if self.widened > 1.0:
            level = float(student.ppf(BELOW_TWO_SIDED_95, self.freedom)) ** 2 * self.widened**2
        return [_end(self.series, self.best, self.squares, self.free, name, sign, level)
                for sign in (-1.0, 1.0)]


def _fitted(series: _Series, start: Floats, free: tuple[str, ...], used: int) -> _Fitted:
    best, squares, covariance = series.fit(start, free)
    freedom = used - len(free)
    measured = float((series(best)[0][: series.count] ** 2).sum())
    chance = float(chi2.sf(measured, freedom)) if freedom > 0 else 1.0
    widened = math.sqrt(max(1.0, measured / freedom)) if chance < SCATTER else 1.0
    misfit, doubt = _misfit(series, best, squares, free, freedom)
    strange = misfit is None and chance < MISFIT
    relative_sd = None
    if covariance is not None and covariance[0, 0] > 0:
        relative_sd = widened * math.sqrt(float(covariance[0, 0]))
    return _Fitted(series, free, best, squares, freedom, measured, widened, misfit,
                   strange or doubt or widened > MOST_SCATTER, relative_sd)


def _start(series: _Series, shares: bool, alike: bool) -> Floats:
    """Return the best of a grid of rates (and of responses) to start from."""
    late = float(series.time.max())
    first = float(series.value[0]) if series.count else 1.0
    ratios = (1.0,) if alike else RESPONSES
    second = ([math.log(r) for r in ratios] if shares
              else [math.log(max(first * f, LEAST_FIRST)) for f in FIRSTS])
    grid = [np.array([math.log(x / late), s, *([0.0, 0.0] if shares else [0.0])])
            for x in RATES for s in second]
    return min(grid, key=lambda p: float((series(p)[0] ** 2).sum()))


def _misfit(series: _Series, best: Floats, squares: float, free: tuple[str, ...], freedom: int
            ) -> tuple[float | None, bool]:
    """Return the p-value of b = 1 against any b, and whether it may be misfit all the same.

    Where even a free b leaves more scatter than stated, the F test allows for any scatter; with
    few points it would pass any misfit for scatter. So no scatter beyond `MOST_SCATTER` is
    believed; and between the two tests lies doubt. None where there are too few points.
    """
    if freedom < 2:
        return None, False
    tries = []
    for b in BENDS:
        start = best.copy()
        start[-1] = b
        tries.append(series.fit(start, (*free, "b"))[1])
    rest = min(*tries, squares)
    gain, scale = squares - rest, rest / (freedom - 1)
    if scale <= 1.0:
        return float(chi2.sf(gain, 1)), False
    p = min(float(fisher.sf(gain / scale, 1, freedom - 1)),
            float(chi2.sf(gain / MOST_SCATTER**2, 1)))
    return p, float(chi2.sf(gain / scale, 1)) < MISFIT


def _end(
    series: _Series, best: Floats, squares: float, free: tuple[str, ...], name: str, sign: float,
    level: float,
) -> float | None:
    """Return where the best sum of squares with `name` held rises by `level`; None if nowhere."""
    at = series.names.index(name)
    others = tuple(n for n in free if n != name)
    near = best

    def above(value: float) -> tuple[float, Floats]:
        start = near.copy()
        start[at] = value
        found, sum_squares, _ = series.fit(start, others)
        return sum_squares - squares - level, found

    inner, step = float(best[at]), FIRST_STEP
    low, high = _BOUNDS[name]
    while step < math.log(FAR):
        outer = float(best[at]) + sign * step
        if not low < outer < high:
            return None
        rise, found = above(outer)
        if rise > 0:
            # From the same start each time: one that moves could give one end two values.
            return float(brentq(lambda value: above(value)[0], inner, outer, xtol=END))
        near, inner, step = found, outer, LONGER * step
    return None

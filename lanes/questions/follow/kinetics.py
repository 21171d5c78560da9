"""A first-order rate from a series of times: fitted, tested for misfit, with its interval.

Two quantities fall with the starting material. Over an internal reference of constant amount,

    q(t) = q0 exp(-k t),

whatever the products' response. As a share of the signal of starting material and products,

    s(t) = e / (e + r (1 + c - e)),   e = exp(-k t),

where r is the products' response over the starting material's and c the product present at time
zero over the starting material. With r = 1 and c = 0 this is exp(-k t); taking r as 1 where it is
not biases k, so r is fitted. What is assumed of the light moves all points of a series together,
and is fitted too (`series`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import f as fisher
from scipy.stats import t as student

from lanes.confidence import BELOW_TWO_SIDED_95, TWO_SIDED_95
from lanes.questions.follow.series import (
    BOUNDS,
    Model,
    Series,
    TimePoint,
    decay,
    share,
    share_of_order,
)

Floats = NDArray[np.float64]

LEAST_TIMES = 3
MISFIT = 0.01            # below this p-value the series is not first order
SCATTER = 0.05           # below this p-value of chi-square the scatter is larger than stated
# Times its standard deviation that scatter, or what is assumed of the light, is believed to reach.
MOST_SCATTER = 3.0
FAR = 1e4                # how far from the best k an end of its interval is looked for
# In ln: the first step towards that end, by what each is longer than the last, and to what it is
# found: 1e-5 of a rate.
FIRST_STEP, LONGER, END = 0.02, 1.6, 1e-5
# Where the search starts: ln k from 50 times slower than the last time to 200 times faster, ratios
# of responses, the first quantity over the one measured, and orders of reaction either side of one.
RATES = np.geomspace(0.02, 200.0, 30)
RESPONSES, FIRSTS, BENDS = (0.2, 0.5, 1.0, 2.0, 5.0), (0.7, 1.0, 1.4, 3.0), (-0.4, 0.4)
# Standard deviations that the first assumption, the law, may be off: as it is, and another either
# way (`law_doubt`).
LAWS_OFF = (-1.5, 0.0, 1.5)
# Times as rare as the first order a fall of zero order is taken to be before any is seen (a
# choice): it needs a catalyst or a surface that stays full.
RARER = 3.0
SAME_MINIMUM = 2         # decimals of ln k and of the next: nearer, two searches found one minimum
LEAST_FIRST = 1e-12      # of a quantity started from: its ln must be a number


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
            return decay(times, np.array([k, math.log(self.start), 0.0]))[0]
        assert self.ratio is not None
        return share(times, np.array([k, math.log(self.ratio.value), self.present or 0.0, 0.0]))[0]


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
    series = Series(points, share if shares else decay, names)
    fit = _fitted(series, _starts(series, shares, alike), free, used)
    if fit.misfit is not None and fit.misfit < MISFIT:
        return Order("not first order", "a decay stretched or squeezed in time fits better "
                     f"(p {fit.misfit:.2g})", None, used, limits)
    if fit.doubtful:
        return cannot("the points lie off a first-order fit by more than their intervals allow, "
                      "and there are too few to tell scatter from another order")
    if "r" in free and (other := _other_order(points, names, free, fit)):
        return cannot(f"a fall of {other} order fits about as well, with another response of the "
                      "products: learn that from standards, or give --reference")
    low, high = fit.ends("k")
    if low is None or high is None:
        return cannot("the series bounds the rate on one side only" if low or high
                      else "the series does not bound the rate")
    return Order("first order", "", _rate(fit, low, high, shares, present, alike), used, limits)


def _other_order(
    points: Sequence[TimePoint], names: tuple[str, ...], free: tuple[str, ...], fit: _Fitted
) -> str:
    """Return the name of another order that explains shares as well as the first, "" if none does.

    A slow fall of first order into products that respond far more strongly is one of second order
    into products that respond alike, exactly: only how far responses may differ parts them.
    """
    def best(model: Model) -> float:
        series = Series(points, model, names, responses=True)
        return min(series.least(start, free)[1] for start in _starts(series, True, False))

    first = best(share)
    for order, name, rarer in ((2, "second", 1.0), (0, "zero", RARER)):
        if best(share_of_order(order)) + 2.0 * math.log(rarer) < first:
            return name
    return ""


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

    `minima` are values, the best among them, from which every way is up, each with its sum of
    squares: one law and a strong response may do as well as another and a weak one. `measured` is
    the sum of squares of the measured points alone, `widened` what intervals are wider by for
    scatter beyond what is stated, `misfit` the p-value of b = 1.
    """

    series: Series
    free: tuple[str, ...]
    best: Floats
    squares: float
    minima: tuple[tuple[Floats, float], ...]
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
        as_good = [values for values, squares in self.minima if squares - self.squares < level]
        out: list[float | None] = []
        for sign in (-1.0, 1.0):
            each = [_end(self.series, values, self.squares, self.free, name, sign, level)
                    for values in as_good]
            known = [end for end in each if end is not None]
            out.append(sign * max(sign * end for end in known) if len(known) == len(each) else None)
        return out


def _fitted(
    series: Series, starts: Sequence[Floats], free: tuple[str, ...], used: int
) -> _Fitted:
    fits = sorted(((start, *series.least(start, free)) for start in starts),
                  key=lambda found: found[2])
    best, squares, covariance = series.fit(fits[0][0], free)
    minima = {tuple(np.round(values[:2], SAME_MINIMUM)): (values, size)
              for values, size in (*(found[1:] for found in reversed(fits[1:])), (best, squares))}
    freedom = used - len(free)
    measured = series.measured(best)
    chance = float(chi2.sf(measured, freedom)) if freedom > 0 else 1.0
    widened = math.sqrt(max(1.0, measured / freedom)) if chance < SCATTER else 1.0
    misfit, doubt = _misfit(series, best, squares, free, freedom)
    strange = misfit is None and chance < MISFIT
    relative_sd = None
    if covariance is not None and covariance[0, 0] > 0:
        relative_sd = widened * math.sqrt(float(covariance[0, 0]))
    off = max(series.assumed_off(best), widened)
    return _Fitted(series, free, best, squares, tuple(minima.values()), freedom, measured, widened,
                   misfit, strange or doubt or off > MOST_SCATTER, relative_sd)


def _starts(series: Series, shares: bool, alike: bool) -> list[Floats]:
    """Return the best rate to start from for each response (or amount), under each law."""
    late = float(series.time.max())
    first = float(series.value[0]) if series.count else 1.0
    ratios = (1.0,) if alike else RESPONSES
    second = ([math.log(r) for r in ratios] if shares
              else [math.log(max(first * f, LEAST_FIRST)) for f in FIRSTS])
    out = []
    for value in second:
        for off in LAWS_OFF if series.assumed else (0.0,):
            grid = []
            for x in RATES:
                start = np.zeros(len(series.names))
                start[:2] = math.log(x / late), value
                if series.assumed:
                    start[series.names.index(series.assumed[0])] = off
                grid.append(start)
            out.append(min(grid, key=lambda p: float((series(p)[0] ** 2).sum())))
    return out


def _misfit(series: Series, best: Floats, squares: float, free: tuple[str, ...], freedom: int
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
        start[series.names.index("b")] = b
        tries.append(series.least(start, (*free, "b"))[1])
    rest = min(*tries, squares)
    gain, scale = squares - rest, rest / (freedom - 1)
    if scale <= 1.0:
        return float(chi2.sf(gain, 1)), False
    p = min(float(fisher.sf(gain / scale, 1, freedom - 1)),
            float(chi2.sf(gain / MOST_SCATTER**2, 1)))
    return p, float(chi2.sf(gain / scale, 1)) < MISFIT


def _end(
    series: Series, best: Floats, squares: float, free: tuple[str, ...], name: str, sign: float,
    level: float,
) -> float | None:
    """Return where the best sum of squares with `name` held rises by `level`; None if nowhere."""
    at = series.names.index(name)
    others = tuple(n for n in free if n != name)
    near = best

    def above(value: float) -> tuple[float, Floats]:
        start = near.copy()
        start[at] = value
        found, sum_squares = series.least(start, others)
        return sum_squares - squares - level, found

    inner, step = float(best[at]), FIRST_STEP
    low, high = BOUNDS[name]
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

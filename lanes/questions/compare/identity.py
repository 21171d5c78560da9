"""Do two spots of one plate agree in Rf? Their difference, how well Rf repeats, and a verdict.

"Same" is no mere failure to find a difference: the 90 % interval of the difference must lie
within a margin, and hold none, so a plate with little evidence gives "cannot tell". That is two
one-sided tests at 5 %: a difference as large as the margin is called none 5 times of 100 at most
(Schuirmann, J. Pharmacokinet. Biopharm. 15, 657 (1987); from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm
from scipy.stats import t as student

from lanes.confidence import BELOW_ONE_SIDED_95, MAD_SD
from lanes.rounding import TINY

Floats = NDArray[np.float64]

COMMON_SD = 0.004    # Rf of one substance from lane to lane, standard deviation: common practice
WORTH = 12.0         # degrees of freedom that this rule counts for beside the plate's own spots
TOGETHER = 0.5       # share of that variance which the spots of one lane have in common
LEVEL = 0.02         # how often two spots of one substance may be called different
ALIKE = 0.05         # p-value below which two spots are not called the same
LEAST_MARGIN = 0.01  # in Rf, one unit of hRf: a smaller one is asked of no plate
MARGIN = 0.02        # in Rf: a larger difference is never called none
# Of a test on one side at 5 %, and of being seen 95 times of 100.
Z_ONE = float(norm.ppf(BELOW_ONE_SIDED_95))
REACH, NODE, STEP = 0.06, 0.005, 0.001  # of the differences looked at, in Rf
FINE = 0.0005        # of the differences that the interval is read from
# In Rf, standard deviation of the difference of two substances that run up one lane together:
# each keeps its Rf within 0.001 there, a quarter of what lanes differ by (common practice). One
# substance is one spot and does not differ from itself: the p-values are free of it.
WITHIN_SD = 0.0014
DRAWN_REACH = 0.03   # a single spot never looks like two farther apart
DRAWS = 300
# Times the median absolute difference made a standard deviation: beyond it a pair of spots counts
# as if it lay there, since it may be two substances.
OUTLYING = 2.5
KNOWN = 1e6                 # degrees of freedom of a standard deviation that is known
BEYOND = 40.0        # a deviance that no drawing of any length would reach


@dataclass(frozen=True)
class Repeatability:
    """How well the Rf of one substance repeats from lane to lane.

    Attributes
    ----------
    sd : float
        Standard deviation of one spot's Rf.
    degrees : float
        Degrees of freedom of `sd`.
    shared : int
        Spots known to be of one substance in two or more lanes of this plate; 0 where `sd` is
        the rule of common practice alone.
    own_sd : float or None
        What these alone say.
    """

    sd: float
    degrees: float
    shared: int
    own_sd: float | None


def repeatability(groups: Sequence[Sequence[tuple[float, float]]]) -> Repeatability:
    """Return the repeatability from spots of one substance in pairs of lanes.

    The plate's own variance and the rule of common practice are pooled, each with its degrees of
    freedom (a scaled inverse chi-square prior). Spots of one pair of lanes move partly together
    and count for less than their number.

    Parameters
    ----------
    groups : sequence of sequences
        For each pair of lanes its shared spots: difference in Rf, and the variance of that
        difference by the fits.
    """
    everything = [pair for group in groups for pair in group]
    if not everything:
        return Repeatability(COMMON_SD, WORTH, 0, None)
    # A mistaken match must not set the plate's repeatability.
    bound = math.inf
    if len(everything) >= 5:
        bound = OUTLYING * MAD_SD * float(np.median([abs(d) for d, _ in everything]))
    degrees = sum(len(g) / (1.0 + (len(g) - 1) * TOGETHER**2) for g in groups if g)
    squares = [min(abs(d), bound) ** 2 - variance for d, variance in everything]
    own = max(float(np.mean(squares)), 0.0) / 2.0
    pooled = (WORTH * COMMON_SD**2 + degrees * own) / (WORTH + degrees)
    return Repeatability(math.sqrt(pooled), WORTH + degrees, len(everything), math.sqrt(own))


@dataclass(frozen=True)
class Difference:
    """A difference of two Rf, its standard deviation and that one's degrees of freedom."""

    value: float
    sd: float
    degrees: float

    @property
    def resolvable(self) -> float:
        """Least true difference that is detected 95 times of 100."""
        return self.sd * float(
            student.ppf(1.0 - LEVEL / 2.0, self.degrees)
            + student.ppf(BELOW_ONE_SIDED_95, self.degrees))

    @property
    def interval(self) -> tuple[float, float]:
        """Student's 90 % interval."""
        half = self.sd * float(student.ppf(BELOW_ONE_SIDED_95, self.degrees))
        return self.value - half, self.value + half

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no difference."""
        return float(2.0 * student.sf(abs(self.value) / self.sd, self.degrees))

    def deviance(self, at: Floats, value: Floats | float | None = None) -> Floats:
        """Return how badly true differences `at` fit, as the square of a normal deviate.

        Student's deviate is carried to the normal one of the same probability, so that other
        evidence can be added and 2.71 still bounds a 90 % interval.
        """
        seen = self.value if value is None else value
        tail = student.sf(np.abs(np.asarray(seen) - at) / self.sd, self.degrees)
        return np.asarray(norm.isf(np.clip(tail, TINY, 0.5)) ** 2)


def difference(
    rf: float, fit_sd: float, other: float, other_sd: float, repeats: Repeatability,
    more_sd: float = 0.0,
) -> Difference:
    """Return `rf` less `other` with the fits' standard deviations and the plate's repeatability.

    The place of the two lines is the same for both spots and is left out. Degrees of freedom are
    Satterthwaite's: the fits' own count as known.

    Parameters
    ----------
    rf, fit_sd, other, other_sd : float
        Two Rf and their standard deviations by the fits alone.
    repeats : Repeatability
    more_sd : float
        A further standard deviation of the second, such as that between plates.
    """
    lanes = 2.0 * repeats.sd**2
    variance = fit_sd**2 + other_sd**2 + more_sd**2 + lanes
    degrees = repeats.degrees * (variance / lanes) ** 2 if lanes > 0 else KNOWN
    return Difference(rf - other, math.sqrt(variance), min(degrees, KNOWN))


class Mixed(Protocol):
    """What a co-spot lane says of the difference of its two spots; see `cospot`."""

    @property
    def lane(self) -> str:
        """The co-spot lane's name."""

    def deviance(self, at: Floats) -> Floats:
        """Return how badly true differences `at`, (g,), fit the lane: a deviance, (g,)."""

    def drawn(self, at: Floats, count: int, rng: np.random.Generator) -> Floats:
        """Return the same for `count` lanes drawn as a single spot, (count, g)."""

    def apart(self, at: Floats) -> Floats:
        """Return the deviance of a single spot where the true differences are `at`, (g,)."""


@dataclass(frozen=True)
class CospotVerdict:
    """What one co-spot lane shows by itself.

    Attributes
    ----------
    lane : str
    verdict : str
        "one" spot, "two", or "cannot tell".
    p_value : float
        Share of single spots that would favour two as much.
    most : float
        The difference in Rf, either way, above which two would not look so single (95 %).
    """

    lane: str
    verdict: str
    p_value: float
    most: float


@dataclass(frozen=True)
class Identity:
    """Whether two spots are of one substance.

    Attributes
    ----------
    verdict : str
        "same", "different" or "cannot tell".
    p_value : float
        How often two spots of one substance would look at least this different.
    value, sd : float
        The difference by all the evidence, and its standard deviation: with a co-spot, the
        middle of the interval, and its half width as that of a normal law.
    low, high : float
        90 % interval of the difference, the co-spot's evidence in it.
    resolvable : float or None
        Least difference detected 95 times of 100; None where none up to `REACH` is.
    margin : float
        What the interval has to lie within for "same".
    cospots : tuple of CospotVerdict
    """

    verdict: str
    p_value: float
    value: float
    sd: float
    low: float
    high: float
    resolvable: float | None
    margin: float
    cospots: tuple[CospotVerdict, ...] = ()


def judge(
    seen: Difference, mixed: Sequence[Mixed], rng: np.random.Generator, draws: int = DRAWS
) -> Identity:
    """Return the verdict on two spots from their difference and their co-spot lanes.

    Both kinds of evidence are deviances of the true difference and add up. Without a co-spot
    the p-value is Student's; with one it is that of a parametric bootstrap: `draws` differences
    and co-spot lanes of one substance, drawn with the plate's own noise and repeatability.

    Parameters
    ----------
    seen : Difference
    mixed : sequence of Mixed
    rng : numpy.random.Generator
    draws : int
    """
    if not mixed:
        return _identity(seen.p_value, (seen.value, seen.sd), seen.interval, seen.resolvable)
    # Coarse where the lanes are fitted, fine where the sum is searched.
    nodes = np.round(np.arange(-REACH, REACH + NODE / 2, NODE), 4)
    at = np.round(np.arange(-REACH, REACH + STEP / 2, STEP), 4)
    zero = at.size // 2
    parts = [_between(nodes, m.deviance(nodes)[None, :], at)[0] for m in mixed]
    total = seen.deviance(at) + sum(parts)
    gain = float(total[zero]) - float(total.min())
    low, high = _interval(seen, mixed)
    estimate = 0.5 * (low + high), 0.5 * (high - low) / Z_ONE
    if gain > BEYOND:
        p_value, threshold = float(chi2.sf(gain, 1)), float(chi2.isf(LEVEL, 1))
        alone = [_alone(m.lane, part, None, at) for m, part in zip(mixed, parts, strict=True)]
    else:
        few = nodes[np.abs(nodes) <= DRAWN_REACH]
        there = at[np.abs(at) <= DRAWN_REACH]
        moved = seen.sd * student.rvs(seen.degrees, size=draws, random_state=rng)
        null = seen.deviance(there[None, :], moved[:, None])
        alone = []
        for m, part in zip(mixed, parts, strict=True):
            drawn = _between(few, m.drawn(few, draws, rng), there)
            alone.append(_alone(m.lane, part, drawn, at))
            null = null + drawn
        null_gain = _gain(null)
        p_value = float((1 + np.sum(null_gain >= gain)) / (draws + 1))
        threshold = float(np.quantile(null_gain, 1.0 - LEVEL))
    need = math.sqrt(max(threshold, 0.0)) + Z_ONE
    # The lanes' part of the noncentrality, scaled so that alone it gives Student's figure.
    lanes = (float(norm.ppf(1.0 - LEVEL / 2.0)) + Z_ONE) / seen.resolvable
    grid = nodes[nodes > 0]
    power = np.minimum(*(
        np.sqrt((lanes * grid) ** 2 + sum(m.apart(side * grid) for m in mixed))
        for side in (1.0, -1.0)))
    power = np.maximum.accumulate(np.concatenate([[0.0], power]))
    resolvable = None
    if power[-1] >= need:
        resolvable = float(np.interp(need, power, np.concatenate([[0.0], grid])))
    return _identity(p_value, estimate, (low, high), resolvable, tuple(alone))


def _interval(seen: Difference, mixed: Sequence[Mixed]) -> tuple[float, float]:
    """Return the 90 % interval of the difference by the lanes' Rf and all co-spots.

    The co-spot lanes are fitted at every place: between coarse ones the valley of a lane that
    shows two clearly would be lost.
    """
    at = np.round(np.arange(-REACH, REACH + FINE / 2, FINE), 5)
    off = ((at[:, None] - at[None, :]) / WITHIN_SD) ** 2
    # The spots may stand nearer or farther in that lane than they do elsewhere.
    total = seen.deviance(at) + sum((m.deviance(at)[None, :] + off).min(axis=1) for m in mixed)
    # Where only one sign of a difference fits, a single valley remains; else both count.
    inside = at[total <= float(total.min()) + Z_ONE**2]
    return float(inside.min() - FINE / 2), float(inside.max() + FINE / 2)


def _gain(deviances: Floats) -> Floats:
    """Return by how much the best difference beats none, for rows of deviances."""
    middle = deviances[..., deviances.shape[-1] // 2]
    return np.asarray(middle - deviances.min(axis=-1))


def _alone(lane: str, part: Floats, drawn: Floats | None, at: Floats) -> CospotVerdict:
    """Return what one co-spot lane shows without the others and without the lanes' Rf."""
    gain = float(_gain(part))
    p_value = float(chi2.sf(gain, 1))
    if drawn is not None:
        p_value = float((1 + np.sum(_gain(drawn) >= gain)) / (len(drawn) + 1))
    most = float(np.abs(at[part <= part.min() + Z_ONE**2]).max())
    verdict = "two" if p_value < LEVEL else "one" if most < MARGIN else "cannot tell"
    return CospotVerdict(lane, verdict, p_value, most)


def _identity(
    p_value: float, estimate: tuple[float, float], interval: tuple[float, float],
    resolvable: float | None, cospots: tuple[CospotVerdict, ...] = (),
) -> Identity:
    low, high = interval
    margin = MARGIN if resolvable is None else min(MARGIN, max(LEAST_MARGIN, resolvable))
    verdict = "cannot tell"
    if p_value < LEVEL:
        verdict = "different"
    elif p_value >= ALIKE and -margin < low <= 0.0 <= high < margin:
        verdict = "same"
    return Identity(verdict, p_value, *estimate, low, high, resolvable, margin, cospots)


def _between(nodes: Floats, values: Floats, at: Floats) -> Floats:
    """Return deviances known at `nodes`, (b, n), at the places `at`: smooth, so by a spline."""
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(nodes, values, axis=1)(at))

"""The retention law log10 k = a log10 X + b: fitted, predicted, and what it says of a mixture.

Pure numbers; nothing here knows of plates or files. X is the volume fraction of the stronger
solvent, k = (1 - Rf) / Rf. RM = c - m log X is Snyder's and Soczewinski's law for adsorption from
two solvents (Multidimensional Chromatography, p. 182).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import chi2

from lanes.confidence import BELOW_TWO_SIDED_95
from lanes.spots.quantities import HALF_HEIGHT_FACTOR

Floats = NDArray[np.float64]

# Probability of points so far from straight lines below which they are taken for none.
MISFIT = 0.01
LN10 = float(np.log(10.0))
BASELINE = 1.5  # resolution from which a pair counts as resolved to the baseline
WINDOW = (0.2, 0.8)  # of Rf (common practice)
LEAST_FRACTION = 0.001  # of the stronger solvent that can be measured out
DRAWS = 2000
TO_LOG_K = 1.0 / (0.25 * LN10)  # d log k / dRf at Rf 0.5
MOST_LOG_K = 12.0  # beyond it Rf is 0 or 1 to every digit that is drawn
LEAST_LOG_X = -9.0  # a power that is still a number, far below what can be measured out
INTERVAL = [1.0 - BELOW_TWO_SIDED_95, BELOW_TWO_SIDED_95]
_MEDIAN_TOO = [INTERVAL[0], 0.5, INTERVAL[1]]

# How an Rf scatters from plate to plate, before these plates say more: medians, and the standard
# deviation of their logarithms. What shifts a whole plate (activity, saturation, the mixture) is
# kept apart from what moves one spot, since only the latter separates two neighbours.
PLATE_SD, SPOT_SD = 0.015, 0.005  # in Rf, the first at Rf 0.5 (common practice: 0.01 to 0.02)
PLATE_SPREAD, SPOT_SPREAD = 0.35, 0.5
# The slope of a substance that was seen at one fraction only (common practice: -1 to -2).
USUAL_SLOPE, USUAL_SLOPE_SD = -1.5, 0.5
_STEPS = np.linspace(-2.5, 2.5, 11)  # standard deviations at which those priors are summed up
_PLATE_GRID = PLATE_SD * np.exp(PLATE_SPREAD * _STEPS)
_SPOT_GRID = SPOT_SD * np.exp(SPOT_SPREAD * _STEPS)


@dataclass(frozen=True)
class RfPoint:
    """One component's Rf on one plate; `fraction` is that plate's X."""

    component: int
    plate: int
    fraction: float
    rf: float
    rf_sd: float


@dataclass(frozen=True)
class Law:
    """The lines of all components, and how sure they are.

    Attributes
    ----------
    slope, intercept : (n,) array
        a and b of each component.
    covariance : (2 n, 2 n) array
        Of (a, b) of the first component, of the second and so on.
    assumed : tuple of bool
        Whether a component was seen at one fraction only, so that its slope is the usual one.
    plate_sd, spot_sd : float
        Scatter in Rf from plate to plate: of a whole plate (at Rf 0.5), and of one spot.
    estimated : bool
        Whether the plates themselves say something about that scatter.
    misfit : float or None
        Probability of points this far from straight lines under the stated default scatter; None
        where no degree of freedom is left.
    draws : (d, n, 2) array
        Equally likely pairs of a and b.
    plate_draws, spot_draws : (d,) array
        The scatter of the same draws.
    widened : float
        What standard deviations were multiplied by, since the points are no straight lines.
    """

    slope: Floats
    intercept: Floats
    covariance: Floats
    assumed: tuple[bool, ...]
    plate_sd: float
    spot_sd: float
    estimated: bool
    misfit: float | None
    draws: Floats
    plate_draws: Floats
    spot_draws: Floats
    widened: float = 1.0

    def slope_sd(self) -> Floats:
        """Return the standard deviation of each slope."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[0::2]))

    def intercept_sd(self) -> Floats:
        """Return the standard deviation of each intercept."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[1::2]))


def rm_of(rf: Floats) -> Floats:
    """Return RM = log10 k of `rf`, k = (1 - Rf) / Rf (IUPAC 1993)."""
    return np.asarray(np.log10((1.0 - rf) / rf))


def rf_of(rm: Floats) -> Floats:
    """Return Rf = 1 / (1 + k), k = 10^RM."""
    return np.asarray(1.0 / (1.0 + 10.0 ** np.clip(rm, -MOST_LOG_K, MOST_LOG_K)))


def relative_resolution(rf: float) -> float:
    """Return sqrt(Rf) (1 - Rf) over its largest value, which it has at Rf 1/3, k = 2."""
    return float(np.sqrt(rf) * (1.0 - rf) / (np.sqrt(1 / 3) * (2 / 3)))


def column_volumes(rf: float) -> float:
    """Return how many column volumes elute a substance of this Rf: 1 / Rf (common practice)."""
    return 1.0 / rf


def fraction_for(law: Law, component: int, rf: float) -> tuple[float, float, float] | None:
    """Return the fraction that brings a component to `rf`, and its 95 % limits.

    None where the law does not fall with X beyond doubt (95 %), or no fraction from
    `LEAST_FRACTION` to 1 does it.
    """
    wanted = float(rm_of(np.array(rf)))
    a, b = float(law.slope[component]), float(law.intercept[component])
    if a >= 0.0 or (wanted - b) / a > 0.0:
        return None
    slopes, rest = law.draws[:, component, 0], wanted - law.draws[:, component, 1]
    falls = slopes < 0.0
    middle = (wanted - b) / a
    if falls.mean() < BELOW_TWO_SIDED_95 or middle < np.log10(LEAST_FRACTION):
        return None
    low, high = np.quantile(rest[falls] / slopes[falls], INTERVAL)
    return _power(middle), _power(low), _power(high)


def _power(log_x: float) -> float:
    return float(np.clip(10.0 ** np.clip(log_x, LEAST_LOG_X, 0.0), LEAST_FRACTION, 1.0))


def fit(points: Sequence[RfPoint], count: int, seed: int = 0) -> Law:
    """Fit the law to every component at once.

    Generalised least squares with an offset of log k shared by a plate's spots and a scatter of
    each spot's own, on top of the reading's uncertainty. Both scatters are averaged over: their
    prior is wide about the stated default, and repeats and third fractions sharpen it (restricted
    likelihood). With two fractions and no repeats the default remains.

    Parameters
    ----------
    points : sequence of RfPoint
        Rf within (0, 1); at least one for each component, and two fractions among all.
    count : int
        Components, numbered from 0.
    seed : int

    Returns
    -------
    Law
    """
    equations = _Equations(points, count)
    grid = [(p, s) for p in _PLATE_GRID for s in _SPOT_GRID]
    solved = [equations.solve(*pair) for pair in grid]
    prior = (-0.5 * _STEPS[:, None] ** 2 - 0.5 * _STEPS[None, :] ** 2).ravel()
    spare = equations.spare
    score = prior + (np.array([s[2] for s in solved]) if spare else 0.0)
    weight = np.exp(score - logsumexp(score))
    betas = np.stack([s[0] for s in solved])
    mean = weight @ betas
    covariance = np.einsum("w,wij->ij", weight, np.stack([s[1] for s in solved]))
    covariance += np.einsum("w,wi,wj->ij", weight, betas - mean, betas - mean)
    which, draws = _drawn(weight, betas, [s[1] for s in solved], seed)
    plates, spots = (np.array([pair[k] for pair in grid]) for k in (0, 1))
    misfit = None
    if spare > 0:
        misfit = float(chi2.sf(equations.solve(PLATE_SD, SPOT_SD)[3], spare))
    plate_sd, spot_sd = (float(np.exp(weight @ np.log(each))) for each in (plates, spots))
    widened = 1.0
    if misfit is not None and misfit < MISFIT:
        # Birge's ratio (Phys. Rev. 40, 207 (1932), from memory): what the scatter leaves.
        widened = max(1.0, float(np.sqrt(equations.solve(plate_sd, spot_sd)[3] / spare)))
    draws = mean + widened * (draws - mean)
    return Law(mean[0::2], mean[1::2], widened**2 * covariance, equations.assumed,
               plate_sd, spot_sd, spare > 0, misfit, draws.reshape(DRAWS, count, 2),
               widened * plates[which], widened * spots[which], widened)


class _Equations:
    """The law's equations for all spots at once, with the usual slope where one was not seen."""

    def __init__(self, points: Sequence[RfPoint], count: int) -> None:
        rf = np.array([p.rf for p in points])
        self.y = rm_of(rf)
        log_x = np.log10([p.fraction for p in points])
        self.to_log_k = 1.0 / (rf * (1.0 - rf) * LN10)
        self.read = (np.array([p.rf_sd for p in points]) * self.to_log_k) ** 2
        plate = np.array([p.plate for p in points])
        component = np.array([p.component for p in points])
        each = np.arange(len(points))
        self.design = np.zeros((len(points), 2 * count))
        self.design[each, 2 * component] = log_x
        self.design[each, 2 * component + 1] = 1.0
        self.assumed = tuple(len({p.fraction for p in points if p.component == j}) < 2
                             for j in range(count))
        held = [j for j in range(count) if self.assumed[j]]
        self.rows = np.zeros((len(held), 2 * count))
        self.rows[np.arange(len(held)), [2 * j for j in held]] = 1.0 / USUAL_SLOPE_SD
        self.target = np.full(len(held), USUAL_SLOPE / USUAL_SLOPE_SD)
        self.same = (plate[:, None] == plate[None, :]).astype(float)
        self.spare = len(points) + len(held) - 2 * count

    def solve(self, plate_sd: float, spot_sd: float) -> tuple[Floats, Floats, float, float]:
        """Return parameters, their covariance, log restricted likelihood and chi-square."""
        cov = (np.diag(self.read + (spot_sd * self.to_log_k) ** 2)
               + self.same * (plate_sd * TO_LOG_K) ** 2)
        root = np.linalg.cholesky(cov)
        a = np.concatenate([np.linalg.solve(root, self.design), self.rows])
        b = np.concatenate([np.linalg.solve(root, self.y), self.target])
        precision = a.T @ a
        covariance = np.linalg.inv(precision)
        beta = covariance @ (a.T @ b)
        chi = float(np.sum((b - a @ beta) ** 2))
        log_det = 2.0 * float(np.sum(np.log(np.diag(root))))
        return beta, covariance, -0.5 * (log_det + np.linalg.slogdet(precision)[1] + chi), chi


def _drawn(
    weight: Floats, betas: Floats, covariances: Sequence[Floats], seed: int
) -> tuple[NDArray[np.intp], Floats]:
    """Return which scatter each draw has, and its parameters."""
    # Evenly through the cumulated weight: the draws hold each scatter as often as it is likely.
    which = np.searchsorted(np.cumsum(weight)[:-1], (np.arange(DRAWS) + 0.5) / DRAWS)
    normal = np.random.default_rng(seed).standard_normal((DRAWS, betas.shape[1]))
    draws = np.empty(normal.shape)
    for w in np.unique(which):
        here = which == w
        draws[here] = betas[w] + normal[here] @ np.linalg.cholesky(covariances[w]).T
    return which, draws


@dataclass(frozen=True)
class Widths:
    """Full width at half height, as a share of the run, along Rf: factor (at + by Rf).

    `factor` is each component's own; `sd` the scatter of ln(width) about it, `law_sd` that of all
    of them together for the law from light to signal.
    """

    at: float
    by: float
    factor: Floats
    sd: float
    law_sd: float = 0.0

    def of(self, rf: Floats) -> Floats:
        """Return the width of each component at `rf`, (..., n)."""
        return np.asarray(self.factor * np.maximum(self.at + self.by * rf, LEAST_WIDTH * self.at))


LEAST_SD = 0.05  # of ln(width) from plate to plate (common practice)
USUAL_SD = 0.1  # of the same, of a single spot that shows none (common practice)
SPANNED = 0.15  # of Rf: spots nearer together show no growth of widths
# Of the median width: a line may come to no less at Rf 0.05 and 0.95, or it is none; nor does a
# width that is read off it, anywhere.
LEAST_ON_LINE, LEAST_WIDTH, LINE_ENDS = 0.3, 0.25, (0.05, 0.95)


def fit_widths(component: Sequence[int], rf: Sequence[float], width: Sequence[float],
               count: int, law_sd: float = 0.0) -> Widths:
    """Fit how width grows along the plate; a constant where the spots span too little Rf.

    Components differ by a factor, drawn half way to 1 where it rests on a single spot.
    """
    where, wide = np.asarray(rf, float), np.asarray(width, float)
    who = np.asarray(component)
    at, by = float(np.median(wide)), 0.0
    if len(wide) >= 4 and np.ptp(where) > SPANNED:
        slope, start = np.polyfit(where, wide, 1, w=1.0 / wide)
        if min(start + slope * end for end in LINE_ENDS) > LEAST_ON_LINE * at:
            at, by = float(start), float(slope)
    rest = np.log(wide / (at + by * where))
    factor = np.ones(count)
    left = rest.copy()
    for j in range(count):
        n = int((who == j).sum())
        if n:
            own = float(rest[who == j].sum()) / (n + 1)
            factor[j] = np.exp(own)
            left[who == j] -= own
    sd = max(float(np.sqrt(np.mean(left**2))) if len(left) > 1 else USUAL_SD, LEAST_SD)
    return Widths(at, by, factor, sd, law_sd)


@dataclass(frozen=True)
class Map:
    """What the next plate should show at each of `fraction`, (f,).

    Attributes
    ----------
    rf, low, high : (f, n) array
        Rf of each component and its 95 % limits.
    resolution, worst_low, worst_high : (f,) array or None
        Of the least resolved pair: the median, and 95 % limits. None with one component.
    mean : (f,) array or None
        Expected resolution of the least resolved pair.
    pair : (f, 2) array or None
        That pair's components.
    probability : (f,) array or None
        That every pair is resolved to the baseline.
    """

    fraction: Floats
    rf: Floats
    low: Floats
    high: Floats
    resolution: Floats | None
    worst_low: Floats | None
    worst_high: Floats | None
    mean: Floats | None
    pair: NDArray[np.intp] | None
    probability: Floats | None


def predict(law: Law, widths: Widths, fractions: Floats, seed: int = 1) -> Map:
    """Return what another plate should show at each fraction, its own scatter included.

    Resolution is 1.18 |Rf2 - Rf1| / (w1 + w2), w the full widths at half height over the run.
    """
    rng = np.random.default_rng(seed)
    size = law.slope.size
    log_x = np.log10(fractions)
    middle = rf_of(law.slope * log_x[:, None] + law.intercept)
    shift = rng.standard_normal(DRAWS) * law.plate_draws * TO_LOG_K
    own = rng.standard_normal((DRAWS, size)) * law.spot_draws[:, None]
    broad = np.exp(rng.standard_normal((DRAWS, size)) * widths.sd)
    broad *= np.exp(rng.standard_normal((DRAWS, 1)) * widths.law_sd)
    # The same draws at each fraction, so that the map is smooth.
    drawn = rf_of(law.draws[:, None, :, 0] * log_x[None, :, None] + law.draws[:, None, :, 1]
                  + shift[:, None, None])
    drawn = np.clip(drawn + own[:, None, :], 0.0, 1.0)
    low, high = np.quantile(drawn, INTERVAL, axis=0)
    if size < 2:
        return Map(fractions, middle, low, high, None, None, None, None, None, None)
    wide = widths.of(drawn) * broad[:, None, :]
    worst = np.full(drawn.shape[:2], np.inf)
    central, pairs = [], list(combinations(range(size), 2))
    still = widths.of(middle)
    for i, j in pairs:
        apart = HALF_HEIGHT_FACTOR * np.abs(drawn[..., i] - drawn[..., j])
        worst = np.minimum(worst, apart / (wide[..., i] + wide[..., j]))
        central.append(HALF_HEIGHT_FACTOR * np.abs(middle[:, i] - middle[:, j])
                       / (still[:, i] + still[:, j]))
    which = np.argmin(central, axis=0)
    below, half, above = np.quantile(worst, _MEDIAN_TOO, axis=0)
    return Map(fractions, middle, low, high, half, below, above, worst.mean(axis=0),
               np.array(pairs, np.intp)[which], (worst >= BASELINE).mean(axis=0))

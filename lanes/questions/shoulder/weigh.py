"""One component or two: the likelihood ratio, and what it is worth on this plate.

The ratio of one against two components has no textbook distribution, since the second one's place
means nothing where there is none (Davies, Biometrika 64, 247 (1977) and 74, 33 (1987)); it is
drawn instead: a parametric bootstrap from the fit of one (McLachlan, Appl. Stat. 36, 318 (1987)).
All three from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import ncx2

from lanes.evidence.whitened_fits import fit_single, fit_tail, fit_two, fit_uneven
from lanes.evidence.whitened_models import pair_of, tail, uneven
from lanes.evidence.whitened_space import Model
from lanes.questions.shoulder.case import Case
from lanes.rounding import TINY
from lanes.spots.quantities import HALF_HEIGHT_FACTOR
from lanes.spots.shapes import FWHM

Floats = NDArray[np.float64]
LEVEL = 0.05
POWER = 0.95
RESOLUTIONS = tuple(round(0.1 * k, 1) for k in range(3, 16))
# Shares of the second component that are tried, from a thousandth to a half; and where the
# noncentrality is looked for: from next to none to far more than any threshold asks.
SHARES = np.geomspace(0.001, 0.5, 28)
NONCENTRALITIES = 1e-6, 1e4
NO_CENTRALITY = 1e-12  # so that 0 has a logarithm
TAIL = "a tail"
UNEVEN = "one skewed or flat spot"
ANY_SHAPE = "one spot of any shape"


@dataclass(frozen=True)
class Detectable:
    """The least second component, in percent of the pair, seen 95 times of 100; None: over 50 %."""

    resolution: float
    percent: float | None


@dataclass(frozen=True)
class Evidence:
    """What the tests show.

    Attributes
    ----------
    statistic, threshold, p_value : float
        The likelihood ratio of one against two, where one in twenty single spots would exceed
        it, and the share of drawn single spots that reach it.
    against : dict
        For each rival, the p-values of the rival (against two) and of two (against the rival).
    scale : float
        Residual of the better fit over the noise, as variances.
    resolution : float
        Between the two where two are fitted.
    share : float
        Of the smaller of two in both.
    uneven : bool
        Whether the strips across show the spot uneven.
    """

    statistic: float
    threshold: float
    p_value: float
    against: dict[str, tuple[float, float]]
    scale: float
    detectable: tuple[Detectable, ...]
    resolution: float = 0.0
    share: float = 0.5
    uneven: bool = False


@dataclass(frozen=True)
class Ratio:
    """The likelihood ratio of one against two: the trace's, and of drawn single spots."""

    statistic: float
    null: Floats
    scale: float
    single: Floats
    pair: Floats

    @property
    def p_value(self) -> float:
        """Share of drawn single spots that reach the statistic, the trace itself counted in."""
        return _share(self.null >= self.statistic)


def ratio(
    case: Case, bootstraps: int, rng: np.random.Generator,
    report: Callable[[int], None] | None = None,
) -> Ratio:
    """Return the likelihood ratio of `case`, and its null from `bootstraps` drawn traces."""
    tests = _Tests(case)
    z, rest = case.z, np.array([case.rest])
    p_one, rss_one = tests.single(case.each, z)
    p_two, rss_two = tests.pair(z, p_one)
    rss_tail = fit_tail(case.space, z, p_one, case.limits)[1]
    statistic = float((np.maximum(rss_one - rss_two, 0.0) / tests.scale(rss_two, rest))[0])
    spread = float(tests.scale(np.minimum(rss_two, rss_tail), rest)[0])
    drawn: list[Floats] = []
    for part in _batches(bootstraps):
        zs, rests = tests.draw(case.each, p_one, part, spread, rng)
        p, of_one = tests.single(case.each, zs, p_one[0])
        of_two = tests.pair(zs, p)[1]
        drawn.append(np.maximum(of_one - of_two, 0.0) / tests.scale(of_two, rests))
        if report is not None:
            report(sum(map(len, drawn)))
    return Ratio(statistic, np.concatenate(drawn), spread, p_one, p_two)


def weigh(
    case: Case, bootstraps: int, rng: np.random.Generator,
    progress: Callable[[int, int], None] | None = None,
) -> Evidence:
    """Return the evidence of `case`, from `bootstraps` drawn traces for each question."""
    # Where one is not enough, as many are drawn again for each side of each rival.
    whole = bootstraps * (6 if case.shape is None else 8)

    def report(done: int) -> None:
        if progress is not None:
            progress(done, whole)

    found = ratio(case, bootstraps, rng, report)
    against = {}
    any_shape = case.any_shape
    if found.p_value < LEVEL:
        names = [TAIL, UNEVEN]
        if any_shape is not None and any_shape.sure:  # then neither can be
            names = []
            against[ANY_SHAPE] = any_shape.p_one, any_shape.p_two
        for k, name in enumerate([*names, *([] if case.shape is None else [case.shape[0]])]):
            # A tail may be as long as it likes; what is skewed or flat is as long as it is wide.
            tests = _Tests(case.held if name == UNEVEN else case)
            against[name] = tests.against(name, found, bootstraps, rng)
            report(2 * (k + 2) * bootstraps)
    report(whole)
    threshold = float(np.quantile(found.null, 1.0 - LEVEL))
    scale = found.scale
    resolution = (float(found.pair[0, 1]) * HALF_HEIGHT_FACTOR / (2.0 * FWHM * case.half_width))
    share = float(found.pair[0, 3:].min() / found.pair[0, 3:].sum())
    if any_shape is not None and ANY_SHAPE in against:
        scale, resolution, share = any_shape.scale, any_shape.resolution, any_shape.share
    return Evidence(found.statistic, threshold, found.p_value, against, scale,
                    detectable(case, threshold, found.scale), resolution, share,
                    any_shape is not None and any_shape.uneven)


def _share(hits: NDArray[np.bool_]) -> float:
    return float((1 + np.sum(hits)) / (hits.size + 1))


def _batches(count: int, size: int = 100) -> list[int]:
    return [min(size, count - k) for k in range(0, count, size)]


@dataclass(frozen=True)
class _Tests:
    case: Case

    def single(self, model: Model, z: Floats, start: Floats | None = None
               ) -> tuple[Floats, Floats]:
        guess = self.case.single if start is None else start
        return fit_single(model, self.case.space, z, guess, self.case.limits)

    def pair(self, z: Floats, single: Floats) -> tuple[Floats, Floats]:
        return fit_two(self.case.space, z, single, self.case.limits, self.case.each)

    def scale(self, rss_two: Floats, rest: Floats) -> Floats:
        """Return the residual's variance over the noise's: where noise is known, 1 at least."""
        found = np.maximum((rss_two + rest) / (self.case.space.freedom - 5), TINY)
        return found if self.case.free_scale else np.maximum(found, 1.0)

    def draw(self, model: Model, p: Floats, count: int, scale: float, rng: np.random.Generator
             ) -> tuple[Floats, Floats]:
        """Return `count` traces drawn from `model` at `p`, and their parts out of reach.

        In the reduced space the plate's noise, misfit included, is white and of unit variance.
        """
        space = self.case.space
        mean = space.reduced(model, p[:1])[0][0]
        noise = rng.standard_normal((count, mean.size)) * np.sqrt(scale)
        outside = max(space.freedom - space.reduce.shape[0], 1)
        return mean + noise, scale * rng.chisquare(outside, count)

    def rival(self, name: str, z: Floats, single: Floats) -> tuple[Model, Floats, Floats]:
        """Return a single component of another shape: its model, and its fit to `z`."""
        case = self.case
        if name == TAIL:
            p, rss, sides = fit_tail(case.space, z, single, case.limits)
            return tail(int(sides[0])), p, rss
        if name == UNEVEN:
            return (uneven, *fit_uneven(case.space, z, single, case.limits))
        assert case.shape is not None
        return (case.shape[1], *self.single(case.shape[1], z))

    def against(
        self, name: str, found: Ratio, count: int, rng: np.random.Generator
    ) -> tuple[float, float]:
        """Return the p-values of a rival (against two) and of two (against the rival)."""
        z, rest = self.case.z, np.array([self.case.rest])
        p_two, rss_two = self.pair(z, found.single)
        model, p_rival, rss_rival = self.rival(name, z, found.single)
        seen = float(((rss_rival - rss_two) / self.scale(rss_two, rest))[0])
        by_rival = self.compare(name, model, p_rival, count, found.scale, rng)
        by_two = self.compare(name, pair_of(self.case.each), p_two, count, found.scale, rng)
        return _share(by_rival >= seen), _share(by_two <= seen)

    def compare(self, name: str, truth: Model, p: Floats, count: int, scale: float,
                rng: np.random.Generator) -> Floats:
        """Return by how much two beat a rival on traces drawn from `truth`."""
        out: list[Floats] = []
        for part in _batches(count):
            zs, rests = self.draw(truth, p, part, scale, rng)
            p_one, _ = self.single(self.case.each, zs)
            rss_two = self.pair(zs, p_one)[1]
            rss = self.rival(name, zs, p_one)[2]
            out.append((rss - rss_two) / self.scale(rss_two, rests))
        return np.concatenate(out)


def smallest_noncentrality(threshold: float) -> float:
    """Return the noncentrality at which the ratio exceeds `threshold` 95 times of 100.

    A second component adds two values, so the ratio is about noncentral chi-square with two
    degrees of freedom.
    """
    def short(value: float) -> float:
        return float(ncx2.cdf(threshold, 2, value) - (1.0 - POWER))

    return float(brentq(short, *NONCENTRALITIES))


def noncentrality(case: Case, pairs: Floats) -> Floats:
    """Return the noncentrality of the likelihood ratio for pairs, (b, 5), of which one is fitted.

    It is the sum of squares, under the plate's noise, that the best single component leaves of a
    pair without noise; baseline, neighbours, place, width and area are profiled out.
    """
    z = case.space.reduced(pair_of(case.each), pairs)[0]
    area = pairs[:, 3] + pairs[:, 4]
    sigma = np.exp(pairs[:, 2])
    share = pairs[:, 4] / area
    best = np.full(len(pairs), np.inf)
    # From the whole pair, and from its larger part alone.
    whole = np.stack([
        pairs[:, 0] + share * pairs[:, 1] * sigma,
        pairs[:, 2] + 0.5 * np.log1p(share * (1 - share) * pairs[:, 1] ** 2), area], axis=1)
    large = np.stack([pairs[:, 0] + (share > 0.5) * pairs[:, 1] * sigma, pairs[:, 2],
                      area * np.maximum(share, 1 - share)], axis=1)
    for start in (whole, large):
        best = np.minimum(best, fit_single(case.each, case.space, z, start, case.limits)[1])
    return best


def detectable(case: Case, threshold: float, scale: float) -> tuple[Detectable, ...]:
    """Return the least second component that would be seen, by resolution, beside this spot.

    The spot's own place and area are kept, its width that of a lone one; the second may lie on
    either side, and the side where it shows less counts.
    """
    need = smallest_noncentrality(threshold) * scale
    c, ln_sigma, area = case.single
    if area <= 0.0:  # of two far apart one spot may explain nothing: there is none to be beside
        return tuple(Detectable(resolution, None) for resolution in RESOLUTIONS)
    gaps = np.array(RESOLUTIONS) * 2.0 * FWHM * case.half_width / HALF_HEIGHT_FACTOR
    sigma = np.exp(ln_sigma)
    rows = []
    for gap in gaps:
        for q in SHARES:
            rows.append((c, gap, ln_sigma, (1 - q) * area, q * area))
            rows.append((c - gap * sigma, gap, ln_sigma, q * area, (1 - q) * area))
    found = noncentrality(case, np.array(rows)).reshape(gaps.size, SHARES.size, 2).min(axis=2)
    out = []
    for resolution, row in zip(RESOLUTIONS, np.maximum.accumulate(found, axis=1), strict=True):
        percent = None
        if row[-1] >= need:
            at = np.interp(np.log(need), np.log(np.maximum(row, NO_CENTRALITY)), np.log(SHARES))
            percent = float(100.0 * np.exp(at))
        out.append(Detectable(resolution, percent))
    return tuple(out)

"""One component, two, or one that tails, in the place of one peak."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermeval
from numpy.typing import NDArray

from lanes.rounding import TINY
from lanes.spots.criteria import criteria
from lanes.spots.cross_profile import VALLEY, CrossProfile, length_cost, no_valley
from lanes.spots.misshapen import (
    FREE,
    PROFILE_FREE,
    misshapen_rss,
    profile_rss,
    several_misshapen_rss,
)
from lanes.spots.model import (
    Peak,
    PeakSum,
    Problem,
    Solution,
    Start,
    baseline_term,
    peak_shape,
)
from lanes.spots.search_fit import solve_quickly
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

SPLIT_GAIN = 12.0      # what a second component under one maximum must gain in BIC
TAIL_GAIN = 10.0       # and a tail
TAIL_PREFERRED = 6.0   # what a pair must gain over a tail, which claims less
SMALLEST_SHARE = 0.04  # of a pair without a valley: less than this is within one spot's misfit
CLOSEST = 1.15         # sigmas between the components of such a pair
LONE = 3.5             # sigmas to the next peak, from which a tail is looked for
NO_EXCESS = 1e-12      # so that nothing is divided by 0
# Grid on which a pair is begun: places in sigmas of the one, both ways, and the pair's own sigmas
# over its. A pair that makes one maximum lies within; the fit goes on from the best.
PLACES, NARROWER = np.linspace(-2.4, 2.4, 17), np.array([0.65, 0.75, 0.85, 0.95])
# Places between two apexes at which the trace is looked at for a valley; each is a mean so wide, of
# the narrower's sigma, which lowers a Gaussian's apex by 7 %.
VALLEY_PLACES, VALLEY_SMOOTH = 41, 0.4
# Tau over sigma at which a tail is begun; and what of tau squared its Gaussian's square gives up,
# nearly all, so that the whole stays as broad.
TAIL_RATIOS, GIVEN_UP = (-1.2, -0.6, 0.6, 1.2), 0.8


@dataclass(frozen=True)
class Change:
    """Another shape in the place of one peak: its gain in BIC, the peaks, whether two of them."""

    gain: float
    peaks: tuple[Peak, ...]
    pair: bool


def better_shapes(
    problem: Problem, now: tuple[Peak, ...], at: int, spent: list[int]
) -> tuple[Change, ...]:
    """Return the changes at one peak that pay, the best first; none if it stays one Gaussian.

    Parameters
    ----------
    problem : Problem
        Cut down to the peak and those that touch it, without a baseline.
    now : tuple of Peak
        These peaks, from origin to front.
    at : int
        The peak's place among them.
    spent : list of int
        Peaks fitted, put down here.
    """
    none = np.zeros(0)
    tails = frozenset(k for k, q in enumerate(now) if q.tau)
    if _most_to_gain(problem, now, tails, at) < min(SPLIT_GAIN, TAIL_GAIN):
        return ()
    single = solve_quickly(problem, now, none, tails)
    shared = 1.0
    bic = criteria(problem, single, shared)[1]
    p = single.peaks[at]
    spent.extend([len(now)] * 3)
    two: tuple[float, tuple[Peak, ...]] | None = None
    pair = _pair_start(problem, single, at)
    if pair is not None:
        starts = (*single.peaks[:at], *pair, *single.peaks[at + 1:])
        trial = solve_quickly(problem, starts, none,
                      frozenset(k + (k > at) for k in tails),
                      share=not tails and problem.width_prior is None)
        if _fair_pair(trial, at):
            two = (criteria(problem, trial, shared)[1], trial.peaks)
    tail: tuple[float, tuple[Peak, ...]] | None = None
    # A tail can be parted from a neighbour only where there is none.
    if all(abs(q.centre - p.centre) > LONE * p.sigma for j, q in enumerate(now) if j != at):
        starts = (*single.peaks[:at], _tail_start(problem, single, at), *single.peaks[at + 1:])
        trial = solve_quickly(problem, starts, none, tails | {at})
        tail = (criteria(problem, trial, shared)[1], trial.peaks)
    gain_two = bic - two[0] if two else -np.inf
    gain_tail = bic - tail[0] if tail else -np.inf
    out = []
    # The tail takes one parameter fewer, and is believed where both serve alike.
    if two is not None and gain_two > SPLIT_GAIN and gain_two > gain_tail + TAIL_PREFERRED:
        out.append(Change(gain_two, two[1], True))
    if tail is not None and gain_tail > TAIL_GAIN:
        out.append(Change(gain_tail, tail[1], False))
    return tuple(out)


def beats_one(
    problem: Problem, one: tuple[Peak, ...], several: tuple[Peak, ...], at: int, spent: list[int],
    doubt: ShapeDoubt, enough: float, profile: CrossProfile | None = None, longer: bool = False,
) -> bool:
    """Return whether several peaks gain more than `enough` in BIC over one in their place.

    Plain, tailing or misshapen: where one kind of one spot leaves them no more, no other is tried.

    Parameters
    ----------
    problem : Problem
        Its whitening holds the doubt of the one's shape.
    one, several : tuple of Peak
        All peaks of the problem; in `several`, those from `at` on stand for `at` of `one`.
    at : int
    spent : list of int
        Peaks fitted, put down here.
    doubt : ShapeDoubt
    enough : float
    profile : CrossProfile, optional
        What the one looks like across the lane, and so along it.
    longer : bool
        Whether the patch is longer than one spot of its width: then a valley is none of a ring.
    """
    none = np.zeros(0)

    def solved(peaks: tuple[Peak, ...]) -> Solution:
        tails = frozenset(k for k, q in enumerate(peaks) if q.tau)
        return solve_quickly(problem, peaks, none, tails)

    single, best = solved(one), solved(several)
    spent.extend([len(one), len(several), len(one)])  # whether or not a tail is tried
    patch = several[at: at + 1 + len(several) - len(one)]
    # A valley is no misfit of one spot, if the trace shows it too: narrow Gaussians put to the two
    # steep sides of a disc leave one between them where there is none.
    divided = not no_valley(patch) and _shows_valley(problem, best, at, len(patch))
    shared = 1.0 if divided else _shared(problem, best, one[at].component().spread)

    def bic(solution: Solution) -> float:
        return criteria(problem, replace(solution, rss=_held(solution.rss, problem.x.size)),
                        shared)[1]

    long_one, long_several = 0.0, 0.0
    if profile is not None:
        long_one = length_cost((merged_peak(*patch),), profile, doubt)
        long_several = length_cost(patch, profile, doubt)

    def uneven(of: Solution, squares: float, free: int) -> float:
        return bic(replace(of, rss=squares, names=(*of.names, *("",) * free)))

    # Elsewhere several misshapen ones could be whatever one is.
    of_several = bic(best)
    if divided and longer and len(patch) == 2:
        of_several = min(of_several, uneven(
            best, several_misshapen_rss(problem, best, at, len(patch), doubt),
            FREE * len(patch)))

    def rivals() -> Iterator[float]:
        """Yield the BIC of each kind of one spot, those that take least time first."""
        yield long_one + bic(single)
        tail = (*single.peaks[:at], _tail_start(problem, single, at), *single.peaks[at + 1:])
        yield long_one + bic(solved(tail))
        if profile is not None:
            for squares in profile_rss(problem, single, at, doubt, profile):
                yield uneven(single, squares, PROFILE_FREE)
        for squares in misshapen_rss(problem, single, at, doubt):
            yield long_one + uneven(single, squares, FREE)

    return all(rival - of_several - long_several > enough for rival in rivals())


def _shows_valley(problem: Problem, solution: Solution, at: int, count: int) -> bool:
    """Return whether the trace itself falls behind between `count` peaks from `at` on.

    Their neighbours are taken off as fitted; noise only makes a valley deeper.
    """
    patch = solution.peaks[at: at + count]
    places = np.linspace(patch[0].centre, patch[-1].centre, VALLEY_PLACES)
    width = VALLEY_SMOOTH * min(p.sigma for p in patch)
    near = np.exp(-0.5 * ((problem.x - places[:, None]) / width) ** 2)
    if near.sum(axis=1).min() < 1.0:  # too few samples to tell
        return True
    rest = problem.y - sum(peak_shape(problem.x, p)[0] for j, p in enumerate(solution.peaks)
                           if not at <= j < at + count)
    seen = near @ rest / near.sum(axis=1)
    lower = np.minimum(np.maximum.accumulate(seen), np.maximum.accumulate(seen[::-1])[::-1])
    return bool((seen / np.maximum(lower, TINY)).min() <= VALLEY)


def _held(rss: float, count: int) -> float:
    """Return squares whose logarithm weighs as much as `rss` where the noise is no less than known.

    The layer has shown the noise: a fit that leaves less has followed it, and -2 ln likelihood
    then goes with the squares themselves, not with their logarithm.
    """
    left = rss / count
    return rss if left >= 1.0 else count * float(np.exp(left - 1.0))


def _shared(problem: Problem, solution: Solution, spread: float) -> float:
    """Return over how many samples what `solution` leaves is shared: 1 where it is noise.

    What the fit leaves beyond the noise is misfit, smooth over a spot's spread: samples there
    count by the design effect of their intraclass correlation (Kish, Survey Sampling, 1965).
    """
    excess = solution.rss / max(problem.x.size - len(solution.names), 1)
    alike = max(spread / float(np.median(np.diff(problem.x))), 1.0)
    return 1.0 + (alike - 1.0) * max(1.0 - 1.0 / max(excess, NO_EXCESS), 0.0)


def merged_peak(*peaks: Peak) -> Peak:
    """Return one Gaussian of the peaks' summed area, common centre and spread.

    A peak of no area or less is no part of it, unless all are.
    """
    found = [p.component() for p in peaks if p.area > 0.0] or [peaks[0].component()]
    area = sum(c.area for c in found)
    centre = sum(c.area * c.mean for c in found) / area
    variance = sum(c.area * (c.spread**2 + (c.mean - centre) ** 2) for c in found) / area
    return Peak(centre, area, float(np.sqrt(variance)))


def without_tails(patch: tuple[Peak, ...]) -> tuple[Peak, ...]:
    """Return the peaks, plain where no valley divides them: a tail and a neighbour look alike."""
    if not any(p.tau for p in patch) or not no_valley(patch):
        return patch
    return tuple(Peak(c.mean, c.area, c.spread) for c in (p.component() for p in patch))


def _left(problem: Problem, single: Solution, without: int) -> Floats:
    """Return the weighed data less every peak but `without`."""
    rest = problem.y - baseline_term(problem, problem.x, single.baseline)[0]
    for j, q in enumerate(single.peaks):
        if j != without:
            rest = rest - peak_shape(problem.x, q)[0]
    return problem.weigh(rest)


def _pair_start(
    problem: Problem, single: Solution, at: int
) -> tuple[Peak, Peak] | None:
    """Return the best pair of one width on a grid of places, areas solved for."""
    p = single.peaks[at]
    data = _left(problem, single, at)
    places = p.centre + p.sigma * PLACES
    best: tuple[float, Peak, Peak] | None = None
    for sigma in p.sigma * NARROWER:
        if sigma < problem.narrowest:
            continue
        z = (problem.x - places[:, None]) / sigma
        bells = problem.weigh(np.exp(-0.5 * z * z) / (sigma * ROOT_2PI))
        gram, answer = bells @ bells.T, bells @ data
        i, j = np.triu_indices(places.size, 3)
        i, j = (k[places[j] - places[i] > CLOSEST * sigma] for k in (i, j))
        # Two areas by Cramer's rule, for all pairs of places at once.
        det = gram[i, i] * gram[j, j] - gram[i, j] ** 2
        i, j, det = i[det > 0.0], j[det > 0.0], det[det > 0.0]  # a bell may fall between samples
        first = (answer[i] * gram[j, j] - answer[j] * gram[i, j]) / det
        second = (answer[j] * gram[i, i] - answer[i] * gram[i, j]) / det
        gain = np.where((first > 0) & (second > 0), first * answer[i] + second * answer[j], 0.0)
        k = int(np.argmax(gain)) if gain.size else 0
        if gain.size and gain[k] > 0 and (best is None or gain[k] > best[0]):
            best = (float(gain[k]),
                    Peak(float(places[i[k]]), float(first[k]), float(sigma)),
                    Peak(float(places[j[k]]), float(second[k]), float(sigma)))
    return None if best is None else best[1:]


def _tail_start(problem: Problem, single: Solution, at: int) -> Peak:
    """Return the best of a few tails, either way, its area solved for."""
    p = single.peaks[at]
    data = _left(problem, single, at)
    trials = []
    for ratio in TAIL_RATIOS:
        sigma = p.sigma / float(np.sqrt(1.0 + GIVEN_UP * ratio**2))
        trial = Peak(p.centre + ratio * sigma, 1.0, max(sigma, problem.narrowest),
                     ratio * sigma)
        shape = problem.weigh(peak_shape(problem.x, trial)[0])
        area = float(shape @ data) / float(shape @ shape)
        trials.append((area * float(shape @ data), replace(trial, area=area)))
    return max(trials, key=lambda t: t[0])[1]


def _most_to_gain(
    problem: Problem, now: tuple[Peak, ...], tails: frozenset[int], at: int
) -> float:
    """Return about the most that any change of peak `at`'s shape could gain in BIC.

    A pair under one maximum, or a tail, differs from one Gaussian by its higher moments: the
    Hermite terms of order 3 to 6 beside it (Gram-Charlier) take in all they can explain. What a
    fit of the peaks themselves would take in is counted off, to first order, without making it.
    """
    p = now[at]
    z = (problem.x - p.centre) / p.sigma
    bell = np.exp(-0.5 * z * z)
    terms = problem.weigh(np.stack([hermeval(z, np.eye(7)[k]) * bell for k in (3, 4, 5, 6)]))
    as_it_is = PeakSum(problem, Start(now, None, tails))
    slopes = as_it_is.jacobian(as_it_is.start)[:, : problem.x.size]
    rest = as_it_is.residual(as_it_is.start)[: problem.x.size]
    shares = np.linalg.qr(np.concatenate([slopes, terms]).T)[0].T @ rest
    n, taken = problem.x.size, len(slopes)
    fitted = float(rest @ rest) - float(shares[:taken] @ shares[:taken])
    left = fitted - float(shares[taken:] @ shares[taken:])
    # One parameter is the least that any change costs.
    return n * float(np.log(max(fitted, TINY) / max(left, TINY))) - float(np.log(n))


def _fair_pair(trial: Solution, at: int) -> bool:
    a, b = trial.peaks[at], trial.peaks[at + 1]
    if min(a.area, b.area) <= SMALLEST_SHARE * (a.area + b.area):
        return False
    return abs(b.centre - a.centre) > CLOSEST * 0.5 * (a.sigma + b.sigma)

"""How many components a trace holds: add, split, let tail or drop, by an information criterion."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lanes.spots.criteria import criteria
from lanes.spots.cross_profile import cross_profile, sliced, unequal
from lanes.spots.detect import FINEST, KEPT, candidates, scales
from lanes.spots.model import (
    DEGREES,
    Peak,
    Problem,
    Solution,
    baseline_term,
    merged_pairs,
    peak_shape,
)
from lanes.spots.one_more import BROADEST_SOUGHT, starts_with_one_more
from lanes.spots.same_outline import longer_than_one, unlike_across
from lanes.spots.settle import settle
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.significance import LEAST_SAMPLES, area_significance, local_significance
from lanes.spots.split import (
    SMALLEST_SHARE,
    SPLIT_GAIN,
    beats_one,
    better_shapes,
    merged_peak,
    without_tails,
)
from lanes.spots.strip_shape import roughness, strips_of
from lanes.spots.whitening import MISFIT, whitening
from lanes.trace.noise import Noise
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

HOPELESS = 4.0  # residual variance over the noise's, from which a search goes on
MOST_SOLVED = 500  # peaks fitted, over all fits of one lane
UNITED = 4.0  # mean spreads within which two may be one misshapen spot: its terms end there
APART = 2.5  # mean sigmas twofold between peaks that are each judged on their own
# BIC that a peak more must gain: a choice; lower, waves of the layer are fitted, higher, weak spots
# beside strong ones are lost.
ADDED_GAIN = 4.0
# Within so many of a fitted spot's sigmas a narrower place (of its sigma) is its own misfit; and a
# place of so little of its area within a wider reach, its tail's taus included.
MISFIT_NEAR, MISFIT_NARROWER = 2.0, 0.5
MISFIT_SIGMAS, MISFIT_TAUS, MISFIT_AREA = 4.0, 3.0, 0.01
# How many of the height's misfits the residual beside a spot may show before a place there counts.
MISFITS = 2.0
# What is cut out to judge one peak: its sigmas and taus to either side, and the sigmas of another
# that touches it.
CUT_SIGMAS, CUT_TAUS, TOUCHING = 4.5, 3.0, 2.5
WORTH_A_SHAPE = 4.0  # standard deviations of area: a weaker peak shows no shape
NO_STEP = 1e-12  # mm: so that nothing is divided by 0
# Of two neighbours' mean sigma: nearer, one maximum is fitted twice.
CLOSE = 0.9
HOPELESS_SHARE = 0.3  # of the threshold: peaks below go together


@dataclass(frozen=True)
class Search:
    """The search for the number of components of one trace.

    `spent` counts peaks fitted; `refused` holds the places where several components were not
    believed, since one misshapen spot could do as well.
    """

    problem: Problem
    x: Floats
    y: Floats
    gain: Floats
    usable: NDArray[np.bool_]
    noise: Noise
    extrapolation: Noise  # under a spot, where the layer is not seen: what shapes are held against
    threshold: float
    known: bool
    shared: float
    shapes: ShapeDoubt | None = None
    sheet: Sheet | None = None
    spent: list[int] = field(default_factory=list)
    refused: list[float] = field(default_factory=list)

    def _tired(self) -> bool:
        """Return whether enough was tried: on what is no lane, more would not end either."""
        return sum(self.spent) >= MOST_SOLVED

    def _most(self) -> int:
        """Return how many peaks of up to four values the samples can fix."""
        return (self.problem.x.size - DEGREES[self.problem.baseline_order]) // 4

    def run(
        self, peaks: tuple[Peak, ...], baseline: Floats, count: int | None
    ) -> tuple[Solution, list[Solution]]:
        """Return the solution settled on, and the best of each count that was tried."""
        history: list[Solution] = []
        solution = self._settle(peaks, baseline, history)
        if count is None:
            solution = self._unite(self._drop(solution, history), history)
            # Shapes first: what a tail leaves beside a plain Gaussian is no second spot.
            solution = self._split_or_tail(solution, history)
            before = len(solution.peaks)
            solution = self._add(solution, history, 4)
            if len(solution.peaks) > before:
                solution = self._split_or_tail(solution, history)
            solution = self._drop(solution, history)
            solution = self._rescue(solution, history)
            before = len(solution.peaks)
            solution = self._unite(solution, history)
            if len(solution.peaks) < before:
                solution = self._split_or_tail(solution, history)
        else:
            solution = self._to_count(solution, history, count)
        best: dict[tuple[int, int], Solution] = {}
        for s in history:
            key = (len(s.peaks), sum(p.tau != 0 for p in s.peaks))
            if key not in best or s.rss < best[key].rss:
                best[key] = s
        return solution, [best[k] for k in sorted(best)]

    def _settle(
        self, peaks: tuple[Peak, ...], baseline: Floats, history: list[Solution],
    ) -> Solution:
        if len(peaks) > self._most():
            tallest = sorted(peaks, key=lambda p: p.area / p.sigma, reverse=True)
            peaks = tuple(tallest[:self._most()])
        tailing = frozenset(i for i, p in enumerate(peaks) if p.tau)
        solution = settle(self.problem, peaks, baseline, tailing)
        self.spent.append(len(peaks))
        history.append(solution)
        return solution

    def _model(self, solution: Solution) -> Floats:
        model = baseline_term(self.problem, self.x, solution.baseline)[0]
        for p in solution.peaks:
            model = model + peak_shape(self.x, p)[0]
        return model

    def _add(self, solution: Solution, history: list[Solution], most: int) -> Solution:
        """Add peaks where the residual stands out of the noise and of the spots' own misfit."""
        for _ in range(most):
            if self._tired():
                break
            model = self._model(solution)
            spots = model - baseline_term(self.problem, self.x, solution.baseline)[0]
            # The misfit of a tall spot reaches over its flanks: its tallest nearby counts.
            gain = np.hypot(self.gain, MISFITS * MISFIT * spots / self.noise.sd)
            seen = candidates(self.x, self.y - model, self.noise, gain, self.usable,
                              scales(FINEST * self.problem.narrowest,
                                      BROADEST_SOUGHT * self.problem.broadest),
                              self.threshold, self._doubts(solution))
            seen = [c for c in seen if self._apart(c.centre, c.sigma, c.area, solution)]
            if not seen:
                break
            best = max(seen, key=lambda c: c.significance)
            trial = self._settle(
                (*solution.peaks, Peak(best.centre, best.area, best.sigma)), solution.baseline,
                history)
            if float(self._standing(trial).min()) < KEPT * self.threshold:
                # What came in may take the place of what was there.
                trial = self._drop(trial, history)
            if self._bic(trial) > self._bic(solution) - ADDED_GAIN or not self._sound(trial):
                break
            solution = trial
        return solution

    def _doubts(self, solution: Solution) -> Floats | None:
        """Return what the doubt of the fitted spots' shapes may leave in the residual, (n, k)."""
        if self.shapes is None or not solution.peaks:
            return None
        found = [p.component() for p in solution.peaks]
        return np.concatenate([
            self.shapes.basis((self.x - c.mean) / c.spread) * (self.shapes.sds * c.height)
            for c in found], axis=1)

    def _rescue(self, solution: Solution, history: list[Solution]) -> Solution:
        """Go on where what is left can't be noise: a start went wrong, one peak more mends it."""
        for _ in range(3):
            samples = self.problem.x.size / self.shared
            if not self.known or self._tired() or solution.rss < HOPELESS * samples:
                break
            trial = self._unite(self._drop(self._one_more(solution, history), history), history)
            if not self._sound(trial) or self._bic(trial) > self._bic(solution) - ADDED_GAIN:
                break
            solution = trial
        return solution

    def _apart(self, centre: float, sigma: float, area: float, solution: Solution) -> bool:
        """Return whether a place in the residual is not just the misfit of a fitted spot."""
        for p in solution.peaks:
            near = abs(centre - p.centre) < MISFIT_NEAR * p.sigma
            if near and (area < SMALLEST_SHARE * p.area or sigma < MISFIT_NARROWER * p.sigma):
                return False
            reach = MISFIT_SIGMAS * p.sigma + MISFIT_TAUS * abs(p.tau)
            if abs(centre - p.centre) < reach and area < MISFIT_AREA * p.area:
                return False
        return True

    def _bic(self, solution: Solution) -> float:
        return criteria(self.problem, solution, self.shared)[1]

    def _local(
        self, solution: Solution, i: int, doubt: ShapeDoubt | None = None,
        misfit: float = MISFIT,
    ) -> tuple[Problem, tuple[int, ...]]:
        """Return the problem cut down to peak `i` and those that touch it, all else taken off."""
        inside, touching = self._about(solution, i)
        x = self.problem.x[inside]
        rest = self.problem.y[inside] - baseline_term(self.problem, x, solution.baseline)[0]
        for j, q in enumerate(solution.peaks):
            if j not in touching:
                rest = rest - peak_shape(x, q)[0]
        peaks = tuple(solution.peaks[j] for j in touching)
        problem = replace(self.problem, x=x, y=rest, baseline_order="none",
                          weight=self.problem.weight[inside], triangular=True,
                          whitening=whitening(
                              x, peaks, solution.peaks[i].sigma, self.gain[self.usable][inside],
                              self.extrapolation, self.noise.sd, doubt, misfit))
        return problem, touching

    def _few(self, solution: Solution, i: int) -> bool:
        """Return whether peak `i` stands on too little, as one that left the trace."""
        return int(self._about(solution, i)[0].sum()) < LEAST_SAMPLES

    def _about(
        self, solution: Solution, i: int
    ) -> tuple[NDArray[np.bool_], tuple[int, ...]]:
        """Return which samples of the problem peak `i` and those that touch it reach, and these."""
        p = solution.peaks[i]
        reach = CUT_SIGMAS * p.sigma + CUT_TAUS * abs(p.tau)
        touching = tuple(j for j, q in enumerate(solution.peaks)
                        if abs(q.centre - p.centre) < reach + TOUCHING * q.sigma)
        low, high = (f(solution.peaks[j].centre + side * CUT_SIGMAS * solution.peaks[j].sigma
                       for j in touching) for f, side in ((min, -1.0), (max, 1.0)))
        return (self.problem.x > low) & (self.problem.x < high), touching

    def _split_or_tail(self, solution: Solution, history: list[Solution]) -> Solution:
        """Try two components, or a tail, in the place of each peak in turn."""
        for _ in range(len(solution.peaks) + 2):
            changes: list[tuple[float, tuple[Peak, ...]]] = []
            for i, p in enumerate(solution.peaks):
                if p.tau or self._tired() or p.area * self._weight_at(p) < WORTH_A_SHAPE:
                    continue
                changes += self._one_or_two(solution, i)
            for _, peaks in sorted(changes, key=lambda change: -change[0]):
                trial = self._settle(peaks, solution.baseline, history)
                if self._stands(trial, len(solution.peaks)):
                    solution = trial
                    break
            else:
                break
        return solution

    def _stands(self, trial: Solution, before: int) -> bool:
        """Return whether a change is sound, and what it added will not be dropped again."""
        if not self._sound(trial):
            return False
        return (len(trial.peaks) == before
                or float(self._standing(trial).min()) >= KEPT * self.threshold)

    def _weight_at(self, p: Peak) -> float:
        i = int(np.argmin(np.abs(self.problem.x - p.centre)))
        step = max(self.x[1] - self.x[0], NO_STEP)
        return float(self.problem.weight[i] / np.sqrt(4 * p.sigma * step))

    def _one_or_two(self, solution: Solution, i: int) -> list[tuple[float, tuple[Peak, ...]]]:
        """Return the gain and peaks of every change at peak `i` that pays and is believed."""
        if self._few(solution, i):
            return []
        problem, touching = self._local(solution, i)
        now = tuple(solution.peaks[j] for j in touching)
        others = [q for j, q in enumerate(solution.peaks) if j not in touching]
        out = []
        for change in better_shapes(problem, now, touching.index(i), self.spent):
            peaks = tuple(sorted((*others, *change.peaks), key=lambda q: q.centre))
            if not change.pair or self._claimed(solution, peaks,
                                                peaks.index(change.peaks[touching.index(i)])):
                out.append((change.gain, peaks))
        return out

    def _claimed(
        self, solution: Solution, peaks: tuple[Peak, ...], at: int, count: int = 2
    ) -> bool:
        """Return whether `count` peaks from `at` on beat what one misshapen spot could do."""
        end = at + count
        if any(peak.area <= 0.0 for peak in peaks[at:end]):
            return False  # less than nothing is no spot, and has no place in one
        if self.shapes is None:
            return True
        patch = without_tails(peaks[at: end])
        one = (*peaks[:at], merged_peak(*patch), *peaks[end:])
        as_one = replace(solution, peaks=one)
        if self._few(as_one, at):
            return False
        doubt, unlike, longer = self.shapes, 0.0, False
        across = None if self.sheet is None else cross_profile(
            self.sheet, self.x, self.usable, one[at], (*one[:at], *one[at + 1:]))
        if unequal(patch) or (across is not None and sliced(patch, across, doubt)):
            self.refused.append(one[at].component().centre)
            return False
        if self.sheet is not None:
            inside, touching = self._about(as_one, at)
            strips = strips_of(
                self.sheet, self.x, self.gain, self.problem.x[inside], one[at],
                [one[j] for j in touching if j != at], self.noise)
            unlike = unlike_across(strips, patch)
            longer = longer_than_one(strips, one[at], self.sheet, doubt)
            doubt = replace(doubt, sds=roughness(strips, doubt) * doubt.sds)
        uneven = 0.0 if across is None else across.uneven
        problem, touching = self._local(as_one, at, doubt, max(MISFIT, uneven))
        local, place = tuple(one[j] for j in touching), touching.index(at)
        enough = SPLIT_GAIN * (count - 1) + unlike
        if beats_one(
                problem, local, (*local[:place], *patch, *local[place + 1:]), place,
                self.spent, doubt, enough, across, longer):
            return True
        self.refused.append(one[at].component().centre)
        return False

    def _unite(self, solution: Solution, history: list[Solution]) -> Solution:
        """Put one peak in the place of those that one misshapen spot could be."""
        if self.shapes is None:
            return solution
        at = 0
        while at < len(solution.peaks) - 1 and not self._tired():
            # A ring is three Gaussians before it is two: the largest number is tried first.
            for count in range(self._near(solution.peaks, at), 1, -1):
                if not self._claimed(solution, solution.peaks, at, count):
                    together = merged_peak(*solution.peaks[at: at + count])
                    one = (*solution.peaks[:at], together, *solution.peaks[at + count:])
                    solution = self._settle(one, solution.baseline, history)
                    at = max(at - 1, 0)
                    break
            else:
                at += 1
        return solution

    def _near(self, peaks: tuple[Peak, ...], at: int) -> int:
        """Return how many peaks from `at` on lie near enough to be one misshapen spot."""
        end = at + 1
        while end < len(peaks):
            a, b = peaks[end - 1: end + 1]
            spread = 0.5 * (a.component().spread + b.component().spread)
            # One without an area is no part of a spot: it will be dropped.
            if b.centre - a.centre >= UNITED * spread or min(a.area, b.area) <= 0.0:
                break
            end += 1
        return end - at

    def _sound(self, solution: Solution) -> bool:
        peaks = solution.peaks
        inside = all(self.x[0] <= p.centre <= self.x[-1] and p.area > 0 for p in peaks)
        close = all(
            abs(peaks[j].centre - peaks[i].centre)
            > CLOSE * 0.5 * (peaks[i].sigma + peaks[j].sigma)
            for i, j in merged_pairs(peaks)
        )
        return inside and close

    def _drop(self, solution: Solution, history: list[Solution]) -> Solution:
        """Drop, one by one, peaks that are not significant or lie outside the trace."""
        while solution.peaks:
            z = self._standing(solution)
            if z.min() >= KEPT * self.threshold:
                break
            # The hopeless go together, the doubtful one at a time: they may hold each other up.
            bad = z < HOPELESS_SHARE * self.threshold
            worst = int(np.argmin(z))
            bad[worst] = True
            for i, j in merged_pairs(solution.peaks):
                # Two in one place are both uncertain; without the one the other is not.
                spared = j if z[i] < z[j] else i
                bad[spared] &= spared == worst
            rest = tuple(p for p, drop in zip(solution.peaks, bad, strict=True) if not drop)
            solution = self._settle(rest, solution.baseline, history)
        return solution

    def _standing(self, solution: Solution) -> Floats:
        """Return the significances, of those that would be dropped the one judged beside them."""
        z = area_significance(self.x, solution)
        model = self._model(solution)
        for i in np.nonzero((z > 0.0) & (z < KEPT * self.threshold))[0]:
            p = solution.peaks[i]
            if all(abs(q.centre - p.centre) > APART * (q.sigma + p.sigma)
                   for j, q in enumerate(solution.peaks) if j != i):
                own = self.y - model + peak_shape(self.x, p)[0]
                local = local_significance(self.x, own, self.gain, self.usable,
                                           self.extrapolation, p)
                if local >= self.threshold:
                    z[i] = local
        return z

    def _to_count(self, solution: Solution, history: list[Solution], count: int) -> Solution:
        """Bring the number of peaks to the one that is known, or as near as the trace allows.

        A peak that comes out without area is none, and more of them would not be either.
        """
        while len(solution.peaks) > count:
            z = area_significance(self.x, solution)
            keep = np.delete(np.arange(len(solution.peaks)), int(np.argmin(z)))
            solution = self._settle(tuple(solution.peaks[i] for i in keep), solution.baseline,
                                    history)
        while len(solution.peaks) < min(count, self._most()):
            more = self._one_more(solution, history)
            if not all(p.area > 0.0 for p in more.peaks):
                break
            solution = more
        return solution

    def _one_more(self, solution: Solution, history: list[Solution]) -> Solution:
        """Return the best fit with one peak more: in the residual, or by splitting one."""
        trials = starts_with_one_more(
            self.problem, self.x, self.y, self.gain, self.usable, self.noise,
            self._model(solution), solution.peaks, self._tired())
        solved = [self._settle(t, solution.baseline, history) for t in trials]
        return min(solved, key=lambda s: (any(p.area <= 0.0 for p in s.peaks), s.rss))

"""Overlapping spots separated: a sum of peaks and a baseline, fitted with lmfit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.confidence import MAD_SD
from lanes.errors import InputError
from lanes.rounding import TINY
from lanes.spots import choose
from lanes.spots.covariance import covariances
from lanes.spots.criteria import criteria
from lanes.spots.detect import FINEST, candidates, scales
from lanes.spots.fit import VALUES, Attempt, Fit, index
from lanes.spots.model import (
    DEGREES,
    WIDTH_PRIOR,
    Peak,
    Problem,
    Solution,
    baseline_term,
    located,
    peak_shape,
)
from lanes.spots.search_fit import reported
from lanes.spots.settle import settle
from lanes.spots.shape_terms import ShapeDoubt
from lanes.trace.background import background
from lanes.trace.noise import Noise, difference_noise, digit_noise, residual_noise
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

THRESHOLD = 5.0          # standard deviations: some hundred places of a lane are looked at
TALL = 4.0               # standard deviations: noise itself goes so high once in 16,000 samples
# A bare trace's noise over what its second differences show of it: 1 where it is white, 1.6 where
# each sample is a mean of two, as resampling makes them.
SMOOTHED = 1.6
NARROWEST, BROADEST = 0.25, 5.0  # sigma of a spot in mm
# The same for a trace alone: in its samples, of which a spot's height takes six, and of its length.
NARROWEST_SAMPLES, BROADEST_SPAN = 2.5, 0.25
BETTER = 2.0  # AICc by which another order of the baseline must be better to be taken
NOTHING = 1e-100  # signal from top to bottom: squares of what is so small vanish
# A trace without noise: of its height from top to bottom, what stands for noise, and what for a
# height.
NO_NOISE, NO_HEIGHT = 1e-6, 1e-12
# Of the broadest sigma, up to which spots are looked for. Limits taken from the trace's length are
# wide: at widths near them two spots with a valley look like one. The share for a trace alone keeps
# to what 3 mm, the other one's, are of a usual run; fits may widen.
SEARCHED, SEARCHED_ALONE = 0.6, 0.15
LIFTED = 1e-3  # of its height: an exponential baseline is begun through what lies above that
# Steps are even where they scatter by less than so much of one; only then lags are distances. And
# noise is correlated from so many of them on.
EVEN_STEPS, CORRELATED = 0.05, 1.5


def deconvolve(
    position: ArrayLike, signal: ArrayLike, *, noise: Noise | None = None,
    gain: ArrayLike | None = None, usable: ArrayLike | None = None, baseline_order: str = "auto",
    components: int | None = None, start: tuple[Peak, ...] | None = None,
    narrowest: float | None = None, broadest: float | None = None,
    threshold: float = THRESHOLD, shapes: ShapeDoubt | None = None, sheet: Sheet | None = None,
    trial: bool = False,
) -> Fit:
    """Fit a trace as a sum of spots on a baseline.

    Places that stand out of the noise start the fit; peaks are added where the residual still
    stands out, split where two of one width serve better than one, let tail where a lone one
    tails, and dropped where they are not significant. An information criterion over the
    effective number of samples decides.

    Parameters
    ----------
    position, signal : (n,) array_like
        Evenly spaced, rising distances and the signal there.
    noise : Noise, optional
        From clean layer. Without it, noise is judged from what the fit leaves, and widths of
        merged neighbours are left free.
    gain, usable : (n,) array_like, optional
        Relative noise, and which samples count.
    baseline_order : str
        "none", "constant", "linear", "quadratic", "exponential", or "auto".
    components : int, optional
        How many there are, where that is known.
    start : tuple of Peak, optional
        Starts, instead of looking for them.
    narrowest, broadest : float, optional
        Limits of sigma; the default suits mm, or the trace's length where noise is unknown.
    threshold : float
        Significance below which nothing is a spot.
    shapes : ShapeDoubt, optional
        How far a spot's profile may depart from a Gaussian: a component counts only where it
        beats what one misshapen spot could do. Without it, profiles are Gaussians or tail.
    sheet : Sheet, optional
        The lane in two dimensions, whose spots show across it what they may be along it.
    trial : bool
        Only what is found is asked, and no value reported: the search's own fit will do.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        If the arrays don't fit together or hold what can't be fitted.
    """
    x, y, g, use = _samples(position, signal, gain, usable)
    pitch = float(np.median(np.diff(x)))
    span = float(x[-1] - x[0])
    usual = (NARROWEST, BROADEST) if noise else (NARROWEST_SAMPLES * pitch, BROADEST_SPAN * span)
    low = narrowest if narrowest is not None else usual[0]
    high = broadest if broadest is not None else usual[1]
    high = max(high, 2 * low)
    kinds = (baseline_order,) if baseline_order != "auto" else (
        ("linear",) if noise is not None else ("constant", "linear", "quadratic"))

    def fitted(kind: str, own: Noise | None) -> Fit:
        return _one(x, y, g, use, noise, own, kind, components, start, (low, high), pitch,
                    threshold, shapes, sheet, trial)

    best, own = fitted(kinds[0], None), None
    if noise is None and (own := _smoothed_noise(y, use, best, pitch)) is not None:
        best = fitted(kinds[0], own)
    return _better(best, (fitted(kind, own) for kind in kinds[1:]))


def _better(best: Fit, others: Iterable[Fit]) -> Fit:
    """Return that of `others` whose order of the baseline is clearly better, or `best`."""
    for fit in others:
        if (fit.aicc or 0.0) < (best.aicc or 0.0) - BETTER:
            best = fit
    return best


def _smoothed_noise(y: Floats, use: NDArray[np.bool_], fit: Fit, pitch: float) -> Noise | None:
    """Return the noise of a bare trace whose samples share it (a smoothed one), or None.

    Second differences see little of such noise, and a fit held against them follows its waves.
    What stands out of all that the tall spots leave is left out of it, until nothing does.
    """
    tall = np.ones(len(fit.components), bool)
    while True:
        rest = (y - fit.baseline - fit.peaks[tall].sum(axis=0))[use]
        left = residual_noise(rest, pitch)
        kept = tall & (fit.peaks.max(axis=1, initial=0.0) > TALL * left.sd)
        if (kept == tall).all():
            break
        tall = kept
    first = difference_noise((y - fit.model)[use], pitch)
    # What a fit leaves in one place, of a dip or a step, is no noise: noise is everywhere.
    everywhere = MAD_SD * float(np.median(np.abs(rest - np.median(rest))))
    return left if min(left.sd, everywhere) > SMOOTHED * first.sd else None


def _samples(
    position: ArrayLike, signal: ArrayLike, gain: ArrayLike | None, usable: ArrayLike | None
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Return positions, signal, gain and what counts as arrays, or raise InputError."""
    x, y = np.asarray(position, float), np.asarray(signal, float)
    if x.ndim != 1 or x.shape != y.shape or x.size < 8:
        raise InputError(f"position and signal must be rows of one length, 8 or more: got "
                         f"{x.shape} and {y.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or (np.diff(x) <= 0).any():
        raise InputError("position must rise and signal be finite throughout")
    if float(np.ptp(y)) < NOTHING:
        y = np.zeros_like(y)
    use = np.ones(x.size, bool) if usable is None else np.asarray(usable, bool)
    if use.sum() < 8:
        raise InputError("hardly a sample of this lane can be used: what hides the layer (marks, "
                         "too few grey levels) covers it; scan the plate anew, in full colour")
    return x, y, np.ones(x.size) if gain is None else np.asarray(gain, float), use


def _one(
    x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise | None,
    own: Noise | None, kind: str, components: int | None, start: tuple[Peak, ...] | None,
    limits: tuple[float, float], pitch: float, threshold: float, shapes: ShapeDoubt | None,
    sheet: Sheet | None, trial: bool,
) -> Fit:
    known = noise is not None
    below = np.zeros_like(y)
    if noise is None:
        if start is None and kind != "none":
            below = background(y, "asymmetric", usable=usable, pitch=None)
        noise = own or difference_noise((y - below)[usable], pitch)
    full, noise = noise, noise.local
    sd = noise.sd if noise.sd > 0 else max(float(np.ptp(y)), NO_HEIGHT) * NO_NOISE
    shared = max(1.0, noise.correlation_mm / pitch)
    weight = 1.0 / (gain[usable] * sd * np.sqrt(shared))
    problem = Problem(x[usable], y[usable], weight, kind, limits[0], limits[1],
                      WIDTH_PRIOR if known else None)
    baseline = _baseline_start(problem, below[usable])
    if start is not None:
        peaks = tuple(start)
    else:
        widest = SEARCHED if known else SEARCHED_ALONE
        seen = candidates(x, y - below, replace(noise, sd=sd), gain, usable,
                          scales(FINEST * limits[0], widest * limits[1]), threshold)
        peaks = tuple(Peak(c.centre, c.area, c.sigma) for c in seen)
    tried: list[Attempt] = []
    refused: tuple[float, ...] = ()
    if start is not None:
        tailing = frozenset(i for i, p in enumerate(peaks) if p.tau != 0.0)
        solution = settle(problem, peaks, baseline, tailing)
        tried.append(_attempt(problem, solution, shared))
    else:
        search = choose.Search(problem, x, y, gain, usable, replace(noise, sd=sd),
                               full if known else replace(noise, sd=sd), threshold, known, shared,
                               shapes, sheet)
        solution, history = search.run(peaks, baseline, components)
        tried = [_attempt(problem, s, shared) for s in history]
        refused = tuple(search.refused)
    solution = _positive(problem, solution)
    if not trial:
        solution = reported(problem, solution)
    fit = _finish(x, y, gain, usable, full, known, problem, solution, shared, tuple(tried), shapes)
    return replace(fit, refused=refused)


def _positive(problem: Problem, solution: Solution) -> Solution:
    """Return the solution without peaks of no area or less: a start, or a count, too many."""
    while not all(p.area > 0 for p in solution.peaks):
        kept = tuple(p for p in solution.peaks if p.area > 0)
        tailing = frozenset(i for i, p in enumerate(kept) if p.tau != 0.0)
        solution = settle(problem, kept, solution.baseline, tailing)
    return solution


def _baseline_start(problem: Problem, below: Floats) -> Floats:
    """Return a start of the baseline through a first background."""
    u = (problem.x - problem.x[0]) / problem.span
    if problem.baseline_order == "exponential":
        lifted = np.maximum(below, LIFTED * max(float(np.max(np.abs(below))), NO_HEIGHT))
        slope, level = np.polyfit(u, np.log(lifted), 1, w=np.sqrt(lifted))
        return np.array([np.exp(level), -slope])
    degree = DEGREES[problem.baseline_order]
    if degree == 0:
        return np.zeros(0)
    return np.polynomial.polynomial.polyfit(2 * u - 1, below, degree - 1)


def _attempt(problem: Problem, solution: Solution, shared: float) -> Attempt:
    aicc, bic = criteria(problem, solution, shared)
    tails = sum(p.tau != 0.0 for p in solution.peaks)
    shape = "gaussian" if not tails else f"gaussian, {tails} tailing"
    return Attempt(len(solution.peaks), shape, solution.rss, len(solution.names), aicc, bic)


def _finish(
    x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise, known: bool,
    problem: Problem, solution: Solution, shared: float, tried: tuple[Attempt, ...],
    shapes: ShapeDoubt | None,
) -> Fit:
    """Evaluate the solution over the whole trace and work out its covariance."""
    order = np.argsort([p.centre for p in solution.peaks], kind="stable")
    curves = [peak_shape(x, p)[0] for p in solution.peaks]
    baseline = baseline_term(problem, x, solution.baseline)[0]
    model = baseline + np.sum(curves, axis=0) if curves else baseline.copy()
    rest = (y - model)[usable]
    freedom = max(rest.size - len(solution.names), 1)
    total = float(np.sum((y[usable] - y[usable].mean()) ** 2))
    if not known:
        noise = _noise_left(x, rest, freedom, noise, digit_noise(y[usable]))
    scaled = rest / (gain[usable] * max(noise.local.sd, TINY))
    chi = float(scaled @ scaled) / freedom
    found = covariances(x, gain, usable, noise, problem, solution, scaled if known else None)
    rows = np.array([index(i, value) for i in order for value in VALUES], int)
    aicc, bic = criteria(problem, solution, shared)
    place = {int(i): j for j, i in enumerate(order)}
    held = {place[which[0]] for name in solution.at_bound if (which := located(name))}
    return Fit(
        tuple(solution.peaks[i].component() for i in order),
        None if found is None else found[0][np.ix_(rows, rows)],
        problem.baseline_order, baseline, model,
        np.array([curves[i] for i in order]).reshape(len(order), x.size),
        1.0 - float(rest @ rest) / total if total > 0 else None,
        chi if known else None, aicc, bic, tried, tuple(sorted(held)),
        tuple(sorted((place[i], place[j]) for i, j in solution.merged)),
        None if found is None else found[1][np.ix_(rows, rows)], shapes,
    )


def _noise_left(x: Floats, rest: Floats, freedom: int, noise: Noise, digit: float) -> Noise:
    """Return the noise that the fit's residual shows: white unless it shows otherwise.

    Without clean layer it is all there is; `digit` is what a last digit leaves.
    """
    left = residual_noise(rest, noise.pitch)
    even = float(np.ptp(np.diff(x))) < EVEN_STEPS * noise.pitch
    correlated = even and left.correlation_mm > CORRELATED * noise.pitch
    return replace(noise, sd=max(float(np.sqrt(float(rest @ rest) / freedom)), digit),
                   autocorrelation=left.autocorrelation if correlated else np.ones(1))

"""The case of one spot: its fits as one, as two and as one that tails, under noise and misfit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermevander
from numpy.typing import NDArray

from lanes.evidence.whitened_fits import Limits, fit_single, fit_tail, fit_two
from lanes.evidence.whitened_models import measured, one, two
from lanes.evidence.whitened_space import Model, Space, make_space
from lanes.questions.shoulder.across import Across, across_lane, strips_of
from lanes.questions.shoulder.window import Window, make_window
from lanes.reading import LaneReading
from lanes.spots.criteria import criteria
from lanes.spots.fit import Fit
from lanes.spots.model import Peak, Problem, Solution, merged_pairs, peak_shape, solve
from lanes.spots.quantities import Pair, area_percents, pair, retardation
from lanes.spots.shape_doubt import ASSUMED, ShapeDoubt
from lanes.spots.strip_shape import roughness

Floats = NDArray[np.float64]

SHAPE_TERMS = (0, 3, 4, 5, 6)
ONE, TWO = "one Gaussian", "two Gaussians"


@dataclass(frozen=True)
class Shape:
    """A measured shape: Hermite coefficients, their covariance, its lane."""

    lane: str
    coefficients: Floats
    covariance: Floats


@dataclass(frozen=True)
class Case:
    """One spot with everything that the tests need.

    Attributes
    ----------
    run, blur : float
        From origin to front; standard deviation of what the scan spreads a point over.
    all_x, all_y, usable : (m,) array
        The window, less baseline and far neighbours.
    band : (m,) array
        Two standard deviations of noise and misfit.
    space : Space
        Of the usable samples.
    z : (1, r) array
        The trace in `space`; `rest` is what lies outside.
    single : (3,) array
        The spot as one Gaussian: centre, ln sigma, area.
    pair : (5,) array
        As two, as in `whitened_models.two`.
    scores : dict
        (AICc, BIC) of each way to explain the spot, from fits with lmfit.
    doubt : ShapeDoubt
        How misshapen a single spot is taken to be.
    rough : float
        By how much this one is more misshapen than that, as its strips tell.
    across : Across or None
        The two components across the lane.
    """

    run: float
    blur: float
    all_x: Floats
    all_y: Floats
    usable: NDArray[np.bool_]
    band: Floats
    space: Space
    limits: Limits
    z: Floats
    rest: float
    free_scale: bool
    shape: tuple[str, Model] | None
    single: Floats
    pair: Floats
    solutions: dict[str, Solution]
    scores: dict[str, tuple[float, float]]
    drawn: tuple[Floats, Floats, Floats, Floats]
    doubt: ShapeDoubt
    rough: float
    problem: Problem
    across: Across | None

    @property
    def single_rf(self) -> float:
        """Rf of the spot as one."""
        return self.solutions[ONE].peaks[0].centre / self.run

    @property
    def own_ln_sigma(self) -> float:
        """ln sigma of the spot as one, by its own trace alone."""
        space = self.space.without_width()
        z = self.z[:, :space.reduce.shape[0]]
        return float(fit_single(one, space, z, self.single, self.limits)[0][0, 1])

    def single_rf_sd(self, line_sds: tuple[float, float]) -> float | None:
        """Return the standard deviation of that Rf, the lines' included."""
        return retardation(_as_fit(self, ONE), 0, self.run, *line_sds)[1]


def make_case(
    reading: LaneReading, group: tuple[int, ...], mm: float, shape: Shape | None = None,
    doubt: ShapeDoubt = ASSUMED, width: tuple[float, float] | None = None,
) -> Case:
    """Return the case of components `group` of a lane.

    Parameters
    ----------
    reading : LaneReading
    group : tuple of int
        As from `pick`.
    mm : float
        Millimetres per plate unit.
    shape : Shape, optional
        Held against two besides a tail.
    doubt : ShapeDoubt
        How far single spots depart from a Gaussian.
    width : (ln sigma, sd), optional
        What the plate's lone spots lead to expect of each component.

    Raises
    ------
    InputError
        If too little of the trace round the spot can be used.
    """
    window = make_window(reading, group, mm, doubt)
    strips = strips_of(reading, window)
    rough = 1.0 if strips is None else roughness(strips, doubt)
    covariance = window.with_misfit(doubt, rough)
    if shape is not None:
        bell = np.exp(-0.5 * window.z**2)[:, None] * window.height
        by = hermevander(window.z, max(SHAPE_TERMS))[:, SHAPE_TERMS[1:]] * bell
        covariance += by @ shape.covariance @ by.T
    problem, first = window.problem, window.first
    limits = Limits(float(window.x[0]), float(window.x[-1]),
                    max(0.45 * window.lone, problem.narrowest),
                    min(2.5 * first.sigma, problem.broadest))
    use = window.usable
    space = replace(
        make_space(problem.x, covariance[np.ix_(use, use)], window.columns[use],
                   0.75 * limits.narrowest), width=width)
    z = space.data(problem.y)
    guess = np.array([first.centre, np.log(first.sigma), max(first.area, 1e-12)])
    single = fit_single(one, space, z, guess, limits)[0]
    pair_of = fit_two(space, z, single, limits)[0][0]
    # Baseline and neighbours leave with the whitening.
    problem = replace(problem, baseline_order="none", whitening=space.whole)
    model = None if shape is None else (f"the shape of lane {shape.lane}",
                                        measured(shape.coefficients))
    solutions = _solve_all(problem, space, z, single[0], pair_of, limits)
    outside = space.rest(problem.y)
    return Case(
        reading.trace.run, reading.trace.blur, window.x, window.y, use,
        2.0 * np.sqrt(np.diag(covariance)), space, limits, z, outside,
        reading.noise.source == "residuals", model, single[0], pair_of, solutions,
        _scores(problem, space, z, single[0], limits, outside, solutions, model),
        _drawn(solutions, window), doubt, rough, problem,
        across_lane(reading, window, *_of_pair(window, pair_of)),
    )


def _of_pair(window: Window, p: Floats) -> tuple[Floats, Floats]:
    """Return the two components over the window, of unit area, and their areas."""
    sigma = np.exp(p[2])
    each = np.array([[p[0], p[2], 1.0], [p[0] + p[1] * sigma, p[2], 1.0]])
    return one(window.x, each)[0], p[3:]


def _scores(
    problem: Problem, space: Space, z: Floats, single: Floats, limits: Limits, outside: float,
    solutions: dict[str, Solution], model: tuple[str, Model] | None,
) -> dict[str, tuple[float, float]]:
    """Return (AICc, BIC) by explanation."""
    # Whitened samples are as many as they seem: each counts as one.
    scores = {name: criteria(problem, _counted(s), 1.0) for name, s in solutions.items()}
    if model is not None:
        # It has the parameters of one Gaussian.
        rss = float(fit_single(model[1], space, z, single, limits)[1][0]) + outside
        scores[model[0]] = criteria(problem, replace(solutions[ONE], rss=rss), 1.0)
    return scores


def _counted(solution: Solution) -> Solution:
    """Return `solution` with the sigma that two share counted, also where it was held."""
    if len(solution.peaks) == 2 and "p0_sigma" not in solution.names:
        return replace(solution, names=(*solution.names, "p0_sigma"))
    return solution


def _solve_all(
    problem: Problem, space: Space, z: Floats, single: Floats, pair_of: Floats, limits: Limits
) -> dict[str, Solution]:
    """Return the fits with lmfit, each started from where the quick one ends.

    Where the plate tells what width to expect, two keep the one width that trace and plate
    together ask for.
    """
    out = {}
    c, ln_sigma, area = map(float, single)
    out[ONE] = solve(problem, (Peak(c, area, float(np.exp(ln_sigma))),))
    lower, gap, ln_sigma, a, b = map(float, pair_of)
    s = float(np.exp(ln_sigma))
    start = (Peak(lower, a, s), Peak(lower + gap * s, b, s))
    tied = merged_pairs(start) and space.width is None
    held = None if tied else {"p0_sigma": s, "p1_sigma": s}
    out[TWO] = solve(problem, start, None, frozenset(), held, share=True)
    for side, towards in ((1, "origin"), (-1, "front")):
        m, ln_sigma, ratio, area = map(
            float, fit_tail(space, z, single[None, :], limits, side)[0][0])
        s = float(np.exp(ln_sigma))
        out[f"a tail toward the {towards}"] = solve(
            problem, (Peak(m, area, s, side * ratio * s),), None, frozenset([0]))
    return out


def _drawn(
    solutions: dict[str, Solution], window: Window
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the fits over the window: one, two, the two apart (2, m), the better tail."""
    x, y, base = window.x, window.y, window.columns
    pull = np.linalg.pinv(base[window.usable])

    def whole(s: Solution) -> tuple[Floats, Floats]:
        peaks = np.sum([peak_shape(x, p)[0] for p in s.peaks], axis=0)
        line = base @ (pull @ (y - peaks)[window.usable])
        return peaks + line, line

    pair_of = solutions[TWO]
    both, line = whole(pair_of)
    parts = np.stack([peak_shape(x, p)[0] + line for p in pair_of.peaks])
    tail = min((s for n, s in solutions.items() if n.startswith("a tail")), key=lambda s: s.rss)
    return whole(solutions[ONE])[0], both, parts, whole(tail)[0]


def _as_fit(case: Case, name: str) -> Fit:
    """Return a fit with lmfit as `Fit`, its covariance under noise, misfit and expected width."""
    solution = case.solutions[name]
    model, p = (one, case.single) if name == ONE else (two, case.pair)
    jac = case.space.reduced(model, p[None, :])[1][0].T
    size = np.sqrt(np.maximum(np.sum(jac * jac, axis=0), 1e-300))
    inverse = np.linalg.pinv((jac / size).T @ (jac / size), rcond=1e-11, hermitian=True)
    scale = solution.rss / max(case.space.freedom - len(p), 1)
    free = inverse / size[:, None] / size[None, :] * (
        scale if case.free_scale else max(1.0, scale))
    carry = _carry(p)
    parts = tuple(
        q.component() for q in sorted(solution.peaks, key=lambda q: q.centre))
    none = np.zeros(0)
    return Fit(parts, carry @ free @ carry.T, "linear", none, none, none,
               None, None, None, None, ())


def _carry(p: Floats) -> Floats:
    """Return derivatives of (centre, area, sigma, tau) of each component by the values of `p`."""
    if p.size == 3:
        return np.array([[1.0, 0, 0], [0, 0, 1], [0, np.exp(p[1]), 0], [0, 0, 0]])
    sigma = float(np.exp(p[2]))
    return np.array([
        [1.0, 0, 0, 0, 0], [0, 0, 0, 1, 0], [0, 0, sigma, 0, 0], [0, 0, 0, 0, 0],
        [1.0, sigma, p[1] * sigma, 0, 0], [0, 0, 0, 0, 1], [0, 0, sigma, 0, 0], [0, 0, 0, 0, 0],
    ])


def area_shares(
    case: Case, line_sds: tuple[float, float]
) -> tuple[list[float], list[float | None], list[float], list[float | None], Pair]:
    """Return Rf, area percent of the pair, each with standard deviation, and the resolution."""
    fit = _as_fit(case, TWO)
    both = pair(fit, 0, 1, case.run, case.blur)
    rfs = [retardation(fit, i, case.run, *line_sds) for i in range(2)]
    percents, sds = area_percents(fit)
    return ([r[0] for r in rfs], [r[1] for r in rfs], [float(p) for p in percents],
            [None, None] if sds is None else [float(s) for s in sds], both)

"""The case of one spot: its window, its noise, its fits as one, as two and as one that tails."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermevander
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.evidence.noise_covariance import MISFIT_LENGTH, MISFIT_REACH, noise_covariance
from lanes.evidence.whitened_fits import (
    Limits,
    Model,
    Space,
    fit_single,
    fit_tail,
    fit_two,
    make_space,
    measured,
    one,
)
from lanes.reading import LaneReading
from lanes.spots.choose import MISFIT
from lanes.spots.criteria import criteria
from lanes.spots.fit import VALUES, Fit, index
from lanes.spots.model import (
    Component,
    Peak,
    Problem,
    Solution,
    located,
    merged_pairs,
    peak_shape,
    solve,
)
from lanes.spots.quantities import Pair, area_percents, pair, retardation
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

TOGETHER = 4.0   # sigmas between components that one question is about: resolution 1
REACH = 8.0      # sigmas of window on either side
SHAPE_TERMS = (0, 3, 4, 5, 6)


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
    space : Space
        Of the usable samples.
    z : (1, r) array
        The trace in `space`; `rest` is what lies outside.
    scores : dict
        (AICc, BIC) of each way to explain the spot, from fits with lmfit.
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
    problem: Problem
    solutions: dict[str, Solution]
    scores: dict[str, tuple[float, float]]
    drawn: tuple[Floats, Floats, Floats, Floats]

    @property
    def single_rf(self) -> float:
        """Rf of the spot as one."""
        return self.solutions["one Gaussian"].peaks[0].centre / self.run

    def single_rf_sd(self, line_sds: tuple[float, float]) -> float | None:
        """Return the standard deviation of that Rf, the lines' included."""
        return retardation(_as_fit(self, "one Gaussian"), 0, self.run, *line_sds)[1]


def pick(reading: LaneReading, rf: float | None) -> tuple[int, ...]:
    """Return the components that the question is about: the spot at `rf`, or the strongest.

    Those of one merged group belong together; of more than two, the spot and its largest partner.

    Raises
    ------
    InputError
        If the lane has no spot, or none at `rf`.
    """
    parts = reading.fit.components
    run = reading.trace.run
    if not parts:
        raise InputError(f"lane {reading.name} has no spot to ask about: apply more sample, or "
                         "give another --lane")
    groups = [[0]]
    for i in range(1, len(parts)):
        a, b = parts[i - 1], parts[i]
        if b.centre - a.centre < TOGETHER * 0.5 * (a.spread + b.spread):
            groups[-1].append(i)
        else:
            groups.append([i])
    if rf is None:
        group = max(groups, key=lambda g: sum(parts[i].area for i in g))
        i = max(group, key=lambda i: parts[i].area)
    else:
        if not np.isfinite(rf):
            raise InputError(f"--rf {rf} is not a number from 0 to 1")
        i = min(range(len(parts)), key=lambda i: abs(parts[i].centre - rf * run))
        if abs(parts[i].centre - rf * run) > max(2.0 * parts[i].spread, 0.02 * run):
            listed = ", ".join(f"{c.centre / run:.2f}" for c in parts)
            raise InputError(f"lane {reading.name} has no spot at Rf {rf:g}: its spots are at "
                             f"{listed}")
        group = next(g for g in groups if i in g)
    beside = [j for j in (i - 1, i + 1) if j in group]
    if not beside:
        return (i,)
    partner = max(beside, key=lambda j: parts[j].area)
    return tuple(sorted((i, partner)))


def _moments(parts: list[Component]) -> Peak:
    areas = np.array([c.area for c in parts])
    means = np.array([c.mean for c in parts])
    total = float(areas.sum())
    centre = float(areas @ means) / total
    variance = float(areas @ (np.array([c.spread ** 2 for c in parts]) + (means - centre) ** 2))
    return Peak(centre, total, float(np.sqrt(variance / total)))


def make_case(
    reading: LaneReading, group: tuple[int, ...], mm: float, shape: Shape | None = None
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

    Raises
    ------
    InputError
        If too little of the trace round the spot can be used.
    """
    trace, fit, noise = reading.trace, reading.fit, reading.noise
    parts = [fit.components[i] for i in group]
    lone = min(c.spread for c in parts)
    rough = _moments(parts)
    reach = REACH * max(lone, 0.7 * rough.sigma)
    inside = (trace.position > rough.centre - reach) & (trace.position < rough.centre + reach)
    x = trace.position[inside]
    y = (trace.signal - reading.background - fit.baseline)[inside]
    usable, gain = trace.usable[inside].copy(), trace.gain[inside]
    columns = [np.ones_like(x), (x - rough.centre) / reach]
    for j, c in enumerate(fit.components):
        if j in group:
            continue
        value, by = peak_shape(x, c.peak())
        y = y - value
        # What the fit says of a neighbour is uncertain: to first order its values are free.
        if abs(c.centre - rough.centre) < reach + 2.0 * c.spread:
            columns += [by[k] for k in range(4 if c.tau else 3) if np.any(by[k])]
    if usable.sum() < 24 or usable[np.abs(x - rough.centre) < rough.sigma].mean() < 0.7:
        raise InputError(f"lane {reading.name}: too little of the trace round Rf "
                         f"{rough.centre / trace.run:.2f} can be used to ask about it")
    known = noise.source != "residuals"
    if noise.sd <= 0:
        noise = replace(noise, sd=1e-6 * float(np.ptp(y)))
    xu, yu = x[usable], y[usable]
    bounds = ((0.25 / mm, 5.0 / mm) if known
              else (min(2.5 * trace.pitch, 0.8 * lone), 0.4 * float(np.ptp(x))))
    flat = Problem(xu, yu, 1.0 / (noise.sd * gain[usable]), "linear", *bounds, None)
    first = solve(flat, (rough,)).peaks[0]
    z = (x - first.centre) / first.sigma
    height = first.area / (first.sigma * ROOT_2PI)
    envelope = MISFIT * height * np.exp(-0.5 * (z / MISFIT_REACH) ** 2)
    covariance = noise_covariance(noise, gain)
    smooth = np.exp(-0.5 * ((z[:, None] - z[None, :]) / MISFIT_LENGTH) ** 2)
    # A misfit is what place, width and area can't take up; else it would pull at the area.
    own = one(x, np.array([[first.centre, np.log(first.sigma), first.area]]))[1][0].T
    own = np.linalg.qr(own / np.linalg.norm(own, axis=0))[0]
    beyond = np.eye(x.size) - own @ own.T
    covariance += beyond @ (envelope[:, None] * envelope[None, :] * smooth) @ beyond
    if shape is not None:
        bell = np.exp(-0.5 * z * z)[:, None] * height
        by = hermevander(z, max(SHAPE_TERMS))[:, SHAPE_TERMS[1:]] * bell
        covariance += by @ shape.covariance @ by.T
    both = np.ix_(usable, usable)
    limits = Limits(float(x[0]), float(x[-1]), max(0.45 * lone, bounds[0]),
                    min(2.5 * first.sigma, bounds[1]))
    space = make_space(xu, covariance[both], np.stack(columns, axis=1)[usable],
                       0.75 * limits.narrowest)
    reduced = (space.reduce @ yu)[None, :]
    guess = np.array([first.centre, np.log(first.sigma), max(first.area, 1e-12)])
    single = fit_single(one, space, reduced, guess, limits)[0][0]
    # Baseline and neighbours leave with the whitening.
    problem = replace(flat, baseline_order="none", whitening=space.whole)
    model = None if shape is None else (f"the shape of lane {shape.lane}",
                                        measured(shape.coefficients))
    solutions = _solve_all(problem, space, reduced, single, limits)
    # Whitened samples are as many as they seem: each counts as one.
    scores = {name: criteria(problem, _counted(s), 1.0) for name, s in solutions.items()}
    outside = space.rest(yu)
    if model is not None:
        # It has the parameters of one Gaussian.
        rss = float(fit_single(model[1], space, reduced, single, limits)[1][0]) + outside
        scores[model[0]] = criteria(problem, replace(solutions["one Gaussian"], rss=rss), 1.0)
    base = np.stack(columns, axis=1)
    return Case(
        trace.run, trace.blur, x, y, usable, 2.0 * np.sqrt(np.diag(covariance)), space,
        limits, reduced, outside, not known, model, single, problem, solutions, scores,
        _drawn(solutions, x, y, usable, base),
    )


def _counted(solution: Solution) -> Solution:
    """Return `solution` with the sigma that two share counted, also where it was held."""
    if len(solution.peaks) == 2 and "p0_sigma" not in solution.names:
        return replace(solution, names=(*solution.names, "p0_sigma"))
    return solution


def _solve_all(
    problem: Problem, space: Space, z: Floats, single: Floats, limits: Limits
) -> dict[str, Solution]:
    """Return the fits with lmfit, each started from where the quick one ends."""
    out = {}
    c, ln_sigma, area = map(float, fit_single(one, space, z, single, limits)[0][0])
    out["one Gaussian"] = solve(problem, (Peak(c, area, float(np.exp(ln_sigma))),))
    lower, gap, ln_sigma, a, b = map(float, fit_two(space, z, single[None, :], limits)[0][0])
    s = float(np.exp(ln_sigma))
    start = (Peak(lower, a, s), Peak(lower + gap * s, b, s))
    apart = None if merged_pairs(start) else {"p0_sigma": s, "p1_sigma": s}
    out["two Gaussians"] = solve(problem, start, None, frozenset(), apart, share=True)
    for side, towards in ((1, "origin"), (-1, "front")):
        m, ln_sigma, ratio, area = map(
            float, fit_tail(space, z, single[None, :], limits, side)[0][0])
        s = float(np.exp(ln_sigma))
        out[f"a tail toward the {towards}"] = solve(
            problem, (Peak(m, area, s, side * ratio * s),), None, frozenset([0]))
    return out


def _drawn(
    solutions: dict[str, Solution], x: Floats, y: Floats, usable: NDArray[np.bool_],
    base: Floats,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the fits over the window: one, two, the two apart (2, m), the better tail."""
    pull = np.linalg.pinv(base[usable])

    def whole(s: Solution) -> tuple[Floats, Floats]:
        peaks = np.sum([peak_shape(x, p)[0] for p in s.peaks], axis=0)
        line = base @ (pull @ (y - peaks)[usable])
        return peaks + line, line

    pair_of = solutions["two Gaussians"]
    both, line = whole(pair_of)
    parts = np.stack([peak_shape(x, p)[0] + line for p in pair_of.peaks])
    tail = min((s for n, s in solutions.items() if n.startswith("a tail")), key=lambda s: s.rss)
    return whole(solutions["one Gaussian"])[0], both, parts, whole(tail)[0]


def _as_fit(case: Case, name: str) -> Fit:
    """Return a fit with lmfit as `Fit`, its covariance under the plate's noise and the misfit."""
    solution = case.solutions[name]
    jac = solution.jacobian.T
    size = np.sqrt(np.maximum(np.sum(jac * jac, axis=0), 1e-300))
    inverse = np.linalg.pinv((jac / size).T @ (jac / size), rcond=1e-11, hermitian=True)
    scale = solution.rss / max(case.space.freedom - len(solution.names), 1)
    free = inverse / size[:, None] / size[None, :] * (
        scale if case.free_scale else max(1.0, scale))
    count = len(solution.peaks)
    carry = np.zeros((len(VALUES) * count, len(solution.names)))
    shared = "p1_sigma" not in solution.names
    for j, key in enumerate(solution.names):
        which = located(key)
        if which is not None:
            carry[index(*which), j] = 1.0
            if which[1] == "sigma" and count == 2 and shared:
                carry[index(1, "sigma"), j] = 1.0
    order = np.argsort([p.centre for p in solution.peaks])
    rows = np.array([index(i, value) for i in order for value in VALUES])
    parts = tuple(solution.peaks[i].component() for i in order)
    none = np.zeros(0)
    return Fit(parts, (carry @ free @ carry.T)[np.ix_(rows, rows)], "linear", none, none, none,
               None, None, None, None, ())


def area_shares(
    case: Case, line_sds: tuple[float, float]
) -> tuple[list[float], list[float | None], list[float], list[float | None], Pair]:
    """Return Rf, area percent of the pair, each with standard deviation, and the resolution."""
    fit = _as_fit(case, "two Gaussians")
    both = pair(fit, 0, 1, case.run, case.blur)
    rfs = [retardation(fit, i, case.run, *line_sds) for i in range(2)]
    percents, sds = area_percents(fit)
    return ([r[0] for r in rfs], [r[1] for r in rfs], [float(p) for p in percents],
            [None, None] if sds is None else [float(s) for s in sds], both)

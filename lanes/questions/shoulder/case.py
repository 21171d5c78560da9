"""The case of one spot: its fits as one, as two and as one that tails, under noise and misfit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.whitened_fits import Limits, fit_single, fit_two
from lanes.evidence.whitened_models import (
    measured,
    one,
    pair_of,
    uneven,
)
from lanes.evidence.whitened_space import Model, Space
from lanes.questions.shoulder.across import Across, across_lane, strips_of
from lanes.questions.shoulder.any_shape import AnyShape, of_window
from lanes.questions.shoulder.as_two import apart, covariance_of_two, marks_of
from lanes.questions.shoulder.explanations import Explanation, explain, tails, two_uneven
from lanes.questions.shoulder.named_shape import Shape
from lanes.questions.shoulder.profile import AS_LONG_AS_WIDE, AsAcross, as_across
from lanes.questions.shoulder.straight import straightened
from lanes.questions.shoulder.window import Window, make_window
from lanes.reading import LaneReading
from lanes.rounding import TINY
from lanes.spots.fit import Fit
from lanes.spots.model import Peak
from lanes.spots.quantities import Pair, area_percents, pair, retardation
from lanes.spots.shape_doubt import ASSUMED, ShapeDoubt
from lanes.spots.strip_shape import Strips, roughness

Floats = NDArray[np.float64]

ONE, TWO = "one Gaussian", "two Gaussians"
ONE_ACROSS, TWO_ACROSS = "one spot as it looks across the lane", "two such spots"
TWO_UNEVEN = "two skewed or flat spots alike"
NO_AREA = 1e-12  # signal x mm^2: where a fit of one begins at least
RANK = 1e-11  # of the largest: directions that a fit fixes by less are not fixed at all


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
    each : Model
        What one spot is like along the lane: a Gaussian, or its profile across the lane where the
        trace is more like that.
    wide : (ln sigma, sd) or None
        What its width across the lane leads to expect along it.
    half_width : float
        Its full width at half height over that of a Gaussian of its sigma.
    single : (3,) array
        The spot as one: centre, ln sigma, area.
    pair : (5,) array
        As two, as in `whitened_models.pair_of`.
    one, two : Explanation
        The same as fitted with lmfit.
    scores : dict
        (AICc, BIC) of each way to explain the spot, from fits with lmfit.
    doubt : ShapeDoubt
        How misshapen a single spot is taken to be.
    rough : float
        By how much this one is more misshapen than that, as its strips show.
    across : Across or None
        The two components across the lane.
    any_shape : AnyShape or None
        One spot of any shape against two of one; None where noise is not known.
    of_two : (r, r) array
        Covariance of the data in `space` where the spot is two, each with its own misfit.
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
    each: Model
    wide: tuple[float, float] | None
    half_width: float
    single: Floats
    pair: Floats
    one: Explanation
    two: Explanation
    scores: dict[str, tuple[float, float]]
    drawn: tuple[Floats, Floats, Floats, Floats]
    doubt: ShapeDoubt
    rough: float
    across: Across | None
    any_shape: AnyShape | None
    of_two: Floats

    @property
    def single_rf(self) -> float:
        """Rf of the spot as one."""
        return float(self.one.values[0]) / self.run

    @property
    def own_ln_sigma(self) -> float:
        """ln sigma of the spot as one Gaussian, by its own trace alone."""
        space = self.space.without_width()
        z = self.z[:, :space.reduce.shape[0]]
        return float(fit_single(one, space, z, self.single, self.limits)[0][0, 1])

    @property
    def held(self) -> Case:
        """The case with each spot's length held to the width that this one shows across the lane.

        Beside what lone spots lead to expect, that is one more measurement of ln sigma. What is no
        longer than wide pays nothing: it may have been applied as a line, and be two all the same.
        """
        if self.wide is None or self.own_ln_sigma <= self.wide[0]:
            return self
        values, sds = np.array([self.wide, *([self.space.width] if self.space.width else [])]).T
        weights = sds**-2
        width = float(weights @ values / weights.sum()), float(weights.sum() ** -0.5)
        space = replace(self.space, width=width)
        trace = self.z[:, :space.reduce.shape[0]]
        return replace(self, space=space, z=np.append(trace, [[width[0] / width[1]]], axis=1))

    @property
    def long(self) -> bool:
        """Whether it is longer than wide by more than single spots usually are (a sd)."""
        return (self.wide is not None
                and self.own_ln_sigma - self.wide[0] > self.wide[1])

    @property
    def by_name(self) -> tuple[str, str]:
        """What it is called as one, and as two."""
        names = (ONE, TWO) if self.each is one else (ONE_ACROSS, TWO_ACROSS)
        return names if TWO_UNEVEN not in self.scores else (names[0], TWO_UNEVEN)

    def single_rf_sd(self, line_sds: tuple[float, float]) -> float | None:
        """Return the standard deviation of that Rf, the lines' included."""
        return retardation(_as_fit(self, self.one), 0, self.run, *line_sds)[1]


def make_case(
    reading: LaneReading, group: tuple[int, ...], mm: float, shape: Shape | None = None,
    doubt: ShapeDoubt = ASSUMED, width: tuple[float, float] | None = None,
    length: tuple[float, float] = AS_LONG_AS_WIDE,
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
    length : (ln ratio, sd)
        Of a single spot's length along the lane over its width across.

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
        covariance += shape.doubt(window)
    problem, limits, use = window.problem, window.limits, window.usable
    seen = as_across(reading, group, window, length)
    space = replace(window.space(covariance), width=width)
    z, outside = space.data(problem.y), space.rest(problem.y)
    start = _each(space, z, window, limits, seen)
    each, single, pair_of_each = start
    known = reading.noise.source != "residuals"
    found = _explained(window, _Trace(space, z, outside, limits, problem.narrowest), start, strips,
                       doubt if known else None)
    explanations, as_two = found.by_name, found.two
    model = None
    if shape is not None:
        model = f"the shape of lane {shape.lane}", measured(shape.coefficients)
        explanations[model[0]] = explain(model[1], space, z, outside, single, limits.single(),
                                         problem.narrowest)
    return Case(
        reading.trace.run, reading.trace.blur, window.x, window.y, use,
        2.0 * np.sqrt(np.diag(covariance)), space, limits, z, outside,
        not known, model, each, None if seen is None else seen.width,
        1.0 if each is one or seen is None else seen.half_width, single, pair_of_each, found.one,
        as_two, {name: e.scores(problem.x.size) for name, e in explanations.items()},
        _drawn(window, found.one, as_two, found.better_tail, each), doubt, rough,
        across_lane(found.strips, window, *_of_pair(window, as_two.values, each)), found.shapes,
        covariance_of_two(window, space, as_two.values, 1.0 if seen is None else seen.half_width,
                           doubt, rough, shape),
    )


@dataclass(frozen=True)
class _Trace:
    """The spot's trace for fits with lmfit: `z` in `space`, what lies outside, and bounds."""

    space: Space
    z: Floats
    outside: float
    limits: Limits
    narrowest: float

    def explain(
        self, model: Model, start: Floats, limits: tuple[Floats, Floats]
    ) -> Explanation:
        """Fit `model` from the values `start`, (p,), within `limits`."""
        return explain(model, self.space, self.z, self.outside, start, limits, self.narrowest)


@dataclass(frozen=True)
class _Explained:
    """The spot as one, as two, and by its tails; `strips` are straight where they were bent."""

    one: Explanation
    two: Explanation
    better_tail: Explanation
    by_name: dict[str, Explanation]
    shapes: AnyShape | None
    strips: Strips | None


def _explained(
    window: Window, trace: _Trace, start: tuple[Model, Floats, Floats], strips: Strips | None,
    doubt: ShapeDoubt | None,
) -> _Explained:
    """Return every way to explain the spot, from the rough fits `start`; `doubt` asks for shapes.

    Where one spot of any shape surely fails, two skewed or flat ones alike are tried as well.
    """
    each, single, pair_of_each = start
    space, z, outside, limits, least = (
        trace.space, trace.z, trace.outside, trace.limits, trace.narrowest)
    as_one = trace.explain(each, single, limits.single())
    as_two = trace.explain(pair_of(each), pair_of_each, limits.pair())
    shapes = None
    if doubt is not None:
        own = float(np.exp(min(as_one.values[1], as_two.values[2])))
        shapes = of_window(window, strips, doubt, limits.narrowest, as_one.values[0], own)
    tailing = tails(space, z, outside, single, limits, least)
    names = (ONE, TWO) if each is one else (ONE_ACROSS, TWO_ACROSS)
    by_name = {names[0]: as_one, names[1]: as_two, **tailing}
    if shapes is not None and shapes.sure:
        strips = None if strips is None else straightened(strips)[0]
        alike = two_uneven(space, z, outside, (single, pair_of_each), limits, least)
        if as_two.rss - alike.rss > 2.0 * np.log(window.problem.x.size):  # BIC, the noise known
            by_name[TWO_UNEVEN] = as_two = alike
    better_tail = min(tailing.values(), key=lambda e: e.rss)
    return _Explained(as_one, as_two, better_tail, by_name, shapes, strips)


def _each(
    space: Space, z: Floats, window: Window, limits: Limits, seen: AsAcross | None
) -> tuple[Model, Floats, Floats]:
    """Return what one spot is like, and the fits of one, (3,), and of two, (5,).

    A Gaussian or the profile across the lane, whichever comes nearer, by itself or twice: both
    take the same number of values.
    """
    first = window.first
    guess = np.array([first.centre, np.log(first.sigma), max(first.area, NO_AREA)])
    found = []
    for each in (one, *(() if seen is None else (seen.model,))):
        single, of_one = fit_single(each, space, z, guess, limits)
        both, of_two = fit_two(space, z, single, limits, each)
        found.append((float(min(of_one[0], of_two[0])), each, single[0], both[0]))
    return min(found, key=lambda f: f[0])[1:]


def _of_pair(window: Window, p: Floats, each: Model) -> tuple[Floats, Floats]:
    """Return the two components over the window, of unit area, and their areas."""
    return _single(p, each)(window.x, apart(p, 1.0))[0], p[-2:]


def _single(p: Floats, each: Model) -> Model:
    """Return what one of a pair of values `p` is like."""
    return uneven if p.size == 7 else each


def _drawn(
    window: Window, as_one: Explanation, as_two: Explanation, better_tail: Explanation, each: Model
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the fits over the window: one, two, the two apart (2, m), the better tail."""
    x, y, base = window.x, window.y, window.columns
    pull = np.linalg.pinv(base[window.usable])

    def whole(e: Explanation) -> tuple[Floats, Floats]:
        peaks = e.model(x, e.values[None])[0][0]
        line = base @ (pull @ (y - peaks)[window.usable])
        return peaks + line, line

    both, line = whole(as_two)
    each_of_two = _single(as_two.values, each)(x, apart(as_two.values))[0] + line
    return whole(as_one)[0], both, each_of_two, whole(better_tail)[0]


def _as_fit(case: Case, found: Explanation) -> Fit:
    """Return a fit with lmfit as `Fit`, its covariance under noise, misfit and expected width.

    Each component's sigma is that of the Gaussian as wide at half height.
    """
    p = found.values
    jac = case.space.reduced(found.model, p[None, :])[1][0].T
    size = np.sqrt(np.maximum(np.sum(jac * jac, axis=0), TINY))
    inverse = np.linalg.pinv((jac / size).T @ (jac / size), rcond=RANK, hermitian=True)
    if found is case.two:  # weighed as one spot's data are: their own covariance is another
        known = np.eye(len(jac))
        known[:len(case.of_two), :len(case.of_two)] = case.of_two
        inverse = inverse @ (jac / size).T @ known @ (jac / size) @ inverse
    scale = found.rss / max(case.space.freedom - len(p), 1)
    free = inverse / size[:, None] / size[None, :] * (
        scale if case.free_scale else max(1.0, scale))
    marks, carry = marks_of(p, case.half_width)
    both = tuple(Peak(float(c), float(area), float(sigma)).component()
                 for c, area, sigma, _ in marks.reshape(-1, 4))
    none = np.zeros(0)
    return Fit(both, carry @ free @ carry.T, "linear", none, none, none,
               None, None, None, None, ())


def area_shares(
    case: Case, line_sds: tuple[float, float]
) -> tuple[list[float], list[float | None], list[float], list[float | None], Pair]:
    """Return Rf, area percent of the pair, each with standard deviation, and the resolution."""
    fit = _as_fit(case, case.two)
    both = pair(fit, 0, 1, case.run, case.blur)
    rfs = [retardation(fit, i, case.run, *line_sds) for i in range(2)]
    percents, sds = area_percents(fit)
    return ([r[0] for r in rfs], [r[1] for r in rfs], [float(p) for p in percents],
            [None, None] if sds is None else [float(s) for s in sds], both)

"""The stretch of a lane round one spot: the trace less all that is not asked about."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.evidence.noise_covariance import misfit_covariance, noise_covariance
from lanes.evidence.whitened_fits import Limits
from lanes.evidence.whitened_models import one
from lanes.evidence.whitened_space import Space, make_space
from lanes.reading import LaneReading
from lanes.spots.model import Component, Peak, Problem, peak_shape
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.spots.shapes import ROOT_2PI
from lanes.spots.solve import solve

Floats = NDArray[np.float64]

# Sigmas between components that one question is about: resolution 1.1. A spot that the reading
# lists beyond is a neighbour with a valley of its own.
TOGETHER = 4.4
REACH = 8.0      # sigmas of window on either side
SEEN = 0.7       # share of the samples within a sigma that must be usable
FEWEST = 24      # usable samples
WORSE = 1.3      # times the assumed doubt of shape: from here on a plate's spots are no common ones
# From the Rf that was asked for: as far as a spot is taken for it, in its spreads or of the run.
MEANT_SPREADS, MEANT_RUN = 2.0, 0.02
BROAD = 0.7      # of the spread of all components together: what counts for the window's reach
NO_NOISE = 1e-6  # of the trace's height: what stands for noise where there is none
TOUCHES = 2.0    # spreads beyond the window within which a neighbour reaches into it
ENDS = 3.0       # spreads of a neighbour beyond its apex, where it ends
# Limits of sigma on a trace alone: samples, of the narrowest component, and of the window's length.
NARROWEST_SAMPLES, NARROWEST_LONE, BROADEST_SPAN = 2.5, 0.8, 0.4
NARROWEST_MM, BROADEST_MM = 0.25, 5.0  # sigma of a spot, as in a reading
# Sigmas that fits of one and of two may take: of the narrowest component's in the reading, and of
# the spot's as one. Two may each be narrower than what was read as one; neither is much broader.
NARROWER, BROADER = 0.45, 2.5
SPACE = 0.75  # of the narrowest sigma: what the space of the traces must be able to draw


def pick(reading: LaneReading, rf: float | None) -> tuple[int, ...]:
    """Return the components that the question is about: the spot at `rf`, or the strongest.

    Those of one merged group belong together, however many: a misshapen spot may be read as three.

    Raises
    ------
    InputError
        If the lane has no spot, or none at `rf`.
    """
    found = reading.fit.components
    run = reading.trace.run
    if not found:
        raise InputError(f"lane {reading.name} has no spot to ask about: apply more sample, or "
                         "give another --lane")
    groups = [[0]]
    for i in range(1, len(found)):
        a, b = found[i - 1], found[i]
        if b.centre - a.centre < TOGETHER * 0.5 * (a.spread + b.spread):
            groups[-1].append(i)
        else:
            groups.append([i])
    if rf is None:
        group = max(groups, key=lambda g: sum(found[i].area for i in g))
    else:
        if not np.isfinite(rf):
            raise InputError(f"--rf {rf} is not a number from 0 to 1")
        i = min(range(len(found)), key=lambda i: abs(found[i].centre - rf * run))
        if abs(found[i].centre - rf * run) > max(MEANT_SPREADS * found[i].spread,
                                                  MEANT_RUN * run):
            listed = ", ".join(f"{c.centre / run:.2f}" for c in found)
            raise InputError(f"lane {reading.name} has no spot at Rf {rf:g}: its spots are at "
                             f"{listed}")
        group = next(g for g in groups if i in g)
    return tuple(group)


def kept_one(reading: LaneReading, group: tuple[int, ...]) -> bool:
    """Return whether the reading thought of more than one component for `group`, and kept one.

    A plate whose lanes hold pairs shows that its spots are misshapen, and every pair is kept as
    one: where it taught worse shapes than are common, what the reading made of it does not count.
    """
    doubt = reading.fit.shapes
    if len(group) != 1 or (
            doubt is not None and bool((doubt.sds > WORSE * ASSUMED.sds)[:2].any())):
        return False
    c = reading.fit.components[group[0]]
    return any(abs(place - c.mean) < c.spread for place in reading.fit.refused)


@dataclass(frozen=True)
class Window:
    """A spot's stretch of the trace.

    Attributes
    ----------
    x, y, usable, gain : (m,) array
        Positions; signal less baseline and far neighbours; which samples count; their noise's
        size relative to clean layer.
    columns : (m, q) array
        What the baseline and the neighbours may still add, to first order.
    problem : Problem
        The usable samples, for a fit with lmfit.
    first : Peak
        The spot as one Gaussian.
    lone : float
        The narrowest sigma that the reading gives a component of it.
    covariance : (m, m) array
        Of the noise, and of the neighbours' own misfit.
    """

    x: Floats
    y: Floats
    usable: NDArray[np.bool_]
    gain: Floats
    columns: Floats
    problem: Problem
    first: Peak
    lone: float
    covariance: Floats

    @property
    def z(self) -> Floats:
        """Distance from the spot's centre in its sigmas."""
        return (self.x - self.first.centre) / self.first.sigma

    @property
    def height(self) -> float:
        """Height of the spot as one Gaussian."""
        return self.first.area / (self.first.sigma * ROOT_2PI)

    @property
    def limits(self) -> Limits:
        """What fits of one and of two may take."""
        problem = self.problem
        return Limits(float(self.x[0]), float(self.x[-1]),
                      max(NARROWER * self.lone, problem.narrowest),
                      min(BROADER * self.first.sigma, problem.broadest))

    def space(self, covariance: Floats) -> Space:
        """Return the space of the usable samples, under an (m, m) covariance of all."""
        use = self.usable
        return make_space(self.problem.x, covariance[np.ix_(use, use)], self.columns[use],
                          SPACE * self.limits.narrowest)

    def with_misfit(self, doubt: ShapeDoubt | None, rough: float = 1.0) -> Floats:
        """Return the covariance with the spot's own departure from a Gaussian.

        Without a doubt of its shape it is what is too fine for any.
        A misfit is what place, width and area can't take up; else it would pull at the area.
        """
        first = self.first
        own = one(self.x, np.array([[first.centre, np.log(first.sigma), first.area]]))[1][0].T
        own = np.linalg.qr(own / np.linalg.norm(own, axis=0))[0]
        beyond = np.eye(self.x.size) - own @ own.T
        return np.asarray(self.covariance
                          + beyond @ misfit_covariance(self.z, self.height, doubt, rough) @ beyond)


def make_window(
    reading: LaneReading, group: tuple[int, ...], mm: float, doubt: ShapeDoubt
) -> Window:
    """Return the window of components `group` of a lane; `mm` is millimetres per plate unit.

    Raises
    ------
    InputError
        If too little of the trace round the spot can be used.
    """
    trace, fit, noise = reading.trace, reading.fit, reading.noise
    parts = [fit.components[i] for i in group]
    lone = min(c.spread for c in parts)
    rough = _moments(parts)
    reach = REACH * max(lone, BROAD * rough.sigma)
    inside = np.abs(trace.position - rough.centre) < reach
    x, gain = trace.position[inside], trace.gain[inside]
    y = (trace.signal - reading.background - fit.baseline)[inside]
    if noise.sd <= 0:
        noise = replace(noise, sd=NO_NOISE * float(np.ptp(y)))
    usable = trace.usable[inside].copy()
    covariance = noise_covariance(noise, gain)
    columns = [np.ones_like(x), (x - rough.centre) / reach]
    for j, c in enumerate(fit.components):
        if j in group:
            continue
        value, by = peak_shape(x, c.peak())
        y = y - value
        if abs(c.centre - rough.centre) > reach + TOUCHES * c.spread:
            continue
        # What the fit has of a neighbour is uncertain: to first order its values are free, and
        # its shape is as doubtful as the spot's own.
        columns += [by[k] for k in range(4 if c.tau else 3) if np.any(by[k])]
        covariance += misfit_covariance((x - c.centre) / c.spread, c.height, doubt)
        usable &= ~_neighbours(x, c, rough.centre)
    if (usable.sum() < FEWEST
            or usable[np.abs(x - rough.centre) < rough.sigma].mean() < SEEN):
        raise InputError(f"lane {reading.name}: too little of the trace round Rf "
                         f"{rough.centre / trace.run:.2f} can be used to ask about it")
    bounds = ((NARROWEST_MM / mm, BROADEST_MM / mm) if noise.source != "residuals"
              else (min(NARROWEST_SAMPLES * trace.pitch, NARROWEST_LONE * lone),
                    BROADEST_SPAN * float(np.ptp(x))))
    problem = Problem(x[usable], y[usable], 1.0 / (noise.sd * gain[usable]), "linear", *bounds,
                      None)
    first = solve(problem, (rough,)).peaks[0]
    return Window(x, y, usable, gain, np.stack(columns, axis=1), problem, first, lone, covariance)


def _neighbours(x: Floats, c: Component, centre: float) -> NDArray[np.bool_]:
    """Return which samples are on the neighbour `c`: there the spot's second can't be looked for.

    From a sigma before its apex to where it ends.
    """
    towards = np.sign(centre - c.centre) * (x - c.centre)
    return np.asarray((towards < c.spread) & (towards > -ENDS * c.spread))


def _moments(parts: list[Component]) -> Peak:
    areas = np.array([c.area for c in parts])
    means = np.array([c.mean for c in parts])
    total = float(areas.sum())
    centre = float(areas @ means) / total
    variance = float(areas @ (np.array([c.spread ** 2 for c in parts]) + (means - centre) ** 2))
    return Peak(centre, total, float(np.sqrt(variance / total)))

"""The co-spot lane as evidence: unknown and reference in one place, one component or two?

The shapes and the share of each are known from their own lanes, so what the co-spot lane is
asked is narrow: how far apart do the two stand here? Its own shift does not matter, since both
were carried up one lane; nor how well Rf repeats between lanes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from lanes.evidence.whitened_fits import fit
from lanes.evidence.whitened_space import Model, Space
from lanes.questions.compare.cospot_window import Window, window_of
from lanes.questions.compare.own_shape import FITTED, OwnShape, beyond_fit, mixed_covariance
from lanes.reading import LaneReading
from lanes.spots.model import Component, peak_shape

Floats = NDArray[np.float64]

# Of ln(width) of one substance in two lanes of a plate, which run alike (common practice).
STRETCH_SD = 0.05
TILT_SD = 0.035  # of half the ln of how unlike the two widen
SHARE_SD = 0.4   # of ln(amount ratio) between co-spot and single lanes: spotting by hand
NEAR_RF = 0.05   # how far from its spots a co-spot's own may lie, in Rf
TABLE = 100      # points a sigma in the table of a shape
TABLE_SIGMAS, TABLE_TAUS = 8.0, 10.0  # how far it reaches: beyond, 1e-14 and 5e-5 of the height
NEIGHBOUR = 1.5  # sigmas from the two, within which another spot spoils the evidence
NARROWEST = 0.6  # of the narrower one's sigma: a co-spot's may be narrower by e^-0.5
# Within which the fit of a co-spot stays: ln of the common stretch, half the ln of the ratio of
# stretches, logit of the share less that expected. Seven to ten times their standard deviations.
MOST_STRETCH, MOST_TILT, MOST_RATIO = 0.5, 0.3, 3.0


@dataclass(frozen=True)
class PeakShape:
    """A spot's shape and its slope on an even grid: the fitted one has unit area, apex at 0."""

    at: Floats
    value: Floats
    slope: Floats

    def __call__(self, x: Floats, place: Floats, ln_stretch: Floats
                 ) -> tuple[Floats, Floats, Floats]:
        """Return values at `x`, (n,), for rows of places and stretches, and their derivatives."""
        stretch = np.exp(ln_stretch)[:, None]
        z = (x - place[:, None]) / stretch
        value = np.interp(z, self.at, self.value, 0.0, 0.0) / stretch
        slope = np.interp(z, self.at, self.slope, 0.0, 0.0) / stretch
        return value, -slope / stretch, -(value + z * slope)


def shape_of(component: Component, own: OwnShape = FITTED) -> PeakShape:
    """Return the shape of a fitted component, with what its own lane shows beyond the fit."""
    c = replace(component, centre=0.0, area=1.0, height=component.height / component.area)
    reach = TABLE_SIGMAS * c.sigma + TABLE_TAUS * abs(c.tau)
    at = np.arange(-reach, reach, c.sigma / TABLE)
    value, by = peak_shape(at, c.peak())
    more = beyond_fit(at, c, own.terms)
    return PeakShape(at, value + more, np.gradient(more, at) - by[0])


def _model(first: PeakShape, second: PeakShape) -> Model:
    """Return the co-spot's model, its priors carried as three further samples.

    Values: place of the middle, ln of the common stretch, summed area, logit of the first's
    share, half the ln of the first's stretch over the second's, gap (second less first). The gap
    is held.
    """
    def model(x: Floats, p: Floats) -> tuple[Floats, Floats]:
        n = x.size - 3
        q = 1.0 / (1.0 + np.exp(-p[:, 3]))
        place, area = p[:, 0], p[:, 2:3]
        a, a_place, a_stretch = first(x[:n], place - (1.0 - q) * p[:, 5], p[:, 1] + p[:, 4])
        b, b_place, b_stretch = second(x[:n], place + q * p[:, 5], p[:, 1] - p[:, 4])
        q, gap = q[:, None], p[:, 5:6]
        moved = q * a_place + (1.0 - q) * b_place
        value = np.zeros((len(p), x.size))
        value[:, :n] = area * (q * a + (1.0 - q) * b)
        value[:, n:] = p[:, [1, 3, 4]]
        by = np.zeros((len(p), 6, x.size))
        by[:, 0, :n] = area * moved
        by[:, 1, :n] = area * (q * a_stretch + (1.0 - q) * b_stretch)
        by[:, 2, :n] = q * a + (1.0 - q) * b
        by[:, 3, :n] = area * q * (1.0 - q) * (a - b + gap * moved)
        by[:, 4, :n] = area * (q * a_stretch - (1.0 - q) * b_stretch)
        by[:, 1, n] = by[:, 3, n + 1] = by[:, 4, n + 2] = 1.0
        return value, by

    return model


@dataclass(frozen=True)
class Cospot:
    """One co-spot lane's evidence on one unknown and one reference spot.

    Attributes
    ----------
    lane : str
    run : float
        From origin to front.
    window : Window
        The lane round the two.
    space : Space
        The window's, with the priors on stretches and share as further samples.
    z : (1, r) array
        The trace in `space`.
    model : Model
    scale : float
        The residual's variance over the noise's, 1 at least.
    tilt_sd : float
        Standard deviation of half the ln of how unlike the two widen.
    start, low, high : (6,) array
        Of the values that are fitted.
    """

    lane: str
    run: float
    window: Window
    space: Space
    z: Floats
    model: Model
    scale: float
    tilt_sd: float
    start: Floats
    low: Floats
    high: Floats

    def fitted(self, z: Floats, at: Floats, start: Floats | None = None, steps: int = 25
               ) -> tuple[Floats, Floats]:
        """Return values (b, g, 6) and sums of squares (b, g) of traces `z` for differences `at`.

        Differences are unknown less reference, in Rf.
        """
        b, g = len(z), at.size
        rows = np.repeat(z, g, axis=0)
        gap = np.tile(-at * self.run, b)
        p = np.tile(self.start if start is None else start, (b * g, 1))
        low, high = np.tile(self.low, (b * g, 1)), np.tile(self.high, (b * g, 1))
        p[:, 5] = low[:, 5] = high[:, 5] = gap
        p, rss = fit(self.model, self.space, rows, p, low, high, steps)
        return p.reshape(b, g, 6), rss.reshape(b, g)

    def deviance(self, at: Floats) -> Floats:
        """Return how badly true differences `at`, (g,), fit the lane."""
        return np.asarray(self.fitted(self.z, at)[1][0] / self.scale)

    def drawn(self, at: Floats, count: int, rng: np.random.Generator) -> Floats:
        """Return the same, (count, g), for lanes drawn as a single spot with this one's noise."""
        p = self.fitted(self.z, np.zeros(1))[0][0]
        mean = self.mean(p)
        z = mean + rng.standard_normal((count, mean.shape[1]))
        return self.fitted(z, at, p[0], 8)[1]

    def apart(self, at: Floats) -> Floats:
        """Return the deviance of a single spot where the true differences are `at`, (g,).

        The spots are as large as the lane's own, widths and share those expected. Two of unlike
        width part askew, which shows; but how unlike they are here is known only roughly, so
        that the least deviance within one standard deviation of it counts.
        """
        single = self.fitted(self.z, np.zeros(1))[0][0]
        lowest = np.full(at.size, np.inf)
        for tilt in (-self.tilt_sd, 0.0, self.tilt_sd):
            p = np.repeat(single, at.size, axis=0)
            p[:, 1], p[:, 3], p[:, 4], p[:, 5] = 0.0, self.start[3], tilt, -at * self.run
            found = self.fitted(self.mean(p), np.zeros(1))[1][:, 0]
            lowest = np.minimum(lowest, found / self.scale)
        return lowest

    def mean(self, p: Floats) -> Floats:
        """Return what values `p`, (b, 6), lead to expect in `space`, the priors' places kept."""
        value = self.model(self.space.x, p)[0]
        value[:, -3:] = 0.0, self.start[3], 0.0
        return np.asarray(value @ self.space.reduce.T)


def make_cospot(
    reading: LaneReading, unknown: tuple[Component, float], reference: tuple[Component, float],
    others: Sequence[float], mm: float, width_sd: float = 0.0,
    shapes: tuple[OwnShape, OwnShape] = (FITTED, FITTED),
) -> Cospot | None:
    """Return what a co-spot lane says of two spots, or None where it can say nothing.

    Parameters
    ----------
    reading : LaneReading
        The co-spot lane.
    unknown, reference : (Component, float)
        The two spots in their own lanes, with their Rf.
    others : sequence of float
        Rf of every other spot of what was applied here.
    mm : float
        Millimetres per plate unit.
    width_sd : float
        Standard deviation of ln(width) by the fits of the two.
    shapes : (OwnShape, OwnShape)
        What their own lanes show of the two beyond the fits.

    Returns
    -------
    Cospot, or None where no spot of the lane belongs to the two, another of those applied lies
    between them or nearer than a width, or too little of the trace can be used.
    """
    group = belonging(reading, unknown[1], reference[1], others)
    sigma = max(unknown[0].sigma, reference[0].sigma)
    run = reading.trace.run
    low, high = sorted((unknown[1], reference[1]))
    reach = NEIGHBOUR * sigma / run
    if not group or any(low - reach < rf < high + reach for rf in others):
        return None
    window = window_of(reading, group, mm, 0.5 * (high - low) * run)
    if window is None:
        return None
    u, a = unknown[0], reference[0]
    parts = [reading.fit.components[i] for i in group]
    area = sum(c.area for c in parts)
    centre = sum(c.area * c.centre for c in parts) / area
    mixed = mixed_covariance(*shapes, u.area / (u.area + a.area))
    window = window.unsure(centre, max(c.spread for c in (u, a)), area, mixed)
    space = window.space(NARROWEST * min(u.sigma, a.sigma))
    sds = (float(np.hypot(STRETCH_SD, width_sd)), SHARE_SD,
           float(np.hypot(TILT_SD, width_sd)))
    logit = float(np.log(u.area / a.area))
    reduce = block_diag(space.reduce, np.diag(1.0 / np.array(sds)))
    z = reduce @ np.concatenate([window.y, [0.0, logit, 0.0]])
    x = np.concatenate([window.x, np.zeros(3)])
    whole = Space(x, reduce, reduce, space.freedom)
    found = Cospot(
        reading.name, run, window, whole, z[None, :],
        _model(shape_of(u, shapes[0]), shape_of(a, shapes[1])), 1.0, sds[2],
        np.array([centre, 0.0, area, logit, 0.0, 0.0]),
        np.array([window.x[0], -MOST_STRETCH, 0.0, logit - MOST_RATIO, -MOST_TILT, 0.0]),
        np.array([window.x[-1], MOST_STRETCH, np.inf, logit + MOST_RATIO, MOST_TILT, 0.0]))
    nodes = np.linspace(-NEAR_RF, NEAR_RF, 21)
    left = float(found.fitted(found.z, nodes)[1].min()) + space.rest(window.y)
    scale = max(1.0, left / max(space.freedom - 4, 1))
    return replace(found, scale=scale)


def belonging(
    reading: LaneReading, first: float, second: float, others: Sequence[float]
) -> tuple[int, ...]:
    """Return the components of a co-spot lane that belong to spots at two Rf, and not to others."""
    out = []
    for i, component in enumerate(reading.fit.components):
        rf = component.centre / reading.trace.run
        near = min(abs(rf - first), abs(rf - second))
        between = min(first, second) <= rf <= max(first, second)
        if (near < NEAR_RF or between) and all(abs(rf - other) > near for other in others):
            out.append(i)
    return tuple(out)

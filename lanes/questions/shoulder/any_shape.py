"""One spot of any shape against two of one shape, whatever that shape.

A spot that tails, is skewed, flat or overloaded still rises to one top and falls: its profile along
the lane is convex, then concave, then convex again. So one spot is any such hump, as long and as
skewed as it likes. Two are one hump twice, at two places and of two sizes; with no second, it is
that of one. A shoulder that no hump follows and two alike do needs no formula for a tail, nor the
width that a spot should have.

A hump is a sum of hat functions integrated twice (a cubic spline), of weights that are positive
where it is convex and negative where it is concave: nonnegative least squares.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.stats import chi2

from lanes.evidence.whitened_space import Space, make_space
from lanes.questions.shoulder.straight import straightened
from lanes.questions.shoulder.window import Window
from lanes.spots.quantities import HALF_HEIGHT_FACTOR
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.strip_shape import Strips, departure

Floats = NDArray[np.float64]
At = tuple[int, int, int, float]  # first and last concave knot; the second's shift; its share

KNOTS = 0.4          # sigmas between knots: a cubic spline follows a Gaussian to 1e-3 of its height
HALVES = 2           # places of the second to a knot
END = 1e3            # weight with which a hump ends at 0, slope and height, over the data's
CONVEX = 2, 3        # knots before and after the concave ones: a hump has two flanks
# Starts: spreads over the narrowest; spreads between the two, the second's share, and how many are
# followed to their end.
SPREADS, GAPS, SHARES, FOLLOWED = (1.0, 1.7), (1.6, 2.2, 2.8, 3.4, 4.2, 5.0), (0.1, 0.25, 0.45), 6
NEAREST, FARTHEST = 1.0, 12.0  # sigmas: resolution 0.25, as of two Gaussians; beyond any start
STEPS = ((2, 0.08), (1, 0.04), (1, 0.02))  # of the search, in places and in share
NARROW = 0.75        # of the narrowest sigma: what a space must be able to draw
CLOSER = 1e-3        # of squares: a step that gains less is none
# Independent places for a second: from 1 to 6 sigmas, a sigma apart, on either side. The chance
# that noise asks for one at any of them is at most their sum (Bonferroni; an amount that can't be
# negative is drawn half of the time).
PLACES = 10
SURE = 0.01    # level: what is claimed against every shape there is needs 99 % (common practice)
UNEVEN = 1 / 3  # of the shape's doubt: what is common among spots is not what a smooth one has
UNLIKE = 4.0   # residual variance over the noise's that neither one spot nor two account for


@dataclass(frozen=True)
class AnyShape:
    """What a spot is as one hump, and as two alike.

    Attributes
    ----------
    one, two : float
        Squares left, the noise's variance being 1.
    samples : int
        Whitened samples behind them.
    share : float
        Of the smaller of the two in both areas.
    resolution : float
        Between the two.
    rough : float
        How misshapen the strips across show the spot, over what is common. Beyond 1 it may have
        two humps of its own, as a ring has.
    uneven : bool
        Whether its strips differ in shape by more than those of a smooth spot.
    """

    one: float
    two: float
    samples: int
    share: float
    resolution: float
    rough: float = 0.0
    uneven: bool = False

    @property
    def scale(self) -> float:
        """What two leave over the noise, as variances, 1 at least."""
        return max(1.0, self.two / self.samples)

    @property
    def p_one(self) -> float:
        """How likely noise makes two so much better where there is one, at most."""
        gain = max(self.one - self.two, 0.0) / self.scale
        return float(min(1.0, 0.5 * PLACES * chi2.sf(gain, 1)))

    @property
    def p_two(self) -> float:
        """How likely noise leaves so much where there are two, at most."""
        return float(chi2.sf(self.two, self.samples))

    @property
    def sure(self) -> bool:
        """Whether no one spot does, and two do."""
        return self.p_one < SURE and self.scale <= UNLIKE and self.rough <= 1.0


@dataclass
class _Humps:
    """Fits of humps to one trace `z`, (r,), each made once."""

    space: Space
    z: Floats
    sigma: float
    made: dict[At, tuple[float, Floats]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        x, pitch = self.space.x, KNOTS * self.sigma
        self.pitch, self.count = pitch, int((x[-1] - x[0]) / pitch)
        self.knots = x[0] + pitch * (0.5 + np.arange(self.count))
        self.near, self.far = (round(gap * HALVES / KNOTS) for gap in (NEAREST, FARTHEST))
        places = self.knots[0] + pitch / HALVES * np.arange(
            -self.far, HALVES * self.count + self.far)
        self.curves = _integrated((x[:, None] - places) / pitch)
        self.reduced = self.space.reduce @ self.curves
        line = (self.knots - self.knots.mean()) / (self.knots[-1] - self.knots[0])
        self.ends = END * np.abs(self.reduced).max() * np.stack([np.ones(self.count), line])

    def shifted(self, columns: Floats, shift: int) -> Floats:
        """Return the knots' columns, `shift` places on."""
        first = self.far + shift
        return columns[:, first:first + HALVES * self.count:HALVES]

    def left(self, at: At) -> float:
        """Return the squares left by a hump, or by two alike."""
        first, last, shift, share = at
        if not CONVEX[0] <= first < last <= self.count - CONVEX[1]:
            return np.inf
        if share and not (self.near <= abs(shift) <= self.far and 0.0 < share <= 0.5):
            return np.inf
        if at not in self.made:
            columns = self.shifted(self.reduced, 0)
            if share > 0.0:
                columns = (1.0 - share) * columns + share * self.shifted(self.reduced, shift)
            sign = np.ones(self.count)
            sign[first:last] = -1.0
            weights, rest = nnls(np.vstack([columns, self.ends]) * sign, np.append(self.z, [0, 0]),
                                 maxiter=30 * self.count)
            self.made[at] = float(rest**2), weights * sign
        return self.made[at][0]

    def descend(self, at: At, steps: Iterable[At]) -> At:
        """Return where no step of `steps` leaves less, from `at` on."""
        steps, moved = tuple(steps), True
        while moved:
            moved = False
            for step in steps:
                trial = (at[0] + step[0], at[1] + step[1], at[2] + step[2],
                         round(at[3] + step[3], 4))
                if self.left(trial) < self.left(at) - CLOSER:
                    at, moved = trial, True
        return at

    def about(self, centre: float, spread: float) -> tuple[int, int]:
        """Return the knots between which a Gaussian of so many sigmas at `centre` is concave."""
        reach = spread * self.sigma
        first, last = np.searchsorted(self.knots, [centre - reach, centre + reach])
        return int(first), int(last)

    def one(self, centre: float) -> At:
        """Return the best single hump."""
        found = []
        for spread in SPREADS:
            at: At = (*self.about(centre, spread), 0, 0.0)
            for step in (3, 1):
                at = self.descend(at, _concave(step))
            found.append(at)
        return min(found, key=self.left)

    def two(self, centre: float, single: At) -> At:
        """Return the best two humps alike, the larger at `centre` or a little beside it."""
        starts = []
        for spread, side, gap in product(SPREADS, (-1, 1), GAPS):
            apart = side * gap * spread
            for share in SHARES:
                starts += [(*self.about(place, spread), round(apart * HALVES / KNOTS), share)
                           for place in (centre, centre - share * apart * self.sigma)]
        found = []
        for at in sorted(set(starts), key=self.left)[:FOLLOWED]:
            for places, share in STEPS:
                at = self.descend(at, (*_concave(1), (0, 0, places, 0.0), (0, 0, -places, 0.0),
                                       (0, 0, 0, share), (0, 0, 0, -share)))
            found.append(at)
        return min([single, *found], key=self.left)

    def hump(self, at: At) -> Floats:
        """Return the hump at `at` over the window, (n,), of whatever size."""
        self.left(at)
        return np.asarray(self.shifted(self.curves, 0) @ self.made[at][1])


def any_shape(space: Space, z: Floats, centre: float, sigma: float) -> AnyShape:
    """Hold two spots of one shape against one of any.

    Parameters
    ----------
    space : Space
    z : (r,) array
        The trace in it.
    centre, sigma : float
        Of the spot; of the narrowest Gaussian that is to be followed.
    """
    humps = _Humps(space, z, sigma)
    single = humps.one(centre)
    pair = humps.two(centre, single)
    apart = abs(pair[2]) * humps.pitch / HALVES
    width = _half_width(space.x, humps.hump(pair))
    return AnyShape(humps.left(single), humps.left(pair), space.reduce.shape[0], pair[3],
                    HALF_HEIGHT_FACTOR * apart / (2.0 * width) if width > 0 else 0.0)


def of_window(
    window: Window, strips: Strips | None, doubt: ShapeDoubt, narrowest: float, centre: float,
    sigma: float,
) -> AnyShape:
    """Hold two spots of one shape against one of any, as uneven as the strips across show it.

    A hump is as skewed or as flat as it likes, so that of the doubt of shape only waves are left,
    which would be a second hump. A spot is uneven both ways alike: what its strips differ by shows
    how large they are, and what is assumed counts as one more measurement. What lies bent is put
    straight.

    Parameters
    ----------
    window : Window
    strips : Strips or None
    doubt : ShapeDoubt
    narrowest : float
        The least sigma there is.
    centre, sigma : float
        As for `any_shape`.
    """
    seen, count, bent = 1.0, 0.0, np.zeros(window.problem.x.size)
    if strips is not None:
        strips, bent = straightened(strips)
        seen, count = departure(strips, doubt)
    size = float(np.sqrt((1.0 + count * max(seen, 0.0)) / (1.0 + count)))
    use = window.usable
    covariance = window.with_misfit(replace(doubt, sds=size * doubt.sds))[np.ix_(use, use)]
    space = make_space(window.problem.x, covariance, window.columns[use], NARROW * narrowest)
    z = space.data(window.problem.y + bent)[0]
    return replace(any_shape(space, z, centre, sigma), rough=size,
                   uneven=bool(count) and seen > UNEVEN**2)


def _concave(step: int) -> tuple[At, ...]:
    return tuple((a * step, b * step, 0, 0.0)
                 for a, b in ((-1, 0), (1, 0), (0, -1), (0, 1), (1, 1), (-1, -1)))


def _half_width(x: Floats, curve: Floats) -> float:
    """Return a hump's full width at half height, 0 for none."""
    over = np.nonzero(curve >= 0.5 * curve.max())[0]
    return float(x[over[-1]] - x[over[0]]) if curve.max() > 0 else 0.0


def _integrated(u: Floats) -> Floats:
    """Return the hat function of half width 1, integrated twice from far below."""
    low, high = np.clip(u, -1.0, 0.0), np.clip(u, 0.0, 1.0)
    return np.where(u < 0.0, (low + 1.0) ** 3 / 6,
                    np.maximum(u, 0.0) + (1.0 - high) ** 3 / 6)

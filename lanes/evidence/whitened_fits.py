"""Many least-squares fits of one whitened window at once, as a bootstrap needs them.

`lanes.spots.model` fits the measured trace itself; here the same shapes are fitted to many drawn
ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.whitened_models import one, pair_of, tail, uneven
from lanes.evidence.whitened_space import Model, Space
from lanes.rounding import TINY

Floats = NDArray[np.float64]

NEAREST, FARTHEST = 1.0, 6.2  # sigmas between the two of a pair: resolution 0.25 to 1.55
# Limits of an uneven spot: skew of 1 is a symmetry factor of about 3; flatness of 0.7 has a broad
# foot, of 3 nearly a box's edges (computed).
SKEWED, PEAKED, FLAT = 1.2, 0.7, 3.0
TAIL_MIN, TAIL_MAX = 0.02, 6.0  # tau over sigma, as in the fit of a trace
SHRUNK = 0.6  # of the narrowest single: the Gaussian part of a tail, or one of two, is narrower
# Levenberg and Marquardt's damping: at first, after a step that gained and one that did not, and
# where to stop. A gain of GAIN changes no likelihood ratio that is printed.
DAMP, EASED, STIFFENED, FREE, STUCK = 1e-2, 0.2, 6.0, 1e-2, 1e5
GAIN = 1e-4
RIDGE = 1e-12      # of each diagonal: so that two values that do one thing leave a solvable system
FINER_RIDGE = 1e-9  # of the trace, where nothing is damped: a double's digits, halved by squaring
# Starts of a tail: tau over the Gaussian part's sigma, a slight and a long one. By its moments the
# Gaussian part is narrower than the whole by sqrt(1 + ratio^2) and its centre ratio sigmas off; a
# Gaussian that is fitted heeds the tail less, so that shares of that are taken (a choice).
TAILING, NARROWED, DRAWN_AHEAD = (0.4, 1.1), 0.8, 0.7
# Starts of an uneven spot, or of two alike: a fourth of what SKEWED allows, either way, and hardly
# flat (a choice).
SKEWS, FLATTISH = (-0.3, 0.3), 1.2


def fit(
    model: Model, space: Space, z: Floats, start: Floats, low: Floats, high: Floats,
    steps: int = 40,
) -> tuple[Floats, Floats]:
    """Fit `model` to every row of `z`, from every row of `start` (Levenberg-Marquardt).

    Parameters
    ----------
    z : (b, r) array
        Reduced traces.
    start, low, high : (b, p) array
        A value at its limit is held there while it presses outward.

    Returns
    -------
    (b, p) parameters and (b,) sums of squares.
    """
    at = np.clip(start, low, high)
    value, jac = space.reduced(model, at)
    left = z - value
    squares = np.einsum("br,br->b", left, left)
    damp = np.full(len(at), DAMP)
    p, rss, going = at.copy(), squares.copy(), np.arange(len(at))
    for _ in range(steps):
        normal = jac @ jac.transpose(0, 2, 1)
        pull = np.einsum("bpr,br->bp", jac, left)
        held = ((at <= low) & (pull < 0)) | ((at >= high) & (pull > 0))
        pull[held] = 0.0
        normal[held[:, :, None] | held[:, None, :]] = 0.0
        d = np.einsum("bpp->bp", normal)
        d = np.where(d > 0, d, 1.0)
        normal = normal + np.eye(p.shape[1]) * (damp[:, None] * d + RIDGE * d + held)[:, None]
        trial = np.clip(at + np.linalg.solve(normal, pull[:, :, None])[:, :, 0], low, high)
        value, by = space.reduced(model, trial)
        new = z - value
        now = np.einsum("br,br->b", new, new)
        better = now < squares
        gained = np.where(better, squares - now, 0.0)
        for kept, tried in ((at, trial), (left, new), (squares, now), (jac, by)):
            kept[better] = tried[better]
        damp *= np.where(better, EASED, STIFFENED)
        done = (better & (gained < GAIN) & (damp < FREE)) | (damp > STUCK)
        if done.any():  # only those that go on are carried along
            p[going[done]], rss[going[done]] = at[done], squares[done]
            at, left, squares, jac, damp, z, low, high, going = (
                row[~done] for row in (at, left, squares, jac, damp, z, low, high, going))
            if not going.size:
                break
    p[going], rss[going] = at, squares
    return p, rss


@dataclass(frozen=True)
class Limits:
    """Where centres and widths may lie: the places of a window, and its range of sigmas.

    Each method returns the lowest and the highest values of one model, (p,).
    """

    left: float
    right: float
    narrowest: float
    broadest: float

    def single(self) -> tuple[Floats, Floats]:
        """Of `one`, or of a measured shape."""
        return (np.array([self.left, np.log(self.narrowest), 0.0]),
                np.array([self.right, np.log(self.broadest), np.inf]))

    def tail(self) -> tuple[Floats, Floats]:
        """Of a tail either way."""
        return (np.array([self.left, np.log(SHRUNK * self.narrowest), TAIL_MIN, 0.0]),
                np.array([self.right, np.log(self.broadest), TAIL_MAX, np.inf]))

    def uneven(self) -> tuple[Floats, Floats]:
        """Of `uneven`."""
        return (np.array([self.left, -SKEWED, np.log(SHRUNK * self.narrowest), PEAKED, 0.0]),
                np.array([self.right, SKEWED, np.log(self.broadest), FLAT, np.inf]))

    def pair(self) -> tuple[Floats, Floats]:
        """Of two."""
        return (np.array([self.left - FARTHEST * self.narrowest, NEAREST,
                          np.log(SHRUNK * self.narrowest), 0.0, 0.0]),
                np.array([self.right, FARTHEST, np.log(self.broadest), np.inf, np.inf]))

    def uneven_pair(self) -> tuple[Floats, Floats]:
        """Of two of `uneven`."""
        low, high = (np.concatenate([pair[:2], shape[1:4], pair[3:]])
                     for pair, shape in zip(self.pair(), self.uneven(), strict=True))
        return low, high


def fit_single(
    model: Model, space: Space, z: Floats, guess: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit `one` or a measured shape to every row of `z` from `guess`, (3,) or (b, 3)."""
    b = len(z)
    low, high = limits.single()
    rows = np.ones((b, 1))
    return fit(model, space, z, rows * guess, rows * low, rows * high)


def fit_tail(
    space: Space, z: Floats, single: Floats, limits: Limits, side: int | None = None
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Fit a tail either way to every row of `z` from its Gaussian `single`, (b, 3).

    Returns
    -------
    (b, 4) parameters, (b,) sums of squares, (b,) sides.
    """
    b = len(z)
    best = np.zeros((b, 4))
    squares, sides = np.full(b, np.inf), np.ones(b, np.int64)
    rows = np.ones((b, 1))
    low, high = (rows * end for end in limits.tail())
    sigma = np.exp(single[:, 1])
    for way in (1, -1) if side is None else (side,):
        for ratio in TAILING:
            narrow = 1.0 / np.sqrt(1.0 + NARROWED * ratio**2)
            start = np.stack([
                single[:, 0] + way * DRAWN_AHEAD * ratio * narrow * sigma,
                single[:, 1] + np.log(narrow), np.full(b, ratio), single[:, 2]], axis=1)
            p, rss = fit(tail(way), space, z, start, low, high)
            better = rss < squares
            best[better], squares[better], sides[better] = p[better], rss[better], way
    return best, squares, sides


def fit_uneven(
    space: Space, z: Floats, single: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit `uneven` to every row of `z` from its Gaussian `single`, (b, 3).

    Returns
    -------
    (b, 5) parameters and (b,) sums of squares.
    """
    b = len(z)
    best, squares = np.zeros((b, 5)), np.full(b, np.inf)
    rows = np.ones((b, 1))
    low, high = (rows * end for end in limits.uneven())
    for skew in SKEWS:
        start = np.stack([single[:, 0] - skew * np.exp(single[:, 1]), np.full(b, skew),
                          single[:, 1], np.full(b, FLATTISH), single[:, 2]], axis=1)
        p, rss = fit(uneven, space, z, start, low, high)
        better = rss < squares
        best[better], squares[better] = p[better], rss[better]
    return best, squares


def fit_uneven_pair(
    space: Space, z: Floats, single: Floats, two: Floats, limits: Limits
) -> tuple[Floats, Floats]:
    """Fit two of `uneven`, alike, to every row of `z` from one, (b, 3), and two Gaussians, (b, 5).

    Returns
    -------
    (b, 7) parameters and (b,) sums of squares.
    """
    b = len(z)
    best, squares = np.zeros((b, 7)), np.full(b, np.inf)
    rows = np.ones((b, 1))
    low, high = (rows * end for end in limits.uneven_pair())
    for pair in (two, *_close_pairs(single), *_distant_pairs(space, z, single, one)):
        for skew in SKEWS:
            shift = skew * np.exp(pair[:, 2])
            start = np.stack([pair[:, 0] - shift, pair[:, 1], np.full(b, skew), pair[:, 2],
                              np.full(b, FLATTISH), pair[:, 3], pair[:, 4]], axis=1)
            p, rss = fit(pair_of(uneven), space, z, start, low, high)
            better = rss < squares
            best[better], squares[better] = p[better], rss[better]
    return best, squares


# Starts of a pair: sigmas between the two and the first one's share, for close pairs; distances
# at which a distant small one is looked for. All are within NEAREST and FARTHEST.
_NEAR = ((1.3, 0.5), (1.6, 0.25), (1.6, 0.75), (2.3, 0.12), (2.3, 0.88), (3.2, 0.5))
_FAR = np.array([2.4, 3.0, 3.6, 4.2, 4.8, 5.4, 6.0])
_SMALL = 0.01, 0.003, 1.0  # share of a distant one where none is asked for, the least, the most
_ROUNDS = ((4, 3), (8, 1), (60, 0))  # steps, and how many of the starts are kept after them


def fit_two(
    space: Space, z: Floats, single: Floats, limits: Limits, each: Model = one
) -> tuple[Floats, Floats]:
    """Fit a pair of `each` to every row of `z` from the one fitted, `single`, (b, 3).

    Of several starts, close pairs divide the one; a distant small one is put where, on either
    side, the residual asks most for it.

    Returns
    -------
    (b, 5) parameters and (b,) sums of squares.
    """
    b = len(z)
    low, high = limits.pair()
    p = np.concatenate([*_close_pairs(single), *_distant_pairs(space, z, single, each)])
    model = pair_of(each)
    # All starts a few steps, the best three some more, the best one to its end.
    for steps, keep in _ROUNDS:
        rows = np.ones((len(p), 1))
        p, rss = fit(model, space, np.tile(z, (len(p) // b, 1)), p, rows * low, rows * high, steps)
        if keep:
            order = np.argsort(rss.reshape(-1, b), axis=0, kind="stable")[:keep]
            p = p.reshape(-1, b, 5)[order, np.arange(b)].reshape(-1, 5)
    return p, rss


def _close_pairs(single: Floats) -> list[Floats]:
    """Return starts, each (b, 5), that divide the Gaussians `single` and keep their variance."""
    c, ln_sigma, area = single.T
    sigma = np.exp(ln_sigma)
    starts = []
    for gap, share in _NEAR:
        narrow = 1.0 / np.sqrt(1.0 + share * (1.0 - share) * gap**2)
        s = narrow * sigma
        starts.append(np.stack([
            c - (1.0 - share) * gap * s, np.full(c.size, gap), np.log(s),
            share * area, (1.0 - share) * area], axis=1))
    return starts


def _distant_pairs(
    space: Space, z: Floats, single: Floats, each: Model
) -> list[Floats]:
    """Return starts, each (b, 5), with a small second spot on either side of `single`."""
    c, ln_sigma, area = single.T
    value, jac = space.reduced(each, single)
    left = z - value
    starts = []
    for way in (-1.0, 1.0):
        gap, share = _best_second(space, single, left, jac, way, each)
        small, first = share * area, c if way > 0 else c - gap * np.exp(ln_sigma)
        pair = (area, small) if way > 0 else (small, area)
        starts.append(np.stack([first, gap, ln_sigma, *pair], axis=1))
    return starts


def _best_second(
    space: Space, single: Floats, left: Floats, jac: Floats, way: float,
    each: Model,
) -> tuple[Floats, Floats]:
    """Return, for every row, the gap in sigmas and the share that take up most of a residual.

    Parameters
    ----------
    left : (b, r) array
        What `single` leaves of the traces.
    jac : (b, 3, r) array
        Its derivatives.
    way : float
        -1 or 1, the side that is looked at.
    """
    c, ln_sigma, area = single.T
    b = len(single)
    score, gaps, shares = np.full(b, -np.inf), np.full(b, _FAR[0]), np.full(b, _SMALL[0])
    for gap in _FAR:
        place = np.stack([c + way * gap * np.exp(ln_sigma), ln_sigma, np.ones(b)], axis=1)
        g = space.without_width().reduced(each, place)[0]
        if space.width is not None:  # a second spot's height shows nothing of widths
            g = np.concatenate([g, np.zeros((b, 1))], axis=1)
        # The second one less what the Gaussian's own values can make of it.
        normal = jac @ jac.transpose(0, 2, 1)
        ridge = FINER_RIDGE * np.trace(normal, axis1=1, axis2=2) + TINY
        normal = normal + np.eye(3) * ridge[:, None, None]
        along = np.linalg.solve(normal, np.einsum("bpr,br->bp", jac, g)[:, :, None])
        g = g - np.einsum("bpr,bp->br", jac, along[:, :, 0])
        size = np.einsum("br,br->b", g, g)
        amount = np.einsum("br,br->b", g, left) / np.maximum(size, TINY)
        gain = np.where(amount > 0, amount**2 * size, -1.0)
        better = gain > score
        score[better] = gain[better]
        gaps[better] = gap
        # Where the single one has no area the share is at its upper limit: nothing overflows.
        low, high = _SMALL[1:]
        second = np.maximum(amount[better], 0.0)
        shares[better] = np.clip(
            second / np.maximum(area[better], second / high + TINY), low, high)
    return gaps, shares

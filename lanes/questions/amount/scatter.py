"""How far standards scatter beyond what is known of each: what their residuals say of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRID = 600
# Even odds that the standards scatter by no more than their own uncertainties, against a scatter
# anywhere within a factor e^2 in variance; with no such odds the intervals of plates without
# further scatter held the truth in 99.7 % of cases, not 95.
NO_MORE = 2.0
# Ends between which the scatter squared is looked for, as shares of the standards' own variance and
# of what their residuals show. The upper one is the wider the fewer the degrees of freedom: the
# likelihood of a variance falls as its power -free / 2, so that 10^(8 / free) leaves 1e-4 of it.
LEAST_SEEN, LEAST_OF_SEEN, MOST_OF_SEEN, TAIL_DECADES = 1e-6, 1e-5, 1e3, 8.0


class NoFit(Exception):
    """A curve can't follow these standards; the text says why, for people."""


@dataclass(frozen=True)
class Near:
    """The fit's surroundings, where the curve is taken as straight in its parameters.

    `slopes` (n, p), residuals `rest`, own standard deviations `u`, and the scatter's `size` at
    each standard. `floor` is what rounding leaves of the scatter squared.
    """

    slopes: Floats
    rest: Floats
    u: Floats
    size: Floats
    floor: float


@dataclass(frozen=True)
class Scatters:
    """What the scatter may be: g values, their weights, and the curve under each.

    `squares` (g,), `weights` (g,) summing to 1, `shifts` (g, p) from the reported parameters, and
    `covariances` (g, p, p).
    """

    squares: Floats
    weights: Floats
    shifts: Floats
    covariances: Floats


def inverse(weighted: Floats) -> Floats:
    """Return (A' A)^-1 of (n, p) or (g, n, p) weighted slopes, their columns brought to one size.

    Raises NoFit where they don't determine the parameters.
    """
    scale = np.sqrt((weighted**2).sum(axis=-2, keepdims=True))
    unit = weighted / np.where(scale > 0, scale, 1.0)
    try:
        inner = np.linalg.inv(np.swapaxes(unit, -1, -2) @ unit)
    except np.linalg.LinAlgError:
        raise NoFit("the standards do not tell its parameters apart") from None
    return np.asarray(inner / (np.swapaxes(scale, -1, -2) * scale), float)


def levels(
    near: Near, squares: Floats, restricted: bool
) -> tuple[Floats, Floats, Floats]:
    """Return log likelihood, parameter shifts and covariances under each of (g,) scatters squared.
    """
    v = near.u**2 + squares[:, None] * near.size**2
    weighted = near.slopes / np.sqrt(v)[:, :, None]
    covariances = inverse(weighted)
    shifts = np.einsum("gij,gnj,gn->gi", covariances, weighted, near.rest / np.sqrt(v))
    left = near.rest - shifts @ near.slopes.T
    level = -0.5 * (np.log(2.0 * math.pi * v) + left**2 / v).sum(axis=1)
    if restricted:
        scale = np.sqrt((weighted**2).sum(axis=1))
        inner = covariances * scale[:, :, None] * scale[:, None, :]
        level = level + 0.5 * np.linalg.slogdet(inner)[1] - np.log(scale).sum(axis=1)
    return level, shifts, covariances


def _span(near: Near) -> tuple[float, float, float]:
    """Return the standards' own variance over size^2, and the least and largest total of both."""
    own = 0.0
    if np.all(near.u > 0):
        own = float(1.0 / np.mean((near.size / near.u) ** 2))  # the best known weigh most
    free = max(near.rest.size - near.slopes.shape[1], 1)
    seen = max(float(((near.rest / near.size) ** 2).sum()) / free, near.floor, LEAST_SEEN * own)
    high = MOST_OF_SEEN * (seen + own) * 10.0 ** (TAIL_DECADES / free)
    return own, max(own, LEAST_OF_SEEN * seen), high


def likeliest(near: Near, restricted: bool) -> float:
    """Return the scatter squared of largest likelihood; 0 where the standards' own is enough."""
    own, low, high = _span(near)
    w = np.linspace(math.log(low), math.log(high), 41)
    # A whole grid costs hardly more than one point of it: four times, each between the neighbours
    # of the best, then the top of the parabola through the last three.
    for turn in range(4):
        level = levels(near, np.maximum(np.exp(w) - own, 0.0), restricted)[0]
        i = int(np.argmax(level))
        if turn == 0 and i == 0 and own > 0:
            return 0.0
        i = min(max(i, 1), w.size - 2)
        if turn < 3:
            w = np.linspace(float(w[i - 1]), float(w[i + 1]), 41)
    down, up = float(level[i] - level[i - 1]), float(level[i] - level[i + 1])
    step = float(w[1] - w[0])
    shift = 0.5 * (down - up) / (down + up) if down + up > 0 else 0.0
    best = float(w[i]) + step * min(max(shift, -1.0), 1.0)
    return max(math.exp(best) - own, 0.0)


def scatters(near: Near) -> Scatters:
    own, low, high = _span(near)
    w = np.linspace(math.log(low), math.log(high), GRID)
    squares = np.maximum(np.exp(w) - own, 0.0)
    level, shifts, covariances = levels(near, squares, restricted=True)
    weights = np.exp(level - level.max())
    weights[[0, -1]] *= 0.5  # the trapezium's ends
    if own > 0:
        weights[0] += NO_MORE * math.exp(level[0] - level.max()) / float(w[1] - w[0])
    return Scatters(squares, weights / weights.sum(), shifts, covariances)

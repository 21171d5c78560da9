"""Colour as a crude spectrum: does the ratio of the channels change across a spot?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.colour import ANGLE, BEND, LEVEL, Colours
from lanes.evidence.noise_covariance import misfit_covariance, noise_covariance
from lanes.plate.layout import Lane
from lanes.questions.shoulder.case import Case
from lanes.rounding import TINY
from lanes.trace.sample import sample

Floats = NDArray[np.float64]
DRAWS = 2000
# Of the bend, what shifts a spot: as much as its two flanks differ (symmetry of 1.25, computed).
SKEWED_BEND = 0.1
JUST_BELOW = 1e-9  # mm: a sample's place is looked up in spite of rounding
SHOWN = 10.0  # standard deviations of height in some channel, from which colours are compared
RIDGE = 1e-12  # of each variance: so that a covariance has a root in spite of rounding
# Median departures, four standard deviations, at which a sample's part in the correlation is
# capped: spots that were missed would make channels alike that are not.
CAPPED = 6.0
COPIES = 0.9999  # correlation beyond which channels are copies of a grey


@dataclass(frozen=True)
class ColourChange:
    """The p-value of one colour over the whole spot, and the largest angle between its colours.

    The angle is in degrees between channels taken as vectors: law and misshape bend the channels
    of one substance by a few, however surely.
    """

    p_value: float
    angle: float

    @property
    def sure(self) -> bool:
        """Whether there are two colours."""
        return self.p_value < LEVEL and self.angle > ANGLE


def colour_change(
    colours: Colours, lane: Lane, case: Case, rng: np.random.Generator
) -> ColourChange | None:
    """Return how surely and how far colour changes over the spot, None where it is not known.

    Each channel's trace is resolved into the spot's Gaussian and its first two Hermite functions
    (a shift, a widening). One component gives a channels x functions matrix of rank one; what its
    second and third singular values hold is compared with traces drawn from the rank-one part
    with the channels' noise, and a misfit of each channel's own.
    """
    if colours.channels is None:
        return None
    plate = colours.plate
    signals, noises = colours.channels
    between = _between([s.held_out for s in signals])
    if between is None:
        return None
    traces = [sample(s, plate.layout, lane) for s in signals]
    x = case.space.x
    at = np.searchsorted(traces[0].position, x - JUST_BELOW)
    c, ln_sigma, _ = case.single
    z = (x - c) / np.exp(ln_sigma)
    bell = np.exp(-0.5 * z * z)
    design = np.stack([bell, z * bell, (z * z - 1.0) * bell, np.ones_like(x), z], axis=1)
    usable = np.all([t.usable[at] for t in traces], axis=0)
    design = design[usable]
    own = misfit_covariance(z, 1.0)[np.ix_(usable, usable)]
    low, high = at[0], at[-1] + 1
    seen = (at - low)[usable]
    noise = [noise_covariance(n, t.gain[low:high])[np.ix_(seen, seen)]
             for t, n in zip(traces, noises, strict=True)]
    # One way to resolve all channels: what the three functions do not follow, a tail or a second
    # spot, then goes into each in one proportion, and one colour stays one.
    solve = np.linalg.solve(np.sum([c / np.trace(c) for c in noise], axis=0), design)
    pull = np.linalg.solve(design.T @ solve, solve.T)[:3]
    rows = [pull @ t.signal[at][usable] for t in traces]
    spreads = [pull @ c @ pull.T for c in noise]
    misfit = pull @ own @ pull.T
    matrix = np.array(rows)
    if np.max(matrix[:, 0] / np.sqrt([s[0, 0] for s in spreads])) < SHOWN:
        return None
    total = np.zeros((9, 9))
    roots = [np.linalg.cholesky(s) for s in spreads]
    for i in range(3):
        for j in range(3):
            total[3 * i:3 * i + 3, 3 * j:3 * j + 3] = between[i, j] * roots[i] @ roots[j].T
        # The law bends each channel of a heavy spot a little differently: mostly its width.
        bend = np.diag(np.square([0.0, SKEWED_BEND * BEND, BEND / 2.0]))
        total[3 * i:3 * i + 3, 3 * i:3 * i + 3] += matrix[i, 0] ** 2 * (misfit + bend)
    return ColourChange(_one_colour(matrix, total, rng), _angle(matrix))


def _one_colour(matrix: Floats, total: Floats, rng: np.random.Generator) -> float:
    """Return the p-value of rank one for `matrix`, (3, 3), whose values' covariance is `total`."""
    root = np.linalg.cholesky(total + RIDGE * np.diag(np.diag(total)))
    draws = (rng.standard_normal((DRAWS, 9)) @ root.T).reshape(DRAWS, 3, 3)
    # Channels and functions brought to about one unit of noise each, so that none drowns another.
    left = np.linalg.inv(np.linalg.cholesky(
        np.array([[np.trace(total[3 * i:3 * i + 3, 3 * j:3 * j + 3]) / 3 for j in range(3)]
                  for i in range(3)])))
    middle = sum(total[3 * i:3 * i + 3, 3 * i:3 * i + 3]
                 / np.trace(total[3 * i:3 * i + 3, 3 * i:3 * i + 3]) for i in range(3))
    right = np.linalg.inv(np.linalg.cholesky(middle)).T
    u, s, v = np.linalg.svd(left @ matrix @ right)
    flat = s[0] * np.outer(u[:, 0], v[0])
    statistic = float(np.sum(s[1:] ** 2))
    drawn = np.linalg.svd(flat + left @ draws @ right, compute_uv=False)
    null = np.sum(drawn[:, 1:] ** 2, axis=1)
    return float((1 + np.sum(null >= statistic)) / (DRAWS + 1))


def _angle(matrix: Floats) -> float:
    """Return the largest angle between the spot's colours a sigma below, at and above its middle.

    `matrix` holds each channel's Gaussian, shift and widening.
    """
    colours = [matrix @ np.array([1.0, z, z * z - 1.0]) for z in (-1.0, 0.0, 1.0)]
    units = np.array([c / max(float(np.linalg.norm(c)), TINY) for c in colours])
    return float(np.degrees(np.arccos(np.clip((units @ units.T).min(), -1.0, 1.0))))


def _between(held: list[NDArray[np.float32]]) -> Floats | None:
    """Return the correlation of the channels' noise, or None where they are copies of a grey."""
    known = np.all([np.isfinite(h) for h in held], axis=0)
    values = np.stack([h[known] for h in held]).astype(float)
    middle = np.median(values, axis=1, keepdims=True)
    bound = CAPPED * np.median(np.abs(values - middle), axis=1, keepdims=True)
    correlation = np.corrcoef(np.clip(values - middle, -bound, bound))
    off = correlation[np.triu_indices(3, 1)]
    return None if not np.isfinite(off).all() or off.min() > COPIES else np.asarray(correlation)

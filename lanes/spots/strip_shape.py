"""A spot in strips along its lane: how far they differ in shape.

Two components of one application make pictures of one outline at two places: every strip along
the lane then shows the same profile, at another height. A blotch, a ring or a crescent does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite import hermvander
from numpy.typing import NDArray
from scipy.special import factorial

from lanes.confidence import MAD_SD
from lanes.rounding import TINY
from lanes.spots.model import Peak, peak_shape
from lanes.spots.shape_terms import ShapeDoubt
from lanes.trace.noise import Noise
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

ORDERS = 7           # Hermite functions along the lane, from the Gaussian itself on
ACROSS = 4           # polynomials across it: even, leaning, bent, wavy
OUTSIDE = 3.5        # sigmas from the spot from which strips show noise only
WEAK_STRIP = 0.02    # of the spot's amount: strips with less show nothing
RANK = 1e-10         # of the largest singular value: columns that differ by less are one
NO_COUNT = 1e-12     # measurements: so that nothing is divided by 0
JUST_BELOW = 1e-9    # mm: a sample's place is looked up in spite of rounding


@dataclass(frozen=True)
class Strips:
    """A spot's stretch of the lane, usable samples only.

    Attributes
    ----------
    x, z, gain : (m,) array
        Positions; distance from the spot's centre in its sigmas; relative noise.
    values : (m, k) array
        Every strip's signal.
    columns : (m, q) array
        What the baseline and neighbours may add.
    noise : Noise
        Its autocorrelation; its size is taken from the strips themselves.
    """

    x: Floats
    z: Floats
    gain: Floats
    values: Floats
    columns: Floats
    noise: Noise

    def amounts(self, design: Floats) -> tuple[Floats, Floats]:
        """Return each strip's amounts of the columns of `design`, (c, k), and their variances."""
        found, covariance, sds = self.resolved(design)
        return found, np.diag(covariance)[:, None] * sds[None, :] ** 2

    def resolved(self, design: Floats) -> tuple[Floats, Floats, Floats]:
        """Return each strip's amounts of the columns of `design`, (c, k), and their noise.

        Returns
        -------
        (c, k) array, (c, c) array, (k,) array
            Amounts; their covariance in a strip of noise 1; each strip's noise.
        """
        count = design.shape[1]
        columns = np.concatenate([design, self.columns], axis=1)
        weight = 1.0 / self.gain
        pull = np.linalg.pinv(columns * weight[:, None], rcond=RANK) * weight
        found = pull @ self.values
        rest = (self.values - columns @ found)[np.abs(self.z) > OUTSIDE]
        if len(rest) < 8:
            rest = self.values - columns @ found
        sds = MAD_SD * np.median(np.abs(rest), axis=0)
        step = np.rint((self.x - self.x[0]) / self.noise.pitch).astype(int)
        lag = np.abs(step[:, None] - step[None, :])
        acf = np.append(self.noise.local.autocorrelation, 0.0)
        correlation = acf[np.minimum(lag, acf.size - 1)]
        own = pull[:count] * self.gain
        # An estimated correlation need not quite be one: no variance is below 0.
        covariance = own @ correlation @ own.T
        covariance[np.diag_indices(count)] = np.clip(np.diag(covariance), 0.0, None)
        return found[:count], covariance, np.asarray(sds)


def strips_of(
    sheet: Sheet, position: Floats, gain: Floats, x: Floats, peak: Peak, beside: Sequence[Peak],
    noise: Noise,
) -> Strips:
    """Return the strips along the lane in which `peak` lies, its neighbours free.

    Parameters
    ----------
    sheet : Sheet
    position, gain : (n,) array
        Of the sheet's rows.
    x : (m,) array
        Those positions that count.
    peak : Peak
    beside : sequence of Peak
    noise : Noise
    """
    c = peak.component()
    z = (x - c.mean) / c.spread
    use = np.searchsorted(position, x - JUST_BELOW)
    others = [peak_shape(x, q)[0][:, None] for q in beside]
    columns = np.concatenate([np.ones((x.size, 1)), z[:, None], *others], axis=1)
    return Strips(x, z, gain[use], sheet.strips()[use], columns, noise)


def roughness(strips: Strips, doubt: ShapeDoubt) -> float:
    """Return by how much a spot is more misshapen than `doubt` has it, at least 1."""
    return float(np.sqrt(max(departure(strips, doubt)[0], 1.0)))


def departure(strips: Strips, doubt: ShapeDoubt) -> tuple[float, float]:
    """Return how misshapen a spot is by its strips, and how many measurements show it.

    Every strip is resolved into Hermite functions; where they are not in one proportion over the
    strips, the spot's outline is no product of a profile along and one across. Those departures
    stand beside the one that the strips' sum holds, of the same kind and size.

    Returns
    -------
    float, float
        Mean square of the departures over those of `doubt`, noise taken off (below 0 by chance);
        their number, each for as much as noise leaves of it, 0 where strips show nothing.
    """
    found, variance = strips.amounts(_hermite(strips.z))
    total = float(found[0].sum())
    share = np.clip(found[0], 0.0, None) / max(total, TINY)
    keep = share > WEAK_STRIP
    if total <= 0 or keep.sum() <= ACROSS:
        return 1.0, 0.0
    place = np.linspace(-1.0, 1.0, share.size)[keep]
    root = np.sqrt(share[keep])
    q = np.linalg.qr(np.vander(place, ACROSS, increasing=True) * root[:, None])[0]
    across = q / root[:, None]  # orthonormal under the spot's own profile
    sds = np.array([doubt.sds[0], doubt.sds[0], *doubt.sds])
    values = found[1:, keep] @ across[:, 1:] / total / sds[:, None]
    noise = (variance[1:, keep] @ across[:, 1:] ** 2) / total**2 / sds[:, None] ** 2
    # A spot that leans as its lane does is not misshapen.
    weight = 1.0 / (1.0 + noise) ** 2
    weight[0, 0] = 0.0
    count = float(weight.sum())
    return float(np.sum(weight * (values**2 - noise)) / max(count, NO_COUNT)), count


def _hermite(z: Floats) -> Floats:
    k = np.arange(ORDERS)
    bell = np.exp(-0.5 * z * z)
    return np.asarray(hermvander(z, ORDERS - 1) / np.sqrt(2.0**k * factorial(k)) * bell[:, None])

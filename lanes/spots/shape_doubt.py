"""How far a real spot's profile departs from a Gaussian: assumed, or learned from the plate.

A profile is its Gaussian times 1 + h3 H3(z) + h4 H4(z) + h5 H5(z) + h6 H6(z), H the normalised
Hermite polynomials of z = (x - centre) / sigma: the Gauss-Hermite series of van der Marel &
Franx, Astrophys. J. 407, 525 (1993) (from memory). h3 skews, a negative h4 flattens the top. The
terms are orthogonal to what area, place and width can take up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import factorial

import numpy as np
from numpy.polynomial.hermite import hermvander
from numpy.typing import NDArray

from lanes.spots.deconvolve import Fit
from lanes.spots.shapes import gaussian
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

ORDERS = (3, 4, 5, 6)
# Area of each term over the Gaussian's own, by its definition; skew terms hold none.
TERM_AREAS = np.array([
    0.0 if k % 2 else (factorial(k) ** 0.5) / (2.0 ** (k / 2) * factorial(k // 2)) for k in ORDERS
])
# Common practice counts a symmetry of up to 1.25 as well formed: h3 of 0.08 (computed). A disc of
# even darkness whose edge is blurred by a quarter to a third of its radius has h4 of -0.08 to
# -0.05 and h6 of 0.02 to 0.04 (computed). Both are taken as two standard deviations, h5 as h6.
ASSUMED_SDS = (0.04, 0.04, 0.02, 0.02)
PSEUDO_SPOTS = 4.0   # as how many of the plate's own spots the assumed doubt counts
REACH = 4.5          # sigmas on either side of a spot in which its shape is looked at
NEIGHBOUR = 2.5      # sigmas of a neighbour that must lie outside
SEEN = 0.9           # share of those samples that must be usable
# A term's noise over its assumed standard deviation, beyond which a spot teaches little of it.
TEACHES = 1.0
LEAST_SD = 0.003     # no set of spots proves shapes better than this (resampling, optics)


@dataclass(frozen=True)
class ShapeDoubt:
    """How far profiles of spots depart from Gaussians.

    Attributes
    ----------
    sds : (4,) array
        Standard deviations of h3 to h6, relative to the spot's height.
    source : str
        "plate" or "assumed".
    spots : int
        How many of the plate's spots taught it; 0 where it is assumed.
    """

    sds: Floats
    source: str
    spots: int

    def basis(self, z: Floats) -> Floats:
        """Return the four terms at `z`, as (n, 4), in units of the spot's height."""
        return basis(z)

    def covariance(self, z: Floats, height: float) -> Floats:
        """Return the (n, n) covariance of what a spot `height` high adds to its Gaussian."""
        columns = basis(z) * (self.sds * height)
        return np.asarray(columns @ columns.T)


ASSUMED = ShapeDoubt(np.array(ASSUMED_SDS), "assumed", 0)


def basis(z: Floats) -> Floats:
    """Return H3 to H6 times the Gaussian at `z`, (n,), as (n, 4)."""
    norms = np.array([(2.0**k * factorial(k)) ** 0.5 for k in ORDERS])
    bell = np.exp(-0.5 * np.square(z))
    return np.asarray(hermvander(z, max(ORDERS))[:, list(ORDERS)] / norms * bell[:, None])


@dataclass(frozen=True)
class SpotShape:
    """One lone spot's terms h3 to h6, (4,), and the noise's covariance of them, (4, 4)."""

    terms: Floats
    covariance: Floats


def spot_shape(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, i: int
) -> SpotShape | None:
    """Return the shape of component `i`, or None where it tails, or is not seen alone and whole.

    The terms are fitted by weighted least squares together with first-order corrections of area,
    place and width and a straight line; their covariance follows from the noise's
    autocorrelation.
    """
    c = fit.components[i]
    if c.tau != 0.0 or i in fit.at_bound:
        return None
    for j, other in enumerate(fit.components):
        if j != i and abs(other.centre - c.centre) < REACH * c.sigma + NEIGHBOUR * other.spread:
            return None
    z = (trace.position - c.centre) / c.sigma
    inside = np.abs(z) < REACH
    if inside.sum() < 16 or trace.usable[inside].mean() < SEEN or not trace.usable[
            inside & (np.abs(z) < 1.5)].all() or z[0] > -REACH or z[-1] < REACH:
        return None
    if trace.clipped[inside & (np.abs(z) < 1.0)].max() > 0.1:
        return None
    use = inside & trace.usable
    own = gaussian(trace.position[use], c.centre, c.area, c.sigma)
    rest = (flat - fit.model)[use]
    design = np.concatenate([
        basis(z[use]) * c.height, own[1].T, np.ones((int(use.sum()), 1)), z[use, None]], axis=1)
    weight = 1.0 / trace.gain[use]
    solve = np.linalg.pinv(design * weight[:, None]) * weight
    whole = np.zeros((trace.position.size, len(solve)))
    whole[use] = solve.T
    covariance = whole.T @ noise.through(trace.gain, whole)
    return SpotShape((solve @ rest)[:4], np.asarray(covariance[:4, :4]))


def learn_shapes(lanes: Iterable[tuple[Trace, Floats, Fit, Noise]]) -> ShapeDoubt:
    """Return the doubt that a plate's own lone, strong spots teach (empirical Bayes).

    The mean square of each term over the spots, less what the noise alone would make of it, is
    shrunk towards the assumed variance, which counts as `PSEUDO_SPOTS` spots.

    Parameters
    ----------
    lanes : iterable of (trace, flat, fit, noise)
        `flat` is the trace's signal less its background, (n,).

    Returns
    -------
    ShapeDoubt
        `ASSUMED` where no spot teaches anything.
    """
    shapes = [
        shape for trace, flat, fit, noise in lanes for i in range(len(fit.components))
        if (shape := spot_shape(trace, flat, fit, noise, i)) is not None
    ]
    assumed = np.square(ASSUMED.sds)
    total, count = PSEUDO_SPOTS * assumed, np.full(4, PSEUDO_SPOTS)
    taught = 0
    for shape in shapes:
        noise_variance = np.diag(shape.covariance)
        strong = noise_variance < TEACHES**2 * assumed
        taught += bool(strong[:2].all())
        # Each spot counts by how surely it shows the term.
        weight = np.where(strong, (assumed / (assumed + noise_variance)) ** 2, 0.0)
        total += weight * (np.square(shape.terms) - noise_variance)
        count += weight
    if taught == 0:
        return ASSUMED
    variance = np.maximum(total / count, LEAST_SD**2)
    return ShapeDoubt(np.sqrt(variance), "plate", taught)

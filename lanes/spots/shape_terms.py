"""How far a real spot's profile departs from a Gaussian, in a few terms.

A profile is its Gaussian times 1 + h3 H3(z) + h4 H4(z) + h5 H5(z) + h6 H6(z), H the normalised
Hermite polynomials of z = (x - centre) / sigma: the Gauss-Hermite series of van der Marel &
Franx, Astrophys. J. 407, 525 (1993) (from memory). h3 skews, a negative h4 flattens the top. The
terms are orthogonal to what area, place and width can take up.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial

import numpy as np
from numpy.polynomial.hermite import hermvander
from numpy.typing import NDArray

from lanes.spots.shapes import FWHM

Floats = NDArray[np.float64]

ORDERS = (3, 4, 5, 6)


def basis(z: Floats) -> Floats:
    """Return H3 to H6 times the Gaussian at `z`, (n,), as (n, 4)."""
    norms = np.array([(2.0**k * factorial(k)) ** 0.5 for k in ORDERS])
    bell = np.exp(-0.5 * np.square(z))
    return np.asarray(hermvander(z, max(ORDERS))[:, list(ORDERS)] / norms * bell[:, None])


# What a unit of each term does to a spot, to first order. Area, over the Gaussian's own:
TERM_AREAS = np.array([
    0.0 if k % 2 else (factorial(k) ** 0.5) / (2.0 ** (k / 2) * factorial(k // 2)) for k in ORDERS
])
# the apex, in sigmas: the term's slope at the middle;
TERM_APEXES = (basis(np.array([1e-5])) - basis(np.array([-1e-5])))[0] / 2e-5
# and the width at half the spot's own height, as a share of sigma; skew terms move both sides.
_HALF = FWHM / 2.0
TERM_WIDTHS = np.where(np.array(ORDERS) % 2, 0.0,
                       (2.0 * basis(np.array([_HALF]))[0] - basis(np.zeros(1))[0]) / _HALF**2)
# Common practice counts a symmetry of up to 1.25 as well formed: h3 of 0.08 (computed). A disc of
# even darkness whose edge is blurred by a quarter to a third of its radius has h4 of -0.08 to
# -0.05 and h6 of 0.02 to 0.04 (computed). Both are taken as two standard deviations, h5 as h6.
ASSUMED_SDS = (0.04, 0.04, 0.02, 0.02)
# Of those, what spots of one substance differ by from lane to lane of one plate, whose layer and
# application they share: half of what spots of any plates do (a choice).
REPEATS = 0.5
# A spot of one substance is about as long as it is wide. Spotting by hand, the run's own spreading
# along the lane and a solvent's pull make lengths differ by a quarter (common practice), taken as
# one standard deviation of ln(length over width).
LENGTH_PRIOR = 0.25


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
    length : float
        ln of the spots' length along the lane over their width: below 0 where they were applied
        as bands, else 0.
    length_sd : float
        How far single spots' own ln(length over width) depart from that.
    """

    sds: Floats
    source: str
    spots: int
    length: float = 0.0
    length_sd: float = LENGTH_PRIOR

    def basis(self, z: Floats) -> Floats:
        """Return the four terms at `z`, as (n, 4), in units of the spot's height."""
        return basis(z)

    def covariance(self, z: Floats, height: float) -> Floats:
        """Return the (n, n) covariance of what a spot `height` high adds to its Gaussian."""
        columns = basis(z) * (self.sds * height)
        return np.asarray(columns @ columns.T)


ASSUMED = ShapeDoubt(np.array(ASSUMED_SDS), "assumed", 0)

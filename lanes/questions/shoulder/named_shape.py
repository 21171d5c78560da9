"""The shape of a spot that is known to be one component: what another lane, named for it, shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermevander
from numpy.typing import NDArray

from lanes.evidence.whitened_fits import fit_single
from lanes.evidence.whitened_models import one
from lanes.questions.shoulder.window import Window, make_window, pick
from lanes.reading import LaneReading
from lanes.spots.shape_terms import ASSUMED
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

SHAPE_TERMS = (0, 3, 4, 5, 6)


@dataclass(frozen=True)
class Shape:
    """A measured shape: Hermite coefficients, their covariance, its lane."""

    lane: str
    coefficients: Floats
    covariance: Floats

    def doubt(self, window: Window) -> Floats:
        """Return the (m, m) covariance of what is not known of it, on a spot in `window`."""
        by = self.terms(window.z, window.height)
        return np.asarray(by @ self.covariance @ by.T)

    def terms(self, z: Floats, height: float) -> Floats:
        """Return what each of its orders adds at `z`, (m,), in sigmas off a spot: (m, 4)."""
        bell = np.exp(-0.5 * z**2)[:, None] * height
        return np.asarray(hermevander(z, max(SHAPE_TERMS))[:, SHAPE_TERMS[1:]] * bell)


def take_shape(reading: LaneReading, mm: float) -> Shape:
    """Return the shape of a lane's strongest spot, taken to be one component.

    Hermite functions of order 3 to 6 beside a Gaussian (Gram-Charlier, from memory). What the
    spot departs from a Gaussian by is its shape, so only the noise and what is finer than those
    orders make it doubtful.
    """
    window = make_window(reading, pick(reading, None)[:2], mm, ASSUMED)
    space = window.space(window.with_misfit(None))
    first = window.first
    guess = np.array([first.centre, np.log(first.sigma), first.area])
    c, ln_sigma, area = fit_single(one, space, space.data(window.problem.y), guess,
                                   window.limits)[0][0]
    t = (space.x - c) / np.exp(ln_sigma)
    bell = np.exp(-0.5 * t * t)[:, None]
    height = area / (np.exp(ln_sigma) * ROOT_2PI)
    design = space.whole @ (hermevander(t, max(SHAPE_TERMS)) * bell * height)
    # Orders 1 and 2 only move and widen: they leave with the place and width of the spot.
    solved = np.linalg.lstsq(design, space.whole @ window.problem.y, rcond=None)[0]
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    keep = list(SHAPE_TERMS[1:])
    coefficients = np.concatenate([[1.0], solved[1:] / solved[0]])
    return Shape(reading.name, coefficients, inverse[np.ix_(keep, keep)] / solved[0] ** 2)

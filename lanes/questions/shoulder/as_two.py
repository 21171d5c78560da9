"""A spot as two components, each with its own misfit: what a fit says of their places and areas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lanes.evidence.noise_covariance import misfit_covariance
from lanes.evidence.whitened_models import uneven_marks
from lanes.evidence.whitened_space import LN_SIGMA_AT, Space
from lanes.questions.shoulder.named_shape import SHAPE_TERMS, Shape
from lanes.questions.shoulder.window import Window
from lanes.spots.shape_doubt import ShapeDoubt
from lanes.spots.shape_terms import REPEATS
from lanes.spots.shapes import ROOT_2PI

Floats = NDArray[np.float64]

STEP = 1e-4  # of numerical derivatives of what is read off a curve


def covariance_of_two(
    window: Window, space: Space, values: Floats, half_width: float, doubt: ShapeDoubt,
    rough: float, shape: Shape | None = None,
) -> Floats:
    """Return the covariance of the data in `space`, (r, r), where the spot is two.

    What was allowed for one spot as broad as the pair is coarser than what each of the two may
    depart by from its own formula. They are taken to do so each by itself, as in a reading; where
    a lane is named that shows their shape, both depart as that one does, and each by no more than
    spots of one plate repeat.
    """
    covariance = window.covariance.copy()
    if shape is not None:
        doubt = replace(doubt, sds=REPEATS * doubt.sds)
    shared = np.zeros(window.x.size)
    for centre, area, sigma, _ in marks_of(values, half_width)[0].reshape(-1, 4):
        z, height = (window.x - centre) / sigma, area / (sigma * ROOT_2PI)
        covariance += misfit_covariance(z, height, doubt, rough)
        if shape is not None:
            terms = shape.terms(z, height)
            covariance += terms @ shape.covariance @ terms.T
            shared += terms @ shape.coefficients[list(SHAPE_TERMS[1:])]
    covariance += np.outer(shared, shared)
    take = space.reduce
    use = window.usable
    return np.asarray(take @ covariance[np.ix_(use, use)] @ take.T)


def marks_of(p: Floats, half_width: float) -> tuple[Floats, Floats]:
    """Return (apex, area, sigma, tau) of each component, in a row, and their derivatives by `p`.

    Tau is 0.
    """
    if p.size == 7:
        steps = STEP * np.eye(7) * np.maximum(np.abs(p), 1.0)
        moved = [_of_uneven(p + s) - _of_uneven(p - s) for s in steps]
        return _of_uneven(p), np.array(moved).T / (2.0 * np.diag(steps))
    if p.size == 3:
        wide = half_width * float(np.exp(p[1]))
        return np.array([p[0], p[2], wide, 0.0]), np.array(
            [[1.0, 0, 0], [0, 0, 1], [0, wide, 0], [0, 0, 0]])
    sigma = float(np.exp(p[2]))
    wide = half_width * sigma
    low, high = apart(p)
    return np.array([low[0], low[2], wide, 0.0, high[0], high[2], wide, 0.0]), np.array([
        [1.0, 0, 0, 0, 0], [0, 0, 0, 1, 0], [0, 0, wide, 0, 0], [0, 0, 0, 0, 0],
        [1.0, sigma, p[1] * sigma, 0, 0], [0, 0, 0, 0, 1], [0, 0, wide, 0, 0], [0, 0, 0, 0, 0],
    ])


def _of_uneven(p: Floats) -> Floats:
    """Return (apex, area, sigma, 0) of each of two of `uneven`, in a row."""
    apex, sigma = uneven_marks(apart(p))
    return np.stack([apex, p[-2:], sigma, np.zeros(2)], axis=1).ravel()


def apart(p: Floats, area: float | None = None) -> Floats:
    """Return the two of a pair `p` as single ones, (2, p - 2), of their own areas or of `area`."""
    a, b = p[-2:] if area is None else (area, area)
    higher = p[0] + p[1] * np.exp(p[LN_SIGMA_AT[p.size]])
    return np.array([[p[0], *p[2:-2], a], [higher, *p[2:-2], b]])

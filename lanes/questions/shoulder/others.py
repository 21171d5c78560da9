"""What other spots of the plate tell about one: its shape, and the width to expect."""

from __future__ import annotations

import numpy as np
from numpy.polynomial.hermite_e import hermevander

from lanes.questions.shoulder.case import SHAPE_TERMS, Case, Shape, make_case, pick
from lanes.reading import LaneReading
from lanes.spots.shapes import ROOT_2PI


def take_shape(reading: LaneReading, mm: float) -> Shape:
    """Return the shape of a lane's strongest spot, taken to be one component.

    Hermite functions of order 3 to 6 beside a Gaussian (Gram-Charlier, from memory).
    """
    case = make_case(reading, pick(reading, None)[:2], mm)
    c, ln_sigma, area = case.single
    z = (case.space.x - c) / np.exp(ln_sigma)
    bell = np.exp(-0.5 * z * z)[:, None]
    height = area / (np.exp(ln_sigma) * ROOT_2PI)
    design = case.space.whole @ (hermevander(z, max(SHAPE_TERMS)) * bell * height)
    y = case.space.whole @ case.problem.y
    # Orders 1 and 2 only move and widen: they leave with the place and width of the spot.
    solved = np.linalg.lstsq(design, y, rcond=None)[0]
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    keep = list(SHAPE_TERMS[1:])
    coefficients = np.concatenate([[1.0], solved[1:] / solved[0]])
    return Shape(reading.name, coefficients, inverse[np.ix_(keep, keep)] / solved[0] ** 2)


def lone_width(
    readings: tuple[LaneReading, ...], reading: LaneReading, case: Case
) -> tuple[float, float] | None:
    """Return this spot's width over what the plate's lone spots say, and their scatter as ln.

    ln(sigma) of lone spots is taken as linear in Rf (common practice: spots widen evenly as they
    run), its slope by Theil and Sen's median. None with fewer than four lone spots.
    """
    rfs, widths = [], []
    for r in readings:
        parts = r.fit.components
        for i, c in enumerate(parts):
            alone = all(abs(c.centre - o.centre) > 5.0 * max(c.spread, o.spread)
                        for j, o in enumerate(parts) if j != i)
            sure = ((sd := r.fit.sd(i, "area", noise_only=True)) is not None
                    and c.area > 25.0 * sd)
            own = r is reading and abs(c.centre / r.trace.run - case.single_rf) < 0.03
            if alone and sure and not own and abs(c.tau) < 0.3 * c.sigma:
                rfs.append(c.centre / r.trace.run)
                widths.append(float(np.log(c.spread)))
    if len(rfs) < 4:
        return None
    x, y = np.array(rfs), np.array(widths)
    first, second = np.triu_indices(x.size, 1)
    apart = np.abs(x[first] - x[second]) > 0.05
    slopes = (y[first] - y[second])[apart] / (x[first] - x[second])[apart]
    slope = float(np.median(slopes)) if apart.any() else 0.0
    level = float(np.median(y - slope * x))
    scatter = 1.4826 * float(np.median(np.abs(y - slope * x - level)))
    return float(np.exp(case.single[1] - level - slope * case.single_rf)), max(scatter, 0.03)

"""Spots seen across the lane: a real one is as broad as its lane's others, and in its middle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import nnls

from lanes.rounding import TINY
from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.quantities import full_width
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.significance import local_significance
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

NARROWEST_MM, BROADEST_MM = 0.25, 5.0  # sigma of a spot (common practice: 1 to 2 mm across)
# The error of a layer carried on under the spot is known only once the spot is: what is not
# significant against that as well is none.
LEAST = 2.6  # 99 %
CLEAR = 5.0  # or, where waves of the layer are seen beside it, stands out by so many
SPECK = 0.62  # of a component in one strip of nine: dust, or a scratch
LIKE = 0.35   # correlation with the lane's strong spots across it, from which one is as they are
# Of a component, what lies in the lane's middle third, where it is highest in an outermost strip:
# the skirt of a neighbour's spot, which falls off from the lane's side. One spread evenly has a
# third there, a spot of the lane's own more; half of that is asked.
THIRD, SPILLED = 3, 1.0 / 6.0
# Of a component on the origin line or the front, spread evenly over the lane: pencil and what the
# solvent left there lie all across it, and more than half is no spot's.
EVEN = 0.5
WHOLE = 0.99  # of the broadest sigma: what ended at that limit
SURE = 12.0  # standard deviations from which a spot needs no other evidence
# Of a lane's width: where the middle of a spot lies in a lane that has no strong ones to compare
# with; and what of it lies off the outermost strips, of which nine evenly filled ones have 0.78.
MIDDLE, OFF_SIDES = (0.25, 0.75), 0.7
NO_SD = 1e-150  # area: stands for a standard deviation of 0, and its square is still a number
# Of the squared signal in a spot's place, what its fitted shape explains at least where it is there
# though the shape fits badly: more than it leaves.
EXPLAINED = 0.5
# Spots spread as they run, and one that stays at the origin is as it was applied: seldom less than
# half as wide as the others. A pencil's stroke or the foot of a tick is a quarter (common practice:
# strokes of 0.5 mm or less, spots of 2 mm or more).
STROKE = 1.0 / 3.0
SHOWN = 0.5  # of a spot, outside its two fullest strips: narrower spots are not told from a tick


def profiles(trace: Trace, fit: Fit) -> Floats | None:
    """Return each component's share of signal in every strip across the lane.

    Every strip is fitted with the components' shapes and a straight line.

    Returns
    -------
    (c, k) array, each row summing to 1; None for a trace without strips.
    """
    if trace.strips is None or not fit.components:
        return None
    use = trace.usable
    x = trace.position[use]
    u = (x - x.mean()) / np.ptp(x)
    weight = 1.0 / trace.gain[use]
    shapes = np.concatenate([fit.peaks[:, use], np.ones((1, x.size)), u[None, :]]) * weight
    solved = np.linalg.pinv(shapes @ shapes.T, hermitian=True) @ (
        shapes @ (trace.strips[use] * weight[:, None]))
    found = solved[: len(fit.components)]
    total = found.sum(axis=1, keepdims=True)
    return np.asarray(found / np.where(np.abs(total) > TINY, total, 1.0))


def reject_artefacts(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, mm: float, baseline_order: str,
    shapes: ShapeDoubt | None = None,
) -> Fit:
    """Return `fit` without components that are no spots across the lane.

    A weak component must be spread over the strips as the strong ones of its lane are (or, where
    there is none, be highest near the middle); one in a single strip is dust or a scratch, and one
    on the origin line or the front that lies evenly all across the lane is the line's.
    """
    shares = profiles(trace, fit)
    if shares is None or fit.covariance is None:
        return fit
    areas = np.array([c.area for c in fit.components])
    z = areas / np.array([fit.sd(i, "area", noise_only=True) or NO_SD for i in range(areas.size)])
    line = np.array([_on_a_line(trace, fit, i) for i in range(areas.size)])
    strong, off = z > 2.0 * SURE, (z > CLEAR) & ~line
    typical = np.average(shares[strong], axis=0, weights=areas[strong]) if strong.any() else None
    even = line & (_even(shares, np.average(shares[off], axis=0, weights=areas[off])) > EVEN
                   if off.any() else False)
    # As broad as a spot may be, and not sure: a wave of the layer has no width to be found.
    wave = (z < SURE) & np.array([i in fit.at_bound and c.sigma > WHOLE * BROADEST_MM / mm
                                  for i, c in enumerate(fit.components)])
    gone = even | wave | (_of_a_stroke(trace, fit, shares) & (z < SURE))
    keep = [not gone[i] and _is_spot(trace, flat, fit, noise, i, float(z[i]), shares[i], typical)
            for i in range(areas.size)]
    if all(keep):
        return fit
    left = tuple(c.peak() for c, k in zip(fit.components, keep, strict=True) if k)
    fewer = deconvolve(trace.position, flat, noise=noise, gain=trace.gain, usable=trace.usable,
                       baseline_order=baseline_order, start=left, narrowest=NARROWEST_MM / mm,
                       broadest=BROADEST_MM / mm, shapes=shapes)
    # With the false ones gone others may fall too.
    return reject_artefacts(trace, flat, fewer.after(fit), noise, mm, baseline_order, shapes)


def _is_spot(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, i: int, z: float, share: Floats,
    typical: Floats | None,
) -> bool:
    """Return whether component `i`, `z` standard deviations strong, is a spot across the lane."""
    row = np.clip(share, 0.0, None)
    row = row / max(float(row.sum()), TINY)
    there = z > SURE or stands_out(trace, flat, fit, noise, i)
    if z < LEAST and not there and _beside(trace, flat, fit, noise, i) < CLEAR:
        return False
    if float(row.max()) > SPECK or _spilled(row):
        return False
    if there:
        return True
    if typical is not None:
        return float(np.corrcoef(share, typical)[0, 1]) > LIKE
    centre = float((row * np.arange(row.size)).sum()) / (row.size - 1)
    return bool(MIDDLE[0] < centre < MIDDLE[1] and float(row[1:-1].sum()) > OFF_SIDES)


def _spilled(row: Floats) -> bool:
    """Return whether a component of such shares across the lane is the skirt of a neighbour's."""
    side = row.size // THIRD
    return bool(int(np.argmax(row)) in (0, row.size - 1)
                and float(row[side: row.size - side].sum()) < SPILLED)


def stands_out(trace: Trace, flat: Floats, fit: Fit, noise: Noise, i: int) -> bool:
    """Return whether component `i` is there however badly its shape fits.

    A misfit makes an area doubtful, an overloaded spot's most of all. It makes nothing of a spot
    that stands far out of the noise and explains most of what the trace shows in its place.
    """
    c, sd = fit.components[i], noise.local.sd
    # What a smear leaves is no noise that has to be stood out of so far, but seen as its waves are.
    asked = SURE * sd if (layer := noise.local.without_smear) is None else max(
        SURE * layer, CLEAR * sd)
    apex = int(np.argmin(np.abs(trace.position - c.centre)))
    if c.height <= asked * trace.gain[apex]:
        return False
    near = trace.usable & (np.abs(trace.position - c.mean) < 0.5 * full_width(c) + c.spread)
    rest = (flat - fit.model)[near]
    own = rest + fit.peaks[i][near]
    return bool(rest @ rest < (1.0 - EXPLAINED) * (own @ own))


def _on_a_line(trace: Trace, fit: Fit, i: int) -> bool:
    """Return whether a component lies on the origin line or the front, within half its width."""
    c = fit.components[i]
    return min(abs(c.centre), abs(c.centre - trace.run)) < 0.5 * full_width(c)


def _of_a_stroke(trace: Trace, fit: Fit, shares: Floats) -> NDArray[np.bool_]:
    """Return which components are what a drawn line or a tick shows past what is hidden of it.

    They begin where that ends, and are far narrower than what stands off the lines: a line along
    the lane, a tick across it.
    """
    hidden, _ = ndimage.label(~trace.usable)
    reach = np.zeros(len(fit.components), bool)
    for line in (0.0, trace.run):
        near = int(np.argmin(np.abs(trace.position - line)))
        if not hidden[near]:
            continue
        ends = trace.position[hidden == hidden[near]]
        reach |= [ends[0] - full_width(c) < c.centre < ends[-1] + full_width(c)
                  for c in fit.components]
    if reach.all():
        return np.zeros(reach.size, bool)
    along = np.array([c.spread for c in fit.components])
    # What lies outside two neighbouring strips: a tick on the border of two lies in both.
    rows = np.clip(shares, 0.0, None)
    rows /= np.maximum(rows.sum(axis=1, keepdims=True), TINY)
    outside = 1.0 - (rows[:, 1:] + rows[:, :-1]).max(axis=1)
    usual = np.median(outside[~reach])
    thin = outside < STROKE * usual if usual > SHOWN else np.zeros(reach.size, bool)
    return np.asarray(reach & (thin | (along < STROKE * np.median(along[~reach]))))


def _even(shares: Floats, typical: Floats) -> Floats:
    """Return how much of each component lies evenly over the lane, the rest as its spots do."""
    columns = np.stack([typical / typical.sum(), np.full(typical.size, 1.0 / typical.size)], axis=1)
    found = np.array([nnls(columns, share)[0] for share in shares])
    return np.asarray(found[:, 1] / np.maximum(found.sum(axis=1), TINY))


def _beside(trace: Trace, flat: Floats, fit: Fit, noise: Noise, i: int) -> float:
    """Return a component's significance as judged beside it, where waves of the layer show."""
    own = flat - fit.model + fit.peaks[i]
    return local_significance(trace.position, own, trace.gain, trace.usable, noise,
                              fit.components[i].peak())

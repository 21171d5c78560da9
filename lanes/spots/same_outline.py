"""Components of one patch across the lane: whether they have one outline, as two substances do.

Two substances of one application start from one spot and run along one path: across the lane both
have its middle and nearly its width. Slices of one blotched, bent or dragged spot need not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.rounding import TINY
from lanes.spots.misshapen import TILT_PRIOR
from lanes.spots.model import WIDTH_PRIOR, Peak, peak_shape
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.strip_shape import Strips
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

LEAST_STRIPS = 5     # that hold something of the patch: a middle and a width need as many
LEAST_SHARE = 0.02   # of the patch in a strip: with less it shows nothing
NO_WIDTH = 1e-12     # mm: so that nothing is divided by 0
# Each of two substances may be darker on one side by TILT_PRIOR, and one wider by WIDTH_PRIOR.
DIFFERENCE_SDS = np.array([np.sqrt(2.0) * TILT_PRIOR, WIDTH_PRIOR])


def unlike_across(strips: Strips, peaks: tuple[Peak, ...]) -> float:
    """Return -2 ln of how likely two substances each are to differ so across the lane.

    Each component is resolved over the strips into the patch's own profile across, its shift and
    its widening. Chi-square of the neighbours' differences in the last two, over noise and what
    two substances may differ by, less its expectation; never below 0.

    Parameters
    ----------
    strips : Strips
        The patch's stretch of the lane.
    peaks : tuple of Peak
        Its components from origin to front.
    """
    design = np.stack([peak_shape(strips.x, p)[0] / p.area for p in peaks], axis=1)
    found, covariance, sds = strips.resolved(design)
    total = np.clip(found.sum(axis=0), 0.0, None)
    if total.sum() <= 0:
        return 0.0
    share = total / total.sum()
    keep = share > LEAST_SHARE
    if keep.sum() < LEAST_STRIPS:
        return 0.0
    place = np.arange(share.size)[keep]
    weight = share[keep] / share[keep].sum()
    middle = weight @ place
    z = (place - middle) / np.sqrt(weight @ (place - middle) ** 2)
    # The patch's profile, its shift and its widening, to first order (of a Gaussian's).
    modes = np.stack([np.ones_like(z), z, z * z - 1.0], axis=1) * weight[:, None]
    noise = np.maximum(sds[keep], TINY)
    pull = np.linalg.pinv(modes / noise[:, None]) / noise
    amounts = found[:, keep] @ pull.T
    if not (amounts[:, 0] > 0).all():
        return 0.0  # one that is none across the lane is judged so elsewhere
    bends = amounts[:, 1:] / amounts[:, :1]
    spread = (pull * noise**2) @ pull.T
    cost = 0.0
    for i in range(len(peaks) - 1):
        apart = bends[i + 1] - bends[i]
        row = np.array([-1.0, 1.0]) / amounts[i: i + 2, 0]
        pair = float(row @ covariance[i: i + 2, i: i + 2] @ row)
        expected = pair * spread[1:, 1:] + np.diag(DIFFERENCE_SDS**2)
        cost += max(float(apart @ np.linalg.solve(expected, apart)) - apart.size, 0.0)
    return cost


def longer_than_one(strips: Strips, patch: Peak, sheet: Sheet, doubt: ShapeDoubt) -> bool:
    """Return whether a patch is longer, for its width across the lane, than one spot ever is.

    Two standard deviations of what spots of one substance differ by; a ring is as long as wide.

    Parameters
    ----------
    strips : Strips
        The patch's stretch of the lane.
    patch : Peak
        All of it as one peak.
    sheet : Sheet
        What the strips were taken from.
    doubt : ShapeDoubt
        How long the plate's spots are for their width.
    """
    found, _ = strips.amounts(peak_shape(strips.x, patch)[0][:, None] / patch.area)
    share = np.clip(found[0], 0.0, None)
    if share.sum() <= 0:
        return False
    middles = sheet.middles()
    share = share / share.sum()
    width = float(np.sqrt(share @ (middles - share @ middles) ** 2))
    spread = patch.component().spread
    return bool(np.log(spread / max(width, NO_WIDTH)) > doubt.length + 2.0 * doubt.length_sd)

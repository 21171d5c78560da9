"""A spot's own profile across its lane: what its profile along the lane is like, if it is one.

A spot is applied and spreads alike in both directions: a disc, a ring or a flat top looks the same
from the side as from below. Two substances in one lane do not: their patch is longer than it is
wide, and its profile across is that of either alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lanes.spots.model import Peak, peak_shape
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

REACH = 2.5    # spreads of the patch along the lane over which it is seen across
CLEAR = 4.5    # spreads from every spot, beyond which the layer shows
LEAST_ROWS = 8
# Standard deviation of the smoothing, over the spot's own: no rim of a spot is as sharp as this
# after the layer's own diffusion (common practice), and a Gaussian is widened by 0.5 %.
SMOOTH = 0.1
FALLEN = 0.1   # of its height, to which the profile must fall before the lane ends
GONE = 0.02    # of its height, from which it is taken as ended: a neighbour may rise beyond


@dataclass(frozen=True)
class Outline:
    """A spot's profile across its lane, its two sides averaged.

    Attributes
    ----------
    away : (m,) array
        Distances from its middle, from 0 on.
    height : (m,) array
        The profile there over its largest value; it ends at 0.
    sigma : float
        Its standard deviation.
    """

    away: Floats
    height: Floats
    sigma: float

    def at(self, x: Floats) -> Floats:
        """Return the profile at distances `x`, (n,), to either side."""
        return np.asarray(np.interp(np.abs(x), self.away, self.height, right=0.0))


def outline(
    sheet: Sheet, x: Floats, usable: NDArray[np.bool_], patch: Peak, others: tuple[Peak, ...]
) -> Outline | None:
    """Return the profile across the lane of what lies at `patch`.

    Parameters
    ----------
    sheet : Sheet
    x, usable : (n,) array
        Its rows' positions, and which of them count.
    patch : Peak
        What is looked at: its place and width.
    others : tuple of Peak
        The lane's other spots: rows that are theirs are left out.

    Returns
    -------
    Outline, or None where the lane's sides cut it off or too little is seen.
    """
    spread = patch.component().spread
    own = peak_shape(x, patch)[0]
    beside = np.sum([peak_shape(x, q)[0] for q in others], axis=0) if others else np.zeros_like(x)
    rows = usable & (np.abs(x - patch.component().mean) < REACH * spread) & (own > beside)
    clear = usable.copy()
    for c in (p.component() for p in (patch, *others)):
        clear &= np.abs(x - c.mean) > CLEAR * c.spread
    if min(rows.sum(), clear.sum()) < LEAST_ROWS:
        return None
    across = (sheet.values[rows].mean(axis=0, dtype=float)
              - np.median(sheet.values[clear], axis=0))
    step = float(sheet.across[1] - sheet.across[0])
    return _folded(across, step)


def _folded(across: Floats, step: float) -> Outline | None:
    """Return the profile `across`, its samples `step` apart, folded at its middle."""
    # The middle is where the profile is most like its own mirror image.
    mirrored = np.convolve(across, across)
    k = int(np.clip(np.argmax(mirrored), 1, mirrored.size - 2))
    low, top, high = mirrored[k - 1: k + 2]
    bend = low - 2.0 * top + high
    middle = 0.5 * (k + (0.5 * (low - high) / bend if bend < 0 else 0.0))
    place = np.arange(across.size) - middle
    reach = min(float(-place[0]), float(place[-1]))
    if reach < 3.0:
        return None
    away = np.arange(0.0, np.floor(reach) + 1.0)
    sides = [np.interp(middle + s * away, np.arange(across.size), across) for s in (-1.0, 1.0)]
    half = 0.5 * (sides[0] + sides[1])
    if half.max() <= 0 or half[-1] > FALLEN * half.max():
        return None
    last = int(np.nonzero(half > FALLEN * half.max())[0][-1])
    below = np.nonzero(half[last:] < GONE * half.max())[0]
    end = last + int(below[0]) if below.size else half.size - 1
    half = half[: end + 1]
    weight = np.clip(half, 0.0, None)
    weight[0] *= 0.5
    sigma = float(np.sqrt((weight @ away[: end + 1] ** 2) / weight.sum()))
    if sigma <= 0:
        return None
    whole = np.pad(np.concatenate([half[:0:-1], half]), 4)
    smooth = gaussian_filter1d(whole, SMOOTH * sigma)[whole.size // 2:]
    height = np.array(smooth / smooth.max(), np.float64)
    return Outline(step * np.arange(smooth.size), height, step * sigma)

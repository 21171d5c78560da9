"""A spot's own profile across its lane: what its profile along the lane is like, if it is one.

A spot is applied and spreads alike in both directions: a disc, a ring or a flat top looks the same
from the side as from below. Two substances in one lane do not: their patch is longer than it is
wide, and its profile across is that of either alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.polynomial.hermite import hermvander
from numpy.typing import NDArray

from lanes.confidence import MAD_SD
from lanes.same import Same
from lanes.spots.model import WIDTH_PRIOR, Peak, peak_shape, valley
from lanes.spots.shape_terms import LENGTH_PRIOR, ShapeDoubt
from lanes.trace.sample import Sheet

Floats = NDArray[np.float64]

REACH = 2.5    # spreads of the patch along the lane over which it is seen across
CLEAR = 4.5    # spreads from every spot, beyond which the layer shows
LEAST_ROWS = 8
# ln of length over width beyond which a patch is not of one make both ways, as a band applied as
# a streak: three standard deviations of what single spots differ by.
BAND = 3.0 * LENGTH_PRIOR
# Of the lesser maximum: what one spot's unevenness may leave between two maxima. Dabs repeat within
# a tenth (as for TILT_PRIOR in `misshapen`): the middle falls behind the mean of two by 0.12 (root
# of 1.5 tenths squared), at two standard deviations by 0.24, of which the lesser lacks 0.06 itself.
VALLEY = 0.8
# Widths of merged neighbours, from which they are none: three of the standard deviations that these
# are tied by.
UNEQUAL = float(np.exp(3.0 * WIDTH_PRIOR))
FALLEN = 0.1   # of its height, to which the profile must fall before the lane ends
FLANK = 0.5    # of its height, from which its flank is carried on as a Gaussian's
LEAST_REACH = 3.0  # samples to each side of its middle: with fewer a profile has no shape
# A profile is smooth: layer and optics leave no detail finer than a third of a spot's standard
# deviation (common practice), which so many Hermite functions of these scales can follow.
TERMS = 12
SCALES = (0.5, 0.6, 0.7, 0.85, 1.0)
RANK = 1e-8  # of the largest singular value: terms that differ by less are one


@dataclass(frozen=True)
class CrossProfile:
    """A spot's profile across its lane, its two sides averaged.

    Attributes
    ----------
    distance : (m,) array
        From its middle, from 0 on.
    measured : (m,) array
        The profile there; it ends at 0.
    sigma : float
        Its standard deviation.
    uneven : float
        What the profile across departs from the smooth and even one, over its height: root mean
        square under the profile, noise taken off.
    """

    distance: Floats
    measured: Floats
    sigma: float
    uneven: float

    @cached_property
    def height(self) -> Floats:
        """The profile over its largest value, smooth: worked out where its shape is asked for."""
        smooth = _smoothed(self.distance / self.sigma, self.measured)
        return np.asarray(smooth / smooth.max())

    def at(self, x: Floats) -> Floats:
        """Return the profile at distances `x`, (n,), to either side."""
        return np.asarray(np.interp(np.abs(x), self.distance, self.height, right=0.0))


def cross_profile(
    sheet: Sheet, x: Floats, usable: NDArray[np.bool_], patch: Peak, others: tuple[Peak, ...],
    band: float = BAND,
) -> CrossProfile | None:
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
    band : float
        ln of length over width, either way, from which a patch shows nothing of its length.

    Returns
    -------
    CrossProfile, or None where the lane's sides cut it off or too little is seen.
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
    layer, rest = _bare(Same(sheet), clear.tobytes())
    across = sheet.values[rows].mean(axis=0, dtype=float) - layer
    step = float(sheet.across[1] - sheet.across[0])
    found = _folded(across, step, _noise(rest, int(rows.sum())))
    if found is None or abs(np.log(spread / found.sigma)) > band:
        return None
    return found


@lru_cache(maxsize=1)  # every spot of a lane is looked at in turn, and all have the same rows clear
def _bare(sheet: Same[Sheet], clear: bytes) -> tuple[Floats, Floats]:
    """Return the layer across the lane, (k,), from rows that are `clear`, and what they depart."""
    bare = np.asarray(sheet.value.values[np.frombuffer(clear, bool)], float)
    layer = np.median(bare, axis=0)
    return layer, bare - layer


def _noise(layer: Floats, rows: int) -> float:
    """Return the standard deviation that the layer's noise gives a mean over so many rows."""
    rows = min(rows, max(len(layer) // 2, 1))
    blocks = layer[: rows * (len(layer) // rows)].reshape(-1, rows, layer.shape[1])
    means = blocks.mean(axis=1, dtype=float)
    return float(MAD_SD * np.median(np.abs(means)))


def _folded(across: Floats, step: float, noise: float) -> CrossProfile | None:
    """Return the profile `across`, its samples `step` apart, folded at its middle."""
    # The middle is where the profile is most like its own mirror image.
    mirrored = np.convolve(across, across)
    k = int(np.clip(np.argmax(mirrored), 1, mirrored.size - 2))
    low, top, high = mirrored[k - 1: k + 2]
    bend = low - 2.0 * top + high
    middle = 0.5 * (k + (0.5 * (low - high) / bend if bend < 0 else 0.0))
    place = np.arange(across.size) - middle
    reach = min(float(-place[0]), float(place[-1]))
    if reach < LEAST_REACH:
        return None
    distance = np.arange(0.0, np.floor(reach) + 1.0)
    sides = [np.interp(middle + s * distance, np.arange(across.size), across) for s in (-1.0, 1.0)]
    half, unlike = 0.5 * (sides[0] + sides[1]), 0.5 * (sides[0] - sides[1])
    if half.max() <= 0 or half[-1] > FLANK * half.max():
        return None
    first = int(np.nonzero(half > FLANK * half.max())[0][-1])
    fallen = np.nonzero(half[first:] < FALLEN * half.max())[0]
    if not fallen.size:
        return None
    # Half the difference is the uneven part of odd order; that of even order is as large.
    squares = 2.0 * (half @ np.square(unlike)) / half.sum() - noise**2
    uneven = float(np.sqrt(max(squares, 0.0)) / half.max())
    half = _with_tail(half, first, first + int(fallen[0]) - 1)
    distance = np.arange(half.size, dtype=float)
    weight = np.clip(half, 0.0, None)
    weight[0] *= 0.5
    sigma = float(np.sqrt((weight @ distance**2) / weight.sum()))
    if sigma == 0.0:  # one strip alone shows it: how wide it is, is not seen
        return None
    return CrossProfile(step * distance, half, step * sigma, uneven)


def _with_tail(half: Floats, first: int, last: int) -> Floats:
    """Return one side of a profile, its end a Gaussian's flank instead of neighbours and noise.

    The flank is known from `first` to `last`.
    """
    if last - first < 2:
        return np.append(half[: last + 1], np.zeros(2 * last + 2))
    place = np.arange(first, last + 1, dtype=float)
    bend, slope, _ = np.polyfit(place, np.log(half[first: last + 1]), 2)
    if bend >= 0.0:  # a flank that no Gaussian has: it falls on as steeply as it did
        bend, slope = 0.0, np.polyfit(place, np.log(half[first: last + 1]), 1)[0]
    beyond = np.arange(last + 1, 3 * last + 1, dtype=float)
    tail = half[last] * np.exp(np.minimum(
        bend * (beyond**2 - last**2) + slope * (beyond - last), 0.0))
    return np.concatenate([half[: last + 1], tail])


def _smoothed(u: Floats, half: Floats) -> Floats:
    """Return the profile at `u` standard deviations as a sum of few even Hermite functions."""
    best, lowest = half, np.inf
    for scale in SCALES:
        z = u / scale
        design = hermvander(z, TERMS)[:, ::2] * np.exp(-0.5 * z * z)[:, None]
        design /= np.linalg.norm(design, axis=0)
        found = design @ np.linalg.lstsq(design, half, rcond=RANK)[0]
        left = float(np.sum((found - half) ** 2))
        if left < lowest:
            best, lowest = found, left
    return best


def length_cost(peaks: tuple[Peak, ...], profile: CrossProfile, doubt: ShapeDoubt) -> float:
    """Return -2 ln of how likely spots so long for their width are.

    They are of one make: their mean ln(length over width) counts, by area, from the plate's on.
    """
    found = [p.component() for p in peaks]
    areas = np.array([c.area for c in found])
    lengths = np.log(np.array([c.spread for c in found]) / profile.sigma)
    return float((areas @ lengths / areas.sum() - doubt.length) / doubt.length_sd) ** 2


def sliced(peaks: tuple[Peak, ...], profile: CrossProfile, doubt: ShapeDoubt) -> bool:
    """Return whether `peaks` can only be slices of one spot: no two spots make such a patch.

    Each is much shorter than it is wide, no valley divides them, and all together are no longer
    than wide. Two substances make a patch longer than wide, each part as long as wide itself, or by
    `doubt.length` shorter, as ln, where the plate's spots are bands.
    """
    found = [p.component() for p in peaks]
    areas = np.array([c.area for c in found])
    share = areas / areas.sum()
    means, spreads = np.array([c.mean for c in found]), np.array([c.spread for c in found])
    whole = np.sqrt(share @ (spreads**2 + (means - share @ means) ** 2))
    short = float(share @ np.log(spreads / profile.sigma)) - doubt.length
    return bool(np.log(whole / profile.sigma) < doubt.length_sd
                and short < -2.0 * doubt.length_sd and no_valley(peaks))


def unequal(peaks: tuple[Peak, ...]) -> bool:
    """Return whether two peaks differ in width as no two substances do that run side by side.

    Spots that overlap have run and spread alike. A narrow peak on a far broader one that no valley
    divides from it is one spot with a tail, a streak or a skirt that no formula follows.
    """
    spreads = [p.component().spread for p in peaks]
    return len(peaks) == 2 and max(spreads) > UNEQUAL * min(spreads) and no_valley(peaks)


def no_valley(peaks: tuple[Peak, ...]) -> bool:
    """Return whether nothing but unevenness may divide `peaks`."""
    apexes = [p.component().centre for p in peaks]
    return valley(peaks, min(apexes), max(apexes)) > VALLEY

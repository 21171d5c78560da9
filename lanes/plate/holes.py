"""Where a plate's layer is gone: it flaked off, or was scraped away, down to a dark bed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.morphology import dilated, opened
from lanes.quantiles import median

# Of the layer's light, in every channel: what glass over a dark bed sends back. A spot that is
# black in all colours is as dark; its edges tell.
DARK = 0.3
# Of full light: on a layer darker than the first a hole is not seen; a channel is held against the
# second at least, since less is but noise.
DIMMEST, LEAST_LIGHT = 0.1, 0.02
# Layer ends where it broke, so its edge shows as wide as the picture's blur. A substance spread:
# from four fifths of its depth to one, a Gaussian of Kubelka and Munk's function takes 1.1 standard
# deviations at the least (100 at its middle), and those are 0.4 mm or more (common practice).
SHARP_MM = 0.35
NARROWEST_MM = 0.75  # a narrower one is thin matter
# Squares of standard deviations to the rim of an even disc, and of an even bar (computed); and the
# variance of one row of samples, so that nothing is divided by 0.
DISC, BAR, ONE_ROW = 4.0, 3.0, 1.0 / 12.0
FOOT, TOP = 0.2, 0.8  # shares of the depth that an edge is measured between
# Of its area, by which its outline departs from an even disc's or bar's: a spot's is even, since it
# has spread, and layer breaks raggedly. A choice: pixels alone make it a hundredth.
RAGGED = 0.03
AROUND_MM = 1.0      # about a hole: where its edge is looked for
GROW_MM = 0.15       # beyond its foot: what the picture's blur leaves of an edge

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]


def holes(light: dict[str, Image], mm: float) -> Mask | None:
    """Return where a dark bed shows through a hole in the layer, or None.

    Parameters
    ----------
    light : dict of (rows, columns) arrays
        By channel.
    mm : float
        Spacing of the samples in mm.

    Returns
    -------
    (rows, columns) bool array or None
        What is dark in every channel, wide, ragged, off the rim, and ends within 0.35 mm. Pieces
        broken off the rim are none.
    """
    levels = {name: float(median(c[::3, ::3])) for name, c in light.items()}
    if max(levels.values()) < DIMMEST:
        return None
    share = np.max([c / max(levels[name], LEAST_LIGHT) for name, c in light.items()], axis=0)
    labels, count = ndimage.label(opened(share < DARK))
    if not count:
        return None
    out = np.zeros(share.shape, bool)
    reach = max(2, round(AROUND_MM / mm))
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        rows, columns = ((s.start - reach, s.stop + reach) for s in place)
        if min(rows[0], columns[0]) < 0 or rows[1] > len(share) or columns[1] > share.shape[1]:
            continue
        box = slice(*rows), slice(*columns)
        out[box] |= _sharp(share[box], labels[box] == number, mm)
    return out if out.any() else None


def _sharp(share: Image, dark: Mask, mm: float) -> Mask:
    """Return the hole about what is `dark` in a box of light; nothing where its edge is diffuse."""
    darkest = np.unravel_index(int(np.where(dark, share, np.inf).argmin()), share.shape)
    depth = (1.0 - share) / (1.0 - share[darkest])
    inner, foot = (_piece(depth > least, darkest) for least in (TOP, FOOT))
    thick = 2.0 * mm * float(ndimage.distance_transform_edt(inner).max())
    edge = ndimage.distance_transform_edt(~inner)[foot & ~inner]
    # Samples of an edge of one width lie half of it off in the mean.
    wide = 2.0 * mm * float(edge.mean()) if edge.size else 0.0
    if thick < NARROWEST_MM or wide > SHARP_MM or _raggedness(foot) < RAGGED:
        return np.zeros(share.shape, bool)
    return dilated(foot, max(1, round(GROW_MM / mm)))


def _raggedness(piece: Mask) -> float:
    """Return by how much of its area `piece` departs from the disc or bar that has its moments."""
    at = np.argwhere(piece)
    middle = at.mean(axis=0)
    variances, axes = np.linalg.eigh(np.cov((at - middle).T))
    places = np.argwhere(np.ones_like(piece)) - middle
    off = np.square(places @ axes) / np.maximum(variances, ONE_ROW)
    even = (off.sum(axis=1) < DISC, off.max(axis=1) < BAR)
    return min(float(np.count_nonzero(e != piece.ravel())) for e in even) / len(at)


def _piece(mask: Mask, place: tuple[np.intp, ...]) -> Mask:
    """Return the piece of `mask` that holds `place`."""
    labels, _ = ndimage.label(mask)
    return np.asarray(labels == labels[place])

"""A landscape parted into its hills: two are two where the saddle between them lies deep enough."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Of the lower hill's height: a saddle above it is a spot's own unevenness (blotches are of 10 to
# 20 per cent), one below it a gap. Equal Gaussians 2.6 sigma apart have one at 0.85.
SADDLE = 0.82


def flood(
    height: NDArray[np.floating], pieces: NDArray[np.integer] | NDArray[np.bool_], dip: float
) -> tuple[NDArray[np.int32], list[tuple[int, int]]]:
    """Part each of `pieces` into hills: each place is of the top that lies uphill.

    Two tops are of one hill where the highest way between them dips too little.

    Parameters
    ----------
    height : (rows, columns) array
    pieces : (rows, columns) array of int or bool
        Which piece each place is of, 0 where none: no two pieces touch, at corners either.
    dip : float
        How far a saddle has to lie below the lower of two hills, at least.

    Returns
    -------
    (rows, columns) array of int32
        1 for the first hill, and so on; 0 elsewhere.
    list of (row, column)
        The hills' tops.
    """
    at = np.flatnonzero(pieces)
    at = at[np.argsort(-height.ravel()[at], kind="stable")]
    level, (rows, columns) = height.ravel()[at], np.divmod(at, height.shape[1])
    # Places by rank, the highest first; a rim of the last rank saves looking where the plate ends.
    count, width = rows.size, height.shape[1] + 2
    places, own = (rows + 1) * width + columns + 1, np.arange(count)
    ranks = np.full((height.shape[0] + 2) * width, count)
    ranks[places] = own
    beside = np.stack([ranks[places + step] for step in (
        -width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1)])
    # Uphill from each place to the highest about it, and on to its top.
    top = np.minimum(beside.min(axis=0, initial=count), own)
    while (top[top] != top).any():
        top = top[top]
    joined = _joined(top, beside, level, dip)
    kept, number = np.unique(joined[top], return_inverse=True)
    labels = np.zeros(height.shape, np.int32)
    labels.ravel()[at] = number + 1
    return labels, [(int(rows[i]), int(columns[i])) for i in kept]


def _joined(
    top: NDArray[np.intp], beside: NDArray[np.intp], level: NDArray[np.floating], dip: float
) -> NDArray[np.intp]:
    """Return the top that each one was joined to, by rank; of all others, themselves.

    Parameters
    ----------
    top : (places,) array
        The rank of the top above each place.
    beside : (8, places) array
        The ranks of its neighbours; as many as there are places, where there is none.
    level : (places,) array
        The height.
    """
    own = np.broadcast_to(np.arange(top.size), beside.shape)
    across = (beside < own) & (top[np.minimum(beside, own)] != top)
    lower = own[across]  # of two places side by side: the saddle between two tops is the highest
    pairs = np.sort(np.stack([top[lower], top[beside[across]]]), axis=0)
    saddles = np.lexsort((lower, *pairs))
    first = np.ones(saddles.size, bool)
    first[1:] = np.diff(pairs[:, saddles]).any(axis=0)
    saddles = saddles[first]
    joined = np.arange(top.size)

    def root(i: int) -> int:
        while joined[i] != i:
            i = int(joined[i])
        return i

    for saddle in saddles[np.argsort(lower[saddles], kind="stable")]:
        higher, other = sorted(root(int(i)) for i in pairs[:, saddle])
        height, dips_to = level[other], level[lower[saddle]]
        if dips_to > SADDLE * height or height - dips_to < dip:
            joined[other] = higher
    for i in np.unique(pairs):
        joined[i] = root(int(i))
    return joined

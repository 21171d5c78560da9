"""A landscape parted into its hills: two are two where the saddle between them lies deep enough."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Of the lower hill's height: a saddle above it is a spot's own unevenness (blotches are of 10 to
# 20 per cent), one below it a gap. Equal Gaussians 2.6 sigma apart have one at 0.85.
SADDLE = 0.82


def flood(
    height: NDArray[np.floating], inside: NDArray[np.bool_], dip: float
) -> tuple[NDArray[np.int32], list[tuple[int, int]]]:
    """Part `inside` into hills by flooding from the top.

    Parameters
    ----------
    height : (rows, columns) array
    inside : (rows, columns) bool array
    dip : float
        How far a saddle has to lie below the lower of two hills, at least.

    Returns
    -------
    (rows, columns) array of int32
        1 for the first hill, and so on; 0 elsewhere.
    list of (row, column)
        The hills' tops.
    """
    rows, columns = np.nonzero(inside)
    order = np.argsort(-height[rows, columns], kind="stable")
    shape = (height.shape[0] + 2, height.shape[1] + 2)
    width = shape[1]  # a rim of nothing saves looking where the plate ends
    flat = [0] * (shape[0] * width)
    places = ((rows + 1) * width + columns + 1)[order].tolist()
    levels = height[rows, columns][order].tolist()
    joined, top = [0], [0.0]
    tops = [0]

    def root(i: int) -> int:
        while joined[i] != i:
            joined[i] = joined[joined[i]]
            i = joined[i]
        return i

    for place, level in zip(places, levels, strict=True):
        above, below = place - width, place + width
        near = {flat[above - 1], flat[above], flat[above + 1], flat[place - 1], flat[place + 1],
                flat[below - 1], flat[below], flat[below + 1]}
        near.discard(0)
        if len(near) == 1:  # the flank of one hill, as nearly every place is
            owner = near.pop()
            flat[place] = owner if joined[owner] == owner else root(owner)
            continue
        near = {root(i) for i in near}
        if not near:
            joined.append(len(joined))
            top.append(level)
            tops.append(place)
            flat[place] = len(joined) - 1
            continue
        highest = max(near, key=lambda i: (top[i], -i))
        for other in near - {highest}:
            if level > SADDLE * top[other] or top[other] - level < dip:
                joined[other] = highest
        flat[place] = highest
    names = np.array([root(i) for i in range(len(joined))])
    kept = sorted(set(names.tolist()) - {0})
    number = np.zeros(len(joined), np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    owners = np.zeros(len(flat), np.int32)
    owners[places] = [flat[place] for place in places]
    labels = np.ascontiguousarray(number[names][owners].reshape(shape)[1:-1, 1:-1])
    return labels, [(tops[i] // width - 1, tops[i] % width - 1) for i in kept]

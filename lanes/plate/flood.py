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
    """Part each of `pieces` into hills by flooding from the top.

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
    rows, columns = np.nonzero(pieces)
    order = np.argsort(-height[rows, columns], kind="stable")
    rows, columns = rows[order], columns[order]
    shape = (height.shape[0] + 2, height.shape[1] + 2)
    width = shape[1]  # a rim of nothing saves looking where the plate ends
    places = (rows + 1) * width + columns + 1
    piece, tops = pieces[rows, columns].astype(int), _tops(places, shape)
    # A piece of one top is one hill: only where there are more is there anything to part.
    alone = np.bincount(piece[tops], minlength=1)[piece] == 1
    hills = _Hills(shape[0] * width, width, dip)
    add, wet = hills.add, ~alone | tops
    for place, level in zip(places[wet].tolist(), height[rows, columns][wet].tolist(), strict=True):
        add(place, level)
    count = len(hills.joined)
    names = np.array([hills.root(i) for i in range(count)])
    kept = sorted(set(names.tolist()) - {0})
    number = np.zeros(count, np.int32)
    number[kept] = np.arange(1, len(kept) + 1)
    owners = np.zeros(len(hills.owner), np.int32)
    owners[places[wet]] = [hills.owner[place] for place in places[wet].tolist()]
    of_piece = np.zeros(int(piece.max(initial=0)) + 1, np.int32)
    of_piece[piece[tops]] = owners[places[tops]]
    owners[places[alone]] = of_piece[piece[alone]]
    labels = np.ascontiguousarray(number[names][owners].reshape(shape)[1:-1, 1:-1])
    return labels, [(hills.tops[i] // width - 1, hills.tops[i] % width - 1) for i in kept]


def _tops(places: NDArray[np.intp], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return which of `places`, the highest first, have no higher one beside them."""
    order = np.full(shape[0] * shape[1], places.size)
    order[places] = np.arange(places.size)
    beside = (-shape[1] - 1, -shape[1], -shape[1] + 1, -1, 1, shape[1] - 1, shape[1], shape[1] + 1)
    top = np.ones(places.size, bool)
    for step in beside:
        top &= order[places + step] > order[places]
    return top


class _Hills:
    """The hills that stand out so far, as the water falls: places by the hill that owns them."""

    def __init__(self, size: int, width: int, dip: float) -> None:
        self.owner = [0] * size
        self.joined, self.tops = [0], [0]
        self._height = [0.0]
        self._width, self._dip = width, dip

    def root(self, i: int) -> int:
        """Return the hill that `i` was joined to."""
        joined = self.joined
        while joined[i] != i:
            joined[i] = joined[joined[i]]
            i = joined[i]
        return i

    def add(self, place: int, level: float) -> None:
        """Give the next lower place to the hill it lies on; where two meet there, part or join."""
        owner, above, below = self.owner, place - self._width, place + self._width
        near = {owner[above - 1], owner[above], owner[above + 1], owner[place - 1],
                owner[place + 1], owner[below - 1], owner[below], owner[below + 1]}
        near.discard(0)
        if len(near) == 1:  # the flank of one hill, as nearly every place is
            one = near.pop()
            owner[place] = one if self.joined[one] == one else self.root(one)
            return
        near = {self.root(i) for i in near}
        if not near:
            owner[place] = len(self.joined)
            self.joined.append(owner[place])
            self._height.append(level)
            self.tops.append(place)
            return
        top = self._height
        highest = max(near, key=lambda i: (top[i], -i))
        for other in near - {highest}:
            if level > SADDLE * top[other] or top[other] - level < self._dip:
                self.joined[other] = highest
        owner[place] = highest

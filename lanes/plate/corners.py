"""Four corners: what they enclose and share with others, and whether a plate can be seen so."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.plate.edges import MOST_TILT

Floats = NDArray[np.float64]

# A photograph from a slant of 45 degrees at four plate's lengths shortens the far side by a sixth.
MOST_TAPER = 1.45
LEAST_SIDE = 10.0  # pixels of the reduced picture
MOST_SKEW = 0.3    # cosine of a corner's angle: 17 degrees off square, by slant and by lens
LEAST_TURN = 0.1   # sine of the turn at a corner, 6 degrees: less is hardly a corner
PARALLEL = 1e-9    # determinant of two directions below which lines do not meet
# Of two outlines one lies in the other if it holds this share of it: sides are found to about 1 %.
# It is apart from it if it has less than so much of its area, and if so much of it would still be
# held by the outer one drawn in by 3 % of its half width. Choices: nearer to 1, a page's own edge
# drawn twice is taken for a plate on a page.
HELD, INNER_AREA = 0.98, 0.85
DRAWN_IN, STILL_HELD = 0.97, 0.985


def cross(one: tuple[Floats, Floats], two: tuple[Floats, Floats]) -> Floats:
    """Return where two lines, each a point and a direction, meet; NaN where they don't."""
    matrix = np.column_stack([one[1], -two[1]])
    if abs(np.linalg.det(matrix)) < PARALLEL:
        return np.full(2, np.nan)
    t = np.linalg.solve(matrix, two[0] - one[0])
    return np.asarray(one[0] + t[0] * one[1])


def plate_like(corners: Floats) -> bool:
    """Return whether four corners can be a rectangle seen nearly from above."""
    if not np.isfinite(corners).all():
        return False
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if lengths.min() < LEAST_SIDE:
        return False
    units = sides / lengths[:, None]
    angles = np.abs(np.sum(units * np.roll(units, -1, axis=0), axis=1))
    taper = max(lengths[0] / lengths[2], lengths[2] / lengths[0],
                lengths[1] / lengths[3], lengths[3] / lengths[1])
    level = abs(np.degrees(np.arctan2(units[0, 1], units[0, 0])))
    return bool(angles.max() < MOST_SKEW and taper < MOST_TAPER and level < MOST_TILT)


def convex(corners: Floats) -> bool:
    """Return whether corners go round an area without a dent or a crossing."""
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    lengths = np.hypot(*sides.T)
    straight = LEAST_TURN * lengths * np.roll(lengths, -1)
    return bool(lengths.min() >= LEAST_SIDE and np.all(turns * np.sign(turns.sum()) > straight))


def area(corners: Floats) -> float:
    """Return the area inside `corners`, in square pixels."""
    x, y = corners.T
    after = np.arange(1 - x.size, 1)  # of each corner, the last one's being the first
    return 0.5 * abs(float(np.dot(x, y[after]) - np.dot(y, x[after])))


def shares(one: Floats, two: Floats) -> tuple[float, float, float]:
    """Return the areas of two outlines and of what they share (Sutherland & Hodgman 1974;
    from memory)."""
    common = list(one)
    for a, b in zip(two, np.roll(two, -1, axis=0), strict=True):
        along = b - a
        side = [along[0] * (p[1] - a[1]) - along[1] * (p[0] - a[0]) for p in common]
        cut = []
        for k, (p, at) in enumerate(zip(common, side, strict=True)):
            before, last = common[k - 1], side[k - 1]
            if (at > 0) != (last > 0):
                cut.append(before + (p - before) * (last / (last - at)))
            if at <= 0:
                cut.append(p)
        common = cut
    return area(one), area(two), area(np.array(common)) if len(common) > 2 else 0.0


def overlap(one: Floats, two: Floats) -> float:
    """Return the common over the joint area of two outlines."""
    a, b, common = shares(one, two)
    return common / max(a + b - common, 1.0)


def within(inner: Floats, outer: Floats) -> bool:
    """Return whether `inner` lies in `outer` and apart from its sides."""
    a, b, common = shares(inner, outer)
    if common < HELD * a or a > INNER_AREA * b:
        return False
    middle = outer.mean(axis=0)
    # Apart: it would still lie inside if the outer one were a little smaller.
    a, _, common = shares(inner, middle + DRAWN_IN * (outer - middle))
    return common > STILL_HELD * a

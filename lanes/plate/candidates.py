"""Where a plate may lie in a picture: quadrilaterals from regions of one look."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.edges import MOST_TILT

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMALLEST = 0.03   # of the picture's area: a smaller plate has too few pixels to be read
LARGEST = 0.985   # above it a quadrilateral is the picture itself
# A photograph from a slant of 45 degrees at four plate's lengths shortens the far side by a sixth.
MOST_TAPER = 1.45
LEAST_SIDE = 10.0  # pixels of the reduced picture
PATCHES = 6        # of one mask that are looked at, the largest first


def look(light: NDArray[np.float32]) -> Floats:
    """Return (rows, columns, channels) of tone: the eye's cube root gives dark and bright one say.

    `light` is (rows, columns) or (rows, columns, channels) of linear light.
    """
    tone = np.cbrt(np.clip(light, 0.0, None)).astype(float)
    return tone if tone.ndim == 3 else tone[:, :, None]


def by_region(tone: Floats) -> Iterator[list[Floats]]:
    """Yield, one way of telling plate from bed after another, the quadrilaterals it shows."""
    for mask in _masks(tone):
        yield list(_quadrilaterals(mask))


def _masks(tone: Floats) -> Iterator[Mask]:
    """Yield ways of telling plate from bed: off the border's look, brighter, darker, enclosed."""
    smooth = ndimage.median_filter(tone, size=(3, 3, 1))
    grey = smooth.mean(axis=2)
    ring = max(2, round(0.012 * min(grey.shape)))
    border = np.zeros(grey.shape, bool)
    border[:ring] = border[-ring:] = border[:, :ring] = border[:, -ring:] = True
    away = np.sqrt(sum(np.square(plane - bed_surface(plane, border))
                       for plane in np.moveaxis(smooth, 2, 0)))
    # A white bed differs from a white plate by little: a cut just above the bed's own spread.
    spread = 1.4826 * float(np.median(away[border]))
    flat = np.abs(grey - np.median(grey[border]))
    yield away > _otsu(away)
    yield away > max(6 * spread, 0.008)
    yield flat > _otsu(flat)
    yield grey > _otsu(grey)
    yield grey < _otsu(grey)
    # What looks like the middle of the picture, whatever lies at its border.
    rows, columns = grey.shape
    centre = smooth[rows * 3 // 8: rows * 5 // 8 + 1, columns * 3 // 8: columns * 5 // 8 + 1]
    off = np.sqrt(np.square(smooth - np.median(centre, axis=(0, 1))).sum(axis=2))
    yield off < _otsu(off)
    yield off < 0.6 * _otsu(off)
    if tone.shape[2] == 3:
        # White paper or wood under a lamp of another colour: saturation parts what tone does not.
        vivid = np.ptp(smooth, axis=2)
        yield vivid < _otsu(vivid)
        yield vivid > _otsu(vivid)
    # Where lamp and bed both vary, only the step at the plate's edge is left to go by.
    steps = np.sqrt(sum(np.square(ndimage.gaussian_gradient_magnitude(plane, 1.0))
                        for plane in np.moveaxis(smooth, 2, 0)))
    typical = max(float(np.median(steps)), 1e-6)
    for factor in (4.0, 8.0):
        open_ground, _ = ndimage.label(steps < factor * typical)
        touching = np.unique(open_ground[border])
        bed = np.isin(open_ground, touching[touching > 0])
        yield ~ndimage.binary_dilation(bed, iterations=2)


def bed_surface(tone: Floats, border: Mask) -> Floats:
    """Return the bed's tone carried under the plate: a quadratic through the border."""
    row, column = (np.indices(tone.shape) / np.array(tone.shape)[:, None, None]) - 0.5
    terms = np.stack([np.ones_like(row), row, column, row * column, row**2, column**2], axis=-1)
    keep = border.copy()
    surface = np.zeros_like(tone)
    for _ in range(3):
        solved = np.linalg.lstsq(terms[keep], tone[keep], rcond=None)[0]
        surface = terms @ solved
        rest = np.abs(tone - surface)
        keep = border & (rest <= 4 * float(np.median(rest[border])) + 1e-6)
    return surface


def _otsu(values: Floats) -> float:
    """Return the threshold of greatest variance between classes (Otsu 1979; from memory)."""
    counts, edges = np.histogram(values, 128)
    middles = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(counts)
    above = counts.sum() - below
    first = np.cumsum(counts * middles)
    mean_below = first / np.maximum(below, 1)
    mean_above = (first[-1] - first) / np.maximum(above, 1)
    return float(middles[int(np.argmax(below * above * (mean_below - mean_above) ** 2))])


def _quadrilaterals(mask: Mask) -> Iterator[Floats]:
    """Yield the corners of the largest patches of `mask` that have four straight sides."""
    mask = ndimage.binary_opening(mask, iterations=2)
    labels, count = ndimage.label(mask)
    if count == 0:
        return
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    for label in np.argsort(sizes)[::-1][:PATCHES]:
        if sizes[label] < 0.5 * SMALLEST * mask.size:
            return
        patch = ndimage.binary_fill_holes(labels == label)
        assert patch is not None
        if SMALLEST < patch.mean() < LARGEST:
            corners = _round_patch(patch)
            if corners is not None:
                yield corners


def _round_patch(patch: Mask) -> Floats | None:
    edge = patch & ~ndimage.binary_erosion(patch)
    row, column = np.nonzero(edge)
    points = np.column_stack([column, row]).astype(float)
    start = points[
        [int(np.argmax(row - column)), int(np.argmax(row + column)),
         int(np.argmax(column - row)), int(np.argmax(-row - column))]
    ]
    lines = []
    for i in range(4):
        line = _side(points, start[i], start[(i + 1) % 4])
        if line is None:
            return None
        lines.append(line)
    # Side i runs from corner i to corner i + 1, so corner i joins sides i - 1 and i.
    corners = np.array([cross(lines[i - 1], lines[i]) for i in range(4)])
    return corners if plate_like(corners) else None


def _side(points: Floats, a: Floats, b: Floats) -> tuple[Floats, Floats] | None:
    """Return a point and direction of the straight side between rough corners `a` and `b`."""
    along = b - a
    length = float(np.hypot(*along))
    if length < LEAST_SIDE:
        return None
    along = along / length
    normal = np.array([-along[1], along[0]])
    t = (points - a) @ along
    d = (points - a) @ normal
    near = (t > 0.06 * length) & (t < 0.94 * length) & (np.abs(d) < 0.04 * length + 2)
    t, d = t[near], d[near]
    if t.size < 8:
        return None
    keep = np.ones(t.size, bool)
    slope = offset = 0.0
    for _ in range(6):
        if np.ptp(t[keep]) < 1.0:  # all in one place: no side
            return None
        slope, offset = np.polyfit(t[keep], d[keep], 1)
        rest = np.abs(d - slope * t - offset)
        keep = rest <= max(0.6, 2.5 * float(np.median(rest)))
    return a + offset * normal, along + slope * normal


def cross(one: tuple[Floats, Floats], two: tuple[Floats, Floats]) -> Floats:
    """Return where two lines, each a point and a direction, meet; NaN where they don't."""
    matrix = np.column_stack([one[1], -two[1]])
    if abs(np.linalg.det(matrix)) < 1e-9:
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
    return bool(angles.max() < 0.3 and taper < MOST_TAPER and level < MOST_TILT)


def convex(corners: Floats) -> bool:
    """Return whether corners go round an area without a dent or a crossing."""
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    lengths = np.hypot(*sides.T)
    return bool(lengths.min() >= LEAST_SIDE
                and np.all(turns * np.sign(turns.sum()) > 0.1 * lengths * np.roll(lengths, -1)))


def area(corners: Floats) -> float:
    """Return the area inside `corners`, in square pixels."""
    x, y = corners.T
    return 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))

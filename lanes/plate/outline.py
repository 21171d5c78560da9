"""The plate's outline: its four corners against the bed it lies on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.errors import LayoutError

Floats = NDArray[np.float64]
COARSE = 500  # rows or columns of the picture in which the plate is first looked for


@dataclass(frozen=True)
class Outline:
    """Corners in pixels (lower left, lower right, upper right, upper left), and confidence.

    Pixel centres lie at whole numbers. `seen` is False where no bed shows and the image's own
    edges are the plate's.
    """

    corners_px: Floats
    confidence: float
    seen: bool


def find_outline(light: NDArray[np.float32]) -> Outline:
    """Find the plate in an image of linear light.

    Parameters
    ----------
    light : (rows, columns) array

    Returns
    -------
    Outline

    Raises
    ------
    LayoutError
        If the image shows neither a plate on a bed nor a bare layer.
    """
    step = max(1, round(max(light.shape) / COARSE))
    tone = _tone(_reduce(light, step))
    if float(np.ptp(tone)) < 1e-3:
        raise LayoutError("the image is one even tone: there is no plate in it; scan the plate")
    best: Outline | None = None
    for mask in _masks(tone):
        found = _quadrilateral(mask)
        if found is None:
            continue
        corners, fit = found
        if best is None or fit > best.confidence:
            best = Outline(corners, fit, True)
        if fit > 0.99:
            break
    if best is not None and best.confidence > 0.94:
        centre = (best.corners_px + 0.5) * step - 0.5
        return Outline(_refine(light, centre), min(1.0, best.confidence), True)
    return _whole_image(tone, light.shape)


def _tone(light: NDArray[np.float32]) -> Floats:
    # The eye's cube-root scale gives dark and bright beds the same say.
    return np.cbrt(np.clip(light, 0.0, None)).astype(float)


def _reduce(light: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    rows, columns = light.shape[0] // step * step, light.shape[1] // step * step
    cut = light[:rows, :columns].reshape(rows // step, step, columns // step, step)
    return np.asarray(cut.mean(axis=(1, 3)), np.float32)


def _masks(tone: Floats) -> Iterator[NDArray[np.bool_]]:
    """Yield ways of telling plate from bed: off the border's tone, brighter, darker, enclosed."""
    smooth = ndimage.median_filter(tone, 3)
    ring = max(2, round(0.012 * min(tone.shape)))
    border = np.zeros(tone.shape, bool)
    border[:ring] = border[-ring:] = border[:, :ring] = border[:, -ring:] = True
    away = np.abs(smooth - _bed_surface(smooth, border))
    # A white bed differs from a white plate by little: a cut just above the bed's own spread.
    spread = 1.4826 * float(np.median(away[border]))
    flat = np.abs(smooth - np.median(smooth[border]))
    yield away > _otsu(away)
    yield away > max(6 * spread, 0.008)
    yield flat > _otsu(flat)
    yield smooth > _otsu(smooth)
    yield smooth < _otsu(smooth)
    # Where lamp and bed both vary, only the step at the plate's edge is left to go by.
    steps = ndimage.gaussian_gradient_magnitude(smooth, 1.0)
    typical = float(np.median(steps))
    for factor in (4.0, 8.0):
        open_ground, _ = ndimage.label(steps < factor * typical)
        touching = np.unique(open_ground[border])
        bed = np.isin(open_ground, touching[touching > 0])
        yield ~ndimage.binary_dilation(bed, iterations=2)


def _bed_surface(tone: Floats, border: NDArray[np.bool_]) -> Floats:
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


def _quadrilateral(mask: NDArray[np.bool_]) -> tuple[Floats, float] | None:
    """Return the corners of the largest patch of `mask`, and how well they describe it."""
    mask = ndimage.binary_opening(mask, iterations=2)
    labels, count = ndimage.label(mask)
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    patch = ndimage.binary_fill_holes(labels == int(np.argmax(sizes)))
    assert patch is not None
    share = patch.mean()
    if not 0.12 < share < 0.985:
        return None
    edge = patch & ~ndimage.binary_erosion(patch)
    row, column = np.nonzero(edge)
    points = np.column_stack([column, row]).astype(float)
    start = points[
        [int(np.argmax(row - column)), int(np.argmax(row + column)),
         int(np.argmax(column - row)), int(np.argmax(-row - column))]
    ]
    lines = []
    for i in range(4):
        a, b = start[i], start[(i + 1) % 4]
        line = _side(points, a, b)
        if line is None:
            return None
        lines.append(line)
    # Side i runs from corner i to corner i + 1, so corner i joins sides i - 1 and i.
    corners = np.array([_cross(lines[i - 1], lines[i]) for i in range(4)])
    if not np.isfinite(corners).all() or not _plate_like(corners):
        return None
    inside = _inside(corners, patch.shape)
    union = (inside | patch).sum()
    return corners, float((inside & patch).sum() / max(union, 1))


def _side(points: Floats, a: Floats, b: Floats) -> tuple[Floats, Floats] | None:
    """Return a point and direction of the straight side between rough corners `a` and `b`."""
    along = b - a
    length = float(np.hypot(*along))
    if length < 10:
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


def _cross(one: tuple[Floats, Floats], two: tuple[Floats, Floats]) -> Floats:
    matrix = np.column_stack([one[1], -two[1]])
    if abs(np.linalg.det(matrix)) < 1e-9:
        return np.full(2, np.nan)
    t = np.linalg.solve(matrix, two[0] - one[0])
    return np.asarray(one[0] + t[0] * one[1])


def _plate_like(corners: Floats) -> bool:
    """Return whether four corners can be a rectangle seen nearly from above."""
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if lengths.min() < 10:
        return False
    units = sides / lengths[:, None]
    angles = np.abs(np.sum(units * np.roll(units, -1, axis=0), axis=1))
    opposite = max(lengths[0] / lengths[2], lengths[2] / lengths[0],
                   lengths[1] / lengths[3], lengths[3] / lengths[1])
    level = abs(np.degrees(np.arctan2(units[0, 1], units[0, 0])))
    return bool(angles.max() < 0.26 and opposite < 1.35 and level < 16)


def _inside(corners: Floats, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    row, column = np.mgrid[: shape[0], : shape[1]]
    inside = np.ones(shape, bool)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        cross = (b[0] - a[0]) * (row - a[1]) - (b[1] - a[1]) * (column - a[0])
        inside &= cross <= 1e-9
    return inside


def _refine(light: NDArray[np.float32], corners: Floats) -> Floats:
    """Move each side to the half-way tone of its edge, at the image's full resolution."""
    scale = float(np.hypot(*(corners[1] - corners[0])))
    reach = max(4.0, 0.012 * scale)
    lines = []
    for i in range(4):
        a, b = corners[i], corners[(i + 1) % 4]
        along = (b - a) / np.hypot(*(b - a))
        outward = np.array([-along[1], along[0]])  # rows grow downward: this points off the plate
        t = np.linspace(0.05, 0.95, 120) * np.hypot(*(b - a))
        d = np.linspace(-reach, reach, 4 * int(reach) + 1)
        column = a[0] + np.outer(t, [along[0]]) + np.outer(np.ones_like(t), d * outward[0])
        row = a[1] + np.outer(t, [along[1]]) + np.outer(np.ones_like(t), d * outward[1])
        tone = np.cbrt(np.clip(
            ndimage.map_coordinates(light, [row, column], order=1, mode="nearest"), 0, None))
        inner, outer = tone[:, : d.size // 4].mean(1), tone[:, -d.size // 4:].mean(1)
        level = 0.5 * (inner + outer)
        rising = np.sign(np.median(outer - inner))
        beyond = (tone - level[:, None]) * rising > 0
        # The outermost sample still on the plate's side: marks on the plate can't pass for it.
        last = d.size - 1 - np.argmax(~beyond[:, ::-1], axis=1)
        shift = d[np.clip(last, 0, d.size - 1)] + 0.5 * (d[1] - d[0])
        good = np.abs(outer - inner) > 0.3 * np.median(np.abs(outer - inner))
        good &= ~beyond[:, :2].any(axis=1)
        if good.sum() < 20:
            lines.append((a, along))
            continue
        t, shift = t[good], shift[good]
        keep = np.ones(t.size, bool)
        slope = offset = 0.0
        for _ in range(6):
            slope, offset = np.polyfit(t[keep], shift[keep], 1)
            rest = np.abs(shift - slope * t - offset)
            keep = rest <= max(0.3, 2.5 * float(np.median(rest)))
        lines.append((a + offset * outward, along + slope * outward))
    refined = np.array([_cross(lines[i - 1], lines[i]) for i in range(4)])
    moved = np.hypot(*(refined - corners).T)
    return np.where((moved < 2 * reach)[:, None], refined, corners)


def _whole_image(tone: Floats, shape: tuple[int, ...]) -> Outline:
    """Take the image as the plate, if most of it is bare layer.

    A layer is smooth: most small patches differ little from the large patch about them.
    """
    size = max(5, round(0.03 * max(tone.shape)))
    middle = ndimage.median_filter(tone, size=3)
    wide = ndimage.uniform_filter(middle, size=4 * size)
    level = float(np.median(tone))
    bare = float(np.mean(np.abs(middle - wide) < 0.035 * max(level, 0.2)))
    drift = float(np.percentile(wide, 95) - np.percentile(wide, 5)) / max(level, 0.2)
    if bare < 0.7 or drift > 0.35:
        raise LayoutError(
            "no plate found in the image: scan the whole plate on an even bed, or crop to the plate"
        )
    rows, columns = shape[0], shape[1]
    corners = np.array(
        [[-0.5, rows - 0.5], [columns - 0.5, rows - 0.5], [columns - 0.5, -0.5], [-0.5, -0.5]]
    )
    return Outline(corners, float(bare), False)

"""The lanes of a plate: where samples were put on, from ticks, spots or both."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.errors import InputError, LayoutError
from lanes.plate.layer import mask_marks
from lanes.plate.layout import Floats, Lane, Layout
from lanes.plate.pencil import find_ticks
from lanes.plate.signal import coarsen, off_layer
from lanes.plate.square import Grid
from lanes.settings import Settings

CLOSEST_MM = 3.0   # lanes nearer than this can't be told apart
USUAL_MM = 7.0     # width of a lane where nothing tells it
# Widths at half height that a lane spans: 2 % of a round spot lies beyond, where the layer's noise
# counts for more than that; 0.5 % under 366 nm, where it hardly counts.
REACH, REACH_BRIGHT = 2.0, 2.4
STRONG = 0.3       # of the strongest group of spots
SPOT_SURE = 7.0    # standard deviations of a spot that makes a lane without a tick
TICK_SURE = 5.5


def find_lanes(
    plate: NDArray[np.float32], grid: Grid, layout: Layout, settings: Settings, bright: bool
) -> tuple[tuple[Lane, ...], float | None]:
    """Return the lanes, unnamed, from left to right, and the confidence in them.

    Parameters
    ----------
    plate : (rows, columns) array
        Light on `grid`, lowest row first.
    layout : Layout
        With both lines.
    settings : Settings
        `lanes` and `lane_width` are taken where given.
    bright : bool
        Whether spots are brighter than the layer.

    Raises
    ------
    LayoutError
        If no lanes are found and none are given, or fewer than asked for.
    InputError
        If the lanes given don't fit on the plate.
    """
    unit = layout.mm_per_unit
    profile, seen = _spot_profile(plate, grid, layout, bright)
    ticks = find_ticks(plate, grid, layout.origin)
    spots = _peaks(profile, layout)
    confidence: float | None
    if isinstance(settings.lanes, tuple):
        xs = list(settings.lanes)
        unit_name = "mm" if layout.scaled else "pixels"
        edge = 1.0 / unit
        for x in xs:
            if not edge <= x <= layout.width - edge:
                raise InputError(
                    f"--lanes: {x:g} lies outside the plate or on its edge; it is "
                    f"{layout.width:.4g} {unit_name} wide: count from its left edge"
                )
        for one, two in pairwise(xs):
            if two - one < edge:
                raise InputError(
                    f"--lanes: {one:g} and {two:g} are too near to be two lanes: leave "
                    f"{edge:.3g} {unit_name} between them"
                )
        confidence = None
    else:
        xs, confidence = _candidates(ticks, spots, unit)
        if settings.lanes is not None:
            xs = _to_count(xs, ticks, spots, settings.lanes, layout)
            confidence = None if len(xs) == settings.lanes else confidence
        if not xs:
            raise LayoutError(
                "no lanes found: no ticks on the origin line, and no spots with layer between "
                "lanes; give the x of each with --lanes X1,X2,..."
            )
    width = _width(xs, seen, layout, settings, REACH_BRIGHT if bright else REACH)
    return tuple(Lane("", x, width, 0.0, None, confidence or 1.0) for x in xs), confidence


@dataclass(frozen=True)
class _Seen:
    """Depth of what stands out of the layer, where it does, and the grid of both."""

    depth: NDArray[np.float32]
    marked: NDArray[np.bool_]
    grid: Grid


def _spot_profile(
    plate: NDArray[np.float32], grid: Grid, layout: Layout, bright: bool
) -> tuple[Floats, _Seen]:
    """Return the strength of spots along x, in standard deviations, and the map it came from."""
    coarse, step = coarsen(plate, grid)
    small = Grid(coarse.shape[0], coarse.shape[1], grid.pitch * step, grid.mm * step)
    off = off_layer(layout, grid, step)
    bare, surface = mask_marks(coarse, small.mm, off)
    layer = surface.on(coarse.shape, small.mm)
    depth = (coarse - layer) / np.maximum(layer, 1e-4) * (1.0 if bright else -1.0)
    y = small.y()[:, None]
    x = small.x()[None, :]
    unit = layout.mm_per_unit
    inside = (y > layout.origin.at(x) + 1.0 / unit) & (y < layout.front.at(x) - 0.8 / unit)
    inside &= (x > 1.5 / unit) & (x < layout.width - 1.5 / unit)
    depth = np.where(inside, depth, np.float32(0.0))
    matched = ndimage.gaussian_filter(depth, 0.8 / small.mm)
    noise = matched[bare & inside]
    middle = float(np.median(noise)) if noise.size else 0.0
    sd = 1.4826 * float(np.median(np.abs(noise - middle))) if noise.size else 1.0
    z = np.where(inside, (matched - middle) / max(sd, 1e-9), 0.0)
    # Bands may nearly touch: what is far below the highest nearby is the gap between two.
    nearby = ndimage.maximum_filter(z, round(5.0 / small.mm))
    marked = ndimage.binary_opening((z > 4.5) & (z > 0.3 * nearby), iterations=1)
    labels, _ = ndimage.label(marked)
    profile = np.zeros(small.columns)
    for i, place in enumerate(ndimage.find_objects(labels), start=1):
        tall = (place[0].stop - place[0].start) * small.mm
        broad = (place[1].stop - place[1].start) * small.mm
        part = np.where(labels[place] == i, z[place], 0.0)
        # A streak along the plate or a stain right across it is no spot.
        if tall < 0.6 or broad < 0.6 or broad > 0.5 * small.columns * small.mm:
            continue
        profile[place[1]] += part.max(axis=0)
    seen = _Seen(depth.astype(np.float32), labels > 0, small)
    return ndimage.gaussian_filter1d(profile, 0.7 / small.mm), seen


def _peaks(profile: Floats, layout: Layout) -> list[tuple[float, float]]:
    """Return (x, strength) of the clusters of spots along x."""
    pitch = layout.width / profile.size
    reach = max(2, round(CLOSEST_MM / layout.mm_per_unit / pitch))
    top = ndimage.maximum_filter1d(profile, reach) == profile
    found: list[tuple[float, float]] = []
    place = np.nonzero(top & (profile > SPOT_SURE))[0]
    # A band's flat top has several maxima with no valley between: they are one.
    groups: list[list[int]] = []
    for i in place:
        if groups:
            last = groups[-1][-1]
            valley = profile[last: i + 1].min()
            if valley > 0.6 * min(profile[last], profile[i]):
                groups[-1].append(int(i))
                continue
        groups.append([int(i)])
    for group in groups:
        peak = max(profile[i] for i in group)
        low, high = group[0], group[-1]
        while low > 0 and 0.4 * peak < profile[low - 1] <= profile[low] + 0.05 * peak:
            low -= 1
        while (high < profile.size - 1
               and 0.4 * peak < profile[high + 1] <= profile[high] + 0.05 * peak):
            high += 1
        weight = profile[low: high + 1]
        at = np.arange(low, high + 1)
        found.append((float(((at + 0.5) * weight).sum() / weight.sum() * pitch), float(peak)))
    return found


def _candidates(
    ticks: list[tuple[float, float]], spots: list[tuple[float, float]], unit: float
) -> tuple[list[float], float]:
    """Join ticks and spots: a tick makes a lane, and so does a column of spots without one."""
    ticks = _without_strays(ticks)
    sure = [x for x, s in ticks if s >= TICK_SURE]
    supported = [x for x, s in ticks if s < TICK_SURE
                 and any(abs(x - y) < 1.5 / unit for y, _ in spots)]
    xs = sorted(sure + supported)
    if len(sure) >= 3:
        spacing = float(np.median(np.diff(sorted(sure))))
        xs += [x for x, s in ticks if TICK_SURE > s > 3.2 and x not in xs
               and _on_comb(x, sure, spacing)]
        xs.sort()
    apart = max(CLOSEST_MM / unit, 0.6 * float(np.median(np.diff(xs))) if len(xs) > 1 else 0.0)
    ticked = len(xs)
    # Where lanes have ticks, one without needs more than a speck to be believed.
    least = 3.0 * SPOT_SURE if ticked > 1 else 0.0
    for x, strength in spots:
        if strength > least and all(abs(x - y) > apart for y in xs):
            xs.append(x)
    confidence = 0.95 if ticked == len(xs) and ticked else 0.8 if ticked else 0.7
    return sorted(xs), confidence if xs else 0.0


def _without_strays(ticks: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Drop the weaker of two ticks far nearer than the others are: a scratch beside a tick."""
    ticks = list(ticks)
    while len(ticks) > 3:
        gaps = np.diff([x for x, _ in ticks])
        i = int(np.argmin(gaps))
        if gaps[i] > 0.5 * float(np.median(gaps)):
            break
        del ticks[i if ticks[i][1] < ticks[i + 1][1] else i + 1]
    if len(ticks) > 3 and _unevenness(ticks) > 0.15:
        # One stroke that spoils an even row is a scratch: ticks are set by a ruler.
        rows = [ticks[:i] + ticks[i + 1:] for i in range(1, len(ticks) - 1)]
        even = min(rows, key=_unevenness)
        if _unevenness(even) < 0.06:
            return even
    return ticks


def _unevenness(ticks: list[tuple[float, float]]) -> float:
    gaps = np.diff([x for x, _ in ticks])
    return float(gaps.std() / gaps.mean())


def _on_comb(x: float, comb: list[float], spacing: float) -> bool:
    steps = (x - comb[0]) / spacing
    return abs(steps - round(steps)) < 0.12 and min(abs(x - c) for c in comb) > 0.6 * spacing


def _to_count(
    xs: list[float], ticks: list[tuple[float, float]], spots: list[tuple[float, float]],
    count: int, layout: Layout,
) -> list[float]:
    """Bring the lanes found to the count given, or say that they must be placed by hand."""
    narrowest = CLOSEST_MM / layout.mm_per_unit
    if count * narrowest > layout.width:
        raise InputError(
            f"--lanes {count}: no more than {int(layout.width / narrowest)} lanes fit on a plate "
            f"{layout.width:.4g} {'mm' if layout.scaled else 'pixels'} wide"
        )
    strength = dict.fromkeys(xs, 0.0)
    for x in xs:
        near = [s for t, s in ticks if abs(t - x) < 1e-6]
        near += [s for t, s in spots if abs(t - x) < 0.5 * narrowest]
        strength[x] = sum(near)
    if len(xs) > count:
        return sorted(sorted(xs, key=lambda x: -strength[x])[:count])
    if len(xs) == count:
        return xs
    if len(xs) >= 2:
        spacing = float(np.min(np.diff(xs)))
        comb = np.array(xs)
        steps = np.rint((comb - comb[0]) / spacing)
        slope, start = np.polyfit(steps, comb, 1)
        even = np.abs(comb - start - slope * steps).max() < 0.15 * slope
        filled = start + slope * np.arange(int(steps[-1]) + 1)
        if even and len(filled) == count:
            return [float(min(xs, key=lambda x: abs(x - f))) if np.abs(comb - f).min() < 0.2 * slope
                    else float(f) for f in filled]
    raise LayoutError(
        f"only {len(xs)} of {count} lanes found: give the x of each with --lanes X1,X2,... "
        "in mm from the plate's left edge"
    )


def _half_width(across: Floats) -> tuple[float, float]:
    """Return a profile's full width at half height and the middle of it, in samples."""
    level = 0.5 * float(across.max())
    above = np.nonzero(across > level)[0]
    first, last = int(above[0]), int(above[-1])
    left, right = float(first), float(last)
    if first > 0:
        left -= (across[first] - level) / (across[first] - across[first - 1])
    if last < across.size - 1:
        right += (across[last] - level) / (across[last] - across[last + 1])
    return right - left, 0.5 * (left + right)


def _width(
    xs: list[float], seen: _Seen, layout: Layout, settings: Settings, reach: float
) -> float:
    """Return a width that holds the broadest spot to about three sigma on each side."""
    unit = layout.mm_per_unit
    gaps = np.diff(xs)
    most = float(gaps.min()) * 0.96 if gaps.size else layout.width
    edge = 2.0 * min(min(x, layout.width - x) for x in xs)
    if settings.lane_width is not None:
        least = 0.5 / unit
        widest = float(gaps.min()) if gaps.size else layout.width
        if not least <= settings.lane_width <= widest:
            raise InputError(
                f"--lane-width {settings.lane_width:g} does not fit: give from {least:.3g} to "
                f"{widest:.4g}, the distance between lanes"
            )
        return settings.lane_width
    depth, marked, small = seen.depth, seen.marked, seen.grid
    half = 0.5 * min(most, max(edge, 4.0 / unit), 24.0 / unit)
    extents = []
    for x in xs:
        low = max(0, int(small.column(x - half)))
        high = min(small.columns, int(small.column(x + half)) + 2)
        if high - low < 4:
            continue
        # Spots spread as they run: each group of marked rows is looked at on its own.
        groups, count = ndimage.label(marked[:, low:high].any(axis=1))
        for group in range(1, count + 1):
            rows = groups == group
            across = np.clip(depth[rows, low:high].sum(axis=0).astype(float), 0.0, None)
            if rows.sum() * small.mm < 1.0 or across.sum() <= 0:
                continue
            fwhm, middle = _half_width(across)
            offset = abs(middle - float(small.column(x)) + low) * small.pitch
            # A band ends sooner than a round spot of its width.
            extent = min(reach * fwhm * small.pitch, fwhm * small.pitch + 3.5 / unit)
            extents.append((float(across.sum()), extent + 2 * min(offset, 1.0 / unit)))
    # A weak spot's width is mostly noise: the strong ones speak.
    least_sum = STRONG * max((strength for strength, _ in extents), default=0.0)
    wanted = max((extent for strength, extent in extents if strength >= least_sum),
                 default=USUAL_MM / unit)
    return float(np.clip(wanted, 4.0 / unit, min(most, max(edge - 1.0 / unit, 4.0 / unit))))

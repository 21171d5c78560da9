"""The spots' colours: as sRGB and as a word, and whether area percent hangs on the channel."""

from __future__ import annotations

import colorsys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.confidence import MAD_SD, TWO_SIDED_95
from lanes.flags import Flag, flag
from lanes.plate.channel import WEIGHTS, clipped_channels
from lanes.plate.depths import Depths, layer_depths
from lanes.plate.layout import Lane
from lanes.plate.planes import Planes, planes_of
from lanes.plate.signal import kubelka_munk, optical_density
from lanes.quantiles import median
from lanes.reading import LaneReading, Plate
from lanes.rounding import ROUNDING, TINY
from lanes.scan.transfer import linear_to_srgb
from lanes.spots.law_doubt import UP_TO
from lanes.spots.shapes import FWHM

Floats = NDArray[np.float64]

MIDDLE = 0.35      # of a spot's half width: where its colour is taken
GREYEST = 0.12     # saturation below which a colour has no hue to the eye (by eye)
# Hue in degrees up to which each word holds, from the usual names of the colour circle (by eye).
HUES = ((15, "red"), (45, "orange"), (70, "yellow"), (165, "green"), (200, "cyan"), (255, "blue"),
        (290, "violet"), (335, "pink"), (360, "red"))
# An orange or yellow darker than this is called brown, and an orange as grey as this.
BROWN, BROWN_GREY = 0.55, 0.28
WHITE, DEEP = 0.92, 0.6  # a pale layer's light; share of it that a deep colour takes away
# Percentage points by which area percent may move with the channel and still be one figure: what
# channels of one grey spot differ by on scans (common practice).
SAME = 2.0
# Standard deviations from which a difference between channels is a hue: of three channels, one in
# a hundred grey spots passes it by chance.
COLOUR_SURE = 3.0
UNCOLOURED = ("black", "grey", "white")
SEEN = 5.0         # standard deviations a spot has to have in a channel that is remarked on
NOTICED = 2.0      # and in one that might have been read: below, a spot is not there to its reader
# Of sRGB's value (by eye): below the first nothing has a hue, above the second
# what has none is white.
BLACK, WHITEST = 0.15, 0.93
# A plate's law holds its layer to an assumed reflectance. In a mixture of light that shows less of
# the layer than this (a coloured layer; a choice), the light itself is taken for the reflectance,
# between ends at which the law stays finite.
LIT_LAYER, DARKEST_LAYER, BRIGHTEST_LAYER = 0.55, 0.02, 0.97
# Reflectance that the law is asked of: black as a scanner sees it, and a fifth above a white layer.
LEAST_LIGHT, MOST_LIGHT = 0.004, 1.2
LEAST_GLOW = 1e-3  # share of the layer's glow: an optical density of 3, more than scanners resolve


def coloured(plate: Plate, readings: Sequence[LaneReading]) -> tuple[LaneReading, ...]:
    """Return `readings` with the colour of every spot, where the scan has colours."""
    if "red" not in plate.scan.channels:
        return tuple(readings)
    planes = planes_of(plate.scan, plate.layout, plate.settings.places.masks)
    depths = layer_depths(planes, plate.layout)
    noise = _ChromaNoise(depths)
    out = []
    for lane, reading in zip(plate.layout.lanes, readings, strict=True):
        spots = []
        for spot, part in zip(reading.spots, reading.fit.components, strict=True):
            x, y = plate.layout.path(lane, spot.rf)
            half = MIDDLE * 0.5 * FWHM * part.sigma
            box = _box(planes, float(x), float(y), half)
            light = np.array([np.median(image[box]) for image in planes.light.values()])
            beside = np.array([float(np.median(d[box])) for d in depths.depth])
            seen = light if plate.light == "366" else _deepened(noise.hue(beside, box))
            name = colour_name(seen)
            if plate.light == "254" and name in UNCOLOURED and beside.mean() < 0.0:
                name = "dark"  # on a layer that glows in a colour of its own, which the scan shows
            spots.append(replace(spot, colour=_hex(light), colour_name=name))
        out.append(replace(reading, spots=tuple(spots)))
    return tuple(out)


class _ChromaNoise:
    """What the clean layer's noise makes of the differences between channels."""

    def __init__(self, depths: Depths) -> None:
        self._depths = depths
        self._known: dict[tuple[int, int], Floats] = {}

    def hue(self, beside: Floats, box: tuple[slice, slice]) -> Floats:
        """Return `beside`, (c,), without a hue where that is no more than noise in such a box."""
        size = box[0].stop - box[0].start, box[1].stop - box[1].start
        if size not in self._known:
            self._known[size] = self._of(size)
        means = self._depths.depth[:, *box].mean(axis=(1, 2), dtype=float)
        sure = np.abs(means - means.mean()) > COLOUR_SURE * self._known[size]
        return beside if sure.any() else np.full_like(beside, beside.mean())

    def _of(self, size: tuple[int, int]) -> Floats:
        """Return the standard deviation of each channel's difference from all, (c,)."""
        depth, bare = self._depths.depth, self._depths.bare
        apart = depth - depth.mean(axis=0)
        bare = ndimage.binary_erosion(bare, np.ones(size, bool))
        if not bare.any():
            bare = self._depths.bare
        means = (ndimage.uniform_filter(channel, size)[bare] for channel in apart)
        return np.array([MAD_SD * float(median(np.abs(m))) if m.size else 0.0 for m in means])


def _deepened(beside: Floats) -> Floats:
    """Return light over the layer's, a pale spot made as deep as one that the eye names."""
    most = float(np.abs(beside).max())
    deepen = max(1.0, DEEP / most) if beside.min() < 0.0 else 1.0
    return np.asarray(WHITE * (1.0 + deepen * beside))


def _box(planes: Planes, x: float, y: float, half: float) -> tuple[slice, slice]:
    grid = planes.grid
    reach = max(1, round(half / grid.pitch))
    row = int(np.clip(round(float(grid.row(y))), 0, grid.rows - 1))
    column = int(np.clip(round(float(grid.column(x))), 0, grid.columns - 1))
    return (slice(max(0, row - reach), row + reach + 1),
            slice(max(0, column - reach), column + reach + 1))


def _hex(light: Floats) -> str:
    codes = np.rint(255 * linear_to_srgb(np.clip(light, 0.0, 1.0))).astype(int)
    return "#" + "".join(f"{c:02x}" for c in codes)


def colour_name(light: Floats) -> str:
    """Return a plain word for linear light (red, green, blue), 1 being a white layer."""
    red, green, blue = np.asarray(linear_to_srgb(np.clip(light, 0.0, 1.0)), float).tolist()
    hue, saturation, value = colorsys.rgb_to_hsv(red, green, blue)
    if value < BLACK:
        return "black"
    if saturation < GREYEST:
        return "white" if value > WHITEST else "grey"
    word = next(name for limit, name in HUES if 360 * hue <= limit)
    dull = word == "orange" and saturation < BROWN_GREY
    return "brown" if dull or (word in ("orange", "yellow", "red") and value < BROWN) else word


@dataclass(frozen=True)
class _ByChannel:
    """A lane's area percents on the coarse grid, (c,), and their noise, in one mixture of light.

    `seen` is how many standard deviations each of the spots has there, (c,).
    """

    percents: Floats
    noise: Floats
    seen: Floats


def _by_channel(
    plate: Plate, readings: Sequence[LaneReading]
) -> list[dict[str, _ByChannel | None]]:
    """Return each lane's percents by the channel read, "own", and by each of the scan's.

    None where nothing can be fitted; nothing for a lane of less than two spots or a grey scan.
    """
    # The remark asks for it, and then the intervals do.
    given = (plate.signal, plate.layout, *readings)
    known = plate.seen.get("by channel")
    if known is None or len(known[0]) != len(given) or any(
            one is not other for one, other in zip(known[0], given, strict=True)):
        known = plate.seen["by channel"] = given, _seen_by_channel(plate, readings)
    found: list[dict[str, _ByChannel | None]] = known[1]
    return found


def _seen_by_channel(
    plate: Plate, readings: Sequence[LaneReading]
) -> list[dict[str, _ByChannel | None]]:
    if "red" not in plate.scan.channels or not any(len(r.spots) > 1 for r in readings):
        return [{} for _ in readings]
    planes = planes_of(plate.scan, plate.layout, plate.settings.places.masks)
    depths = layer_depths(planes, plate.layout)
    own = WEIGHTS[plate.signal.channel]
    clipped = () if plate.layout.lighter else clipped_channels(
        plate.scan, plate.layout, planes, depths)
    # Beside a channel that shows the layer, one that does not is no other choice.
    others = [c for c in depths.channels if c not in clipped or any(own.get(c) for c in clipped)]
    mixtures = {"own": own, **{c: {c: 1.0} for c in others}}
    signals = {}
    for name, weights in mixtures.items():
        share = np.array([weights.get(c, 0.0) for c in depths.channels]) * depths.layer
        ratio = 1.0 + np.tensordot(share / share.sum(), depths.depth, axes=1)
        level = float(np.array([weights.get(c, 0.0) for c in depths.channels]) @ depths.layer)
        signals[name] = _signal(plate, ratio, level)
    return [
        {name: _percents(plate, planes, lane, reading, s) for name, s in signals.items()}
        if len(reading.spots) > 1 else {}
        for lane, reading in zip(plate.layout.lanes, readings, strict=True)]


def with_channel_doubt(
    plate: Plate, readings: Sequence[LaneReading]
) -> tuple[LaneReading, ...]:
    """Return `readings`, the channel's choice counted in every spot's area percent.

    Area percent is a channel's figure, and any channel that shows all the lane's spots might have
    been read: the truth is as likely anywhere up to the farthest of them (`UP_TO`). What noise
    alone makes of the difference is taken off.
    """
    out = []
    for reading, found in zip(readings, _by_channel(plate, readings), strict=True):
        own = found.get("own")
        doubt = np.zeros(len(reading.spots))
        for name, other in found.items():
            if (own is not None and other is not None and name != "own"
                    and other.seen.min() > NOTICED):
                beyond = (np.square(other.percents - own.percents)
                          - np.square(other.noise) - np.square(own.noise))
                doubt = np.maximum(doubt, UP_TO * np.sqrt(np.maximum(beyond, 0.0)))
        spots = tuple(
            spot if spot.area_percent_sd is None else replace(
                spot, area_percent_sd=float(np.hypot(spot.area_percent_sd, by)))
            for spot, by in zip(reading.spots, doubt, strict=True))
        out.append(replace(reading, spots=spots))
    return tuple(out)


def channel_matters(plate: Plate, readings: Sequence[LaneReading]) -> tuple[Flag, ...]:
    """Return the remark that area percents differ from channel to channel, once a plate.

    Standard deviations of `readings` are those without the channel's choice.
    """
    worst: tuple[float, str] = (1.0, "")
    blind: list[str] = []
    for reading, found in zip(readings, _by_channel(plate, readings), strict=True):
        if not found:
            continue
        # A spot too weak for any channel tells nothing of channels.
        clear = np.any([f.seen >= SEEN for f in found.values() if f is not None], axis=0)
        if np.sum(clear) < 2:
            continue
        seeing = {name: f for name, f in found.items()
                  if f is not None and (f.seen >= NOTICED)[clear].all()}
        base = seeing.pop("own", None)
        if base is None or not seeing:
            blind.append(reading.name)
            continue
        whole = {name: f for name, f in seeing.items() if (f.seen >= SEEN)[clear].all()}
        for i in np.flatnonzero(clear) if whole else ():
            spot = reading.spots[i]
            moved = {name: float(spot.area_percent + f.percents[i] - base.percents[i])
                     for name, f in whole.items()}
            most = max(abs(p - spot.area_percent) for p in moved.values())
            bound = SAME + TWO_SIDED_95 * (spot.area_percent_sd or 0.0)
            if most / bound > worst[0] * (1.0 + ROUNDING):  # of two spots alike, the first is named
                others = ", ".join(f"about {min(max(p, 0.0), 100.0):.0f} by {name}"
                                   for name, p in moved.items() if name != plate.signal.channel)
                worst = (most / bound, f"the spot at Rf {spot.rf:.3f} of lane {reading.name} holds "
                         f"{spot.area_percent:.1f} area percent by {plate.signal.channel}, "
                         f"{others}")
    parts = [worst[1]] if worst[1] else []
    if blind:
        parts.append(f"no one channel sees all spots of lane {', '.join(blind)}: their area "
                     "percents can't be compared")
    return (flag("channel-matters", "; ".join(parts)),) if parts else ()


def _signal(plate: Plate, ratio: Floats, level: float) -> Floats:
    """Return signal by the plate's law from light over the layer's, on the coarse grid."""
    law = plate.signal.law
    if law == "kubelka-munk":
        reference = plate.signal.reference if level > LIT_LAYER else max(level, DARKEST_LAYER)
        reference = min(reference, BRIGHTEST_LAYER)
        light = np.clip(reference * ratio, LEAST_LIGHT, MOST_LIGHT)
        out = kubelka_munk(light) - kubelka_munk(reference)
    elif law == "optical-density":
        out = optical_density(np.clip(ratio, LEAST_GLOW, None))
    else:
        out = (ratio - 1.0) * level
    return np.asarray(-out if plate.layout.lighter and law != "emission" else out)


def _percents(
    plate: Plate, planes: Planes, lane: Lane, reading: LaneReading, signal: Floats
) -> _ByChannel | None:
    """Return area percents of a lane's fitted spots in `signal`; None where none is seen."""
    grid, layout = planes.grid, plate.layout
    y0, y1 = layout.ends(lane)
    rows = np.arange(max(0, int(grid.row(y0)) + 4), min(grid.rows, int(grid.row(y1)) - 3))
    if rows.size < 4 * (len(reading.spots) + 2):
        return None
    rise = grid.y()[rows] - y0
    half = max(1, round(0.5 * lane.width / grid.pitch))
    middle = np.rint(grid.column(lane.x + lane.lean * rise)).astype(int)
    column = np.clip(middle[:, None] + np.arange(-half, half + 1), 0, grid.columns - 1)
    trace = signal[rows[:, None], column].sum(axis=1)
    position = rise * float(np.hypot(1.0, lane.lean))
    shapes = [np.interp(position, reading.trace.position, peak) for peak in reading.fit.peaks]
    design = np.stack([*shapes, np.ones(rows.size), position / reading.trace.run], axis=1)
    solved = np.linalg.lstsq(design, trace, rcond=None)[0]
    rest = trace - design @ solved
    # Neighbours share their noise over about a millimetre: four samples count as one.
    spread = np.diag(np.linalg.pinv(design.T @ design)).clip(0.0)  # rounding may take it below 0
    sd = 2.0 * float(np.std(rest)) * np.sqrt(spread)
    count = len(reading.spots)
    seen = solved[:count] / np.maximum(sd[:count], TINY)
    if seen.max() <= 0.0:
        return None
    own = np.array([c.area for c in reading.fit.components])
    areas, sds = np.maximum(solved[:count], 0.0) * own, sd[:count] * own
    shares = areas / areas.sum()
    slope = (np.eye(count) - shares[:, None]) / areas.sum()
    return _ByChannel(100.0 * shares, 100.0 * np.sqrt(np.square(slope) @ np.square(sds)),
                      seen)

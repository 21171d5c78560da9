"""From light to signal: the laws, the layer they are referred to, and the noise they carry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.flags import Flag, flag
from lanes.plate.channel import choose_channel
from lanes.plate.front_band import without_band
from lanes.plate.given_places import masked, without_masked
from lanes.plate.layer import mask_marks, smooth_layer
from lanes.plate.layout import Layout
from lanes.plate.planes import Planes, coarsen, enlarge, off_layer, planes_of
from lanes.plate.square import Grid, choose_grid, resample, square_up
from lanes.plate.thin import Bridge, thick_strokes, thin_matter
from lanes.quantiles import median
from lanes.scan.scan import Scan
from lanes.settings import Settings

Floats = NDArray[np.float64]
Image = NDArray[np.float32]

DEFAULT_LAW = {"white": "kubelka-munk", "254": "optical-density", "366": "emission"}
LAW_NAMES = {"kubelka-munk": "kubelka-munk", "optical-density": "optical density",
             "emission": "emission"}
# A white layer scanned with white at code 255 reads about this; used where exposure hides it.
USUAL_LAYER = 0.86
SAMPLES = 1 << 17  # worked out at a time: temporaries stay in the cache
PATCH_MM = 7.5  # height of a held-out patch: what a spot hides; it is as wide as the lanes


@dataclass(frozen=True)
class Signal:
    """The plate in signal, clean layer at zero.

    Attributes
    ----------
    values : (rows, columns) array
        Signal less the clean layer's, thin matter taken out, lowest row first.
    gain : (rows, columns) array
        Noise of each sample relative to clean layer, from the law's slope.
    bare : (rows, columns) bool array
        True where clean layer shows.
    held_out : (rows, columns) array
        Signal that a layer carried on from outside would leave: what the background under a
        spot is uncertain by. NaN where nothing was held out.
    thin : (rows, columns) bool array
        Specks, scratches and pencil that were taken out.
    clipped : (rows, columns) array
        Share of each sample's pixels that are at the end of the scan's range.
    masked : (rows, columns) bool array or None
        What a person said is not a spot: layer stands there instead, and nothing is read from it.
    as_read : float or None
        The layer's reflectance as the picture has it, where `reference` was taken instead.
    """

    values: Image
    gain: Image
    bare: NDArray[np.bool_]
    held_out: Image
    thin: NDArray[np.bool_]
    clipped: Image
    grid: Grid
    light: str
    law: str
    channel: str
    reference: float
    flags: tuple[Flag, ...]
    masked: NDArray[np.bool_] | None = None
    as_read: float | None = None


def kubelka_munk(reflectance: ArrayLike) -> Floats:
    """Return F(R) = (1 - R)^2 / (2 R) (Kubelka & Munk 1931), any shape, R above 0."""
    r = np.asarray(reflectance)
    return np.asarray((1.0 - r) ** 2 / (2.0 * r))


def reflectance(km: ArrayLike) -> Floats:
    """Return R = 1 + F - sqrt(F^2 + 2 F), the inverse of `kubelka_munk`."""
    f = np.asarray(km, float)
    return np.asarray(1.0 + f - np.sqrt(f * f + 2.0 * f))


def optical_density(relative: ArrayLike) -> Floats:
    """Return -log10 of a ratio of lights: relative density, not ISO 5 density."""
    return np.asarray(-np.log10(np.asarray(relative)))


def judge_light(scan: Scan) -> tuple[str, float]:
    """Return what lit the plate ("white", "254" or "366"), judged from its colours.

    A green glow says 254 nm, a dark layer 366 nm, a pale one white light. The confidence is from
    0 to 1; a grey scan says little.
    """
    step = max(1, max(scan.height_px, scan.width_px) // 300)
    if "red" not in scan.channels:
        level = float(median(_middle(scan.light("mean", step))))
        return ("366", 0.6) if level < 0.06 else ("white", 0.6)
    red, green, blue = (
        float(median(_middle(scan.light(c, step)))) for c in ("red", "green", "blue")
    )
    brightest = max(red, green, blue)
    if green > 1.5 * red and green > 1.25 * blue and green > 0.06:
        return "254", min(1.0, 0.5 + 0.25 * (green / max(red, blue, 1e-3) - 1.0))
    if brightest < 0.12 or (blue > 2.0 * red and blue > 1.5 * green and brightest < 0.35):
        return "366", 0.9 if blue > 1.3 * red else 0.7
    return "white", 0.9 if brightest < 1.35 * min(red, green, blue) else 0.6


def _middle(image: Image) -> Image:
    rows, columns = image.shape
    return image[rows // 4: rows - rows // 4, columns // 4: columns - columns // 4]


def _strokes(
    image: Image, planes: Planes | None, layout: Layout, grid: Grid
) -> tuple[NDArray[np.bool_], Bridge]:
    """Return where pencil, dust and scratches hide the layer, and the bridge over it."""
    thin = planes.thin if planes is not None else thin_matter(image, grid.mm)
    thick = thick_strokes(layout, grid) & ~thin
    if planes is not None and not thick.any():
        return thin, planes.bridge
    return thin | thick, Bridge(thin | thick, grid.mm)


def to_signal(scan: Scan, layout: Layout, settings: Settings, light: str) -> Signal:
    """Turn a located scan into signal.

    Parameters
    ----------
    scan, layout, settings
    light : str
        "white", "254" or "366".

    Returns
    -------
    Signal

    Raises
    ------
    InputError
        If the channel asked for is not in the scan.
    """
    law = DEFAULT_LAW[light] if settings.law == "auto" else settings.law
    grid, reduce = choose_grid(layout.width, layout.height, layout.corners_px, layout.mm_per_unit)
    size = (layout.width, layout.height, layout.corners_px)
    channel = choose_channel(scan, layout, settings, light)
    ready = channel == "mean" and not settings.places.masks  # the lines were sought on it
    planes = planes_of(scan, layout) if ready else None
    image = np.maximum(planes.fine if planes is not None else square_up(
        scan, channel, grid, reduce, *size), 1e-5)
    ends = scan.clipped(channel, reduce)
    clipped = resample(ends, grid, reduce, *size) if ends.any() else np.zeros_like(image)
    bright = law == "emission"
    hidden = masked(grid, settings.places.masks) if settings.places.masks else None
    if hidden is not None:
        image = without_masked(image, hidden, grid.mm)
    thin, bridge = _strokes(image, planes, layout, grid)
    image = bridge.over(image)
    coarse, step = coarsen(image, grid)
    bare, surface = mask_marks(coarse, step * grid.mm, off_layer(layout, grid, step))
    layer = np.maximum(surface.on(image.shape, grid.mm), 1e-5)

    # An uneven lamp only takes light away, so a bright part tells the layer; glare adds some, so
    # not the brightest.
    reference = float(np.percentile(surface.cells, 80))
    flags: list[Flag] = []
    lighter = layout.lighter is True and law != "emission"
    as_read = None
    if law == "kubelka-munk" and not lighter and not 0.55 <= reference <= 1.0:
        flags.append(flag(
            "transfer-assumed",
            f"the layer reads {reference:.2f} of full white, which no white layer does: its "
            f"reflectance is taken as {USUAL_LAYER}",
        ))
        as_read, reference = reference, USUAL_LAYER
    reference = min(reference, 0.97)

    # The layer at zero, spots above it: turned over where they depart the other way.
    turned = layout.lighter is not None and layout.lighter != bright
    values, gain = _apply(law, image, layer, reference, turned)
    fine_bare = enlarge(bare, image.shape, step)
    if hidden is not None:
        fine_bare &= ~hidden
    held = np.full(image.shape, np.nan, np.float32)
    for holes in _holes(bare, layout, grid, step):
        kept = smooth_layer(coarse, bare & ~holes, step * grid.mm)
        fine_holes = enlarge(holes, image.shape, step) & fine_bare & ~thin
        there = np.maximum(kept.on(image.shape, grid.mm), 1e-5)[fine_holes]
        held[fine_holes] = _apply(law, image[fine_holes], there, reference, turned)[0]
    if bright is False and float(median(clipped[~fine_bare])) > 0.5:
        flags.append(flag("clipped", "most of the marks on the plate are at the scan's limit"))
    return Signal(without_band(values, layout, grid), gain, fine_bare & ~thin, held, thin, clipped,
                  grid, light, law, channel, reference, tuple(flags), hidden, as_read)


def _apply(
    law: str, image: Image, layer: Image, reference: float, turned: bool = False
) -> tuple[Image, Image]:
    """Return signal above the layer's, or `turned` below it, and each sample's relative noise.

    Noise of the light is taken as proportional to it (grain, lamp), so the law's slope against
    log light sets how it grows in a spot.
    """
    values, gain = (np.empty(image.size, np.float32) for _ in range(2))
    image, layer, shape = image.ravel(), layer.ravel(), image.shape
    for start in range(0, image.size, SAMPLES):
        part = slice(start, start + SAMPLES)
        values[part], gain[part] = _by_law(law, image[part] / layer[part], reference)
    if turned:
        np.negative(values, out=values)
    return values.reshape(shape), gain.reshape(shape)


def _by_law(law: str, ratio: Image, reference: float) -> tuple[Floats, Floats]:
    """Return signal and relative noise of light over the layer's."""
    values: NDArray[np.floating]
    gain: NDArray[np.floating]
    if law == "kubelka-munk":
        r = np.clip(reference * ratio, 0.004, 1.2)
        values = kubelka_munk(r) - kubelka_munk(reference)
        gain = np.abs(1.0 / r - r) / (1.0 / reference - reference)
        gain = np.where(r < reference, np.maximum(gain, 1.0), 1.0)
    elif law == "optical-density":
        values = optical_density(np.clip(ratio, 1e-3, None))
        gain = np.ones_like(ratio)
    else:
        # The layer's own glow shows where the lamp is weaker.
        values = (ratio - 1.0) * reference
        gain = np.maximum(ratio, 1.0)
    return np.asarray(values), np.asarray(gain)


def _holes(
    bare: NDArray[np.bool_], layout: Layout, grid: Grid, step: int
) -> tuple[NDArray[np.bool_], ...]:
    """Return sets of spot-sized patches of layer to hold out, in three staggered patterns."""
    rows, columns = bare.shape
    tall = max(2, round(PATCH_MM / (grid.mm * step)))
    lane = max((lane.width for lane in layout.lanes), default=0.0) * layout.mm_per_unit
    wide = max(2, round(max(PATCH_MM, lane) / (grid.mm * step)))
    row, column = np.arange(rows)[:, None], np.arange(columns)[None, :]
    tier = row // (2 * tall)
    return tuple(
        bare & ((row + half * tall) % (2 * tall) < tall)
        & ((column + (tier + side) * wide) % (3 * wide) < wide)
        for half, side in ((0, 0), (0, 1), (1, 0))
    )

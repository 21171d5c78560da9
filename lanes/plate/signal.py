"""From light to signal: the laws, the layer they are referred to, and the noise they carry."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.confidence import UNIFORM_SD
from lanes.flags import Flag, flag
from lanes.plate.by_hand import masked, without_masked
from lanes.plate.channel import choose_channel
from lanes.plate.code_steps import relative_step, samples_apart, unspread
from lanes.plate.front_band import without_band
from lanes.plate.layer import Surface, mask_marks, smooth_layer
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
# Of full light, of the layer: where these make the light it was lit by. Choices from what lamps and
# layers look like (common practice): an indicator glows green, by so much over red and blue, and is
# not black; a layer under 366 nm is nearly black, or violet (over red, over green) and not bright;
# a white one has no colour, and its brightest channel is near its dimmest.
GLOW_OVER_RED, GLOW_OVER_BLUE, GLOW = 1.5, 1.25, 0.06
DARK_GREY, DARK = 0.06, 0.12
VIOLET_OVER_RED, VIOLET_OVER_GREEN, VIOLET_BRIGHTEST = 2.0, 1.5, 0.35
BLUISH, COLOURLESS = 1.3, 1.35
NO_LIGHT = 1e-3    # so that nothing is divided by 0
# Confidence in that: where the colours agree, where they do not, where dark is all there is, and
# where the scan is grey; under 254 nm it rises from a half by so much for each time green exceeds
# the rest. Only their order is meant.
AGREED, UNSURE, DARK_ONLY, GREY, BY_GLOW = 0.9, 0.6, 0.7, 0.6, 0.25
BLACK = 1e-5       # of full light: far below any code of 8 bits, so that nothing is divided by 0
# Reflectance that a white layer can have: outside, codes are not light as they were taken to be.
DIMMEST_LAYER, BRIGHTEST_LAYER = 0.55, 1.0
BRIGHT_QUANTILE = 80  # per cent of the layer's cells, which are dimmer than what is taken for it
MOST_REFERENCE = 0.97  # at 1 the law's slope at the layer, which noise is held against, is 0
# Reflectance beyond which the law of Kubelka and Munk is not followed: near black, where it grows
# without bound, and glare.
LEAST_R, MOST_R = 0.004, 1.2
LEAST_RATIO = 1e-3  # of the layer's light: what is darker counts as a density of 3
MOSTLY_CLIPPED = 0.5  # of the pixels of the median mark
SAMPLES = 1 << 17  # worked out at a time: temporaries stay in the cache
# Height of a held-out patch: what a spot hides, and no less than this; it is as wide as the lanes.
PATCH_MM = 7.5
ONE_STEP = np.array([-0.5, 0.5], np.float32)  # of light, from end to end
HIDDEN_MM = 1.0  # a lower stretch of hidden layer is no spot


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
        What a person masked as no spot, and holes in the layer: layer stands there instead, and
        nothing is read from it.
    as_read : float or None
        The layer's reflectance as the picture has it, where `reference` was taken instead.
    patch_mm : float
        Height of the patches that were held out.
    rounding : float
        Standard deviation that the file's steps leave of each sample in bare layer, its neighbours
        alike: none where grain spreads the layer over several steps.
    step : float
        The step itself, in which the layer's signal is kept.
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
    patch_mm: float = PATCH_MM
    rounding: float = 0.0
    step: float = 0.0


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

    A green glow means 254 nm, a dark layer 366 nm, a pale one white light. The confidence is from
    0 to 1; a grey scan shows little.
    """
    step = max(1, max(scan.height_px, scan.width_px) // 300)
    scan = _middle(scan, step)
    if "red" not in scan.channels:
        level = float(median(scan.light("mean", step)))
        return ("366", GREY) if level < DARK_GREY else ("white", GREY)
    red, green, blue = (
        float(median(scan.light(c, step))) for c in ("red", "green", "blue")
    )
    brightest = max(red, green, blue)
    if green > GLOW_OVER_RED * red and green > GLOW_OVER_BLUE * blue and green > GLOW:
        times = green / max(red, blue, NO_LIGHT)
        return "254", min(1.0, 0.5 + BY_GLOW * (times - 1.0))
    violet = blue > VIOLET_OVER_RED * red and blue > VIOLET_OVER_GREEN * green
    if brightest < DARK or (violet and brightest < VIOLET_BRIGHTEST):
        return "366", AGREED if blue > BLUISH * red else DARK_ONLY
    return "white", AGREED if brightest < COLOURLESS * min(red, green, blue) else UNSURE


def _middle(scan: Scan, step: int) -> Scan:
    """Return the middle half of a picture each way, in whole blocks of `step` pixels."""
    rows, columns = (slice(n // 4 * step, (n - n // 4) * step)
                     for n in (scan.height_px // step, scan.width_px // step))
    codes = scan.codes[rows, columns]
    return replace(scan, codes=codes, height_px=codes.shape[0], width_px=codes.shape[1])


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
    quenched = light == "366" and layout.lighter is False
    law = settings.law if settings.law != "auto" else DEFAULT_LAW["254" if quenched else light]
    grid, reduce = choose_grid(layout.width, layout.height, layout.corners_px, layout.mm_per_unit)
    size = (layout.width, layout.height, layout.corners_px)
    channel = choose_channel(scan, layout, settings, light)
    ready = channel == "mean" and not settings.places.masks  # the lines were sought on it
    gone = planes_of(scan, layout, settings.places.masks).holes
    planes = planes_of(scan, layout) if ready else None
    image = np.maximum(planes.fine if planes is not None else square_up(
        scan, channel, grid, reduce, *size), BLACK)
    ends = scan.clipped(channel, reduce)
    clipped = resample(ends, grid, reduce, *size) if ends.any() else np.zeros_like(image)
    bright = law == "emission"
    hidden = masked(grid, settings.places.masks) if settings.places.masks else None
    if gone is not None:
        hidden = gone if hidden is None else hidden | gone
    if hidden is not None:
        image = without_masked(image, hidden, grid.mm)
    thin, bridge = _strokes(image, planes, layout, grid)
    image = bridge.over(image)
    coarse, step = coarsen(image, grid)
    bare, surface = mask_marks(coarse, step * grid.mm, off_layer(layout, grid, step),
                               scan.finest_step)
    layer = np.maximum(surface.on(image.shape, grid.mm), BLACK)

    reference, as_read, flags = _reference(surface, layout, law)
    # The layer at zero, spots above it: turned over where they depart the other way.
    turned = layout.lighter is not None and layout.lighter != bright
    values, gain = _apply(law, image, layer, reference, turned)
    fine_bare = enlarge(bare, image.shape, step)
    if hidden is not None:
        fine_bare &= ~hidden
    if bright is False and float(median(clipped[~fine_bare])) > MOSTLY_CLIPPED:
        flags.append(flag("clipped", "most of the marks on the plate are at the scan's limit"))
    fine_bare &= ~thin
    held = np.full(image.shape, np.nan, np.float32)
    patch = max(PATCH_MM, _hidden_height(bare, layout, grid, step))
    for holes in _holes(bare, layout, grid, step, patch):
        kept = smooth_layer(coarse, bare & ~holes, step * grid.mm)
        at = np.flatnonzero(enlarge(holes, image.shape, step) & fine_bare)
        there = np.maximum(kept.on(image.shape, grid.mm).take(at), BLACK)
        held.ravel()[at] = _apply(law, image.take(at), there, reference, turned)[0]
    relative = relative_step(scan, layout, channel, fine_bare, grid)
    coded = float(np.abs(np.diff(_by_law(law, 1.0 + relative * ONE_STEP, reference)[0]))[0])
    alike = unspread(values, fine_bare, coded, samples_apart(scan, layout, grid))
    return Signal(without_band(values, layout, grid), gain, fine_bare, held, thin, clipped,
                  grid, light, law, channel, reference, tuple(flags), hidden, as_read, patch,
                  UNIFORM_SD * coded * alike**0.5, coded)


def _reference(
    surface: Surface, layout: Layout, law: str
) -> tuple[float, float | None, list[Flag]]:
    """Return the layer's light, as the picture has it where another is taken, and remarks.

    An uneven lamp only takes light away, so a bright part is the layer; glare adds some, so not
    the brightest.
    """
    reference = float(np.percentile(surface.cells, BRIGHT_QUANTILE))
    as_read, flags = None, []
    plausible = DIMMEST_LAYER <= reference <= BRIGHTEST_LAYER
    if law == "kubelka-munk" and layout.lighter is not True and not plausible:
        flags.append(flag(
            "transfer-assumed",
            f"the layer reads {reference:.2f} of full white, which no white layer does: its "
            f"reflectance is taken as {USUAL_LAYER}",
        ))
        as_read, reference = reference, USUAL_LAYER
    return min(reference, MOST_REFERENCE), as_read, flags


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
        r = np.clip(reference * ratio, LEAST_R, MOST_R)
        values = kubelka_munk(r) - kubelka_munk(reference)
        gain = np.abs(1.0 / r - r) / (1.0 / reference - reference)
        gain = np.where(r < reference, np.maximum(gain, 1.0), 1.0)
    elif law == "optical-density":
        values = optical_density(np.clip(ratio, LEAST_RATIO, None))
        gain = np.ones_like(ratio)
    else:
        # The layer's own glow shows where the lamp is weaker.
        values = (ratio - 1.0) * reference
        gain = np.maximum(ratio, 1.0)
    return np.asarray(values), np.asarray(gain)


def _hidden_height(bare: NDArray[np.bool_], layout: Layout, grid: Grid, step: int) -> float:
    """Return how many mm of layer a spot hides along its lane, the median over all lanes; or 0."""
    heights: list[float] = []
    for lane in layout.lanes:
        y = (np.arange(bare.shape[0]) + 0.5) * grid.pitch * step
        foot, top = float(layout.origin.at(lane.x)), float(layout.front.at(lane.x))
        x = lane.x + lane.lean * (y - foot)
        column = np.clip(np.floor(x / (grid.pitch * step)).astype(int), 0, bare.shape[1] - 1)
        hidden = ~bare[np.arange(bare.shape[0]), column] & (y > foot) & (y < top)
        ends = np.flatnonzero(np.diff(np.concatenate([[0], hidden.astype(int), [0]])))
        heights += [float(b - a) * grid.mm * step for a, b in ends.reshape(-1, 2)]
    heights = [h for h in heights if h >= HIDDEN_MM]
    return float(np.median(heights)) if heights else 0.0


def _holes(
    bare: NDArray[np.bool_], layout: Layout, grid: Grid, step: int, patch: float
) -> tuple[NDArray[np.bool_], ...]:
    """Return sets of spot-sized patches of layer to hold out, in three staggered patterns.

    They are `patch` mm high.
    """
    rows, columns = bare.shape
    tall = max(2, round(patch / (grid.mm * step)))
    lane = max((lane.width for lane in layout.lanes), default=0.0) * layout.mm_per_unit
    wide = max(2, round(max(patch, lane) / (grid.mm * step)))
    row, column = np.arange(rows)[:, None], np.arange(columns)[None, :]
    tier = row // (2 * tall)
    return tuple(
        bare & ((row + half * tall) % (2 * tall) < tall)
        & ((column + (tier + side) * wide) % (3 * wide) < wide)
        for half, side in ((0, 0), (0, 1), (1, 0))
    )

"""The colour channel that sees every spot best."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from lanes.confidence import MAD_SD
from lanes.errors import InputError
from lanes.plate.blobs import blobs_between, is_lighter, over_the_side
from lanes.plate.depths import Depths, layer_depths
from lanes.plate.layout import Blob, Floats, Layout
from lanes.plate.planes import Planes, planes_of
from lanes.quantiles import median
from lanes.scan.scan import Scan
from lanes.settings import Settings

WEIGHTS = {
    "red": {"red": 1.0}, "green": {"green": 1.0}, "blue": {"blue": 1.0},
    "mean": {"red": 1 / 3, "green": 1 / 3, "blue": 1 / 3},
    "red+green": {"red": 0.5, "green": 0.5},
    "green+blue": {"green": 0.5, "blue": 0.5},
    "red+blue": {"red": 0.5, "blue": 0.5},
    "luminance": {"red": 0.2126, "green": 0.7152, "blue": 0.0722},
}

DIM = 0.25  # of the brightest channel's layer: less is not what lights the plate
# How much better than the usual channel another has to see the spots. The usual one serves spots
# of every colour; a tenth comes and goes with the size of the picture.
BETTER = 1.25
UNEVEN = 0.005  # of a spot's area: where noise is less, no channel is better than another
SEEN = 4.0  # standard deviations from which a channel shows a spot
# Standard deviations: a spot that a channel shows by less is lost in it, and by how much less is
# chance. A choice: lower, one such spot decides the channel alone.
LOST = 0.3
# How much less noise a blob has than one of its samples, taken as the same in every channel: grain
# that neighbours share averages out over a few samples only. A choice; it sets what SEEN means.
AVERAGED = 3.0
# Of the layer's samples at the highest code, from which a channel does not show it: the least that
# is remarked on.
CLIPPED = 0.05
# Of full light, and relative to the layer: below any code of 8 bits, so that nothing is divided by
# 0.
NO_LIGHT, NO_NOISE = 1e-4, 1e-5


def choose_channel(scan: Scan, layout: Layout, settings: Settings, light: str) -> str:
    """Return the channel to read: the one asked for, else the one that sees every blob best.

    Each blob's area has a relative variance in each channel; that over the least it has in any is
    what the blob loses there. The channel of least mean loss over the blobs is read, in which the
    one seen worst counts most, and one as faint in every channel counts nothing. A mixture of two
    channels is taken only where no single one, nor the mean, shows every blob.

    The mean of the channels is kept unless another is better by a quarter; under 254 nm the
    indicator's glow is green, and green is kept instead: the other channels dilute it.
    """
    if settings.channel != "auto":
        if settings.channel not in scan.channels:
            raise InputError(
                f"--channel {settings.channel}: the scan is grey; leave the channel out or say mean"
            )
        return settings.channel
    if len(scan.channels) == 1:
        return scan.channels[0]
    planes = planes_of(scan, layout, settings.places.masks)
    seen = layer_depths(planes, layout)
    blobs = layout.blobs if layout.blobs is not None else blobs_between(planes, layout)
    blobs = tuple(b for b in blobs if not over_the_side(b, layout))
    lighter = layout.lighter
    if lighter is None:
        lighter = is_lighter(blobs, settings.spots, light)
    usual = "green" if light == "254" else "mean"
    return best_channel(tuple(b for b in blobs if b.lighter == lighter), seen, usual, light,
                        () if lighter else clipped_channels(scan, layout, planes, seen))


def clipped_channels(
    scan: Scan, layout: Layout, planes: Planes, seen: Depths
) -> tuple[str, ...]:
    """Return the channels in which the layer is brighter than the scan could record."""
    top = (1 << scan.bits) - 1
    if scan.codes.max() < top:
        return ()
    row, column = np.nonzero(seen.inside)
    over, down = layout.to_pixels((column + 0.5) * planes.grid.pitch, (row + 0.5)
                                  * planes.grid.pitch)
    codes = scan.codes[np.clip(np.floor(down).astype(int), 0, scan.height_px - 1),
                       np.clip(np.floor(over).astype(int), 0, scan.width_px - 1)]
    share = (codes == top).mean(axis=0) if row.size else np.zeros(codes.shape[1])
    return tuple(c for c, s in zip(seen.channels, share, strict=True) if s > CLIPPED)


def best_channel(
    blobs: tuple[Blob, ...], seen: Depths, usual: str, light: str, clipped: tuple[str, ...] = ()
) -> str:
    """Return the channel, or mixture, in which `blobs` are seen best.

    One in which the layer is `clipped` seems to have hardly any noise, and holds less than a spot's
    signal: it is read only where a blob shows in no other.
    """
    if not blobs:
        return usual
    names = ["mean", "red", "green", "blue", "red+green", "green+blue", "red+blue"]
    variances: dict[str, Floats] = {}
    whole: dict[str, bool] = {}
    brightest = max(seen.layer)
    for name in names:
        weights = np.array([WEIGHTS[name].get(c, 0.0) for c in seen.channels])
        # Where the layer itself is dim there are few codes, and nothing seems to be no noise.
        if light != "366" and any(w and level < DIM * brightest
                                  for w, level in zip(weights, seen.layer, strict=True)):
            continue
        ratio = sureness(blobs, seen, weights)
        variances[name] = np.maximum(ratio, LOST) ** -2.0 + UNEVEN**2
        whole[name] = bool((ratio >= SEEN).all())
    if open_ := _without_clipped(blobs, seen, variances, clipped):
        variances = {name: variances[name] for name in open_}
    lowest = np.min(list(variances.values()), axis=0)
    scores = {name: float(np.mean(v / lowest) ** -0.5) for name, v in variances.items()}
    if usual not in scores:
        usual = max(scores, key=lambda name: scores[name])
    single = [n for n in scores if "+" not in n]
    best = max(single, key=lambda name: scores[name])
    if not whole[best] and not whole[usual]:
        best = max(scores, key=lambda name: scores[name])
    return best if scores[best] > BETTER * scores[usual] else usual


def _without_clipped(
    blobs: tuple[Blob, ...], seen: Depths, names: Iterable[str], clipped: tuple[str, ...]
) -> list[str]:
    """Return those of `names` in which no layer is clipped, if they show what the others do.

    What noise a clipped layer hides is taken to be that of the noisiest channel.
    """
    within = {n: not any(WEIGHTS[n].get(c) for c in clipped) for n in names}
    open_, others = ([n for n in within if within[n] is kept] for kept in (True, False))
    weights = {n: np.array([WEIGHTS[n].get(c, 0.0) for c in seen.channels]) for n in within}
    if not open_ or not others:
        return open_
    noise = max(_noise(seen, weights[n]) for n in open_)
    shown = np.max([sureness(blobs, seen, weights[n]) for n in open_], axis=0) >= SEEN
    in_others = np.max([sureness(blobs, seen, weights[n], noise) for n in others], axis=0) >= SEEN
    return open_ if (shown | ~in_others).all() else []


def sureness(
    blobs: tuple[Blob, ...], seen: Depths, weights: Floats, least: float = NO_NOISE
) -> Floats:
    """Return how many standard deviations each blob departs by in a mixture of channels.

    The mixture is of light, so a channel counts by its weight and by the layer's light in it. A
    blob's noise is the layer's, averaged over the blob, and no less than `least`.
    """
    depth = np.array([b.depth for b in blobs]) @ _share(seen, weights)
    sd = max(_noise(seen, weights), least)
    # Every blob averages over the same area in every channel, so the samples in it cancel.
    sign = np.array([1.0 if b.lighter else -1.0 for b in blobs])
    return np.asarray(sign * depth / sd * AVERAGED)


def _share(seen: Depths, weights: Floats) -> Floats:
    """Return what each channel gives of the layer's light in a mixture."""
    share = weights * np.maximum(seen.layer, NO_LIGHT)
    return np.asarray(share / share.sum(), float)


def _noise(seen: Depths, weights: Floats) -> float:
    """Return the standard deviation of the layer in a mixture of channels, relative to it."""
    noise = np.tensordot(_share(seen, weights), seen.depth, axes=1)
    rest = noise[seen.bare] if seen.bare.any() else noise[seen.inside]
    return MAD_SD * float(median(np.abs(rest - median(rest))))

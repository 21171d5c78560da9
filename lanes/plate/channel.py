"""The colour channel that sees every spot best."""

from __future__ import annotations

import numpy as np

from lanes.confidence import MAD_SD
from lanes.errors import InputError
from lanes.plate.blobs import blobs_between, is_lighter, over_the_side
from lanes.plate.depths import Depths, layer_depths
from lanes.plate.layout import Blob, Floats, Layout
from lanes.plate.planes import planes_of
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
    return best_channel(tuple(b for b in blobs if b.lighter == lighter), seen, usual, light)


def best_channel(blobs: tuple[Blob, ...], seen: Depths, usual: str, light: str) -> str:
    """Return the channel, or mixture, in which `blobs` are seen best."""
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
    lowest = np.min(list(variances.values()), axis=0)
    scores = {name: float(np.mean(v / lowest) ** -0.5) for name, v in variances.items()}
    if usual not in scores:
        usual = max(scores, key=lambda name: scores[name])
    single = [n for n in scores if "+" not in n]
    best = max(single, key=lambda name: scores[name])
    if not whole[best] and not whole[usual]:
        best = max(scores, key=lambda name: scores[name])
    return best if scores[best] > BETTER * scores[usual] else usual


def sureness(blobs: tuple[Blob, ...], seen: Depths, weights: Floats) -> Floats:
    """Return how many standard deviations each blob departs by in a mixture of channels.

    The mixture is of light, so a channel counts by its weight and by the layer's light in it. A
    blob's noise is the layer's, averaged over the blob.
    """
    share = weights * np.maximum(seen.layer, NO_LIGHT)
    share = share / share.sum()
    depth = np.array([b.depth for b in blobs]) @ share
    noise = np.tensordot(share, seen.depth, axes=1)
    rest = noise[seen.bare] if seen.bare.any() else noise[seen.inside]
    sd = max(MAD_SD * float(median(np.abs(rest - median(rest)))), NO_NOISE)
    # Every blob averages over the same area in every channel, so the samples in it cancel.
    sign = np.array([1.0 if b.lighter else -1.0 for b in blobs])
    return np.asarray(sign * depth / sd * AVERAGED)

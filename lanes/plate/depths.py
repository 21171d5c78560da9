"""How far each channel's light departs from the clean layer, relative to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from lanes.plate.layer import CUTOFF_MM, STIFF, mask_marks, smooth_layer
from lanes.plate.layout import Floats, Layout
from lanes.plate.planes import Image, Mask, Planes, off_layer
from lanes.quantiles import median

BELOW_MM, BEYOND_MM = 1.5, 1.0  # how far past origin and front a blob's centre may lie
SIDE_MM = 1.5  # of the plate's sides: chipped layer
# Of the layer's median light: where the layer is dimmer, its noise no longer falls with its light,
# so that departures are relative to this much. A choice: lower, a corner in shadow is full of
# blobs.
DIMMEST = 0.3
NO_LIGHT = 1e-4  # of full light: nothing is divided by 0 on a black layer


@dataclass(frozen=True)
class Depths:
    """How far the light departs from the layer, relative to it, and how surely.

    Attributes
    ----------
    depth : (channels, rows, columns) array
        Light over the layer's, less 1: negative where darker.
    layer : (channels,) array
        The layer's median light.
    inside : (rows, columns) bool array
        Where blobs are sought.
    bare : (rows, columns) bool array
        Where nothing stands out.
    channels : tuple of str
    waves : (channels, rows, columns) array
        What the layer's surface follows of its own slow unevenness, relative to it: under what is
        not bare it cannot, and the depth there holds these waves.
    """

    depth: Image
    layer: Floats
    inside: Mask
    bare: Mask
    channels: tuple[str, ...]
    waves: Image


def layer_depths(planes: Planes, layout: Layout) -> Depths:
    """Return how far the light between the lines of `layout` departs from the layer's."""
    grid = planes.grid
    # Lanes' names and ticks lie below the lines, or stand out: whether lanes are known already
    # makes no difference, so that the channel is judged by what blobs were found in.
    off = off_layer(replace(layout, lanes=()), planes.fine_grid, planes.step)
    unit = layout.mm_per_unit
    x, y = grid.x()[None, :], grid.y()[:, None]
    off |= (y < layout.origin.at(x) - BELOW_MM / unit) | (y > layout.front.at(x) + BEYOND_MM / unit)
    off |= (x < SIDE_MM / unit) | (x > layout.width - SIDE_MM / unit)
    return _layer_depths(planes, off.tobytes())


@lru_cache(maxsize=1)  # the channel, the colours and their remark ask about one plate in turn
def _layer_depths(planes: Planes, off: bytes) -> Depths:
    shape = planes.grid.rows, planes.grid.columns
    return depths(planes.light, planes.grid.mm, np.frombuffer(off, bool).reshape(shape),
                  planes.finest_step)


def depths(light: dict[str, Image], mm: float, off: Mask, codes: float = 1.0) -> Depths:
    """Return each channel's departure from its own clean layer; `off` is left out of sight.

    The file keeps light in steps of `codes` of 255.
    """
    planes, levels, bares, waves = [], [], [], []
    for image in light.values():
        bare, surface = mask_marks(image, mm, off, codes)
        layer = surface.on(image.shape, mm)
        level = float(median(layer[~off])) if not off.all() else 1.0
        # Where hardly any light comes from the layer its noise no longer falls with it.
        dimmest = DIMMEST * level + NO_LIGHT
        planes.append(((image - layer) / np.maximum(layer, dimmest)).astype(np.float32))
        levels.append(level)
        bares.append(bare)
        stiff = smooth_layer(image, bare, mm, STIFF * CUTOFF_MM).on(image.shape, mm)
        waves.append(((layer - stiff) / np.maximum(layer, dimmest)).astype(np.float32))
    return Depths(np.stack(planes), np.array(levels), ~off, np.logical_and.reduce(bares) & ~off,
                  tuple(light), np.stack(waves))

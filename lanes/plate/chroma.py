"""What lossy compression keeps of colour: whole codes, in blocks of many pixels."""

from __future__ import annotations

import numpy as np

from lanes.plate.layout import Blob, Floats, Layout
from lanes.plate.planes import Planes
from lanes.scan.transfer import code_table

# From red, green and blue to luma and the two differences of colour: ITU-T T.871, clause 7.
TO_LUMA = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5],
                    [0.5, -0.418688, -0.081312]])
# Codes: luma is kept in whole ones at least, and what shows in more is more than colour. Where a
# block's own is kept in coarser ones, it shows in a step of these alone.
LUMA_STEP = 1.0
# Of such a code: the step that a block's mean is kept in, from which it is hardly finer than what
# it is unpacked in, and a block without grain of its own shows in whole codes.
COARSE = 0.5

# A camera compresses, and so does whoever passes its picture on (common practice): a step of each.
PASSES = 2.0


def is_colour_step(blob: Blob, layer: Floats, planes: Planes, layout: Layout) -> bool:
    """Whether a blob shows by no more than the file's own steps of colour, or of luma.

    A block departs from its neighbours by a step where their colour lies at the border of two; its
    own waves, rounded, add as much, and average out over several blocks.

    Parameters
    ----------
    blob : Blob
        With its depth in red, green and blue.
    layer : (3,) array
        The layer's light in these.
    planes : Planes
    layout : Layout
    """
    if planes.colour_step is None or len(blob.depth) not in (1, 3):
        return False
    grey = len(blob.depth) == 1
    table = code_table(8, planes.transfer)
    codes = np.arange(table.size)
    level = np.broadcast_to(np.asarray(layer, float), 3)
    before, after = (np.interp(v, table, codes)
                     for v in (level, level * (1.0 + np.array(blob.depth))))
    luma, *colour = np.abs(TO_LUMA @ (after - before))
    lower = layout.corners_px[1] - layout.corners_px[0]
    pixels = float(np.hypot(*lower)) / layout.width
    blocks = np.sqrt(blob.width * blob.height) * pixels / planes.colour_step.side_px
    most = planes.colour_step.codes * (PASSES + 1.0 / max(float(blocks), 1.0))
    bright = 0.0 if grey else LUMA_STEP
    if planes.colour_step.block_mean > COARSE * LUMA_STEP:
        blocks = blocks * planes.colour_step.side_px / planes.colour_step.luma_px
        bright = planes.colour_step.luma * (1.0 + 1.0 / max(float(blocks), 1.0))
    return bool(luma < bright and max(colour) < most)

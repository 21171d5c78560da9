"""A solvent front of thick, blurred dashes, each of which alone looks like a short band."""

from __future__ import annotations

import numpy as np

from lanes.plate.layout import Blob, Layout, Line
from lanes.plate.marks import RULED_MM

FEWEST = 5          # three give a bend, and two more show that they lie on it
# Dashes are drawn from side to side; samples are put on some 8 mm from them at least, and their
# bands end 4 mm off (common practice).
TO_THE_SIDE_MM = 3.0
LONG = 1.2          # times as wide as tall, at half depth: a round spot is 1, and varies by a tenth
# Of a dash's width: a gap is no longer (a choice: hands leave gaps about as long as their dashes),
# and spots apart by several widths are none.
GAP = 1.8
# Of the strongest channel's depth, by which the others differ: graphite is grey, and a lamp that is
# not white gives up to a fifth (by the colours of daylight and tungsten over a stained layer).
GREY = 0.2
OFF = 0.25          # of a dash's height: how far one lies off the line through all (a hand's waver)
STRENGTH = 0.25     # of the usual dash's: what is fainter is a speck beside them


def front_of_dashes(blobs: tuple[Blob, ...], layout: Layout, low: float, high: float
                    ) -> Line | None:
    """Return the line, straight or bent, that a row of thick dashes draws, if there is one.

    Parameters
    ----------
    blobs : tuple of Blob
        What stands out of the layer.
    layout : Layout
    low, high : float
        Heights between which the line lies, in plate units.
    """
    row = sorted((b for b in blobs if low < b.y < high and not b.lighter
                  and b.width > LONG * b.height and _grey(b)), key=lambda b: b.x)
    if len(row) < FEWEST:
        return None
    usual = float(np.median([b.strength for b in row]))
    row = [b for b in row if b.strength > STRENGTH * usual]
    x, y, wide, tall = (np.array([getattr(b, k) for b in row])
                        for k in ("x", "y", "width", "height"))
    side = TO_THE_SIDE_MM / layout.mm_per_unit
    left, right = x - 0.5 * wide, x + 0.5 * wide
    gaps = left[1:] - right[:-1]
    if (len(row) < FEWEST or left[0] > side or right[-1] < layout.width - side
            or (gaps > GAP * np.median(wide)).any()):
        return None
    middle = 0.5 * layout.width
    bend, slope, height = np.polyfit(x - middle, y, 2)
    off = y - np.polyval((bend, slope, height), x - middle)
    if (np.abs(off) > OFF * tall).any():
        return None
    waver = float(np.square(off).sum()) / (len(row) - 3) / len(row)
    sd = float(np.hypot(np.sqrt(waver), RULED_MM / layout.mm_per_unit))
    return Line((height - slope * middle + bend * middle**2, slope - 2.0 * bend * middle, bend),
                sd, float(np.median(tall)))


def _grey(blob: Blob) -> bool:
    """Whether a blob is as dark in all channels."""
    return float(np.ptp(blob.depth)) <= GREY * float(np.abs(blob.depth).max())

"""Stripes across the plate, as a mixed solvent's second front leaves them: none of any lane."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from lanes.plate.layout import Blob, Lane, Layout
from lanes.plate.signal import Signal
from lanes.trace.sample import Trace

# A stripe lies across so many lanes at least, and is as strong between two of them as in them:
# spots that touch, and bands, are weaker there. A fifth less (a choice) is the layer's unevenness.
ACROSS, AS_STRONG = 3, 0.8
# Of the lanes' step beyond the outermost ones: a row of bands that touch has ended there.
OUTSIDE = 0.6
NEAR_MM = 0.5   # to either side of such a place: grain is averaged away
# Of a blob's height: a Gaussian stripe has 1 % left there.
REACH = 1.3


def stripes(signal: Signal, layout: Layout) -> tuple[Blob, ...]:
    """Return the blobs that lie evenly over lanes, what is between them and what is outside."""
    return tuple(b for b in layout.blobs or () if b.lighter == bool(layout.lighter)
                 and _even(b, signal, layout))


def without_stripes(trace: Trace, signal: Signal, layout: Layout, lane: Lane) -> Trace:
    """Return `trace` with no use made of where a stripe crosses it, clear of its own spots."""
    across = stripes(signal, layout)
    if not across:
        return trace
    y0, y1 = layout.ends(lane)
    own = [b for b in layout.blobs or () if b not in across
           and abs(b.x - lane.x - lane.lean * (b.y - y0)) < 0.5 * lane.width]
    usable = trace.usable.copy()
    for stripe in across:
        if all(abs(b.y - stripe.y) > 0.5 * b.height + stripe.height for b in own):
            at = (stripe.y - y0) / (y1 - y0) * trace.run
            usable &= np.abs(trace.position - at) > REACH * stripe.height
    return replace(trace, usable=usable)


def _even(blob: Blob, signal: Signal, layout: Layout) -> bool:
    """Whether a blob is as strong between the lanes below it as in them, and on past the last."""
    x, lean = np.array([(lane.x, lane.lean) for lane in layout.lanes]).T
    x = x + lean * (blob.y - layout.origin.at(x))
    xs = x[np.abs(x - blob.x) < 0.5 * blob.width].tolist()
    if len(xs) < ACROSS:
        return False
    rows = np.rint(signal.grid.row(np.array([blob.y + blob.height, blob.y - blob.height])))
    first, last = np.clip(np.sort(rows), 0, signal.grid.rows - 1).astype(int)
    strip = signal.values[first: last + 1]

    def strength(x: float) -> float:
        middle, reach = round(float(signal.grid.column(x))), max(1, round(NEAR_MM / signal.grid.mm))
        return float(strip[:, max(middle - reach, 0): middle + reach + 1].mean(axis=1).max())

    within = float(np.median([strength(x) for x in xs]))
    between = float(np.median([strength(0.5 * (a + b)) for a, b in pairwise(xs)]))
    step = OUTSIDE * float(np.median(np.diff(xs)))
    outside = [strength(x) for x in (xs[0] - step, xs[-1] + step) if 0.0 < x < layout.width]
    return bool(outside) and 0.0 < AS_STRONG * within < min(between, max(outside))

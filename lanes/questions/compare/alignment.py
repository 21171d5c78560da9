"""Two whole traces laid over each other: the shift that fits best, and their correlation there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.reading import LaneReading

Floats = NDArray[np.float64]

MOST_SHIFT = 0.02  # in Rf: what one plate's lanes may be shifted by
STEP = 0.0005
WHOLE = 0.99  # of a sample's weight from usable neighbours: all of it but for rounding


@dataclass(frozen=True)
class Correlation:
    """Pearson's correlation of two traces from origin to front, the second moved by `shift` Rf.

    `correlation` is None where one of them is flat, or little of both can be used.
    """

    lane: str
    shift: float
    correlation: float | None


def aligned(
    first: LaneReading, second: LaneReading, scale: float = 1.0, most: float = MOST_SHIFT
) -> Correlation:
    """Return the best correlation of two lanes' traces, the second shifted by `most` at most.

    Amounts don't enter: a correlation has no scale. It is that of everything in the lanes, so it
    is low where a mixture is held against one substance of it.

    Parameters
    ----------
    first, second : LaneReading
    scale : float
        What the second's Rf are multiplied by beforehand (two plates).
    most : float
    """
    at = np.arange(0.0, 1.0 + STEP / 2, STEP)
    a, seen = _on(first, at, 1.0)
    b, there = _on(second, at, scale)
    best, moved = None, 0.0
    reach = round(most / STEP)
    for k in sorted(range(-reach, reach + 1), key=abs):
        here = slice(max(k, 0), at.size + min(k, 0))
        from_ = slice(max(-k, 0), at.size + min(-k, 0))
        both = seen[here] & there[from_]
        if both.sum() < at.size // 3:
            continue
        u, v = a[here][both], b[from_][both]
        u, v = u - u.mean(), v - v.mean()
        size = float(np.sqrt((u @ u) * (v @ v)))
        if size <= 0:
            continue
        r = float(u @ v) / size
        if best is None or r > best:
            best, moved = r, k * STEP
    return Correlation(second.name, moved, best)


def _on(lane: LaneReading, at: Floats, scale: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Return a trace less its background at Rf `at`, and where it can be used."""
    trace = lane.trace
    shown = trace.signal - lane.background - lane.fit.baseline
    rf = trace.rf * scale
    return (np.interp(at, rf, shown),
            np.interp(at, rf, trace.usable.astype(float), 0.0, 0.0) > WHOLE)

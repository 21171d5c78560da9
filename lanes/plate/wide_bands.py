"""Bands across the plate, of one sample applied all along the origin: one blob each."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from lanes.plate.layout import Blob

# Of the plate's width: what spans less may be a row of lanes whose bands touch.
SPANS = 0.5
# Pieces of a band are on average so many times as wide as they are high; a round spot, cut off
# where its neighbours begin, is as wide as high.
DRAWN_OUT = 2.0
# Of the narrower piece's width: how far the extents of two pieces that touch are apart, or overlap,
# since each is measured from its own top.
TOUCH = 0.25
LEVEL = 0.5      # of the lower piece's height: a hand applies a band no straighter
# Where the gaps of two rows stand above each other they part lanes; a hand's uneven band is thin
# anywhere. By a lean of a hundredth over a run of 80 mm, and the coarse samples.
ABOVE_MM, MOST_ABOVE = 1.0, 0.5
ROWS = 2         # one row alone says nothing of that


def joined(blobs: tuple[Blob, ...], width: float, mm: float) -> tuple[Blob, ...]:
    """Return `blobs` with the pieces of a band across the plate as one.

    Parameters
    ----------
    blobs : tuple of Blob
        From left to right.
    width : float
        The plate's, in its units.
    mm : float
        Millimetres per unit.
    """
    rows = [row for side in (False, True)
            for row in _rows([b for b in blobs if b.lighter == side])
            if row[-1].x + 0.5 * row[-1].width - row[0].x + 0.5 * row[0].width > SPANS * width
            and np.mean([b.width for b in row]) > DRAWN_OUT * np.median([b.height for b in row])]
    gaps = [[0.5 * (a.x + 0.5 * a.width + b.x - 0.5 * b.width) for a, b in pairwise(row)]
            for row in rows]
    count = sum(map(len, gaps))
    above = sum(any(abs(x - other) < ABOVE_MM / mm for j, theirs in enumerate(gaps) if j != i
                    for other in theirs) for i, own in enumerate(gaps) for x in own)
    if len(rows) < ROWS or not count or above > MOST_ABOVE * count:
        return blobs
    pieces = {id(b) for row in rows for b in row}
    out = [b for b in blobs if id(b) not in pieces] + [_whole(row) for row in rows]
    return tuple(sorted(out, key=lambda b: (b.x, b.y)))


def _rows(blobs: list[Blob]) -> list[list[Blob]]:
    """Return blobs in rows, each from left to right, of which every two neighbours touch."""
    rows: list[list[Blob]] = []
    for blob in sorted(blobs, key=lambda b: b.x):
        for row in rows:
            last = row[-1]
            gap = blob.x - 0.5 * blob.width - last.x - 0.5 * last.width
            if (abs(gap) < TOUCH * min(blob.width, last.width)
                    and abs(blob.y - last.y) < LEVEL * min(blob.height, last.height)):
                row.append(blob)
                break
        else:
            rows.append([blob])
    return rows


def _whole(row: list[Blob]) -> Blob:
    left, right = row[0].x - 0.5 * row[0].width, row[-1].x + 0.5 * row[-1].width
    strongest = max(row, key=lambda b: b.strength)
    seen = {c: max(b.seen.get(c, 0.0) for b in row) for c in strongest.seen}
    return Blob(
        0.5 * (left + right), float(np.average([b.y for b in row], weights=[b.width for b in row])),
        right - left, float(np.median([b.height for b in row])), strongest.strength,
        strongest.lighter, strongest.depth, seen,
    )

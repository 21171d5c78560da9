"""Pieces of uneven bands across a plate are one band; spots and bands of lanes are not."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest

from lanes.plate.layout import Blob
from lanes.plate.wide_bands import joined


def row(y: float, ends: Sequence[float], height: float = 4.5, gap: float = 0.0) -> list[Blob]:
    """Return blobs between neighbouring `ends`, their extents `gap` mm apart."""
    return [Blob(0.5 * (a + b), y + 0.3 * (i % 2), b - a - gap, height, 20.0 + i, False, (-0.3,),
                 {"mean": 20.0 + i}) for i, (a, b) in enumerate(pairwise(ends))]


def test_pieces_of_uneven_bands_are_one_each() -> None:
    blobs = (*row(30.0, (11, 17, 56, 74, 90), gap=0.5), *row(45.0, (12, 31, 48, 90), gap=-1.0),
             *row(65.0, (10, 89)))
    found = joined(tuple(sorted(blobs, key=lambda b: b.x)), 100.0, 1.0)
    assert [round(b.y) for b in sorted(found, key=lambda b: b.y)] == [30, 45, 65]
    for blob in found:
        assert blob.x == pytest.approx(50.5, abs=1.0)
        assert blob.width == pytest.approx(79.0, abs=1.5)
    assert max(b.strength for b in found) == 23.0


@pytest.mark.parametrize("blobs", [
    # Lanes of bands that touch: their gaps stand above each other.
    [*row(30.0, range(10, 91, 8), 2.0, 1.0), *row(50.0, range(10, 91, 8), 2.0, 1.0)],
    # Rows of crowded round spots, as wide as high.
    [*row(30.0, range(10, 91, 5), 4.5), *row(50.0, range(12, 91, 5), 4.5)],
    # One row alone.
    row(30.0, (11, 17, 56, 74, 90)),
    # Bands of lanes with layer between them.
    [*row(30.0, range(10, 91, 10), 2.0, 4.0), *row(50.0, range(15, 91, 10), 2.0, 4.0)],
])
def test_what_is_of_lanes_stays(blobs: list[Blob]) -> None:
    blobs.sort(key=lambda b: b.x)
    assert joined(tuple(blobs), 100.0, 1.0) == tuple(blobs)

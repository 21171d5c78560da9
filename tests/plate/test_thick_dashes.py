"""Thick dashes from side to side are a front; bands of samples, dyes and an uneven row are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.plate.layout import OFF_PLATE, Blob, Layout, Line
from lanes.plate.thick_dashes import front_of_dashes

LAYOUT = Layout(80.0, 100.0, True, 1.0, np.array([[0, 1000], [800, 1000], [800, 0], [0, 0]], float),
                Line((10.0,)), Line((OFF_PLATE,)))


def dashes(apart: float = 10.0) -> list[Blob]:
    """Return eight dashes, 5 mm wide and 2.2 mm thick, on a line that is bent and not level."""
    at = 40.0 + apart * (np.arange(8) - 3.5)
    return [Blob(float(x), 90.0 + 0.02 * x - 0.001 * (x - 40.0) ** 2, 5.0, 2.2, 40.0, False,
                 (-0.20, -0.21, -0.19), {"mean": 40.0}) for x in at]


def front(blobs: list[Blob]) -> Line | None:
    return front_of_dashes(tuple(blobs), LAYOUT, 45.0, 99.0)


def test_dashes_from_side_to_side_are_the_front() -> None:
    found = front(dashes())
    assert found is not None
    x = np.array([0.0, 30.0, 80.0])
    np.testing.assert_allclose(found.at(x), 90.0 + 0.02 * x - 0.001 * (x - 40.0) ** 2, atol=1e-6)
    assert found.sd > 0.05  # a line on the very dashes is still drawn by hand
    speck = Blob(77.0, 96.0, 0.4, 0.3, 6.0, False, (-0.1, -0.1, -0.1), {"mean": 6.0})
    assert front([*dashes(), speck]) == found


@pytest.mark.parametrize("blobs", [
    dashes(8.5),                                                     # as bands end, off the sides
    [replace(b, depth=(-0.05, -0.20, -0.20)) for b in dashes()],     # a dye
    [replace(b, width=2.4) for b in dashes()],                       # round
    [replace(b, y=b.y + 1.5 * (i % 2)) for i, b in enumerate(dashes())],
    dashes()[:2] + dashes()[6:],                                     # a gap as of missing lanes
])
def test_spots_and_bands_in_a_row_are_no_front(blobs: list[Blob]) -> None:
    assert front(blobs) is None

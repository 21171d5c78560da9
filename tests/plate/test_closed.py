"""What lines show where they close a quadrilateral: a side ends at its corners."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.plate.closed import sides
from lanes.plate.edges import Edges


@pytest.mark.parametrize(("beyond", "stops"), [(0.0, True), (1.0, False)])
def test_a_side_runs_on_where_its_edge_does_and_not_where_the_bed_differs_alike(
    beyond: float, stops: bool
) -> None:
    """A bed of two tones shows a side's difference past a corner, where the side has ended."""
    strength = np.full((40, 400), 0.02, np.float32)
    strength[20, 100:300], strength[20, :100], strength[20, 300:] = 1.0, beyond, beyond
    votes = np.ones((40, 400, 1), np.float32)
    seen = sides(Edges(strength, votes, votes, 0.05), votes, np.array([[20.0, 0.0]]),
                 np.array([[100.0, 300.0]]))
    assert (seen.stops[0, 0, 1] > 0.9) == stops

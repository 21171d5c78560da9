"""A spot's profile across its lane, folded at its middle."""

from __future__ import annotations

import numpy as np

from lanes.spots.outline import _folded


def test_a_neighbour_past_a_gap_below_the_layer_is_no_part_of_the_flank() -> None:
    # A neighbour rises and ends within the lane's window, the layer between reads below nothing.
    x = np.arange(-40.0, 41.0)
    alone = np.exp(-0.5 * (x / 6.0) ** 2) - 0.02
    crowded = alone + 0.3 * np.exp(-0.5 * ((np.abs(x) - 30.0) / 2.5) ** 2)
    spot, beside = _folded(alone, 0.1, 0.001), _folded(crowded, 0.1, 0.001)
    assert spot is not None
    assert beside is not None
    assert np.isfinite(beside.at(np.linspace(-3.0, 3.0, 61))).all()
    assert abs(beside.sigma / spot.sigma - 1.0) < 0.02
    assert abs(spot.sigma / 0.6 - 1.0) < 0.05

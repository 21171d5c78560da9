"""A stripe all across the plate is no spot of its lanes; spots that touch sideways are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.plate.layout import Blob, Lane, Layout, Line
from lanes.plate.signal import Signal
from lanes.plate.square import Grid
from lanes.trace.sample import sample
from lanes.trace.stripes import stripes, without_stripes

XS = (10.0, 18.0, 26.0, 34.0)
MM = 0.25
ACROSS = Blob(22.0, 40.0, 36.0, 2.0, 25.0, False, (-0.05,), {"mean": 25.0})


def plate(spots: bool) -> tuple[Signal, Layout]:
    """Return a plate with a stripe at 40 mm, or a row of spots 5 mm wide there."""
    y, x = (np.arange(n) * MM + 0.5 * MM for n in (320, 176))
    across = (sum(np.exp(-0.5 * ((x - at) / 2.1) ** 2) for at in XS) if spots
              else np.ones(x.size))
    values = np.outer(np.exp(-0.5 * ((y - 40.0) / 0.8) ** 2), 0.05 * across).astype(np.float32)
    nothing = np.zeros(values.shape, bool)
    signal = Signal(values, np.ones_like(values), ~nothing, np.full_like(values, np.nan), nothing,
                    np.zeros_like(values), Grid(320, 176, MM, MM), "white", "kubelka-munk",
                    "mean", 0.9, ())
    corners = np.array([[0, 320], [176, 320], [176, 0], [0, 0]], float)
    layout = Layout(44.0, 80.0, True, 1.0, corners, Line((10.0,)), Line((70.0,)),
                    tuple(Lane(str(i), at, 6.0) for i, at in enumerate(XS)), blobs=(ACROSS,))
    return signal, layout


def test_a_stripe_is_not_read_and_hides_no_spot_on_it() -> None:
    signal, layout = plate(spots=False)
    assert stripes(signal, layout) == (ACROSS,)
    lane = layout.lanes[1]
    trace = sample(signal, layout, lane)
    used, off = without_stripes(trace, signal, layout, lane).usable, np.abs(trace.position - 30.0)
    assert not used[off < 2.0].any()
    assert (used == trace.usable)[off > 3.0].all()
    spot = replace(ACROSS, x=lane.x, y=41.0, width=4.0, height=4.0)
    layout = replace(layout, blobs=(ACROSS, spot))
    assert (without_stripes(trace, signal, layout, lane).usable == trace.usable).all()


@pytest.mark.parametrize("few", [False, True])
def test_spots_that_touch_and_what_lies_across_two_lanes_are_no_stripe(few: bool) -> None:
    signal, layout = plate(spots=not few)
    if few:
        layout = replace(layout, lanes=layout.lanes[:2])
    assert stripes(signal, layout) == ()


def test_bands_that_touch_end_with_their_lanes() -> None:
    signal, layout = plate(spots=False)
    x = (np.arange(176) + 0.5) * MM
    row = np.where(np.abs(x - 22.0) < 16.0, signal.values, 0.0).astype(np.float32)
    assert stripes(replace(signal, values=row), layout) == ()

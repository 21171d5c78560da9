"""What area percents are doubted for: a layer that reads dark, glow lost in the spot."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.plate.signal import kubelka_munk
from lanes.spots.fit import Fit
from lanes.spots.model import Peak, peak_shape
from lanes.spots.percent_doubt import ANYWHERE, percent_doubts
from lanes.trace.sample import Trace

X = np.arange(0.0, 60.0, 0.05)
ACROSS = np.linspace(-3.5, 3.5, 8)
HEIGHTS = 0.9, 0.1  # of signal, everywhere over the lane's width


def lane() -> tuple[Trace, Fit]:
    """Return two spots of equal width far apart, of one signal over the whole lane."""
    parts = tuple(Peak(at, top * 8.0 * np.sqrt(2.0 * np.pi), 1.0)
                  for at, top in zip((20.0, 40.0), HEIGHTS, strict=True))
    peaks = np.stack([peak_shape(X, p)[0] for p in parts])
    strips = np.repeat(peaks.sum(axis=0)[:, None] / 8.0, 8, axis=1)
    none = np.zeros(X.size)
    trace = Trace(X, peaks.sum(axis=0), np.ones(X.size, bool), np.ones(X.size), 60.0, ACROSS,
                  strips, none, none)
    return trace, Fit(tuple(p.component() for p in parts), 1e-8 * np.eye(8), "none", none,
                      peaks.sum(axis=0), peaks, None, None, None, None, ())


def small_share(layer: float, taken: float) -> float:
    """Return the small spot's area percent: light by a layer of `layer`, turned by `taken`."""
    areas = []
    for top in HEIGHTS:
        f = top * np.exp(-0.5 * np.linspace(-6.0, 6.0, 2001) ** 2) + float(kubelka_munk(layer))
        r = 1.0 + f - np.sqrt(f * (f + 2.0))  # Kubelka and Munk 1931, solved for R
        areas.append(float(np.sum(kubelka_munk(taken / layer * r) - kubelka_munk(taken))))
    return 100.0 * areas[1] / sum(areas)


@pytest.mark.parametrize(("taken", "as_read", "rival"), [(0.6, None, 0.86), (0.86, 0.6, 0.6)])
def test_a_layer_that_reads_dark_is_stained_or_exposed_short(
    taken: float, as_read: float | None, rival: float
) -> None:
    doubts = percent_doubts(*lane(), "kubelka-munk", taken, as_read)
    assert doubts is not None
    true = small_share(taken, rival) - small_share(taken, taken)
    assert abs(true) > 1.0
    assert doubts[2, 1] == pytest.approx(ANYWHERE * true, rel=0.02)


def test_a_layer_that_reads_white_has_no_rival() -> None:
    doubts = percent_doubts(*lane(), "kubelka-munk", 0.86)
    assert doubts is not None
    assert len(doubts) == 2


def test_glow_may_be_lost_in_the_brightest_spot() -> None:
    doubts = percent_doubts(*lane(), "emission", 0.1)
    assert doubts is not None
    # A fifth is lost at the larger spot's top: there it is a quarter more. Over a Gaussian the mean
    # of the excess is 1 / sqrt(2) of that at the top.
    large, small = (h * (1.0 + 0.25 * h / HEIGHTS[0] / np.sqrt(2.0)) for h in HEIGHTS)
    moved = 100.0 * small / (large + small) - 100.0 * HEIGHTS[1] / sum(HEIGHTS)
    assert doubts[0, 1] == pytest.approx(0.5 * moved, rel=0.02)

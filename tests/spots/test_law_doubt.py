"""What another law makes of widths, against a Gaussian of absorbance turned point by point."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from lanes.plate.signal import kubelka_munk
from lanes.spots.describe import describe
from lanes.spots.fit import Fit
from lanes.spots.law_doubt import AS_GOOD, UP_TO, law_doubt, limit_under
from lanes.spots.model import Peak, peak_shape
from lanes.spots.quantities import pair
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

PITCH, LAYER = 0.05, 0.85
X = np.arange(0.0, 60.0, PITCH)
ACROSS = np.linspace(-3.5, 3.5, 8)
HEIGHTS = 0.9, 0.1  # of signal, everywhere over the lane's width


def lane() -> tuple[Trace, Fit]:
    """Return two spots of equal width far apart, of one darkness over the whole lane."""
    parts = tuple(Peak(at, top * 8.0 * np.sqrt(2.0 * np.pi), 1.0)
                  for at, top in zip((20.0, 40.0), HEIGHTS, strict=True))
    peaks = np.stack([peak_shape(X, p)[0] for p in parts])
    strips = np.repeat(peaks.sum(axis=0)[:, None] / 8.0, 8, axis=1)
    n = X.size
    trace = Trace(X, peaks.sum(axis=0), np.ones(n, bool), np.ones(n), 60.0, ACROSS, strips,
                  np.zeros(n), np.zeros(n))
    none = np.zeros(n)
    return trace, Fit(tuple(p.component() for p in parts), 1e-8 * np.eye(8), "none", none,
                      peaks.sum(axis=0), peaks, None, None, None, None, ())


def turned(absorbance: float) -> float:
    return float(kubelka_munk(LAYER * 10.0 ** -absorbance) - kubelka_munk(LAYER))


def test_widths_under_the_other_law() -> None:
    doubt = law_doubt(*lane(), "optical-density", LAYER)
    assert doubt is not None
    for found, top in zip(doubt.widths[0], HEIGHTS, strict=True):
        half = brentq(lambda z, top=top: turned(top * np.exp(-0.5 * z * z))
                      - 0.5 * turned(top), 0.1, 2.0)
        true = np.log(half / np.sqrt(2.0 * np.log(2.0)))
        assert true < -0.02  # the dark spot is the narrower by Kubelka and Munk
        assert found == pytest.approx(AS_GOOD * true, abs=0.003)
    assert doubt.widths[0, 0] < 2.0 * doubt.widths[0, 1] < 0.0


def test_resolution_counts_the_law() -> None:
    trace, fit = lane()
    doubt = law_doubt(trace, fit, "optical-density", LAYER)
    assert doubt is not None
    noise = Noise(0.001, np.ones(1), PITCH, "clean layer")
    _, (found,), _ = describe(trace, fit, noise, 0.0, 0.0, True, 1.0, doubt)
    bare = pair(fit, 0, 1, 60.0, trace.blur)
    assert found.resolution is not None
    assert found.resolution_sd is not None
    assert bare.resolution_sd is not None
    by = found.resolution * abs(doubt.widths.mean())  # of equal widths: their mean
    assert found.resolution_sd == pytest.approx(np.hypot(bare.resolution_sd, by), rel=1e-6)
    assert found.resolution_sd_noise == bare.resolution_sd_noise


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
    doubt = law_doubt(*lane(), "kubelka-munk", taken, as_read)
    assert doubt is not None
    true = small_share(taken, rival) - small_share(taken, taken)
    assert abs(true) > 1.0
    assert doubt.percents[2, 1] == pytest.approx(AS_GOOD * true, rel=0.02)


def test_a_layer_that_reads_white_has_no_rival() -> None:
    doubt = law_doubt(*lane(), "kubelka-munk", 0.86)
    assert doubt is not None
    assert len(doubt.percents) == 2


def test_glow_may_be_lost_in_the_brightest_spot() -> None:
    doubt = law_doubt(*lane(), "emission", 0.1)
    assert doubt is not None
    # A fifth is lost at the larger spot's top: there it is a quarter more. Over a Gaussian the mean
    # of the excess is 1 / sqrt(2) of that at the top.
    large, small = (h * (1.0 + 0.25 * h / HEIGHTS[0] / np.sqrt(2.0)) for h in HEIGHTS)
    moved = 100.0 * small / (large + small) - 100.0 * HEIGHTS[1] / sum(HEIGHTS)
    assert doubt.percents[0, 1] == pytest.approx(UP_TO * moved, rel=0.02)


def test_a_small_spot_is_more_beside_a_dark_one_by_the_other_law() -> None:
    """Of a light that each law turns: the dark spot's excess by Kubelka and Munk is the larger."""
    trace, fit = lane()
    area, sigma = 0.02 * sum(c.area for c in fit.components), 1.0
    found = limit_under(trace, fit, "optical-density", "kubelka-munk", LAYER, area, sigma)
    same = limit_under(trace, fit, "optical-density", "optical-density", LAYER, area, sigma)
    assert same == pytest.approx(100.0 * 0.02 / 1.02)
    # By hand: everywhere over the lane's width each spot has its height, the further one in
    # its middle only, and its own mean slope is nearly that of a faint one.
    z = np.linspace(-6.0, 6.0, 2001)
    step = 8.0 * float(z[1] - z[0])
    large = sum(step * sum(turned(top * b) for b in np.exp(-0.5 * z * z)) for top in HEIGHTS)
    height = area / (2.0 * np.pi * sigma**2)
    small = area * turned(height) / height
    assert found == pytest.approx(100.0 * small / (large + small), rel=0.02)
    assert found < 0.7 * same

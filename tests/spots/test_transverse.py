"""What looks no spot across its lane is left out, and the rest of the lane is as it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.spots.deconvolve import deconvolve
from lanes.spots.model import Peak, peak_shape
from lanes.spots.seen import only_confirmed
from lanes.spots.transverse import reject_artefacts
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

X = np.arange(-2.0, 77.0, 0.15)
SD = 0.003
NOISE = Noise(SD, np.ones(1), 0.15, "clean layer")
ACROSS = np.linspace(-2.0, 2.0, 9)
BELL = np.exp(-0.5 * ACROSS**2)


def test_a_speck_is_left_out_and_a_tail_beside_it_is_kept() -> None:
    """One strip alone holds the speck; the lane's tailing spot must go on tailing."""
    tailing, speck = Peak(30.0, 3.0, 0.9, 1.4), Peak(55.0, 0.1, 0.5)
    step = ACROSS[1] - ACROSS[0]
    one_strip = (np.arange(9) == 1).astype(float)
    strips = (peak_shape(X, tailing)[0][:, None] * BELL / BELL.sum()
              + peak_shape(X, speck)[0][:, None] * one_strip) / step
    strips += np.random.default_rng(2).normal(0, SD / 3, strips.shape) / step
    signal = strips.sum(axis=1) * step
    none = np.zeros(X.size)
    trace = Trace(X, signal, np.ones(X.size, bool), np.ones(X.size), 75.0, ACROSS, strips, none,
                  none)
    fit = deconvolve(X, signal, noise=NOISE)
    assert len(fit.components) == 2
    assert fit.components[0].tau == pytest.approx(1.4, abs=0.1)
    left = reject_artefacts(trace, signal, fit, NOISE, 1.0, "auto")
    (c,) = left.components
    assert c.tau == pytest.approx(1.4, abs=0.1)
    assert c.centre == pytest.approx(fit.components[0].centre, abs=0.01)
    assert c.area == pytest.approx(3.0, rel=0.02)
    assert {a.components for a in fit.tried} <= {a.components for a in left.tried}


def test_a_wave_as_broad_as_a_spot_may_be_is_no_spot() -> None:
    """A wave of the layer, broader than any spot, ends at the limit; a faint spot of its own stays.

    Both are as broad across the lane as the strong one, and about as sure.
    """
    strong = Peak(20.0, 3.0, 0.9)
    step = ACROSS[1] - ACROSS[0]

    def left(weak: Peak) -> int:
        peaks = peak_shape(X, strong)[0] + peak_shape(X, weak)[0]
        strips = peaks[:, None] * BELL / BELL.sum() / step
        strips += np.random.default_rng(2).normal(0, SD / 3, strips.shape) / step
        signal = strips.sum(axis=1) * step
        none = np.zeros(X.size)
        trace = Trace(X, signal, np.ones(X.size, bool), np.ones(X.size), 75.0, ACROSS, strips,
                      none, none)
        fit = deconvolve(X, signal, noise=NOISE, start=(strong, weak), baseline_order="constant",
                         narrowest=0.25, broadest=5.0)
        assert len(fit.components) == 2
        return len(reject_artefacts(trace, signal, fit, NOISE, 1.0, "constant").components)

    assert left(Peak(55.0, 0.04, 9.0)) == 1
    assert left(Peak(55.0, 0.02, 1.0)) == 2


def left_of_two(other: Peak, across: np.ndarray, seed: int, pencil: float = 0.0) -> int:
    """Return how many of a spot of the lane and another, that lies so across it, are left.

    `pencil` is what is hidden to either side of the origin line.
    """
    step = ACROSS[1] - ACROSS[0]
    strips = (peak_shape(X, Peak(30.0, 3.0, 1.0))[0][:, None] * BELL / BELL.sum()
              + peak_shape(X, other)[0][:, None] * across / across.sum()) / step
    strips += np.random.default_rng(seed).normal(0, SD / 3, strips.shape) / step
    signal = strips.sum(axis=1) * step
    none = np.zeros(X.size)
    trace = Trace(X, signal, np.abs(X) >= pencil, np.ones(X.size), 75.0, ACROSS, strips, none,
                  none)
    fit = deconvolve(X, signal, noise=NOISE, usable=trace.usable)
    assert len(fit.components) == 2
    return len(reject_artefacts(trace, signal, fit, NOISE, 1.0, "auto").components)


@pytest.mark.parametrize(("across", "found"), [(BELL, 2), (np.ones(9), 1)],
                         ids=["a spot that ran with the front", "what the solvent left"])
def test_what_lies_evenly_across_the_lane_on_the_front_is_no_spot(
    across: np.ndarray, found: int
) -> None:
    assert left_of_two(Peak(75.0, 0.3, 0.8), across, 3) == found


TICK = np.isin(np.arange(9), (3, 4)).astype(float)


@pytest.mark.parametrize(("height", "centre", "sigma", "across", "found"), [
    (5.0, 1.2, 0.26, BELL, 1), (5.0, 1.2, 0.7, BELL, 2), (5.0, 8.0, 0.26, BELL, 2),
    (100.0, 1.2, 0.26, BELL, 2), (5.0, 1.2, 0.7, TICK, 1), (5.0, 8.0, 0.7, TICK, 2),
], ids=["a stroke", "as wide as a spot", "off the line", "surely there", "a tick",
        "as narrow as a tick, off the line"])
def test_what_a_stroke_shows_past_what_is_hidden_of_it_is_no_spot(
    height: float, centre: float, sigma: float, across: np.ndarray, found: int
) -> None:
    area = height * SD * sigma * np.sqrt(2.0 * np.pi)
    assert left_of_two(Peak(centre, area, sigma), across, 5, pencil=0.7) == found


@pytest.mark.parametrize(("across", "found"), [
    (BELL, 2), (np.exp(-0.5 * ((ACROSS - 1.0) / 0.9) ** 2), 2), (np.ones(9), 2),
    (np.exp(-0.5 * ((ACROSS - 4.0) / 1.4) ** 2), 1),
    (np.exp(-0.5 * ((ACROSS - 4.0) / 1.4) ** 2) + np.exp(-0.5 * ((ACROSS + 4.0) / 1.4) ** 2), 1),
], ids=["its own", "aside", "a band", "a neighbour's skirt", "two neighbours' skirts"])
def test_the_skirt_of_a_neighbours_spot_is_no_spot_however_surely_it_is_seen(
    across: np.ndarray, found: int
) -> None:
    assert left_of_two(Peak(55.0, 0.5, 1.0), across, 4) == found


def test_an_overloaded_spot_whose_shape_fits_badly_is_there_all_the_same() -> None:
    """A front like a wall, an uneven ramp behind it, 900 times the noise, and a law by which noise
    grows with the signal. Where the misfit makes the area anything, the spot is there."""
    ramp = np.clip(1.0 - (45.0 - X) / 9.0, 0.0, 1.0) ** 1.6 * (X < 45.0)
    blur = np.exp(-0.5 * (np.arange(-9, 10) * 0.15 / 0.35) ** 2)
    heavy = 9.0 * np.convolve(ramp, blur / blur.sum(), "same") * (1.0 + 0.2 * np.sin(2.2 * X))
    weak, step = Peak(15.0, 0.9, 0.9), ACROSS[1] - ACROSS[0]
    strips = (heavy + peak_shape(X, weak)[0])[:, None] * BELL / BELL.sum() / step
    signal = strips.sum(axis=1) * step
    gain, none, usable = 1.0 + 0.9 * signal, np.zeros(X.size), np.ones(X.size, bool)
    noise = Noise(0.01, np.exp(-0.25 * (0.15 * np.arange(60) / 1.5) ** 2), 0.15, "clean layer")
    trace = Trace(X, signal, usable, gain, 75.0, ACROSS, strips, none, none)
    fit = deconvolve(X, signal, noise=noise, gain=gain, narrowest=0.25, broadest=5.0,
                     start=(weak, Peak(43.0, 40.0, 1.5)))
    assert fit.covariance is not None
    fit = replace(fit, covariance=9.0 * fit.covariance)  # as what fits worse yet would have it
    area, sd = fit.components[1].area, fit.sd(1, "area", noise_only=True)
    assert sd is not None
    assert area < 1.645 * sd
    left = only_confirmed(trace, signal, reject_artefacts(trace, signal, fit, noise, 1.0, "auto"),
                          noise, mm=1.0)
    assert [c.centre for c in left.components] == pytest.approx([15.0, 43.5], abs=1.5)

"""Stages of the reading against general-purpose libraries that do the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.signal import find_peaks, lfilter, peak_widths
from skimage.measure import profile_line

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import measure
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.signal import Signal
from lanes.plate.square import Grid
from lanes.trace.noise import residual_noise
from lanes.trace.sample import sample

PITCH = 0.1


def plate(values):
    """Return `values`, lowest row first, as a located plate's signal."""
    rows, columns = values.shape
    grid = Grid(rows, columns, PITCH, PITCH)
    none = np.zeros(values.shape, bool)
    return Signal(values.astype(np.float32), np.ones(values.shape, np.float32), ~none,
                  np.full(values.shape, np.nan, np.float32), none,
                  np.zeros(values.shape, np.float32), grid, "white", "kubelka-munk", "mean", 0.86,
                  ())


def layout_of(signal, origin, front):
    width, height = signal.grid.columns * PITCH, signal.grid.rows * PITCH
    corners = np.array([[0, 1], [1, 1], [1, 0], [0, 0]], float)
    return Layout(width, height, True, 1.0, corners, Line((origin,)), Line((front,)))


@pytest.fixture(scope="module")
def texture():
    rng = np.random.default_rng(3)
    return gaussian_filter(rng.normal(size=(420, 300)), 2.0)


@pytest.mark.parametrize("lean", [0.0, 0.3, -0.2])
@pytest.mark.parametrize("across", [20, 35])
def test_lane_sampling_is_that_of_scikit_image(texture, lean, across):
    """profile_line(image, start, end, linewidth=across, order=1, reduce_func=np.mean).

    The lane's signal is its mean times its width. Starts and ends are pixels here: sample (i, j)
    lies at half a pitch beyond i and j pitches.
    """
    signal = plate(texture)
    x, origin = 15.0, 5.0
    run = 300 * PITCH * (1 - 1e-12)  # profile_line rounds its length up: no hair beyond a whole
    up = run / np.hypot(1, lean)
    layout = layout_of(signal, origin, origin + up)
    trace = sample(signal, layout, Lane("1", x, across * PITCH, lean))
    inside = (trace.position > -1e-9) & (trace.position < run + 1e-9)
    start = np.array([origin, x]) / PITCH - 0.5
    end = np.array([origin + up, x + lean * up]) / PITCH - 0.5
    reference = profile_line(signal.values, start, end, linewidth=across, order=1,
                             mode="constant", reduce_func=np.mean)
    assert trace.pitch == pytest.approx(PITCH)
    assert reference.size == inside.sum() == round(run / PITCH) + 1
    ours = trace.signal[inside] / (across * PITCH)
    np.testing.assert_allclose(ours, reference, rtol=0, atol=2e-4 * np.ptp(reference))
    # A lane one sample to the side would be seen.
    aside = sample(signal, layout, Lane("1", x + PITCH, across * PITCH, lean))
    assert np.abs(aside.signal - trace.signal).max() > 0.02 * np.ptp(trace.signal)


@pytest.fixture(scope="module")
def reading(tmp_path_factory):
    path = tmp_path_factory.mktemp("plate") / "plate.png"
    spots = tuple(
        SpotSpec(rf=rf, amount=1.5, width=width, tail=tail)
        for rf, width, tail in ((0.15, 1.8, 0.0), (0.4, 2.2, 0.0), (0.75, 2.8, 1.5)))
    save(draw(PlateSpec(width=40, lanes=(LaneSpec(12.0, spots), LaneSpec(28.0, spots[1:])), dpi=200,
                        seed=4)), path)
    return measure(path, picture=False)


def test_widths_and_places_are_those_of_scipy(reading):
    """peak_widths(peak, apex, rel_height=0.5) and find_peaks, on every fitted peak sampled fine."""
    count = 0
    for lane in reading.lanes:
        x = lane.trace.position
        fine = np.linspace(x[0], x[-1], 20 * x.size)
        for spot, shape in zip(lane.spots, lane.fit.peaks, strict=True):
            peak = np.interp(fine, x, shape)
            top, _ = find_peaks(peak)
            assert top.size == 1
            wide = peak_widths(peak, top, rel_height=0.5)[0][0] * (fine[1] - fine[0])
            assert spot.width_mm == pytest.approx(wide, rel=0.01)
            assert spot.position_mm == pytest.approx(fine[top[0]], abs=0.6 * lane.trace.pitch)
            assert spot.height == pytest.approx(shape.max(), rel=0.01)
            assert spot.area == pytest.approx(np.trapezoid(shape, x), rel=1e-3)
            count += 1
    assert count == 5


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_noise_of_a_known_sequence(phi):
    """x[k] = phi x[k-1] + e[k]: sd 1 / sqrt(1 - phi^2), correlation phi^k (Box & Jenkins).

    Made with scipy.signal.lfilter. Correlation is faded towards the longest lag, 4 mm, so
    that its sum comes out low by some hundredths.
    """
    e = np.random.default_rng(8).normal(0, 0.3, 40_000)
    sequence = lfilter([1.0], [1.0, -phi], e)[200:]
    noise = residual_noise(sequence + 5.0, PITCH, lag=4.0)
    true_sd = 0.3 / np.sqrt(1 - phi**2)
    assert noise.sd == pytest.approx(true_sd, rel=0.02)
    assert noise.autocorrelation[0] == 1
    np.testing.assert_allclose(noise.autocorrelation[1:8], phi ** np.arange(1, 8), atol=0.025)
    assert noise.correlation_mm == pytest.approx(PITCH * (1 + phi) / (1 - phi), rel=0.15)
    assert noise.pitch == PITCH
    # What it is for: the sd of a sum over 6 mm, which correlation makes larger.
    n = 60
    k = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    truth = np.sqrt((true_sd**2 * np.where(k == 0, 1.0, phi**k)).sum())
    assert np.sqrt(noise.covariance(np.ones(n)).sum()) == pytest.approx(truth, rel=0.06)

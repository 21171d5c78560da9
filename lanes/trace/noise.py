"""Noise of a trace: its size and how far neighbouring samples share it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import irfft, irfft2, next_fast_len, rfft, rfft2
from scipy.linalg import toeplitz
from scipy.stats import t

from lanes.confidence import (
    BELOW_TWO_SIDED_95,
    MAD_SD,
    SECOND_DIFFERENCE_SD,
    TWO_SIDED_95,
    UNIFORM_SD,
)
from lanes.plate.layout import Layout
from lanes.plate.signal import Signal
from lanes.plate.square import Grid
from lanes.quantiles import median
from lanes.scan.transfer import POWER

Floats = NDArray[np.float64]

# The longest distance at which correlation is followed: in a held-out patch, its height less the
# second. Over the last of it pairs are too few to be believed as they are.
LAG_MM, WITHIN_MM, FADE_MM = 6.5, 1.0, 2.5
LEAST_MM2 = 60.0  # square millimetres held out, below which noise is not known: one patch
LEAST_PATCHES = 4.0  # taken for granted: of fewer Student's interval would say nothing
WILD = 4.0  # standard deviations: a patch farther off is a missed mark, once in 16,000 by chance
# How far along a lane bands of one step are correlated, as a Gaussian's standard deviation. Their
# length is any, as the layer happens to change; taken is what does most harm where spots are
# sought: as long as a narrow spot is wide at half height, 1.5 mm, over the root of 6 (an even
# band's overlap with itself is a triangle).
BAND_MM = 0.6
FEWEST_MOVING = 20     # samples that show a bare trace's noise
SAME_VALUE = 1e-9      # of a trace's span: two values nearer than this are one
DETECTOR_STEPS = 4096  # 12 bits: what a densitometer or scanner keeps apart (common practice)


class Steps(NamedTuple):
    """What a file's steps leave of the layer: standard deviation and step, as signal.

    `long` is how far along a lane a band of a step reaches.
    """

    sd: float
    size: float
    long: float


@dataclass(frozen=True)
class Noise:
    """Stationary noise of a trace in clean layer.

    Attributes
    ----------
    sd : float
        Standard deviation of one sample, in signal x mm.
    autocorrelation : (m,) array
        Correlation of samples 0, 1, 2, ... apart; its first value is 1.
    pitch : float
        Distance between samples in mm.
    source : str
        "clean layer" or "residuals".
    detection : Noise or None
        The noise where the layer itself was seen, not carried on under a spot: what an unknown
        weak spot has to stand out of.
    without_smear : float or None
        `sd` of the layer alone, where `sd` counts what smeared matter leaves, too.
    rounded : float
        Of the variance, what the file's steps leave of a smooth layer.
    """

    sd: float
    autocorrelation: Floats
    pitch: float
    source: str
    detection: Noise | None = None
    without_smear: float | None = None
    rounded: float = 0.0

    @property
    def local(self) -> Noise:
        """The noise that detection works against."""
        return self.detection or self

    @property
    def correlation_mm(self) -> float:
        """Integral correlation length in mm: the distance that counts as one sample."""
        return float(self.pitch * (1.0 + 2.0 * self.autocorrelation[1:].sum()))

    def times(self, factor: float) -> Noise:
        """Return the same noise, `factor` times as large."""
        detection = (None if self.detection is None
                     else replace(self.detection, sd=factor * self.detection.sd))
        return replace(self, sd=factor * self.sd, detection=detection)

    def smeared(self, clear: float) -> Noise:
        """Return the same noise, of which the layer alone makes a standard deviation of `clear`."""
        detection = (None if self.detection is None
                     else replace(self.detection, without_smear=clear))
        return replace(self, detection=detection, without_smear=clear)

    def through(self, gain: Floats, columns: Floats) -> Floats:
        """Return `covariance(gain)` times `columns`, (n, k), without making the matrix."""
        count, reach = gain.size, self.autocorrelation.size - 1
        size = next_fast_len(max(count + reach, 2 * reach + 1), real=True)
        kernel = np.zeros(size)  # nothing runs round: what lies beyond the samples is 0
        kernel[: reach + 1] = self.autocorrelation
        kernel[size - reach:] = self.autocorrelation[:0:-1]
        scaled = self.sd * gain
        shared = irfft(rfft(scaled * columns.T, size) * rfft(kernel).real, size)
        return np.ascontiguousarray((scaled * shared[:, :count]).T)

    def covariance(self, gain: Floats) -> Floats:
        """Return the (n, n) covariance of samples whose noise is `gain` times clean layer's."""
        n = gain.size
        row = np.zeros(n)
        m = min(n, self.autocorrelation.size)
        row[:m] = self.autocorrelation[:m]
        scaled = self.sd * gain
        return np.asarray(toeplitz(row) * scaled[:, None] * scaled[None, :])


def layer_noise(signal: Signal, layout: Layout, width: float) -> Noise | None:
    """Return the noise of a trace `width` wide, from patches of held-out clean layer.

    The patches hold the error of carrying the layer on under a spot as well as the grain. Their
    autocovariance over both axes, C(dx, dy), gives that of the integral across a lane,
    sum over dx of (width - |dx|) C(dx, dy).

    Parameters
    ----------
    signal : Signal
    layout : Layout
    width : float
        Width of the lane in plate units.

    Returns
    -------
    Noise, or None where less than 60 square millimetres of layer is clean.
    """
    return layer_noises(signal, layout, (width,))[0]


def layer_noises(
    signal: Signal, layout: Layout, widths: Sequence[float]
) -> tuple[Noise | None, ...]:
    """Return `layer_noise` for traces of several widths, the layer's covariance worked out once."""
    known = np.isfinite(signal.held_out)
    if not widths or known.sum() * signal.grid.mm**2 < LEAST_MM2:
        return (None,) * len(widths)
    values = np.where(known, signal.held_out, 0.0).astype(np.float32)
    bare = np.where(signal.bare, signal.values, 0.0).astype(np.float32)
    steps = Steps(signal.rounding, signal.step, BAND_MM / layout.mm_per_unit)
    out: list[Noise | None] = []
    for width, extrapolation, detection in zip(
        widths, _across(values, known, widths, signal.grid, signal.patch_mm - WITHIN_MM, steps),
        _across(bare, signal.bare, widths, signal.grid, LAG_MM, steps), strict=True,
    ):
        if extrapolation is None or detection is None:
            out.append(None)
            continue
        # Some twenty patches determine a variance only roughly: the standard deviation is widened
        # so that 1.96 of it is Student's interval.
        patch = signal.patch_mm * max(signal.patch_mm, width * layout.mm_per_unit)
        count = max(LEAST_PATCHES, float(known.sum()) * signal.grid.mm**2 / patch)
        wider = float(t.ppf(BELOW_TWO_SIDED_95, count)) / TWO_SIDED_95
        out.append(replace(extrapolation, sd=extrapolation.sd * wider, detection=detection))
    return tuple(out)


def _across(
    values: NDArray[np.float32], known: NDArray[np.bool_], widths: Sequence[float], grid: Grid,
    lag: float, steps: Steps,
) -> list[Noise | None]:
    """Return the noise of `known` values integrated over each of `widths`, up to `lag` in mm."""
    # A few wild patches (a missed mark) must not set the noise of the whole plate; what the file's
    # own step makes is none.
    bound = max(WILD * MAD_SD * float(median(np.abs(values[known]))), steps.size)
    values = np.clip(values, -bound, bound)
    lags_y = max(8, round(lag / grid.mm))
    lags_x = max(8, round(min(max(widths) / grid.pitch, lag / grid.mm)))
    products, counts = _autocovariance(values, known, lags_y, lags_x)
    table = products / np.maximum(counts, 1.0)
    dx = np.arange(-lags_x, lags_x + 1)
    weights = np.clip(np.array(widths)[:, None] / grid.pitch - np.abs(dx), 0.0, None)
    # Bands and islands of a step lie across a lane's whole width.
    bands = np.exp(-0.5 * (np.arange(lags_y + 1) * grid.pitch / steps.long) ** 2)
    shared = np.square(steps.sd * np.array(widths))[:, None] * bands
    noises = [_noise(row, grid, lag) for row in weights @ table.T * grid.pitch**2 + shared]
    return [noise and replace(noise, rounded=float(row[0]) / noise.sd**2)
            for noise, row in zip(noises, shared, strict=True)]


def _noise(covariance: Floats, grid: Grid, lag: float) -> Noise | None:
    """Return the noise whose covariance at 0, 1, ... samples of distance is given."""
    # Beyond what the patches reach nothing is known: fade to nothing, gently enough to stay a
    # covariance.
    past = np.clip((np.arange(covariance.size) * grid.mm - lag + FADE_MM) / FADE_MM, 0.0, 1.0)
    covariance = covariance * 0.5 * (1 + np.cos(np.pi * past))
    if covariance[0] <= 0:
        return None
    sd = float(np.sqrt(covariance[0]))
    return Noise(sd, _positive(covariance / covariance[0]), grid.pitch, "clean layer")


def rounded_gain(gain: Floats, noise: Noise) -> Floats:
    """Return the relative noise of a spot's light where the file's steps make a part of it.

    Noise of light is taken as proportional to it, and for emission `gain` is the light over the
    layer's. A code is worth less: of L, L^(1 - 1 / 2.4) by sRGB's curve (IEC 61966-2-1).
    """
    return np.sqrt((1.0 - noise.rounded) * gain**2 + noise.rounded * gain ** (2.0 - 2.0 / POWER))


def residual_noise(residual: ArrayLike, pitch: float, lag: float = LAG_MM) -> Noise:
    """Return noise judged from what a trace's own smooth parts leave.

    Parameters
    ----------
    residual : (n,) array_like
        Trace less all that is thought to be real.
    pitch, lag : float
        Spacing, and the longest distance at which correlation is looked for.
    """
    r = np.asarray(residual, float)
    r = r - np.median(r)
    m = int(max(2, min(round(lag / pitch), r.size // 6)))
    covariance = np.array([float(np.mean(r[: r.size - k] * r[k:])) for k in range(m)])
    sd = float(np.sqrt(covariance[0]))
    if sd == 0.0:
        return Noise(0.0, np.ones(1), pitch, "residuals")
    taper = 0.5 * (1 + np.cos(np.pi * np.arange(m) / m))
    return Noise(sd, _positive(covariance / covariance[0] * taper), pitch, "residuals")


def difference_noise(signal: ArrayLike, pitch: float) -> Noise:
    """Return a first guess of a bare trace's noise, from its second differences.

    Second differences of white noise have 6 times its variance; spots hardly show in them. Where a
    trace was cut off at a level, it stays there without noise: what moves shows it. No trace is
    surer than its last digit.
    """
    s = np.asarray(signal, float)
    second = s[2:] - 2 * s[1:-1] + s[:-2]
    moving = second[second != 0.0]
    if moving.size >= FEWEST_MOVING:
        second = moving
    sd = MAD_SD * float(np.median(np.abs(second - np.median(second)))) / SECOND_DIFFERENCE_SD
    return Noise(max(sd, digit_noise(s)), np.ones(1), pitch, "residuals")


def digit_noise(signal: Floats) -> float:
    """Return the standard deviation of rounding to a trace's last digit; of 12 bits at least."""
    span = float(np.ptp(signal))
    steps = np.diff(np.unique(signal))
    steps = steps[steps > span * SAME_VALUE]
    return max(float(steps.min(initial=span)), span / DETECTOR_STEPS) * UNIFORM_SD


def _autocovariance(
    values: NDArray[np.float32], known: NDArray[np.bool_], lags_y: int, lags_x: int
) -> tuple[Floats, Floats]:
    """Return sums of products and their counts for dy 0..lags_y, dx -lags_x..lags_x.

    Worked in tiles as large as four times the lags, so that the transforms stay small.
    """
    side_y, side_x = 4 * lags_y, 4 * lags_x
    size = (next_fast_len(side_y + lags_y, real=True), next_fast_len(side_x + lags_x, real=True))
    # The transform back is linear: once, of the sum over all tiles.
    powers = np.zeros((2, size[0], size[1] // 2 + 1))
    for top in range(0, values.shape[0], side_y):
        for left in range(0, values.shape[1], side_x):
            there = known[top: top + side_y, left: left + side_x]
            if not there.any():
                continue
            v = values[top: top + side_y, left: left + side_x]
            for power, image in zip(powers, (v, there.astype(np.float32)), strict=True):
                transform = rfft2(image, size)
                power += np.square(transform.real)
                power += np.square(transform.imag)
    tables = irfft2(powers, size)[:, : lags_y + 1]
    products, counts = np.concatenate([tables[..., -lags_x:], tables[..., : lags_x + 1]], axis=-1)
    return products, counts


def _positive(autocorrelation: Floats) -> Floats:
    """Return a sequence near the given one, as long, whose power spectrum has no negative part.

    Estimated correlations need not be a covariance's. Projecting in turn on non-negative spectra
    and on the given length ends at one that is both, but for a rest that a little white noise
    takes up.
    """
    m = autocorrelation.size
    if m < 3:
        return autocorrelation
    size = next_fast_len(6 * m, real=True)
    kept = autocorrelation.astype(float)
    for _ in range(60):
        full = np.zeros(size)
        full[:m] = kept
        full[size - m + 1:] = kept[:0:-1]
        power = np.fft.rfft(full).real
        if power.min() >= 0.0:
            break
        kept = np.fft.irfft(np.clip(power, 0.0, None), size)[:m]
    else:
        kept[0] += max(0.0, -float(power.min()))
    return np.asarray(kept / kept[0])

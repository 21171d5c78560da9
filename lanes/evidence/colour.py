"""Do two spots of one plate have one colour? The channels of a scan as a crude spectrum."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

from lanes.confidence import SIGNIFICANT
from lanes.evidence.noise_covariance import noise_covariance
from lanes.plate.layout import Lane
from lanes.plate.signal import Signal, to_signal
from lanes.reading import Plate
from lanes.spots.model import Component, peak_shape
from lanes.trace.noise import Noise, layer_noise
from lanes.trace.sample import Trace, sample

Floats = NDArray[np.float64]
CHANNELS = ("red", "green", "blue")

# Two spots of one substance differ by this much in a channel, relative to it: the law from light
# to signal bends each channel of a heavy spot a little differently (common practice).
BEND = 0.08
LEAST_BEND = 0.2 * BEND  # of the strongest, in a channel that hardly shows the spot (a choice)
NEAR = 1.5     # sigmas and tails from its centre in which a spot's height is read: 87 % of it
LEAST = 10.0   # standard deviations that one channel must see
LEVEL = 0.01
ANGLE = 8.0    # degrees between two colours, below which a difference is no news


@dataclass(frozen=True)
class ColourMatch:
    """Whether two spots agree in colour.

    Attributes
    ----------
    verdict : str
        "agrees", "differs" or "cannot tell".
    p_value : float or None
        Of one colour; None where the scan shows none or a spot is too faint.
    angle : float or None
        Degrees between the two spots' channels taken as vectors: 0 for one colour.
    """

    verdict: str
    p_value: float | None
    angle: float | None


UNSEEN = ColourMatch("cannot tell", None, None)


class Colours:
    """The three channels of a plate, turned to signal on first use."""

    def __init__(self, plate: Plate) -> None:
        self.plate = plate
        self.traces: dict[str, list[Trace]] = {}

    @cached_property
    def channels(self) -> tuple[list[Signal], list[Noise]] | None:
        """Return each channel's signal and noise, or None where the scan has no colour."""
        plate = self.plate
        if any(c not in plate.scan.channels for c in CHANNELS):
            return None
        light = [plate.scan.light(c, 4) for c in CHANNELS]
        if all(np.array_equal(light[0], more) for more in light[1:]):
            return None  # a grey scan in three copies
        signals = [to_signal(plate.scan, plate.layout, replace(plate.settings, channel=c),
                             plate.light) for c in CHANNELS]
        noises = [layer_noise(s, plate.layout, plate.layout.lanes[0].width) for s in signals]
        known = [n for n in noises if n is not None and n.sd > 0]
        return (signals, known) if len(known) == len(CHANNELS) else None

    def of(self, lane: Lane, component: Component) -> tuple[Floats, Floats] | None:
        """Return a spot's height in each channel and its standard deviation, or None."""
        if self.channels is None:
            return None
        signals, noises = self.channels
        if lane.name not in self.traces:
            self.traces[lane.name] = [sample(s, self.plate.layout, lane) for s in signals]
        c = component
        heights, sds = [], []
        for trace, noise in zip(self.traces[lane.name], noises, strict=True):
            x = trace.position
            near = (np.abs(x - c.centre) < NEAR * (c.sigma + abs(c.tau))) & trace.usable
            if near.sum() < 8:
                return None
            shape = peak_shape(x[near], replace(c.peak(), area=1.0))[0]
            cov = noise_covariance(noise, trace.gain[near])
            along = np.linalg.solve(cov, shape)
            size = float(shape @ along)
            heights.append(float(along @ trace.signal[near]) / size)
            sds.append(size ** -0.5)
        return np.array(heights), np.array(sds)


def compared(
    first: tuple[Floats, Floats] | None, second: tuple[Floats, Floats] | None
) -> ColourMatch:
    """Return whether two spots' channels are in one proportion.

    Parameters
    ----------
    first, second : ((3,) array, (3,) array) or None
        Signal in each channel, and standard deviations.

    Returns
    -------
    ColourMatch
        The p-value is that of the least sum of squares over all proportions, with `BEND` in each
        channel; two degrees of freedom are left of three.
    """
    if first is None or second is None:
        return UNSEEN
    (a, a_sd), (b, b_sd) = first, second
    if (a / a_sd).max() < LEAST or (b / b_sd).max() < LEAST:
        return UNSEEN
    size_a, size_b = float(np.linalg.norm(a)), float(np.linalg.norm(b))
    u, v = a / size_a, b / size_b
    variance = (a_sd / size_a) ** 2 + (b_sd / size_b) ** 2
    # Both of unit length: what bends is a share of the channel that is seen best.
    bend = (BEND * np.maximum(np.abs(u), np.abs(v))) ** 2 + LEAST_BEND**2

    def misfit(k: float) -> float:
        return float(np.sum((u - np.exp(k) * v) ** 2 / (variance + bend)))

    best = minimize_scalar(misfit, bounds=(-1.0, 1.0), method="bounded")
    p_value = float(chi2.sf(float(best.fun), 2))
    angle = float(np.degrees(np.arccos(np.clip(u @ v, -1.0, 1.0))))
    noise = float(np.degrees(np.sqrt(variance.sum())))
    if p_value < LEVEL and angle > ANGLE:
        return ColourMatch("differs", p_value, angle)
    if p_value >= SIGNIFICANT and noise < ANGLE:
        return ColourMatch("agrees", p_value, angle)
    return ColourMatch("cannot tell", p_value, angle)

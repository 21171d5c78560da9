"""Whether a plate's area percents depend on the law that turned light into signal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.flags import Flag, flag
from lanes.plate.signal import LAW_NAMES, Signal, kubelka_munk, optical_density, reflectance
from lanes.reading import LaneReading
from lanes.spots.quantities import Spot
from lanes.spots.transverse import profiles

Floats = NDArray[np.float64]

# Either law is used for what absorbs (common practice); emission has one.
OTHER = {"kubelka-munk": "optical-density", "optical-density": "kubelka-munk"}


def law_matters(
    signal: Signal, light: str, readings: Sequence[LaneReading]
) -> tuple[Flag, ...]:
    """Return the plate's remark that area percents leave their interval under the other law."""
    other = OTHER.get(signal.law)
    if other is None or light == "366":
        return ()
    found = [(each, reading) for reading in readings
             if (each := _furthest(signal, other, reading)) is not None]
    if not found:
        return ()
    (_, spot, percent), lane = max(found, key=lambda each: each[0][0])
    half = TWO_SIDED_95 * (spot.area_percent_sd or 0.0)
    names = ", ".join(reading.name for _, reading in found)
    where = f"lane {names}" if len(found) == 1 else f"lanes {names}; most in lane {lane.name}"
    return (flag("law-matters", f"in {where}: the spot at Rf {spot.rf:.2f} holds "
                 f"{spot.area_percent:.1f} area percent, {half:.1f} to each side with 95 %; by "
                 f"{LAW_NAMES[other]} it would hold about {percent:.1f}"),)


def _furthest(
    signal: Signal, other: str, reading: LaneReading
) -> tuple[float, Spot, float] | None:
    """Return the spot whose percent leaves its 95 % interval most under the law `other`.

    With it how many half-widths of the interval it moves by, and the percent it would have; None
    where all stay inside.
    """
    if len(reading.spots) < 2:
        return None
    percents = percents_under(reading, signal.law, other, signal.reference)
    if percents is None:
        return None
    moved = [
        (abs(percent - spot.area_percent) / (TWO_SIDED_95 * spot.area_percent_sd), spot,
         float(percent))
        for spot, percent in zip(reading.spots, percents, strict=True) if spot.area_percent_sd
    ]
    most = max(moved, key=lambda each: each[0], default=None)
    return most if most is not None and most[0] > 1.0 else None


def percents_under(
    reading: LaneReading, law: str, other: str, reference: float
) -> Floats | None:
    """Return each spot's area percent had the light been turned to signal by the law `other`.

    The fitted spots, spread over the lane's width as they were found, say how dark each place is;
    that light is turned to signal by `other`, and where spots overlap it is parted among them as
    before. Nothing is fitted again: the answer of `lanes purity` is, and differs by little.

    Returns
    -------
    (c,) array, or None for a trace without strips or of no spots.
    """
    trace, fit = reading.trace, reading.fit
    shares = profiles(trace, fit)
    if shares is None or trace.across is None:
        return None
    step = float(trace.across[1] - trace.across[0])
    shares = np.clip(shares, 0.0, None) / step
    parts = fit.peaks[:, :, None] * shares[:, None, :]  # (spots, samples, strips)
    total = parts.sum(axis=0)
    turned = _turned(total, law, other, reference)
    slope = np.divide(turned, total, out=np.zeros_like(total), where=total > 1e-9 * total.max())
    areas = (parts * slope).sum(axis=(1, 2))
    return np.asarray(100.0 * areas / areas.sum())


def _turned(values: Floats, law: str, other: str, reference: float) -> Floats:
    """Return signal by `law` as signal by `other`."""
    clean = float(kubelka_munk(reference))
    share = (10.0 ** -values if law == "optical-density"
             else reflectance(values + clean) / reference)
    share = np.clip(share, 1e-3, None)
    if other == "optical-density":
        return optical_density(share)
    return kubelka_munk(np.clip(reference * share, 0.004, 1.2)) - clean

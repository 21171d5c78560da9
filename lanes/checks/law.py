"""Whether a lane's area percents depend on the law that turned light into signal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.flags import Flag, flag
from lanes.plate.signal import LAW_NAMES, Signal, kubelka_munk, optical_density, reflectance
from lanes.reading import LaneReading
from lanes.spots.transverse import profiles

Floats = NDArray[np.float64]

# Either law is used for what absorbs (common practice); emission has one.
OTHER = {"kubelka-munk": "optical-density", "optical-density": "kubelka-munk"}


def law_matters(signal: Signal, light: str, reading: LaneReading) -> tuple[Flag, ...]:
    """Return the remark that area percents leave their interval under the other law."""
    other = OTHER.get(signal.law)
    if other is None or light == "366" or len(reading.spots) < 2:
        return ()
    percents = percents_under(reading, signal.law, other, signal.reference)
    if percents is None:
        return ()
    worst, most = None, 1.0
    for spot, percent in zip(reading.spots, percents, strict=True):
        if spot.area_percent_sd:
            away = abs(percent - spot.area_percent) / (TWO_SIDED_95 * spot.area_percent_sd)
            if away > most:
                worst, most = (spot, float(percent)), away
    if worst is None:
        return ()
    spot, percent = worst
    half = TWO_SIDED_95 * (spot.area_percent_sd or 0.0)
    return (flag("law-matters", f"the spot at Rf {spot.rf:.3f} holds {spot.area_percent:.1f} area "
                 f"percent, {half:.1f} to each side with 95 %; by {LAW_NAMES[other]} it would hold "
                 f"about {percent:.1f}"),)


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

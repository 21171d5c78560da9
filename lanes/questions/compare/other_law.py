"""What is asked of two spots, asked again with the light turned to signal by another law.

A law that presses heavy spots together changes a co-spot, which holds both amounts, otherwise than
it does the spots alone, so that two may pass for one.
"""

from __future__ import annotations

from dataclasses import replace

from lanes.evidence.detection_limit import lane_of
from lanes.evidence.laws import other_laws, under_law
from lanes.evidence.lookup import lane_named
from lanes.questions.compare.identity import Z_ONE, CospotVerdict, Identity
from lanes.reading import LaneReading, Plate


def by_other_law(plate: Plate, reading: LaneReading) -> LaneReading | None:
    """Return a lane with the same spots fitted under another law; None where there is none."""
    if not reading.spots:
        return reading
    place = lane_named(plate, reading.name, "--reference")
    for law in other_laws(plate):
        lane, fit = under_law(plate, place, law, lane_of(plate, reading, 0), reading.fit)
        if len(fit.components) != len(reading.spots):
            return None
        spots = tuple(replace(spot, rf=c.centre / lane.trace.run, area=c.area)
                      for spot, c in zip(reading.spots, fit.components, strict=True))
        return replace(reading, trace=lane.trace, noise=lane.noise, fit=fit, spots=spots,
                       background=lane.trace.signal - lane.flat)
    return None


def by_both(found: Identity, other: Identity) -> Identity:
    """Return what holds by either law: the wider interval, and the same only if by both."""
    low, high = min(found.low, other.low), max(found.high, other.high)
    verdict = found.verdict if other.verdict == found.verdict else "cannot tell"
    if verdict == "same" and max(-low, high) >= found.margin:
        verdict = "cannot tell"
    return replace(
        found, verdict=verdict, low=low, high=high, value=0.5 * (low + high),
        sd=0.5 * (high - low) / Z_ONE,
        cospots=tuple(_either(*pair) for pair in zip(found.cospots, other.cospots, strict=True)))


def _either(found: CospotVerdict, other: CospotVerdict) -> CospotVerdict:
    """Return what a co-spot shows by either law; its p-value stays that of the law in use."""
    verdict = found.verdict if other.verdict == found.verdict else "cannot tell"
    return replace(found, verdict=verdict, most=max(found.most, other.most))

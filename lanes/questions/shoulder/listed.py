"""The answer where the reading lists two spots, and the trace shows a valley between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lanes.evidence.laws import other_laws
from lanes.questions.shoulder.divided import Divided
from lanes.questions.shoulder.law_doubt import with_law
from lanes.questions.shoulder.result import Component, Shoulder
from lanes.questions.shoulder.views import listed_view
from lanes.reading import LaneReading, Plate
from lanes.spots.law_doubt import percents_under
from lanes.spots.model import peak_shape

SAME = 0.5  # spreads: a fitted component that near to a listed one is the same


def listed(
    found: Shoulder, reading: LaneReading, plate: Plate | None, two: Divided
) -> Shoulder:
    """Return the answer `found` as that of the two: with its own values, or else as listed."""
    parts = [reading.fit.components[i] for i in two.both]
    found = replace(
        found, valley=two.valley,
        evidence=tuple(listed_view(two.valley) if v.view == "valley" else v
                       for v in found.evidence))
    # What was fitted here knows more of their shape than the reading does, if it is the same two.
    if found.verdict == "two" and all(
            abs(part.rf * reading.trace.run - c.centre) < SAME * c.spread
            for part, c in zip(found.components, parts, strict=True)):
        return found
    percents, sds = _shares(reading, two.both)
    other = _other_percent(reading, plate, two)
    sds = [with_law(sd, min(percents), other) for sd in sds]
    components = tuple(
        Component(reading.spots[i].rf, reading.spots[i].rf_sd, p, sd)
        for i, p, sd in zip(two.both, percents, sds, strict=True))
    x = found.curves.rf * reading.trace.run
    drawn = np.array([peak_shape(x, c.peak())[0] for c in parts])
    return replace(
        found, verdict="two", components=components,
        pair=next(p for p in reading.pairs if (p.lower, p.upper) == two.both),
        pair_percent=min(percents), other_percent=other,
        reasons=("the reading lists two spots here, and the trace shows a valley between them",),
        settle=(),
        flags=(*(f for f in found.flags if f.name not in ("fit-poor", "tailing")),
               *(f for f in reading.flags if f.name == "fit-poor")),
        curves=replace(found.curves, two=drawn.sum(axis=0), parts=drawn))


def _shares(
    reading: LaneReading, both: tuple[int, int]
) -> tuple[list[float], list[float | None]]:
    """Return each one's percent of both areas, and its standard deviation (None: not known)."""
    fit = reading.fit
    areas = np.array([fit.components[i].area for i in both])
    percents = (100.0 * areas / areas.sum()).tolist()
    covariance = fit.area_covariance()
    if covariance is None:
        return percents, [None, None]
    by = 100.0 * np.array([areas[1], -areas[0]]) / areas.sum() ** 2
    sd = float(np.sqrt(max(float(by @ covariance[np.ix_(both, both)] @ by), 0.0)))
    return percents, [sd, sd]


def _other_percent(reading: LaneReading, plate: Plate | None, two: Divided) -> float | None:
    """Return the lesser's percent of both under another law, None where there is none."""
    if plate is None:
        return None
    small, large = sorted(two.both, key=lambda i: reading.fit.components[i].area)
    for law in other_laws(plate):
        found = percents_under(reading.trace, reading.fit, plate.signal.law, law,
                               plate.signal.reference)
        if found is not None:
            return float(100.0 * found[small] / (found[small] + found[large]))
    return None

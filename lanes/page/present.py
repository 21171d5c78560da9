"""What the page shows: a document's state, and its reading with all that is drawn of it."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.flags import REGISTRY, Flag
from lanes.page.document import Document
from lanes.plate.by_hand import heights_of
from lanes.plate.layout import Lane, Layout
from lanes.reading import LaneReading, Reading
from lanes.report.tables import (
    PLUS_MINUS,
    length_unit,
    no_spot,
    percent_text,
    resolution_text,
    rf_text,
)

HALF_WIDTH = 1.1774  # at half height, over sigma: the root of 2 ln 2
MOST_POINTS = 700  # of a trace: more than a page's width shows


def state(document: Document) -> dict[str, Any]:
    """Return all of a document but its traces."""
    with document.lock:
        record, outcome, settings = document.draft.record, document.outcome, document.settings
        progress = document.progress
        fresh = document.outcome_revision == document.revision
        return {
            "id": document.id,
            "file": record.file,
            "stamp": document.stamp,
            "revision": document.revision,
            "undo": record.at > 0,
            "redo": record.at + 1 < len(record.history),
            "settings": settings.to_dict(),
            "by_hand": list(settings.places.by_hand),
            "layout": None if document.layout is None else layout_values(document.layout),
            "error": outcome.error if outcome is not None and fresh else None,
            "fresh": fresh,
            "stopped": document.stopped,
            "whole": outcome is not None and outcome.whole,
            "reading_stamp": document.reading_stamp,
            "progress": None if progress is None else {
                "stage": progress[0], "done": progress[1], "whole": progress[2]},
            "saved": record.saved,
            "home": record.home,
            "trouble": document.trouble,
            "answers": [{key: value for key, value in asdict(answer).items() if key != "files"}
                        for answer in document.answers],
        }


def layout_values(layout: Layout) -> dict[str, Any]:
    """Return a layout as plain values; a line that is not known is None."""
    unknown = layout.origin.coefficients == layout.front.coefficients
    lines = {
        name: None if line.coefficients == (0.0,) else list(heights_of(line, layout))
        for name, line in (("origin", layout.origin), ("front", layout.front))
    }
    return {
        "width": layout.width,
        "height": layout.height,
        "scaled": layout.scaled,
        "mm_per_unit": layout.mm_per_unit,
        "corners_px": layout.corners_px.tolist(),
        **lines,
        "lanes": [] if unknown else [_lane_values(layout, lane) for lane in layout.lanes],
        "found": dict(layout.found),
    }


def _lane_values(layout: Layout, lane: Lane) -> dict[str, Any]:
    y0, y1 = layout.ends(lane)
    return {"name": lane.name, "role": lane.role, "x": lane.x,
            "x_front": lane.x + lane.lean * (y1 - y0), "width": lane.width, "y0": y0, "y1": y1}


def reading_values(reading: Reading) -> dict[str, Any]:
    """Return a reading with its traces, and every figure as text beside the number."""
    assert reading.layout is not None
    names = {flag.name for flag in reading.flags}
    for lane in reading.lanes:
        names |= {flag.name for flag in lane.flags}
        names |= {flag.name for spot in lane.spots for flag in spot.flags}
    return {
        "light": reading.light,
        "law": reading.law,
        "channel": reading.channel,
        "unit": length_unit(reading),
        "doubt": PLUS_MINUS,
        "flags": _flags(reading.flags),
        "kinds": {name: {"meaning": REGISTRY[name].meaning, "remedy": REGISTRY[name].remedy}
                  for name in sorted(names)},
        "lanes": [_lane(reading, lane, place)
                  for lane, place in zip(reading.lanes, reading.layout.lanes, strict=True)],
    }


def _lane(reading: Reading, lane: LaneReading, place: Lane) -> dict[str, Any]:
    assert reading.layout is not None
    area = f"signal × {length_unit(reading)}²"
    return {
        "name": lane.name,
        "role": lane.role,
        "flags": _flags(lane.flags),
        "nothing": None if lane.spots else no_spot(lane, area),
        "spots": [_spot(reading, lane, place, number) for number in range(len(lane.spots))],
        "pairs": [{"lower": pair.lower, "upper": pair.upper, "resolution": resolution_text(pair)}
                  for pair in lane.pairs],
        "trace": _trace(lane),
    }


def _spot(reading: Reading, lane: LaneReading, place: Lane, number: int) -> dict[str, Any]:
    assert reading.layout is not None
    spot = lane.spots[number]
    x, y = reading.layout.path(place, spot.rf)
    sigma = lane.fit.components[number].sigma
    return {
        "rf": _number(spot.rf), "rf_text": rf_text(lane, number),
        "percent": _number(spot.area_percent), "percent_text": percent_text(lane, spot),
        "area": _number(spot.area), "area_sd": _number(spot.area_sd),
        "rf_sd": _number(spot.rf_sd), "percent_sd": _number(spot.area_percent_sd),
        "position": _number(spot.position_mm), "width": _number(spot.width_mm),
        "asymmetry": _number(spot.asymmetry), "signal_to_noise": _number(spot.signal_to_noise),
        "x": _number(float(x)), "y": _number(float(y)), "half": _number(HALF_WIDTH * sigma),
        "substance": reading.settings.about.name_at(lane.name, spot.rf),
        "flags": _flags(spot.flags),
    }


def _trace(lane: LaneReading) -> dict[str, Any]:
    trace, fit = lane.trace, lane.fit
    step = max(1, math.ceil(trace.position.size / MOST_POINTS))
    signal = trace.signal - lane.background
    return {
        "rf": _row(trace.rf, step),
        "signal": _row(signal, step),
        "model": _row(fit.model, step),
        "baseline": _row(fit.baseline, step),
        "residual": _row(signal - fit.model, step),
        "spots": [_row(peak, step) for peak in fit.peaks],
        "usable": [bool(value) for value in trace.usable[::step]],
        "noise": _number(lane.noise.local.sd),
    }


def _row(values: NDArray[np.float64], step: int) -> list[float | None]:
    return [_number(value) for value in np.asarray(values, float)[::step]]


def _flags(flags: tuple[Flag, ...]) -> list[dict[str, str]]:
    return [{"name": flag.name, "message": flag.message} for flag in flags]


def _number(value: float | None) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")

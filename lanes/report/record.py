"""A reading as plain values: results.json, whose keys and bytes are stable."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import PurePath
from typing import Any

from lanes.about import TEXTS
from lanes.flags import Flag
from lanes.plate.layout import Layout
from lanes.reading import LaneReading, Reading, Source
from lanes.spots.fit import Fit
from lanes.spots.quantities import Pair, Spot

SCHEMA = 1


def record(reading: Reading) -> dict[str, Any]:
    """Return `reading` as dictionaries, lists, strings, numbers and None.

    The keys are the same for every reading. What is not known is None, and so is a number that
    is infinite or not a number; floats keep eight significant figures, which is more than any
    of them carries and hides the last bit in which two machines may differ.
    """
    values: dict[str, Any] = {
        "schema": SCHEMA,
        "scan": _scan(reading.source),
        "light": reading.light,
        "law": None if reading.law is None else reading.law.replace("optical-", "optical "),
        "channel": reading.channel,
        "layout": _layout(reading.layout),
        "lanes": [_lane(lane) for lane in reading.lanes],
        "flags": _flags(reading.flags),
        "about": _about(reading),
        "settings": reading.settings.to_dict(),
    }
    clean: dict[str, Any] = _plain(values)
    return clean


def results_json(reading: Reading) -> bytes:
    """Return results.json: the same reading gives the same bytes."""
    text = json.dumps(record(reading), ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode("utf-8")


def _scan(source: Source) -> dict[str, Any]:
    return {
        "file": PurePath(source.file).name,
        "sha256": source.sha256,
        "width_px": source.width_px,
        "height_px": source.height_px,
        "bits": source.bits,
        "mode": source.mode,
        "dpi": source.dpi,
        "transfer": source.transfer,
    }


def _about(reading: Reading) -> dict[str, Any]:
    """What a person wrote; `spots` says which spot of which lane each substance's name fell to."""
    about = reading.settings.about
    spots = [
        {"lane": lane.name, "spot": number, "name": name}
        for lane in reading.lanes
        for number, spot in enumerate(lane.spots)
        if (name := about.name_at(lane.name, spot.rf)) is not None
    ]
    return {**{key: getattr(about, key) for key in TEXTS}, "spots": spots}


def _layout(layout: Layout | None) -> dict[str, Any]:
    """The lines' heights are those at the middle of the plate's width."""
    if layout is None:
        keys = ("width_mm", "height_mm", "origin_mm", "front_mm", "corners_px")
        return {**dict.fromkeys(keys), "found": {}}
    middle = layout.width / 2
    lengths = {
        "width_mm": layout.width,
        "height_mm": layout.height,
        "origin_mm": layout.origin.at(middle),
        "front_mm": layout.front.at(middle),
    }
    return {
        **(lengths if layout.scaled else dict.fromkeys(lengths)),
        "corners_px": layout.corners_px.tolist(),
        "found": {key: layout.found[key] for key in sorted(layout.found)},
    }


def _lane(lane: LaneReading) -> dict[str, Any]:
    return {
        "name": lane.name,
        "x_mm": lane.x_mm,
        "width_mm": lane.width_mm,
        "run_mm": lane.run_mm,
        "role": lane.role,
        "limit": lane.limit,
        "spots": [_spot(spot) for spot in lane.spots],
        "pairs": [_pair(pair) for pair in lane.pairs],
        "fit": _fit(lane.fit),
        "noise": {
            "sd": lane.noise.local.sd,
            "correlation_mm": None if lane.run_mm is None else lane.noise.local.correlation_mm,
        },
        "flags": _flags(lane.flags),
    }


def _spot(spot: Spot) -> dict[str, Any]:
    return {
        "rf": spot.rf,
        "rf_sd": spot.rf_sd,
        "rf_sd_noise": spot.rf_sd_noise,
        "hrf": spot.hrf,
        "position_mm": spot.position_mm,
        "area": spot.area,
        "area_sd": spot.area_sd,
        "area_sd_noise": spot.area_sd_noise,
        "area_percent": spot.area_percent,
        "area_percent_sd": spot.area_percent_sd,
        "area_percent_sd_noise": spot.area_percent_sd_noise,
        "height": spot.height,
        "width_mm": spot.width_mm,
        "sigma_mm": spot.sigma_mm,
        "asymmetry": spot.asymmetry,
        "plate_number": spot.plate_number,
        "signal_to_noise": spot.signal_to_noise,
        "colour": spot.colour,
        "colour_name": spot.colour_name,
        "flags": _flags(spot.flags),
    }


def _pair(pair: Pair) -> dict[str, Any]:
    return {
        "lower": pair.lower,
        "upper": pair.upper,
        "delta_rf": pair.delta_rf,
        "resolution": pair.resolution,
        "resolution_sd": pair.resolution_sd,
        "resolution_sd_noise": pair.resolution_sd_noise,
        "valley_to_peak": pair.valley_to_peak,
    }


def _fit(fit: Fit) -> dict[str, Any]:
    return {
        "components": len(fit.components),
        "r_squared": fit.r_squared,
        "reduced_chi_square": fit.reduced_chi_square,
        "aicc": fit.aicc,
        "bic": fit.bic,
        "tried": [
            {
                "components": attempt.components,
                "shape": attempt.shape,
                "rss": attempt.rss,
                "parameters": attempt.parameters,
                "aicc": attempt.aicc,
                "bic": attempt.bic,
            }
            for attempt in fit.tried
        ],
    }


def _flags(flags: Iterable[Flag]) -> list[dict[str, str]]:
    return [{"name": flag.name, "message": flag.message} for flag in flags]


def _plain(value: Any) -> Any:
    """Return `value` with every number a JSON number or None."""
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    if hasattr(value, "item"):  # a NumPy scalar
        return _plain(value.item())
    number = float(value)
    # Adding zero turns -0.0 into 0.0.
    return float(f"{number:.8g}") + 0.0 if math.isfinite(number) else None

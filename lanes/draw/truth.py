"""What a drawn plate holds, as plain values for JSON."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from lanes.draw.spec import LaneSpec, PlateSpec
from lanes.draw.view import View


def truth(spec: PlateSpec, seen: View) -> dict[str, Any]:
    """Return the truth of `spec`: lengths in mm, x from the left edge, y from the lower edge.

    `lines` are y as a polynomial of x, lowest power first; the pencil wavers about them by some
    0.05 mm. `corners_px` are (column, row) of the plate's lower left, lower right, upper right
    and upper left, whole numbers being centres of pixels. Widths are those of the layer, before
    the optics blur them. `percent` is the share of the lane's signal, not of mass.
    """
    half = spec.width / 2
    bend = spec.smile / half**2
    ends = ((0, 0), (spec.width, 0), (spec.width, spec.height), (0, spec.height))
    return {
        "width": spec.width,
        "height": spec.height,
        "origin": spec.origin,
        "front": spec.front,
        "smile": spec.smile,
        "lean": spec.lean,
        "lines": {
            "origin": [spec.origin],
            "front": [spec.front - bend * half**2, 2 * bend * half, -bend],
        },
        "light": spec.light,
        "dpi": spec.dpi,
        "margin": spec.margin,
        "tilt": spec.tilt,
        "keystone": spec.keystone,
        "bits": spec.bits,
        "mode": spec.mode,
        "transfer": spec.transfer,
        "seed": spec.seed,
        "width_px": seen.columns,
        "height_px": seen.rows,
        "corners_px": [list(seen.at(*end)) for end in ends],
        "lanes": [_lane(spec, lane, i) for i, lane in enumerate(spec.lanes)],
    }


def _lane(spec: PlateSpec, lane: LaneSpec, number: int) -> dict[str, Any]:
    run = spec.run(lane)
    spots = sorted(lane.spots, key=lambda spot: spot.rf)
    total = sum(spot.amount for spot in spots)
    return {
        "name": spec.lane_name(number),
        "x": lane.x,
        "band": lane.band,
        "run": run,
        "spots": [
            {
                "rf": spot.rf,
                "percent": 100 * spot.amount / total,
                "amount": spot.amount,
                "fwhm": spot.fwhm,
                "tail": spot.tail,
                "colour": None if spot.colour is None else list(spot.colour),
            }
            for spot in spots
        ],
        "pairs": [
            {
                "lower": i,
                "upper": i + 1,
                "resolution": 1.18 * run * (b.rf - a.rf) / (a.fwhm + b.fwhm),
            }
            for i, (a, b) in enumerate(pairwise(spots))
        ],
    }

"""The quantities of the trade from fitted components, each with its standard deviation."""

from __future__ import annotations

from dataclasses import dataclass

from lanes.flags import Flag


@dataclass(frozen=True)
class Spot:
    """One spot's figures. Standard deviations are None where they could not be had.

    `position_mm` is the distance from the origin; lengths are None where there is no scale.
    `height` is signal x mm, `area` signal x mm^2.
    """

    rf: float
    rf_sd: float | None
    hrf: float
    position_mm: float | None
    area: float
    area_sd: float | None
    area_percent: float
    area_percent_sd: float | None
    height: float
    width_mm: float | None
    sigma_mm: float | None
    asymmetry: float | None
    plate_number: float | None
    signal_to_noise: float | None
    flags: tuple[Flag, ...]


@dataclass(frozen=True)
class Pair:
    """Two spots of a lane, `lower` and `upper` their places in the list of spots."""

    lower: int
    upper: int
    delta_rf: float
    resolution: float | None
    resolution_sd: float | None
    valley_to_peak: float | None

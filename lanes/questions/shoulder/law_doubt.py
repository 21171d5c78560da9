"""What another law from light to signal adds to the doubt of two components."""

from __future__ import annotations

import math
from dataclasses import replace

from lanes.questions.shoulder.verdict import OtherLaw
from lanes.spots.law_doubt import AS_GOOD
from lanes.spots.quantities import Pair

Shares = tuple[list[float], list[float | None], list[float], list[float | None], Pair]


def with_law(sd: float | None, value: float | None, other: float | None) -> float | None:
    """Return a standard deviation that counts that by another law `value` would be `other`."""
    if sd is None or value is None or other is None:
        return sd
    return math.hypot(sd, AS_GOOD * (other - value))


def by_any_law(found: Shares, law: OtherLaw | None) -> Shares:
    """Return what `case.area_shares` did, the other law counted in percents and resolution."""
    if law is None:
        return found
    rf, rf_sd, percent, percent_sd, pair = found
    sds = [with_law(sd, min(percent), law.percent) for sd in percent_sd]
    wide = with_law(pair.resolution_sd, pair.resolution, law.resolution)
    return rf, rf_sd, percent, sds, replace(pair, resolution_sd=wide)

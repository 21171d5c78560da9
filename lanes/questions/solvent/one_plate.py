"""What follows from a single mixture: whether Rf lie in the window, and which way to go.

The argument is that resolution goes with sqrt(Rf) (1 - Rf), best at Rf 1/3 where k = 2; how far the
mixture must change for that hangs on a slope that one plate can't show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lanes.questions.solvent.retention import WINDOW, relative_resolution, rf_of, rm_of
from lanes.spots.quantities import HALF_HEIGHT_FACTOR

BEST_K = 2.0
SLOPES = (-2.0, -1.0)  # of log k against log X (common practice)
NEAR_BEST = 0.95  # of the best relative resolution: leave it


@dataclass(frozen=True)
class Change:
    """A mixture wanted: how many times as much of the stronger solvent, over the usual slopes.

    `low` and `high` are the same as fractions: None without the plate's own; capped at 1.
    """

    factor_low: float
    factor_high: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class OnePlate:
    """The answer from one mixture.

    Attributes
    ----------
    fraction : float or None
    rf : tuple of float
        From origin to front.
    outside : tuple of float
        Those not in the window.
    pair : tuple of int or None
        The least resolved neighbours, and `resolution`; None with one spot.
    middle_rf, middle_k : float
        Of that pair (of the lone spot): k is the geometric mean.
    relative : float
        sqrt(Rf) (1 - Rf) there over its best value.
    direction : str
        "weaker", "stronger" or "keep".
    change : Change
        To bring `middle_k` to `wanted_k`.
    wanted_k : float
        2, or as near as every Rf stays in the window.
    rf_then : tuple of float
        Where all Rf would lie, if all slopes are alike.
    targets : tuple of Change
        To bring each spot to the target Rf.
    """

    fraction: float | None
    rf: tuple[float, ...]
    outside: tuple[float, ...]
    pair: tuple[int, int] | None
    resolution: float | None
    middle_rf: float
    middle_k: float
    relative: float
    direction: str
    change: Change
    wanted_k: float
    rf_then: tuple[float, ...]
    targets: tuple[Change, ...]


def one_plate(
    fraction: float | None, rf: Sequence[float], width: Sequence[float], target_rf: float
) -> OnePlate:
    """Return what follows from spots at `rf` (rising) with full widths `width` of the run."""
    rm = rm_of(np.asarray(rf, float))
    pair, resolution, middle = None, None, float(rm[0])
    if len(rf) > 1:
        each = [HALF_HEIGHT_FACTOR * (rf[i + 1] - rf[i]) / (width[i] + width[i + 1])
                for i in range(len(rf) - 1)]
        worst = int(np.argmin(each))
        pair, resolution = (worst, worst + 1), each[worst]
        middle = float(rm[worst] + rm[worst + 1]) / 2.0
    # All spots shift alike: the window allows shifts between these, or none that holds them all.
    lowest = float(rm_of(np.array(WINDOW[1])) - rm.min())
    most = float(rm_of(np.array(WINDOW[0])) - rm.max())
    shift = float(np.log10(BEST_K)) - middle
    shift = (lowest + most) / 2.0 if lowest > most else min(max(shift, lowest), most)
    middle_rf = float(rf_of(np.array(middle)))
    outside = tuple(r for r in rf if not WINDOW[0] <= r <= WINDOW[1])
    then = rf_of(rm + shift)
    gain = (relative_resolution(float(rf_of(np.array(middle + shift))))
            / relative_resolution(middle_rf))
    settled = gain < 1.0 / NEAR_BEST and not outside
    direction = "keep" if settled or shift == 0.0 else "weaker" if shift > 0 else "stronger"
    return OnePlate(
        fraction, tuple(rf), outside, pair, resolution, middle_rf, 10.0**middle,
        relative_resolution(middle_rf), direction, _change(shift, fraction),
        10.0 ** (middle + shift), tuple(then.tolist()),
        tuple(_change(float(rm_of(np.array(target_rf)) - own), fraction) for own in rm),
    )


def _change(shift: float, fraction: float | None) -> Change:
    """Return the change of mixture that shifts log k by `shift`."""
    low, high = sorted(10.0 ** (shift / slope) for slope in SLOPES)
    if fraction is None:
        return Change(low, high, None, None)
    return Change(low, high, min(1.0, fraction * low), min(1.0, fraction * high))

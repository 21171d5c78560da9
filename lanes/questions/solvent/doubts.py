"""What plates of one sample say against being taken together: light, repeats, the wrong way."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from lanes.flags import Flag, flag
from lanes.questions.solvent.matching import Matching
from lanes.questions.solvent.plate_lanes import PlateLane
from lanes.questions.solvent.retention import PLATE_SD, SPOT_SD, Law

FAR = 3.0  # standard deviations of a difference between plates from which they do not repeat
LIGHTS = {"254": "254 nm", "366": "366 nm", "white": "white light"}


def light_flags(plates: Sequence[PlateLane]) -> list[Flag]:
    """Return a remark where plates were read under different lights."""
    first = plates[0]
    return [flag("match-ambiguous", f"{first.file} was read as {LIGHTS[first.light]}, {other.file} "
                 f"as {LIGHTS[other.light]}: spots need not be the same, and their areas can't be "
                 "compared")
            for other in plates[1:] if other.light != first.light]


def repeat_flags(plates: Sequence[PlateLane], matching: Matching) -> list[Flag]:
    """Return remarks on plates of one mixture whose Rf differ by more than plates scatter.

    The spot that differs most, in standard deviations, stands for its pair of plates.
    """
    out = []
    for p, q in combinations(range(len(plates)), 2):
        one, two = plates[p], plates[q]
        if one.fraction != two.fraction:
            continue
        pairs = [(one.seen[s], two.seen[t]) for s, t
                 in zip(matching.spots[p], matching.spots[q], strict=True)
                 if s is not None and t is not None]
        apart = []
        for a, b in pairs:
            middle = 0.5 * (a.rf + b.rf)
            sd = np.sqrt(2.0 * ((4 * middle * (1.0 - middle) * PLATE_SD) ** 2 + SPOT_SD**2)
                         + a.rf_sd**2 + b.rf_sd**2)
            apart.append((abs(a.rf - b.rf) / float(sd), a.rf, b.rf))
        worst = max(apart, default=(0.0, 0.0, 0.0))
        if worst[0] > FAR:
            out.append(flag("not-repeated", f"Rf {worst[1]:.2f} on {one.file} and {worst[2]:.2f} "
                            f"on {two.file}, both of one mixture"))
        elif len(pairs) < len(matching.spots[p]):
            out.append(flag("not-repeated", f"{len(pairs)} of {len(matching.spots[p])} spots show "
                            f"on both {one.file} and {two.file}, plates of one mixture"))
    return out


def backwards(law: Law) -> bool:
    """Return whether no spot rises with the stronger solvent, of those seen at two fractions."""
    slopes = [float(a) for a, assumed in zip(law.slope, law.assumed, strict=True) if not assumed]
    return bool(slopes) and min(slopes) > 0.0

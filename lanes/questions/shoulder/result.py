"""What the shoulder question answers for one spot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.flags import Flag
from lanes.questions.shoulder.views import View
from lanes.questions.shoulder.weigh import Detectable
from lanes.spots.quantities import Pair

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Component:
    """One component of the answer, with standard deviations (None where not known)."""

    rf: float
    rf_sd: float | None
    area_percent: float
    area_percent_sd: float | None


@dataclass(frozen=True)
class Alternative:
    """One way to explain the spot, and its AICc (the less the better)."""

    name: str
    aicc: float


@dataclass(frozen=True)
class Curves:
    """What the figure draws, all (n,) arrays over `rf`: the trace less baseline and neighbours."""

    rf: Floats
    data: Floats
    usable: NDArray[np.bool_]
    one: Floats
    two: Floats
    parts: Floats
    tail: Floats
    band: Floats


@dataclass(frozen=True)
class Shoulder:
    """The answer for one spot.

    Attributes
    ----------
    verdict : str
        "one", "two" or "cannot tell".
    p_value : float
        Share of single spots on this plate that would favour two as much as this one.
    delta_aicc, delta_bic : float
        Criterion of one less that of two: positive speaks for two.
    components : tuple of Component
        One, or two from origin to front (also where the answer is open but one is not enough).
    pair : Pair or None
        Resolution of the two, each in its place whatever the verdict.
    pair_percent, other_percent : float
        Area percent of the smaller of two; the same under another law, None where not asked.
    against : dict
        For each rival of two: p-value of the rival, p-value of two where the rival is put aside.
    colour : float or None
        p-value of one colour over the whole spot; None without colour.
    width : float or None
        Width over what the plate's lone spots lead to expect at this Rf.
    detectable : tuple of Detectable
    evidence : tuple of View
        Each view of the spot: for a second component, against it, or undecided.
    settle : tuple of str
        What would settle an open question.
    signal : str
        By which law and from which channel the trace is, as a sentence.
    valley : float or None
        Where the reading lists two here and the trace shows a valley between them: the valley over
        the lesser apex. `components` and `pair` are then the reading's own.
    alone : Shoulder or None
        Then, where the spot that was asked about has a neighbour that is listed apart from it: the
        answer for it by itself.
    """

    lane: str
    rf: float
    verdict: str
    p_value: float
    delta_aicc: float
    delta_bic: float
    components: tuple[Component, ...]
    pair: Pair | None
    pair_percent: float
    other_percent: float | None
    alternatives: tuple[Alternative, ...]
    against: dict[str, tuple[float, float]]
    colour: float | None
    width: float | None
    detectable: tuple[Detectable, ...]
    evidence: tuple[View, ...]
    reasons: tuple[str, ...]
    settle: tuple[str, ...]
    flags: tuple[Flag, ...]
    curves: Curves
    signal: str = ""
    valley: float | None = None
    alone: Shoulder | None = None

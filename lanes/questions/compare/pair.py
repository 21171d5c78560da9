"""One spot of the unknown beside one of a reference: all the evidence, and the verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lanes.confidence import SIGNIFICANT
from lanes.evidence.area_doubts import Otherwise
from lanes.evidence.colour import UNSEEN, ColourMatch, Colours, compared
from lanes.evidence.lookup import lane_named
from lanes.questions.compare.cospot import NEAR_RF, Cospot, make_cospot
from lanes.questions.compare.cospot_joint import Joint, joint_fit
from lanes.questions.compare.identity import (
    CospotVerdict,
    Difference,
    Identity,
    Repeatability,
    difference,
    judge,
)
from lanes.questions.compare.other_law import by_both, by_other_law
from lanes.questions.compare.other_plate import Carried
from lanes.questions.compare.own_shape import own_shape
from lanes.questions.compare.shared import at_line, fit_sd
from lanes.reading import LaneReading, Plate

__all__ = ["NEAR_RF", "CospotPair", "Question", "SpotPair", "make_pair"]

SEED = 20261


@dataclass(frozen=True)
class CospotPair:
    """What one co-spot lane says of one pair: by itself, and in the joint fit (or None)."""

    alone: CospotVerdict
    joint: Joint | None


@dataclass(frozen=True)
class SpotPair:
    """One spot of the unknown beside one of a reference.

    Attributes
    ----------
    spot, other : int
        Their places in the two readings.
    reference : str
    rf, reference_rf : float
        Between plates, the second is carried over to the first.
    seen : Difference or None
        In Rf, unknown less reference; None where the fits give no uncertainty.
    identity : Identity or None
    verdict : str
        "same", "different" or "cannot tell".
    reasons : tuple of str
        What the verdict rests on.
    area_ratio, area_ratio_sd : float, float or None
        Unknown over reference, of signal and not of mass; every doubt counted.
    colour : ColourMatch
    cospots : tuple of CospotPair
    """

    spot: int
    other: int
    reference: str
    rf: float
    reference_rf: float
    seen: Difference | None
    identity: Identity | None
    verdict: str
    reasons: tuple[str, ...]
    area_ratio: float
    area_ratio_sd: float | None
    colour: ColourMatch
    cospots: tuple[CospotPair, ...]


@dataclass(frozen=True)
class Question:
    """What every pair is judged from.

    Attributes
    ----------
    plate : Plate
    readings : mapping
        The unknown's and the references', by name; `own` is the unknown's.
    repeats : Repeatability
    carried : Carried or None
    mixed : mapping
        For each co-spot lane, its reading and what was applied there.
    colours : Colours or None
    otherwise : mapping
        By reference: the areas of the unknown's lane and its own, had the light been turned to
        signal otherwise.
    """

    plate: Plate
    readings: Mapping[str, LaneReading]
    own: LaneReading
    repeats: Repeatability
    carried: Carried | None
    mixed: Mapping[str, tuple[LaneReading, tuple[str, ...]]]
    colours: Colours | None
    otherwise: Mapping[str, Sequence[Otherwise]]


def make_pair(question: Question, i: int, name: str, j: int) -> SpotPair:
    """Return spot `i` of the unknown beside spot `j` of reference `name`, with the verdict."""
    plate, own, carried = question.plate, question.own, question.carried
    reading, repeats = question.readings[name], question.repeats
    a, b = own.spots[i], reading.spots[j]
    scale = carried.scale if carried else 1.0
    rf, other = a.rf, b.rf * scale
    ratio = a.area / b.area
    ratio_sd = None
    if a.area_sd is not None and b.area_sd is not None:
        ratio_sd = math.hypot(
            ratio * a.area_sd / a.area, ratio * b.area_sd / b.area,
            *(by.by * (float(by.areas[0][i] / by.areas[1][j]) - ratio)
              for by in question.otherwise[name]))
    sds = fit_sd(own, i), fit_sd(reading, j)
    whole = SpotPair(i, j, name, rf, other, None, None, "cannot tell", (), ratio, ratio_sd,
                 UNSEEN, ())
    if sds[0] is None or sds[1] is None:
        return replace(whole, reasons=("the fit gives no uncertainty",))
    more = carried.more_sd(other, repeats.sd) if carried else 0.0
    seen = difference(rf, sds[0], other, sds[1] * scale, repeats, more)
    near = abs(rf - other) < NEAR_RF
    lines = at_line(own, i) and at_line(reading, j)
    evidence = _evidence(question, i, name, j) if near and not lines else []
    identity = judge(seen, [e for e, _ in evidence], np.random.default_rng([SEED, i, j]))
    by_law = identity.verdict
    # Where Rf alone would tell them apart, a co-spot that overrules it must do so by either law.
    single = identity.verdict == "same" or any(c.verdict == "one" for c in identity.cospots)
    if evidence and single and carried is None and seen.p_value < SIGNIFICANT:
        turned = _by_other_law(question, i, name, j)
        identity = identity if turned is None else by_both(identity, turned)
    match = UNSEEN
    if near and question.colours is not None:
        spots = [question.colours.of(lane_named(plate, lane.name, "--reference"),
                                     lane.fit.components[k])
                 for lane, k in ((own, i), (reading, j))]
        match = compared(spots[0], spots[1])
    verdict, reasons = _verdict(seen, identity, match, lines)
    if verdict == "cannot tell" and by_law != identity.verdict:
        way = {"same": "differ", "different": "agree"}[by_law]
        reasons = (f"by another law from light to signal they may {way}",)
    if carried is not None and verdict == "same":
        verdict, reasons = "cannot tell", ("agrees through one standard, which can't settle it",)
    cospots = tuple(
        CospotPair(alone, joint_fit(
            (own, reading, question.mixed[alone.lane][0]), (i, j),
            tuple(_others(question, i, name, j, parts)), plate.layout.mm_per_unit, repeats.sd))
        for alone, (_, parts) in zip(identity.cospots, evidence, strict=True))
    return replace(whole, seen=seen, identity=identity, verdict=verdict, reasons=reasons,
                   colour=match, cospots=cospots)


def _evidence(
    question: Question, i: int, name: str, j: int
) -> list[tuple[Cospot, tuple[str, ...]]]:
    """Return what each co-spot lane of the two says, with what was applied there."""
    own, reading, out = question.own, question.readings[name], []
    for lane, parts in question.mixed.values():
        if name in parts:
            found = make_cospot(
                lane, (own.fit.components[i], own.spots[i].rf),
                (reading.fit.components[j], reading.spots[j].rf),
                _others(question, i, name, j, parts), question.plate.layout.mm_per_unit,
                _width_sd(own, i, reading, j), (own_shape(own, i), own_shape(reading, j)))
            if found is not None:
                out.append((found, parts))
    return out


def _by_other_law(question: Question, i: int, name: str, j: int) -> Identity | None:
    """Return the identity of two spots under another law, None where it can't be asked."""
    plate = question.plate
    turned = {lane: by_other_law(plate, reading) for lane, reading in question.readings.items()}
    mixed = {lane: (by_other_law(plate, reading), parts)
             for lane, (reading, parts) in question.mixed.items()}
    readings = {lane: reading for lane, reading in turned.items() if reading is not None}
    cospots = {lane: (reading, parts) for lane, (reading, parts) in mixed.items()
               if reading is not None}
    if len(readings) < len(turned) or len(cospots) < len(mixed):
        return None
    own = readings[question.own.name]
    other = replace(question, readings=readings, own=own, mixed=cospots)
    sds = fit_sd(own, i), fit_sd(readings[name], j)
    if sds[0] is None or sds[1] is None:
        return None
    seen = difference(own.spots[i].rf, sds[0], readings[name].spots[j].rf, sds[1],
                      question.repeats, 0.0)
    evidence = _evidence(other, i, name, j)
    if len(evidence) < len(_evidence(question, i, name, j)):
        return None
    return judge(seen, [e for e, _ in evidence], np.random.default_rng([SEED, i, j]))


def _others(
    question: Question, i: int, name: str, j: int, parts: Sequence[str]
) -> list[float]:
    """Return the Rf of every other spot applied in a co-spot lane."""
    out = []
    for part in parts:
        lane = question.readings[part]
        held = i if lane is question.own else j if part == name else None
        out += [s.rf for k, s in enumerate(lane.spots) if k != held]
    return out


def _width_sd(own: LaneReading, i: int, reading: LaneReading, j: int) -> float:
    """Return the standard deviation by the fits of the mean ln(width) of two spots."""
    total = 0.0
    for lane, k in ((own, i), (reading, j)):
        sd = lane.fit.sd(k, "sigma", noise_only=True)
        if sd is not None:
            total += (sd / lane.fit.components[k].sigma) ** 2
    return 0.5 * math.sqrt(total)


def _verdict(
    seen: Difference, identity: Identity, match: ColourMatch, lines: bool
) -> tuple[str, tuple[str, ...]]:
    """Return the verdict on a pair and what it rests on."""
    if lines:
        return "cannot tell", ("both stand on the origin or the front, where Rf tells nothing",)
    if identity.verdict == "different":
        reasons = []
        if seen.p_value < SIGNIFICANT:
            reasons.append("Rf differs")
        if any(cospot.verdict == "two" for cospot in identity.cospots):
            reasons.append("the co-spot shows two")
        return "different", tuple(reasons) or ("Rf and co-spot together differ",)
    if match.verdict == "differs":
        return "different", ("the colour differs",)
    if identity.verdict == "same":
        reasons = ["Rf agrees"]
        if any(cospot.verdict == "one" for cospot in identity.cospots):
            reasons.append("the co-spot is single")
        if match.verdict == "agrees":
            reasons.append("the colour agrees")
        return "same", tuple(reasons)
    if identity.low > 0.0 or identity.high < 0.0:
        return "cannot tell", ("a small difference fits better than none",)
    return "cannot tell", ("the difference is not known well enough",)

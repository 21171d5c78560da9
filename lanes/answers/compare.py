"""Is it the same substance? The spots of an unknown held against references on the plate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lanes.answers.alignment import Correlation, aligned
from lanes.answers.compare_other import Carried, carry
from lanes.answers.compare_shared import at_line, fit_sd, shared
from lanes.answers.cospot import NEAR_RF, Cospot, make_cospot
from lanes.answers.cospot_joint import Joint, joint_fit
from lanes.answers.find import lane_named
from lanes.answers.hue import UNSEEN, Colours, Hue, compared
from lanes.answers.identity import (
    COMMON_SD,
    Difference,
    Identity,
    Repeatability,
    Said,
    difference,
    judge,
    repeatability,
)
from lanes.answers.presence import Presence, presence
from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.measuring import Plate, prepare, read_lane
from lanes.plate.layout import Layout
from lanes.reading import LaneReading
from lanes.settings import Settings

SEED = 20261


@dataclass(frozen=True)
class CospotPair:
    """What one co-spot lane says of one pair: by itself, and in the joint fit (or None)."""

    said: Said
    joint: Joint | None


@dataclass(frozen=True)
class Pair:
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
        Unknown over reference, of signal and not of mass.
    colour : Hue
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
    colour: Hue
    cospots: tuple[CospotPair, ...]


@dataclass(frozen=True)
class Shown:
    """One lane for the figure: its reading, its plate, and the scale of its Rf."""

    kind: str
    reading: LaneReading
    plate: Plate
    layout: Layout
    scale: float


@dataclass(frozen=True)
class Comparison:
    """The answer.

    Attributes
    ----------
    unknown : str
    references : tuple of Presence
    pairs : tuple of Pair
        For each spot of the unknown and each reference, the nearest spot of that reference.
    unexplained, unsure : tuple of int
        Places of the unknown's spots that differ from every reference's; and of those that no
        reference is known to explain and one might.
    resolvable_difference : float or None
        Least difference in Rf told apart 95 times of 100, without a co-spot.
    repeatability : Repeatability
    mixtures : mapping
        What was applied in each co-spot lane.
    correlations : tuple of Correlation
    carried : Carried or None
        How references were carried over from another plate.
    """

    unknown: str
    references: tuple[Presence, ...]
    pairs: tuple[Pair, ...]
    unexplained: tuple[int, ...]
    unsure: tuple[int, ...]
    resolvable_difference: float | None
    repeatability: Repeatability
    mixtures: Mapping[str, tuple[str, ...]]
    correlations: tuple[Correlation, ...]
    carried: Carried | None
    flags: tuple[Flag, ...]
    reading: LaneReading
    shown: tuple[Shown, ...]


def compare(
    source: str | Path, settings: Settings | None = None, *, unknown: str | None = None,
    references: Sequence[str] = (), cospots: Mapping[str, Sequence[str]] | None = None,
    other_plate: str | Path | None = None, bridge: str | None = None,
    other_settings: Settings | None = None,
) -> Comparison:
    """Return which references are in the unknown, as far as Rf, co-spots and colour show it.

    Parameters
    ----------
    source : path
        An image of the plate.
    settings : Settings, optional
    unknown : str, optional
        The unknown's lane; the one whose role is "unknown" otherwise.
    references : sequence of str
        Lanes of references; those whose role is "reference" otherwise.
    cospots : mapping, optional
        For each co-spot lane, the names of the lanes whose samples were applied in it together.
        Otherwise lanes whose role is "co-spot" hold the unknown and every reference.
    other_plate : path, optional
        An image of the plate that the references stand on.
    bridge : str, optional
        A lane on both plates whose largest spot is one standard.
    other_settings : Settings, optional
        The other plate's; otherwise those of `settings` that don't say where things lie.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If a lane is unknown, empty, or its own reference.
    LayoutError
        If the plate or its lanes are not found with confidence.
    """
    settings = settings or Settings()
    if (other_plate is None) != (bridge is None):
        raise InputError("--other-plate needs --bridge LANE, a standard's lane on both plates, "
                         "and --bridge needs --other-plate: give both")
    plate = prepare(source, settings)
    other = None
    if other_plate is not None:
        # Where things lie is each plate's own; its light and how it is read are shared.
        other = prepare(other_plate, other_settings or replace(
            settings, origin=None, front=None, lanes=None, turn=0, plate_width=None,
            plate_height=None, dpi=None))
    return answer(plate, unknown=unknown, references=references, cospots=cospots, other=other,
                  bridge=bridge)


def answer(
    plate: Plate, *, unknown: str | None = None, references: Sequence[str] = (),
    cospots: Mapping[str, Sequence[str]] | None = None, other: Plate | None = None,
    bridge: str | None = None,
) -> Comparison:
    """Return the answer for a prepared plate; parameters are those of `compare`."""
    unknown = unknown or _by_role(plate, "unknown", "--unknown")[0]
    place = lane_named(plate, unknown, "--unknown")
    home = other or plate
    names = tuple(references) or tuple(_by_role(home, "reference", "--reference"))
    names = tuple(dict.fromkeys(names))
    for name in names:
        lane_named(home, name, "--reference")
        if name == unknown and other is None:
            raise InputError(f"--reference {name}: that is the unknown's own lane; name another")
    mixtures = _mixtures(plate, unknown, names, cospots, other)
    own = _read(plate, unknown, "--unknown")
    known = {name: _read(home, name, "--reference") for name in names}
    mixed = {name: read_lane(plate, lane_named(plate, name, "--cospot")) for name in mixtures}
    carried = None
    if other is not None and bridge is not None:
        carried = carry(plate, other, bridge)
    scale = carried.scale if carried else 1.0
    asked = {unknown, *mixed, *(names if other is None else ())}
    rest = [read_lane(plate, lane) for lane in plate.layout.lanes if lane.name not in asked]
    readings = {unknown: own, **known}
    repeats = repeatability(shared(
        {c: [readings[p] for p in parts] for c, parts in mixtures.items()}, mixed, rest))
    colours = Colours(plate)
    everything: dict[tuple[int, str, int], Pair] = {}
    for name, reading in known.items():
        for j in range(len(reading.spots)):
            for i in range(len(own.spots)):
                everything[i, name, j] = _pair(
                    plate, own, i, reading, j, repeats, carried,
                    {c: (mixed[c], parts) for c, parts in mixtures.items() if name in parts},
                    readings, colours if other is None else None)
    verdicts = {name: {(i, j): p.verdict for (i, n, j), p in everything.items() if n == name}
                for name in names}
    found = tuple(presence(plate, own, known[n], verdicts[n], scale) for n in names)
    pairs = tuple(
        min((p for (a, n, _), p in everything.items() if a == i and n == name),
            key=lambda p: (("same", "cannot tell", "different").index(p.verdict),
                           abs(p.rf - p.reference_rf)))
        for i in range(len(own.spots)) for name in names)
    unexplained, unsure = [], []
    for i in range(len(own.spots)):
        said = {p.verdict for p in pairs if p.spot == i}
        if "same" not in said:
            (unsure if "cannot tell" in said else unexplained).append(i)
    correlations = [aligned(own, known[n], scale) for n in names]
    correlations += [aligned(own, mixed[c]) for c in mixtures]
    shown = (Shown("unknown", own, plate, plate.layout, 1.0),
             *(Shown("reference", known[n], home, home.layout, scale) for n in names),
             *(Shown("co-spot", mixed[c], plate, plate.layout, 1.0) for c in mixtures))
    return Comparison(
        place.name, found, pairs, tuple(unexplained), tuple(unsure),
        _resolvable(own, known, repeats, carried), repeats, mixtures, tuple(correlations),
        carried, _flags(plate, other, own, known, mixed, pairs, repeats, carried, mixtures),
        own, shown)


def _by_role(plate: Plate, role: str, option: str) -> list[str]:
    """Return the lanes that settings give this role, or raise an InputError that says how."""
    found = [lane.name for lane in plate.layout.lanes
             if (plate.settings.note(lane.name).role or lane.role) == role]
    if not found or (role == "unknown" and len(found) > 1):
        listed = ", ".join(lane.name for lane in plate.layout.lanes)
        what = "no lane has" if not found else f"lanes {', '.join(found)} all have"
        raise InputError(f"{what} the role {role}: give {option} NAME; the lanes are {listed}")
    return found


def _mixtures(
    plate: Plate, unknown: str, names: tuple[str, ...],
    cospots: Mapping[str, Sequence[str]] | None, other: Plate | None,
) -> dict[str, tuple[str, ...]]:
    """Return what was applied in each co-spot lane, checked."""
    if other is not None:
        if cospots:
            raise InputError("--cospot needs the references on the unknown's own plate: leave "
                             "--other-plate or --cospot out")
        return {}
    if not cospots:
        free = [lane.name for lane in plate.layout.lanes
                if (plate.settings.note(lane.name).role or lane.role) == "co-spot"
                and lane.name not in (unknown, *names)]
        return {name: (unknown, *names) for name in free}
    out = {}
    for lane, parts in cospots.items():
        lane_named(plate, lane, "--cospot")
        said = f"--cospot {'+'.join(parts)}={lane}"
        if lane == unknown or lane in names:
            raise InputError(f"{said}: lane {lane} is itself compared; name the lane where both "
                             "were applied in one place")
        strange = [part for part in parts if part not in (unknown, *names)]
        if strange:
            listed = ", ".join((unknown, *names))
            raise InputError(f"{said}: {strange[0]} is not compared here; of {listed} give those "
                             "applied, with + between")
        if unknown not in parts or len(set(parts)) < 2:
            raise InputError(f"{said}: a co-spot holds the unknown and a reference: give "
                             f"{unknown}+{names[0]}={lane}")
        out[lane] = tuple(dict.fromkeys(parts))
    return out


def _read(plate: Plate, name: str, option: str) -> LaneReading:
    reading = read_lane(plate, lane_named(plate, name, option))
    if not reading.spots:
        raise InputError(f"{option} {name}: that lane holds no spot that can be told from the "
                         "layer; name another, or apply more sample")
    return reading


def _pair(
    plate: Plate, own: LaneReading, i: int, reading: LaneReading, j: int, repeats: Repeatability,
    carried: Carried | None, mixed: Mapping[str, tuple[LaneReading, tuple[str, ...]]],
    readings: Mapping[str, LaneReading], colours: Colours | None,
) -> Pair:
    """Return one pair with its verdict."""
    a, b = own.spots[i], reading.spots[j]
    scale = carried.scale if carried else 1.0
    rf, other = a.rf, b.rf * scale
    ratio = a.area / b.area
    ratio_sd = None
    if a.area_sd is not None and b.area_sd is not None:
        ratio_sd = ratio * math.hypot(a.area_sd / a.area, b.area_sd / b.area)
    sds = fit_sd(own, i), fit_sd(reading, j)
    whole = Pair(i, j, reading.name, rf, other, None, None, "cannot tell", (), ratio, ratio_sd,
                 UNSEEN, ())
    if sds[0] is None or sds[1] is None:
        return replace(whole, reasons=("the fit gives no uncertainty",))
    more = carried.more_sd(other, repeats.sd) if carried else 0.0
    seen = difference(rf, sds[0], other, sds[1] * scale, repeats, more)
    near = abs(rf - other) < NEAR_RF
    evidence: list[tuple[Cospot, tuple[str, ...]]] = []
    lines = at_line(own, i) and at_line(reading, j)
    if near and not lines:
        for lane, parts in mixed.values():
            others = _others(own, i, reading, j, parts, readings)
            found = make_cospot(lane, (own.fit.components[i], a.rf),
                                (reading.fit.components[j], b.rf), others,
                                plate.layout.mm_per_unit, _width_sd(own, i, reading, j))
            if found is not None:
                evidence.append((found, parts))
    identity = judge(seen, [e for e, _ in evidence], np.random.default_rng([SEED, i, j]))
    hue = UNSEEN
    if near and colours is not None:
        spots = [colours.of(lane_named(plate, lane.name, "--reference"), lane.fit.components[k])
                 for lane, k in ((own, i), (reading, j))]
        hue = compared(spots[0], spots[1])
    verdict, reasons = _verdict(seen, identity, hue, lines)
    cospots = tuple(
        CospotPair(said, joint_fit(
            (own, reading, mixed[said.lane][0]), (i, j),
            tuple(_others(own, i, reading, j, parts, readings)), plate.layout.mm_per_unit,
            repeats.sd))
        for said, (_, parts) in zip(identity.cospots, evidence, strict=True))
    return replace(whole, seen=seen, identity=identity, verdict=verdict, reasons=reasons,
                   colour=hue, cospots=cospots)


def _others(
    own: LaneReading, i: int, reading: LaneReading, j: int, parts: Sequence[str],
    readings: Mapping[str, LaneReading],
) -> list[float]:
    """Return the Rf of every other spot applied in a co-spot lane."""
    out = []
    for part in parts:
        lane = readings[part]
        held = i if lane is own else j if lane is reading else None
        out += [s.rf for k, s in enumerate(lane.spots) if k != held]
    return out


def _width_sd(own: LaneReading, i: int, reading: LaneReading, j: int) -> float:
    """Return the standard deviation by the fits of the mean ln(width) of two spots."""
    total = 0.0
    for lane, k in ((own, i), (reading, j)):
        if lane.fit.covariance is not None:
            c = lane.fit.components[k]
            total += max(float(lane.fit.covariance[4 * k + 2, 4 * k + 2]), 0.0) / c.sigma**2
    return 0.5 * math.sqrt(total)


def _verdict(
    seen: Difference, identity: Identity, hue: Hue, lines: bool
) -> tuple[str, tuple[str, ...]]:
    """Return the verdict on a pair and what it rests on."""
    if lines:
        return "cannot tell", ("both stand on the origin or the front, where Rf tells nothing",)
    if identity.verdict == "different":
        reasons = []
        if seen.p_value < 0.05:
            reasons.append("Rf differs")
        if any(said.verdict == "two" for said in identity.cospots):
            reasons.append("the co-spot shows two")
        return "different", tuple(reasons) or ("Rf and co-spot together differ",)
    if hue.verdict == "differs":
        return "different", ("the colour differs",)
    if identity.verdict == "same":
        reasons = ["Rf agrees"]
        if any(said.verdict == "one" for said in identity.cospots):
            reasons.append("the co-spot is single")
        if hue.verdict == "agrees":
            reasons.append("the colour agrees")
        return "same", tuple(reasons)
    return "cannot tell", ("the difference is not known well enough",)


def _resolvable(
    own: LaneReading, known: Mapping[str, LaneReading], repeats: Repeatability,
    carried: Carried | None,
) -> float | None:
    """Return the difference told apart between spots as well known as the median here."""
    sds = [[sd for k in range(len(lane.spots)) if (sd := fit_sd(lane, k)) is not None]
           for lane in (own, *known.values())]
    if not sds[0] or not any(sds[1:]):
        return None
    first, second = float(np.median(sds[0])), float(np.median([v for s in sds[1:] for v in s]))
    more = carried.more_sd(0.5, repeats.sd) if carried else 0.0
    return difference(0.0, first, 0.0, second, repeats, more).resolvable


def _flags(
    plate: Plate, other: Plate | None, own: LaneReading, known: Mapping[str, LaneReading],
    mixed: Mapping[str, LaneReading], pairs: Sequence[Pair], repeats: Repeatability,
    carried: Carried | None, mixtures: Mapping[str, tuple[str, ...]],
) -> tuple[Flag, ...]:
    out: list[Flag] = []
    for lane in (own, *known.values(), *mixed.values()):
        for k, spot in enumerate(lane.spots):
            out += [flag(f.name, f"lane {lane.name}, spot at Rf {lane.spots[k].rf:.3f}: "
                         f"{f.message}") for f in spot.flags]
    for i, spot in enumerate(own.spots):
        same = [p.reference for p in pairs if p.spot == i and p.verdict == "same"]
        if len(same) > 1:
            out.append(flag("not-told-apart", f"the spot at Rf {spot.rf:.3f} is the same as "
                            f"{' and as '.join(same)}: these are not told apart here"))
    for name, lane in mixed.items():
        asked = [p for p in pairs if p.reference in mixtures[name] and p.verdict != "different"
                 and abs(p.rf - p.reference_rf) < NEAR_RF]
        for p in asked:
            if not any(c.said.lane == name for c in p.cospots):
                out.append(flag("co-spot-unread", f"lane {lane.name} says nothing of the unknown's "
                                f"spot at Rf {p.rf:.3f} and {p.reference}"))
    if repeats.shared == 0:
        out.append(flag("repeatability-assumed", f"no spot is known to be in two lanes: {COMMON_SD}"
                        " in Rf, one standard deviation of one spot, is assumed"))
    if carried is not None:
        out.append(flag("two-plates", f"references were carried over from another plate by lane "
                        f"{carried.bridge}: one standard corrects the two plates' difference at "
                        "its own Rf only"))
    flags = (*out, *own.flags, *plate.flags, *(other.flags if other else ()))
    return tuple(dict.fromkeys(flags))

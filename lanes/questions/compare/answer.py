"""Is it the same substance? The spots of an unknown held against references on the plate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lanes.errors import InputError
from lanes.evidence.area_doubts import areas_otherwise
from lanes.evidence.colour import Colours
from lanes.evidence.lookup import lane_named
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.plate.layout import Layout
from lanes.questions.compare.alignment import Correlation, aligned
from lanes.questions.compare.identity import COMMON_SD, Repeatability, difference, repeatability
from lanes.questions.compare.other_plate import Carried, carry, on_other
from lanes.questions.compare.pair import NEAR_RF, Question, SpotPair, make_pair
from lanes.questions.compare.presence import Presence, presence
from lanes.questions.compare.shared import fit_sd, shared
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings


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
    pairs : tuple of SpotPair
        For each spot of the unknown and each reference, the nearest spot of that reference.
    unexplained, unsure : tuple of int
        Places of the unknown's spots that differ from every reference's; and of those that no
        reference is known to explain and one might.
    resolvable_difference : float or None
        Least difference in Rf detected 95 times of 100, without a co-spot.
    repeatability : Repeatability
    mixtures : mapping
        What was applied in each co-spot lane.
    correlations : tuple of Correlation
    carried : Carried or None
        How references were carried over from another plate.
    """

    unknown: str
    references: tuple[Presence, ...]
    pairs: tuple[SpotPair, ...]
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
        If a lane is unknown or its own reference, or a reference is empty.
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
            settings, origin=None, front=None, lanes=None, turn="auto", page=None,
            which_plate=None, corners=None, whole_image=False, plate_width=None,
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
    names = _reference_names(plate, unknown, references, other)
    mixtures = _mixtures(plate, unknown, names, cospots, other)
    own = read_lane(plate, place)
    known = {name: _reference(home, name) for name in names}
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
    question = Question(plate, readings, own, repeats, carried,
                        {c: (mixed[c], parts) for c, parts in mixtures.items()},
                        None if other is not None else Colours(plate),
                        {n: areas_otherwise((plate, home), (own, known[n])) for n in names})
    everything = {(i, name, j): make_pair(question, i, name, j)
                  for name in names for j in range(len(known[name].spots))
                  for i in range(len(own.spots))}
    verdicts = {name: {(i, j): p.verdict for (i, n, j), p in everything.items() if n == name}
                for name in names}
    found = tuple(presence(plate, own, known[n], verdicts[n], scale) for n in names)
    pairs = tuple(
        min((p for (a, n, _), p in everything.items() if a == i and n == name),
            key=lambda p: (("same", "cannot tell", "different").index(p.verdict),
                           abs(p.rf - p.reference_rf)))
        for i in range(len(own.spots)) for name in names)
    unexplained, unsure = _unmatched(len(own.spots), pairs)
    correlations = [aligned(own, known[n], scale) for n in names]
    correlations += [aligned(own, mixed[c]) for c in mixtures]
    shown = (Shown("unknown", own, plate, plate.layout, 1.0),
             *(Shown("reference", known[n], home, home.layout, scale) for n in names),
             *(Shown("co-spot", mixed[c], plate, plate.layout, 1.0) for c in mixtures))
    return Comparison(
        place.name, found, pairs, unexplained, unsure,
        _resolvable(own, known, repeats, carried), repeats, mixtures, tuple(correlations),
        carried, _flags(plate, other, own, known, mixed, pairs, repeats, carried, mixtures),
        own, shown)


def _reference_names(
    plate: Plate, unknown: str, references: Sequence[str], other: Plate | None
) -> tuple[str, ...]:
    """Return the reference lanes, named or by their role, each once, or raise InputError."""
    names = tuple(references) or tuple(_by_role(other or plate, "reference", "--reference"))
    names = tuple(dict.fromkeys(names))
    for name in names:
        if other is None:
            lane_named(plate, name, "--reference")
        else:
            on_other(other, name, "--reference")
        if name == unknown and other is None:
            raise InputError(f"--reference {name}: that is the unknown's own lane; name another")
    return names


def _unmatched(
    count: int, pairs: Sequence[SpotPair]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return which of so many spots match no reference, and of which that is not known."""
    unexplained: list[int] = []
    unsure: list[int] = []
    for i in range(count):
        of_spot = {p.verdict for p in pairs if p.spot == i}
        if "same" not in of_spot:
            (unsure if "cannot tell" in of_spot else unexplained).append(i)
    return tuple(unexplained), tuple(unsure)


def _by_role(plate: Plate, role: str, option: str) -> list[str]:
    """Return the lanes that settings give this role, or raise an InputError that says how."""
    known = roles(plate)
    found = [name for name, word in known.items() if _plain(word) == _plain(role)]
    if not found or (role == "unknown" and len(found) > 1):
        what = "no lane has" if not found else f"lanes {', '.join(found)} all have"
        # Some other word may have been meant as this role.
        listed = ", ".join(f"{name} ({word})" if word else name for name, word in known.items())
        raise InputError(f"{what} the role {role}: give {option} NAME; the lanes (and their "
                         f"roles) are {listed}")
    return found


def roles(plate: Plate) -> dict[str, str]:
    """Return the role of every lane, "" for one without."""
    return {lane.name: plate.settings.note(lane.name).role or lane.role or ""
            for lane in plate.layout.lanes}


def _plain(role: str) -> str:
    """Return a role's word without what people write in different ways: case and hyphens."""
    return role.casefold().replace("-", "").replace(" ", "")


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
        free = [name for name, role in roles(plate).items()
                if _plain(role) == "cospot" and name not in (unknown, *names)]
        return dict.fromkeys(free, (unknown, *names))
    out = {}
    for lane, parts in cospots.items():
        lane_named(plate, lane, "--cospot")
        option = f"--cospot {'+'.join(parts)}={lane}"
        if lane == unknown or lane in names:
            raise InputError(f"{option}: lane {lane} is itself compared; name the lane where both "
                             "were applied in one place")
        strange = [part for part in parts if part not in (unknown, *names)]
        if strange:
            listed = ", ".join((unknown, *names))
            raise InputError(f"{option}: {strange[0]} is not compared here; of {listed} give those "
                             "applied, with + between")
        if unknown not in parts or len(set(parts)) < 2:
            raise InputError(f"{option}: a co-spot holds the unknown and a reference: give "
                             f"{unknown}+{names[0]}={lane}")
        out[lane] = tuple(dict.fromkeys(parts))
    return out


def _reference(plate: Plate, name: str) -> LaneReading:
    reading = read_lane(plate, lane_named(plate, name, "--reference"))
    if not reading.spots:
        raise InputError(f"--reference {name}: that lane holds no spot that can be told from the "
                         "layer; name another, or apply more sample")
    return reading


def _resolvable(
    own: LaneReading, known: Mapping[str, LaneReading], repeats: Repeatability,
    carried: Carried | None,
) -> float | None:
    """Return the difference detected between spots as well known as the median here."""
    sds = [[sd for k in range(len(lane.spots)) if (sd := fit_sd(lane, k)) is not None]
           for lane in (own, *known.values())]
    if not sds[0] or not any(sds[1:]):
        return None
    first, second = float(np.median(sds[0])), float(np.median([v for s in sds[1:] for v in s]))
    more = carried.more_sd(0.5, repeats.sd) if carried else 0.0
    return difference(0.0, first, 0.0, second, repeats, more).resolvable


def _flags(
    plate: Plate, other: Plate | None, own: LaneReading, known: Mapping[str, LaneReading],
    mixed: Mapping[str, LaneReading], pairs: Sequence[SpotPair], repeats: Repeatability,
    carried: Carried | None, mixtures: Mapping[str, tuple[str, ...]],
) -> tuple[Flag, ...]:
    out: list[Flag] = []
    for lane in (own, *known.values(), *mixed.values()):
        for k, spot in enumerate(lane.spots):
            out += [flag(f.name, f"lane {lane.name}, spot at Rf {lane.spots[k].rf:.2f}: "
                         f"{f.message}") for f in spot.flags]
    for i, spot in enumerate(own.spots):
        same = [p.reference for p in pairs if p.spot == i and p.verdict == "same"]
        if len(same) > 1:
            out.append(flag("not-told-apart", f"the spot at Rf {spot.rf:.2f} agrees with "
                            f"{' and with '.join(same)}: these are not told apart here"))
    for name, lane in mixed.items():
        asked = [p for p in pairs if p.reference in mixtures[name] and p.verdict != "different"
                 and abs(p.rf - p.reference_rf) < NEAR_RF]
        for p in asked:
            if not any(c.alone.lane == name for c in p.cospots):
                out.append(flag("co-spot-unread", f"lane {lane.name} says nothing of the unknown's "
                                f"spot at Rf {p.rf:.2f} and {p.reference}"))
    if repeats.shared == 0:
        out.append(flag("repeatability-assumed", f"no spot is known to be in two lanes: {COMMON_SD}"
                        " in Rf, one standard deviation of one spot, is assumed"))
    if carried is not None:
        out.append(flag("two-plates", f"references were carried over from another plate by lane "
                        f"{carried.bridge}: one standard corrects the two plates' difference at "
                        "its own Rf only"))
    flags = (*out, *own.flags, *plate.flags, *(other.flags if other else ()))
    return tuple(dict.fromkeys(flags))

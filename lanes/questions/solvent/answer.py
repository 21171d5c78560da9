"""Which solvent mixture separates this sample best? From plates of it run in different mixtures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.questions.solvent.before_column import TARGET_RF, Target, Volumes, target, volumes_of
from lanes.questions.solvent.doubts import backwards, light_flags, repeat_flags
from lanes.questions.solvent.matching import Matching, match
from lanes.questions.solvent.mixture import (
    STEPS,
    NextTry,
    Recommended,
    allowed,
    at,
    better_outside,
    changes,
    next_try,
    recommend,
    unconfined,
)
from lanes.questions.solvent.names import order_flag
from lanes.questions.solvent.one_plate import OnePlate, one_plate
from lanes.questions.solvent.plate_lanes import PlateLane, read_plates
from lanes.questions.solvent.retention import (
    LEAST_FRACTION,
    MISFIT,
    USUAL_SLOPE,
    USUAL_SLOPE_SD,
    Law,
    Map,
    RfPoint,
    Widths,
    fit,
    fit_widths,
    predict,
)
from lanes.settings import Settings

Floats = NDArray[np.float64]

RIVAL = 0.05  # probability from which another assignment of spots is worked out too
RIVALS = 3


@dataclass(frozen=True)
class SolventComponent:
    """One substance: its Rf on every plate (None where it shows nowhere), and its line.

    `slope_sd` is None, and `slope` the usual one, where it was seen at one fraction only.
    """

    name: str
    rf: tuple[float | None, ...]
    shared: tuple[bool, ...]
    slope: float
    slope_sd: float | None
    intercept: float
    intercept_sd: float | None


@dataclass(frozen=True)
class Assigned:
    """One assignment of spots to components with its probability, and what would follow."""

    matching: Matching
    probability: float
    recommended: Recommended
    as_chosen: Recommended
    changes: bool


@dataclass(frozen=True)
class Solvent:
    """The answer. With plates of one fraction only, `one` holds it and the law's parts are None.

    Attributes
    ----------
    plates : tuple of PlateLane
    weak, strong : str or None
        The solvents' names.
    components : tuple of SolventComponent
        By rising Rf on the plate with the most spots; empty with a single fraction.
    law, widths, chart, recommended, next
        The fitted law, the widths, the map of mixtures, what to take, what to try next; the last
        two are None where no spot rises with the stronger solvent.
    elsewhere : Recommended or None
        A mixture that leaves the window and is expected to resolve the worst pair much better.
    assigned : tuple of Assigned
        The assignments of spots to components, the one in use first.
    target_rf : float
    targets : tuple of Target
    volumes : tuple of Volumes
        At the recommended mixture, or as on the one plate.
    one : OnePlate or None
    flags : tuple of Flag
    """

    plates: tuple[PlateLane, ...]
    weak: str | None
    strong: str | None
    components: tuple[SolventComponent, ...]
    law: Law | None
    widths: Widths | None
    chart: Map | None
    recommended: Recommended | None
    elsewhere: Recommended | None
    next: NextTry | None
    assigned: tuple[Assigned, ...]
    target_rf: float
    targets: tuple[Target, ...]
    volumes: tuple[Volumes, ...]
    one: OnePlate | None
    flags: tuple[Flag, ...]

    @property
    def tried(self) -> Floats:
        """The fractions of the plates."""
        return np.array([p.fraction for p in self.plates if p.fraction is not None])


def solvent(
    plates: Sequence[tuple[str | Path, float | None]], settings: Settings | None = None, *,
    lane: str | None = None, weak: str | None = None, strong: str | None = None,
    target_rf: float = TARGET_RF,
) -> Solvent:
    """Return which mixture of two solvents separates a sample best, by plates of it.

    Parameters
    ----------
    plates : sequence of (path, fraction)
        Scans of the same sample, and the volume fraction of the stronger solvent of each, in
        (0, 1]; the fraction may be None for a single plate.
    settings : Settings, optional
        For all plates.
    lane : str, optional
        The sample's lane on every plate; the lane with the most spots otherwise.
    weak, strong : str, optional
        Names of the solvents.
    target_rf : float
        The Rf wanted before a column.

    Returns
    -------
    Solvent

    Raises
    ------
    InputError
        If a fraction is outside [0.001, 1] or missing, or a lane is unknown or empty.
    LayoutError
        If a plate or its lanes are not found with confidence.
    """
    if not plates:
        raise InputError("no plate was given: give PLATE=FRACTION for each")
    if not 0.0 < target_rf < 1.0:
        raise InputError(f"--target-rf {target_rf:g}: give an Rf between 0 and 1")
    for path, fraction in plates:
        name = Path(path).name
        if fraction is None and len(plates) > 1:
            raise InputError(f"{name}: each of several plates needs its mixture; give "
                             f"{name}=FRACTION, the stronger solvent's share by volume")
        if fraction is not None and not 0.0 < fraction <= 1.0:
            why = ("without any stronger solvent log X has no value" if fraction == 0
                   else f"{fraction:g} is no share by volume")
            raise InputError(f"{name}={fraction:g}: {why}; give a fraction above 0 and up to 1, "
                             "or a percentage such as 30%")
        if fraction is not None and fraction < LEAST_FRACTION:
            raise InputError(f"{name}={fraction:g}: a share of the stronger solvent below "
                             f"{100 * LEAST_FRACTION:g} % can't be measured out: look for a slip")
    return answer(read_plates(plates, settings or Settings(), lane), weak, strong, target_rf)


def answer(
    plates: tuple[PlateLane, ...], weak: str | None = None, strong: str | None = None,
    target_rf: float = TARGET_RF,
) -> Solvent:
    """Return the answer from lanes that were read; parameters are those of `solvent`."""
    flags = [*order_flag(weak, strong), *light_flags(plates),
             *(f for p in plates for f in p.flags)]
    fractions = [1.0 if p.fraction is None else p.fraction for p in plates]
    alike = len({(p.light, p.channel) for p in plates}) == 1
    matchings = match([p.seen for p in plates], fractions, areas=alike)
    flags += repeat_flags(plates, matchings[0])
    if len(set(fractions)) == 1:
        return _single(plates, weak, strong, target_rf, matchings[0], flags)
    tried = np.array(fractions)
    chart_at = allowed(tried)
    rivals = [m for m in matchings if m.probability >= RIVAL][:RIVALS] or [matchings[0]]
    fitted = [(m, *_fit(plates, m)) for m in rivals]
    first = fitted[0]
    if backwards(first[1]):
        return _backwards(plates, weak, strong, target_rf, fitted[0], flags)
    chosen = recommend(chart := predict(first[1], first[2], chart_at), first[1], first[2], tried)
    assigned = []
    for m, law, widths in fitted:
        own = chosen if m is first[0] else recommend(
            predict(law, widths, chart_at), law, widths, tried)
        here = at(chosen.fraction, law, widths, tried)
        assigned.append(Assigned(m, m.probability, own, here, changes(chosen, own, here)))
    if chosen.probability is not None:
        whole = sum(a.probability for a in assigned)
        chosen = replace(chosen, probability=sum(
            a.probability * (a.as_chosen.probability or 0.0) for a in assigned) / whole)
    law, widths = first[1], first[2]
    rf_sd = float(np.median([s.rf_sd for p in plates for s in p.seen]))
    components = _components(plates, first[0], law)
    following = next_try(chosen, chart, law, widths, tried, rf_sd)
    flags += _flags(plates, components, law, chosen, assigned)
    return Solvent(
        plates, weak, strong, components, law, widths, chart, chosen,
        better_outside(chosen, unconfined(chart, law, widths, tried)), following, tuple(assigned),
        target_rf, tuple(target(law, j, c.name, target_rf, tried)
                         for j, c in enumerate(components)),
        volumes_of([c.name for c in components], chosen.rf), None, tuple(dict.fromkeys(flags)),
    )


def _fit(plates: Sequence[PlateLane], matching: Matching) -> tuple[Law, Widths]:
    """Return law and widths under one assignment.

    The place of a component within a shared spot is known to half that spot's width, and its own
    width is not known.
    """
    size = len(matching.spots[0])
    points, who, where, wide = [], [], [], []
    for p, plate in enumerate(plates):
        assert plate.fraction is not None
        for j in range(size):
            place = matching.spots[p][j]
            if place is None:
                continue
            spot = plate.seen[place]
            sd = spot.rf_sd
            if matching.shared(p, j):
                sd = float(np.hypot(sd, 0.5 * spot.width))
            else:
                who.append(j)
                where.append(spot.rf)
                wide.append(spot.width)
            points.append(RfPoint(j, p, plate.fraction, spot.rf, sd))
    law_sd = float(np.median([plate.width_sd for plate in plates]))
    return fit(points, size), fit_widths(who, where, wide, size, law_sd)


def _components(
    plates: Sequence[PlateLane], matching: Matching, law: Law
) -> tuple[SolventComponent, ...]:
    out = []
    slope_sd, intercept_sd = law.slope_sd(), law.intercept_sd()
    for j in range(law.slope.size):
        places = [spots[j] for spots in matching.spots]
        rf = tuple(None if s is None else p.seen[s].rf
                   for p, s in zip(plates, places, strict=True))
        assumed = law.assumed[j]
        out.append(SolventComponent(
            str(j + 1), rf, tuple(matching.shared(p, j) for p in range(len(plates))),
            float(law.slope[j]), None if assumed else float(slope_sd[j]),
            float(law.intercept[j]), None if assumed else float(intercept_sd[j])))
    return tuple(out)


def _single(
    plates: tuple[PlateLane, ...], weak: str | None, strong: str | None, target_rf: float,
    matching: Matching, flags: list[Flag],
) -> Solvent:
    rf, wide = [], []
    for j in range(len(matching.spots[0])):
        seen = [plate.seen[place] for p, plate in enumerate(plates)
                if (place := matching.spots[p][j]) is not None and not matching.shared(p, j)]
        rf.append(float(np.mean([s.rf for s in seen])))
        wide.append(float(np.mean([s.width for s in seen])))
    one = one_plate(plates[0].fraction, rf, wide, target_rf)
    if one.outside:
        flags.append(flag("outside-window", "Rf " + ", ".join(f"{r:.2f}" for r in one.outside)
                          + " on the plate: not from 0.2 to 0.8"))
    names = [str(j + 1) for j in range(len(rf))]
    return Solvent(plates, weak, strong, (), None, None, None, None, None, None, (), target_rf, (),
                   volumes_of(names, rf), one, tuple(dict.fromkeys(flags)))


def _backwards(
    plates: tuple[PlateLane, ...], weak: str | None, strong: str | None, target_rf: float,
    fitted: tuple[Matching, Law, Widths], flags: list[Flag],
) -> Solvent:
    """Return the answer where no spot rises with the stronger solvent: the lines, no advice."""
    matching, law, widths = fitted
    tried = [p.fraction or 1.0 for p in plates]
    # From the least to the most tried: nothing is carried on beyond.
    chart = replace(predict(law, widths, np.geomspace(min(tried), max(tried), STEPS)),
                    resolution=None, worst_low=None, worst_high=None, mean=None, pair=None,
                    probability=None)
    flags.append(flag("law-misfit", "no spot rises with the stronger solvent"))
    return Solvent(plates, weak, strong, _components(plates, matching, law), law, widths, chart,
                   None, None, None, (), target_rf, (), (), None, tuple(dict.fromkeys(flags)))


def _flags(
    plates: Sequence[PlateLane], components: Sequence[SolventComponent], law: Law,
    chosen: Recommended, assigned: Sequence[Assigned],
) -> list[Flag]:
    out = []
    rivals = [a for a in assigned[1:] if a.changes]
    if rivals:
        out.append(flag("match-ambiguous", "; ".join(
            f"with probability {a.probability:.2f} the spots belong together otherwise, and then "
            f"{100 * a.recommended.fraction:g} % is best" for a in rivals)))
    low, high = (100 * f([p.fraction or 1.0 for p in plates]) for f in (min, max))
    if chosen.extrapolated:
        out.append(flag("extrapolated", f"{100 * chosen.fraction:g} % lies outside the {low:g} to "
                        f"{high:g} % that were tried"))
    if chosen.outside > 0.0:
        out.append(flag("outside-window", f"no mixture from {low / 2:g} to "
                        f"{min(100.0, 2 * high):g} % brings every Rf to 0.2 to 0.8; this one "
                        f"comes within {chosen.outside:.2f}"))
    for c in components:
        if c.slope_sd is None:
            out.append(flag("slope-assumed", f"component {c.name} was seen at one fraction only: "
                            f"its slope is taken as {USUAL_SLOPE} ± {USUAL_SLOPE_SD}"))
        elif c.slope > 0.0:
            out.append(flag("law-misfit", f"component {c.name} seems to fall with the stronger "
                            "solvent"))
        apart = [plates[p].file for p, (rf, shared)
                 in enumerate(zip(c.rf, c.shared, strict=True)) if rf is not None and not shared]
        if len(plates) > 2 and len(apart) == 1:
            out.append(flag("run-together", f"component {c.name} shows apart on {apart[0]} only: "
                            "it may be no substance of its own"))
        unseen = [plates[p].file for p, rf in enumerate(c.rf) if rf is None]
        if unseen:
            out.append(flag("left-out", f"component {c.name} was not found on "
                            f"{', '.join(unseen)}"))
    for plate, places in zip(plates, assigned[0].matching.spots, strict=True):
        for place in sorted({s for s in places if s is not None and places.count(s) > 1}):
            names = [components[j].name for j, s in enumerate(places) if s == place]
            out.append(flag("run-together", f"components {' and '.join(names)} share the spot at "
                            f"Rf {plate.seen[place].rf:.2f} on {plate.file}"))
    if law.misfit is not None and law.misfit < MISFIT:
        out.append(flag("law-misfit", "the points lie farther from straight lines of log k "
                        f"against log X than plates scatter (probability {law.misfit:.2g})"))
    return out



"""How much is in it? Spots of unknown amount read off a calibration by standards on the plate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from lanes.confidence import ONE_SIDED_95
from lanes.errors import InputError
from lanes.evidence.bounds import check_sizes
from lanes.evidence.lookup import NEAR_RF, lane_named, spot_near, strongest
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.questions.amount.calibration import FEWEST, Calibration, Tried, choose
from lanes.questions.amount.inverse import CalibrationLimits, amount_of, limits
from lanes.questions.amount.remarks import (
    about_amount,
    about_fit,
    about_spots,
    in_unit,
    lowest,
    of_area,
)
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.spots.deconvolve import THRESHOLD
from lanes.spots.quantities import Spot


@dataclass(frozen=True)
class Standard:
    """One standard: its spot's area, and what the curve says it should be.

    `sd` is the area's standard deviation under the fit, its own and the scatter together.
    `rf` is None for a blank without a spot.
    """

    name: str
    amount: float
    rf: float | None
    area: float
    area_sd: float | None
    fitted: float
    sd: float


@dataclass(frozen=True)
class Unknown:
    """One sample, in one lane or several.

    Attributes
    ----------
    name : str
    lanes : tuple of str
    rf : float or None
        Of its spot, the mean over its lanes; None where there is none.
    area, area_sd : float or None
        The mean over its lanes.
    amount, sd, low, high : float or None
        In the sample as it was before dilution; the ends of the 95 % interval are None where
        they are not finite.
    dilution : float
    missed_below : float or None
        The amount that would be found in 95 % of such lanes, the upper end of its own 95 %
        interval and not below the detection limit; only where no spot was found.
    flags : tuple of Flag
    """

    name: str
    lanes: tuple[str, ...]
    rf: float | None
    area: float | None
    area_sd: float | None
    amount: float | None
    sd: float | None
    low: float | None
    high: float | None
    dilution: float
    missed_below: float | None
    flags: tuple[Flag, ...]


@dataclass(frozen=True)
class Amounts:
    """The answer: the calibration and what was read off it.

    `rf` is where the spots were sought, `unit` the amounts' unit as it was given, `signal` a
    sentence on the law and channel of the areas.
    """

    rf: float
    unit: str | None
    calibration: Calibration
    tried: tuple[Tried, ...]
    chosen: bool
    standards: tuple[Standard, ...]
    unknowns: tuple[Unknown, ...]
    limits: CalibrationLimits
    flags: tuple[Flag, ...]
    signal: str = ""


def amount(
    source: str | Path, settings: Settings | None = None, *,
    standards: Mapping[str, float] | None = None, unknowns: Sequence[str] | None = None,
    rf: float | None = None, unit: str | None = None, curve: str = "auto",
    dilution: Mapping[str, float] | None = None,
) -> Amounts:
    """Return the amounts in lanes of a scan, by standards on the same plate.

    Parameters
    ----------
    source : path
        An image of the plate.
    settings : Settings, optional
    standards : mapping, optional
        Lanes and the amounts applied there, 0 for a blank; by default the amounts that the
        settings know of lanes.
    unknowns : sequence of str, optional
        Samples by lane; "U1+U2" is one sample in two lanes. By default every other lane; at
        least one must have a spot there.
    rf : float, optional
        Where the spot is; by default the largest spot of the largest standard.
    unit : str, optional
        The amounts' unit, a word that is printed.
    curve : str
        "auto", or a curve by name.
    dilution : mapping, optional
        Samples and how many times each was diluted before it was applied.

    Raises
    ------
    InputError
        If a lane is unknown, the standards are too few or have no such spot, or no curve rises.
    LayoutError
        If the plate or its lanes are not found with confidence.
    """
    return answer(prepare(source, settings or Settings()), standards=standards, unknowns=unknowns,
                  rf=rf, unit=unit, curve=curve, dilution=dilution)


def answer(
    plate: Plate, *, standards: Mapping[str, float] | None = None,
    unknowns: Sequence[str] | None = None, rf: float | None = None, unit: str | None = None,
    curve: str = "auto", dilution: Mapping[str, float] | None = None,
) -> Amounts:
    """Return the answer for a prepared plate; parameters are those of `amount`."""
    amounts = _standards(plate, standards)
    samples = _samples(plate, unknowns, amounts)
    dilution = _dilution(dilution or {}, samples)
    known = {name: read_lane(plate, lane_named(plate, name, "--standards")) for name in amounts}
    if rf is None:
        largest = known[max(amounts, key=amounts.__getitem__)]
        rf = largest.spots[strongest(largest, "--standards")].rf
    spots = {name: _standard_spot(known[name], amounts[name], rf) for name in amounts}
    # A spot too strong for the law has a flat top, which is taken for two that are merged: where
    # the standards' spot is so divided, it is put together again in every lane.
    split = [name for name in amounts if len(_parts(known[name], rf)) > 1]
    if split:
        spots = {name: spot and _together(known[name], rf) for name, spot in spots.items()}
    areas = {name: _area(known[name], spots[name]) for name in amounts}
    flags = about_spots(spots, amounts)
    if split:
        flags.append(flag("merged", f"lane {', '.join(split)}: the standard's own spot was taken "
                          f"for several; in every lane, what stands within Rf {NEAR_RF} of it "
                          "is added up"))
    u = [sd for _, sd in areas.values()]
    if any(sd is None for sd in u):
        flags.append(flag("no-uncertainty", "not every standard's area has a standard deviation: "
                          "the standards are weighed by their scatter alone"))
        u = [0.0] * len(u)
    fitted, tried = choose(
        np.array(list(amounts.values())), np.array([area for area, _ in areas.values()]),
        np.array(u, float), curve=curve)
    standards_read = tuple(
        Standard(name, amounts[name], None if (s := spots[name]) is None else s.rf, *areas[name],
                 float(fitted.at(amounts[name])[0]), float(fitted.sd[i]))
        for i, name in enumerate(amounts))
    found = []
    for name, lanes in samples.items():
        seen = {lane: read_lane(plate, lane_named(plate, lane, "--unknown")) for lane in lanes}
        one = _unknown(name, seen, rf, fitted, dilution.get(name, 1.0), unit, bool(split))
        found.append(one)
    if unknowns is None and all(one.area is None for one in found):
        raise InputError(f"no other lane has a spot at Rf {rf:.2f}: name the samples' lanes with "
                         "--unknown, or their spot with --rf")
    flags += about_fit(fitted, curve)
    return Amounts(rf, unit, fitted, tried, curve == "auto", standards_read, tuple(found),
                   limits(fitted), tuple(dict.fromkeys((*flags, *plate.flags))), plate.by)


def _standards(plate: Plate, amounts: Mapping[str, float] | None) -> dict[str, float]:
    """Return the standards' amounts, those of the settings where none are given."""
    if amounts is None:
        amounts = {note.name: note.amount for note in plate.settings.lane
                   if note.amount is not None}
    if not amounts:
        raise InputError("no standards are known: give --standards LANE=AMOUNT,LANE=AMOUNT,..., or "
                         "amounts of lanes in the settings file")
    for name, value in amounts.items():
        lane_named(plate, name, "--standards")
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"--standards {name}={value:g}: give an amount from 0 (a blank) on")
    check_sizes("--standards", amounts)
    if len(amounts) < FEWEST:
        raise InputError(f"a calibration takes at least {FEWEST} standards, and got "
                         f"{len(amounts)}: give more with --standards")
    return dict(amounts)


def _samples(
    plate: Plate, unknowns: Sequence[str] | None, standards: Mapping[str, float]
) -> dict[str, tuple[str, ...]]:
    """Return the samples' names and the lanes of each."""
    names = [lane.name for lane in plate.layout.lanes]
    if unknowns is None:
        rest = [name for name in names if name not in standards]
        if not rest:
            raise InputError("every lane is a standard: name fewer with --standards")
        return {name: (name,) for name in rest}
    out: dict[str, tuple[str, ...]] = {}
    for sample in unknowns:
        lanes = (sample,) if sample in names else tuple(p.strip() for p in sample.split("+"))
        for name in lanes:
            lane_named(plate, name, "--unknown")
            if name in standards:
                raise InputError(f"--unknown {name}: that lane is a standard; name it as one only")
            if lanes.count(name) > 1 or any(name in other for other in out.values()):
                raise InputError(f"--unknown {name} stands twice: give each lane once")
        out[sample] = lanes
    return out


def _dilution(
    amounts: Mapping[str, float], samples: Mapping[str, tuple[str, ...]]
) -> Mapping[str, float]:
    for name, factor in amounts.items():
        if name not in samples:
            raise InputError(f"--dilution {name}: there is no such sample; the samples are "
                             f"{', '.join(samples)}")
        if not (math.isfinite(factor) and factor > 0):
            raise InputError(f"--dilution {name}={factor:g}: give a factor greater than zero")
    check_sizes("--dilution", amounts, spread=False)
    return amounts


def _there(reading: LaneReading, rf: float) -> Spot | None:
    """Return the lane's spot near `rf`, or None."""
    near = [spot for spot in reading.spots if abs(spot.rf - rf) <= NEAR_RF]
    return min(near, key=lambda spot: abs(spot.rf - rf), default=None)


def _parts(reading: LaneReading, rf: float) -> list[int]:
    """Return the places of the spot near `rf` and of what is merged with it there."""
    spot = _there(reading, rf)
    return [i for i, other in enumerate(reading.spots)
            if other is spot or (spot is not None and abs(other.rf - rf) <= NEAR_RF
                                 and any(f.name == "merged" for f in (*spot.flags, *other.flags)))]


def _together(reading: LaneReading, rf: float) -> Spot | None:
    """Return the spot near `rf`, its area that of all its parts."""
    spot = _there(reading, rf)
    # Two halves of a flat top may show a dip between them, and are then not called merged.
    parts = [i for i, other in enumerate(reading.spots) if abs(other.rf - rf) <= NEAR_RF]
    if spot is None or len(parts) < 2:
        return spot
    sd = None
    covariance = reading.fit.area_covariance()
    if covariance is not None:
        sd = math.sqrt(max(float(covariance[np.ix_(parts, parts)].sum()), 0.0)) or None
    return replace(spot, area=sum(reading.spots[i].area for i in parts), area_sd_noise=sd,
                   flags=tuple(f for f in spot.flags if f.name != "merged"))


def _standard_spot(reading: LaneReading, amount: float, rf: float) -> Spot | None:
    """Return a standard's spot; None for a blank without one."""
    spot = _there(reading, rf)
    if spot is not None or amount == 0:
        return spot
    try:
        spot_near(reading, rf, "--rf")
    except InputError as error:
        raise InputError(f"{error}; it is a standard: give another --rf, or leave it out of "
                         "--standards") from None
    return None


def _area(reading: LaneReading, spot: Spot | None) -> tuple[float, float | None]:
    """Return a standard's area and its standard deviation by the noise alone.

    What shape and law add is shared by standards and samples, and what is not shared is in the
    standards' scatter about their curve, which is estimated: counted here too, it would be twice.

    A blank without a spot has the area nothing. Its standard deviation is what a spot fitted
    there would have: the smallest that is found half of the time stands `THRESHOLD` of them high.
    """
    if spot is not None:
        return spot.area, spot.area_sd_noise
    return 0.0, None if reading.limit is None else reading.limit / THRESHOLD


def _unknown(
    name: str, seen: Mapping[str, LaneReading], rf: float, fitted: Calibration, dilution: float,
    unit: str | None, split: bool,
) -> Unknown:
    of = _together if split else _there
    found = {lane: spot for lane, reading in seen.items() if (spot := of(reading, rf))}
    if not found:
        return _missed(name, seen, rf, fitted, dilution, unit)
    spots = list(found.values())
    flags = []
    lost = [lane for lane in seen if lane not in found]
    if lost:
        flags.append(flag("not-detected", f"{name}: lane {', '.join(lost)} shows no such spot; the "
                          "amount is from the other lanes and may be too high"))
    u = [spot.area_sd_noise for spot in spots]
    if any(sd is None for sd in u):
        flags.append(flag("no-uncertainty", f"{name}: the area has no standard deviation: the "
                          "interval holds the standards' scatter alone"))
    own = [sd or 0.0 for sd in u]
    area = float(np.mean([spot.area for spot in spots]))
    area_sd = None if any(sd is None for sd in u) else math.hypot(*own) / len(own)
    read = amount_of(fitted, [spot.area for spot in spots], own)
    flags += of_area(found)
    flags += about_amount(name, read.value, area, read.bounded, read.high, fitted, unit)

    def whole(value: float | None) -> float | None:
        return None if value is None else value * dilution

    return Unknown(name, tuple(seen), float(np.mean([spot.rf for spot in spots])), area, area_sd,
                   whole(read.value), whole(read.sd), whole(read.low), whole(read.high), dilution,
                   None, tuple(flags))


def _missed(
    name: str, seen: Mapping[str, LaneReading], rf: float, fitted: Calibration, dilution: float,
    unit: str | None,
) -> Unknown:
    """Return a sample without a spot: nothing is known but what would have been found.

    The least area that is found half of the time stands `THRESHOLD` standard deviations high; 1.645
    more of them are needed to be found in 95 % of lanes (as for the detection limit of Currie,
    Anal. Chem. 40, 586 (1968)). One lane that shows it is enough. What amount has that area the
    curve doesn't know exactly: the upper end of the interval is given, or the detection limit by
    the standards where that is more.
    """
    areas = [r.limit * (1.0 + ONE_SIDED_95 / THRESHOLD) for r in seen.values()
             if r.limit is not None]
    below = amount_of(fitted, min(areas)).high if areas else None
    if below is not None:
        below = max(below, limits(fitted).detection or 0.0)
    limit = "how much would have been missed can't be told from these standards"
    if below is not None:
        limit = f"found in 95 % of such lanes from {in_unit(below * dilution, unit)} on"
        if not lowest(fitted) <= below <= fitted.x.max():
            limit += ", by the curve carried on beyond the standards"
    high = None if below is None else below * dilution
    message = f"{name}: no spot at Rf {rf:.2f} can be told from the layer; {limit}"
    return Unknown(name, tuple(seen), None, None, None, None, None, 0.0, high, dilution, high,
                   (flag("not-detected", message),))

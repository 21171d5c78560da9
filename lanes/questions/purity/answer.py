"""How pure is it? The main spot's share of what a lane shows, and how small a rest would show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lanes.confidence import TWO_SIDED_95
from lanes.errors import InputError
from lanes.evidence.detection_limit import Lane, clear_limit, lane_of, neighbour_limits
from lanes.evidence.further_spot import spot_like
from lanes.evidence.lane_doubts import channel_doubt, unread_spots
from lanes.evidence.laws import limits_by_law, other_laws, under_law
from lanes.evidence.lookup import lane_named, spot_near, strongest
from lanes.evidence.valley import SEPARATED, shown_valley
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.plate.layout import Lane as Place
from lanes.plate.signal import LAW_NAMES
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.spots.quantities import Spot, area_percents
from lanes.trace.sample import PENCIL_MM


@dataclass(frozen=True)
class Share:
    """A spot's area percent with its 95 % interval, None where that is unknown."""

    rf: float
    area_percent: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Beside:
    """How large a neighbour at this resolution must be to be found: percent of the main spot."""

    resolution: float
    percent: float | None


@dataclass(frozen=True)
class UnderLaw:
    """The main spot's area percent and the limit under one law from light to signal."""

    law: str
    area_percent: float | None
    undetected_below_percent: float | None


@dataclass(frozen=True)
class LimitTest:
    """One spot held against a reference lane's spot of known percent.

    `reference_rf` is where the reference lane's spot runs; `rf` is None where nothing but the
    main spot was found. `ratio` is the spot's area over the reference's; `sds` the difference in
    its own standard deviations, positive where smaller.
    """

    lane: str
    percent: float
    reference_rf: float
    rf: float | None
    ratio: float | None
    sds: float | None
    verdict: str


@dataclass(frozen=True)
class Purity:
    """The answer, with the reading it was made from.

    Attributes
    ----------
    lane : str
    main : Share
    others : tuple of Share
        Every other spot, from origin to front.
    undetected_below_percent : float or None
        The area percent that a further spot, shaped as the main one and away from every spot,
        needs to be found 95 % of the time, by that law which gives the most.
    beside_main : tuple of Beside
    laws : tuple of UnderLaw
        The law in use first.
    limit_test : tuple of LimitTest
    flags : tuple of Flag
    reading : LaneReading
    index : int
        The main spot's place in `reading.spots`.
    joined : tuple of int
        Places there of the spots that no valley divides from the main one: each may be a part of
        it, as a tail or a streak is.
    """

    lane: str
    main: Share
    others: tuple[Share, ...]
    undetected_below_percent: float | None
    beside_main: tuple[Beside, ...]
    laws: tuple[UnderLaw, ...]
    limit_test: tuple[LimitTest, ...]
    flags: tuple[Flag, ...]
    reading: LaneReading
    index: int
    joined: tuple[int, ...] = ()

    @property
    def joined_percent(self) -> float:
        """Area percent of the main spot and all that is joined to it."""
        return float(sum(self.reading.spots[i].area_percent for i in (self.index, *self.joined)))


def purity(
    source: str | Path, lane: str | None = None, settings: Settings | None = None, *,
    main: float | None = None, limits: Mapping[str, float] | None = None,
) -> Purity:
    """Return how pure the sample in one lane of a scan is, as far as the plate shows it.

    Parameters
    ----------
    source : path
        An image of the plate.
    lane : str, optional
        Name of the sample's lane; not needed where there is one.
    settings : Settings, optional
    main : float, optional
        Rf of the main spot; the largest otherwise.
    limits : mapping, optional
        Names of reference lanes and the percent of the sample that their spot stands for.

    Returns
    -------
    Purity

    Raises
    ------
    InputError
        If a lane is unknown or empty, or no spot is near the Rf given.
    LayoutError
        If the plate or its lanes are not found with confidence.
    """
    return answer(prepare(source, settings or Settings()), lane, main=main, limits=limits)


def answer(
    plate: Plate, lane: str | None, *, main: float | None = None,
    limits: Mapping[str, float] | None = None,
) -> Purity:
    """Return the answer for one lane of a prepared plate; parameters are those of `purity`."""
    place = lane_named(plate, lane, "--lane")
    limits = limits or {}
    references = {name: lane_named(plate, name, "--limit-lane") for name in limits}
    for name, percent in limits.items():
        if name == place.name:
            raise InputError(f"--limit-lane {name}: that is the sample's own lane; name another")
        if not 0.0 < percent <= 100.0:
            raise InputError(f"--limit-lane {name}={percent:g}: give a percent from 0 to 100")
    known = [(_reference(read_lane(plate, references[name])), limits[name]) for name in limits]
    seen = look(plate, place, main)
    reading, index = seen.reading, seen.index
    beside_main: tuple[Beside, ...] = ()
    if plate.settings.components is None:
        limits_near = neighbour_limits(seen.start, reading.fit, index)
        beside_main = tuple(Beside(*pair) for pair in limits_near)
    laws = _laws(plate, place, seen)
    tests = tuple(
        test for (name, spot), percent in known for test in _limit_test(name, spot, percent, seen)
    )
    shares = seen.shares
    return Purity(
        reading.name, shares[index], tuple(s for i, s in enumerate(shares) if i != index),
        seen.undetected, beside_main, laws, tests,
        _flags(plate, reading, index, shares, laws), reading, index, joined_spots(reading, index),
    )


def joined_spots(reading: LaneReading, index: int) -> tuple[int, ...]:
    """Return the spots that no valley divides from the main one, itself left out.

    A fit of a tail by two Gaussians has a valley that the trace does not show.
    """

    def divided(lower: int) -> bool:
        resolution = reading.pairs[lower].resolution
        return (resolution is None or resolution >= SEPARATED
                or shown_valley(reading, lower) is not None)

    first = last = index
    while first > 0 and not divided(first - 1):
        first -= 1
    while last < len(reading.spots) - 1 and not divided(last):
        last += 1
    return tuple(i for i in range(first, last + 1) if i != index)


@dataclass(frozen=True)
class Seen:
    """What one lane shows: the share of every spot, and the least that would have shown.

    `limit_area` is an area in the reading's own unit, `limits` the same as area percent by the
    plate's law and by each other, `undetected` the largest of them.
    """

    reading: LaneReading
    index: int
    start: Lane
    shares: tuple[Share, ...]
    limit_area: float | None
    undetected: float | None
    limits: tuple[float | None, ...]


def look(plate: Plate, place: Place, main: float | None = None) -> Seen:
    """Return what one lane shows, its main spot the largest or the one near Rf `main`."""
    reading = read_lane(plate, place)
    index = (strongest(reading, "--lane") if main is None
             else spot_near(reading, main, "--main"))
    start = lane_of(plate, reading, index)
    more = spot_like(reading, index, joined_spots(reading, index))
    limit_area = None
    # With a count of spots that was given, nothing is looked for and nothing is missed.
    if plate.settings.components is None:
        limit_area = clear_limit(start, reading.fit, more, reading.limit or 0.0)
    if limit_area is None:
        return Seen(reading, index, start, _shares(reading, None, index), None, None, ())
    limits = limits_by_law(plate, reading, limit_area, more.sigma)
    undetected = max(limit for limit in limits if limit is not None)
    return Seen(reading, index, start, _shares(reading, undetected, index), limit_area, undetected,
                limits)


def _shares(reading: LaneReading, undetected: float | None, index: int) -> tuple[Share, ...]:
    """Return every spot's share, the main one's at `index`.

    A lone spot is 100 % of what was found. What the plate can't show bounds it: from 100 less
    the smallest spot that is found 95 % of the time, to 100. Beside others, one such spot lowers
    the main spot's lower bound in proportion.
    """
    spots = reading.spots
    if len(spots) == 1:
        low = None if undetected is None else 100.0 - undetected
        return (Share(spots[0].rf, 100.0, low, None if low is None else 100.0),)
    out = []
    for i, spot in enumerate(spots):
        low, high = None, None
        if spot.area_percent_sd is not None:
            half = TWO_SIDED_95 * spot.area_percent_sd
            low = max(0.0, spot.area_percent - half)
            high = min(100.0, spot.area_percent + half)
            if i == index and undetected is not None:
                low *= 1.0 - undetected / 100.0
        out.append(Share(spot.rf, spot.area_percent, low, high))
    return tuple(out)


def _laws(plate: Plate, place: Place, seen: Seen) -> tuple[UnderLaw, ...]:
    """Return the main spot's area percent under each law, the same spots fitted anew."""
    used, reading, index = plate.signal.law, seen.reading, seen.index
    others = other_laws(plate)
    limits = seen.limits or (None,) * (1 + len(others))
    out = [UnderLaw(LAW_NAMES[used], reading.spots[index].area_percent, limits[0])]
    for law, limit in zip(others, limits[1:], strict=True):
        fit = under_law(plate, place, law, seen.start, reading.fit)[1]
        percent = float(area_percents(fit)[0][index])
        out.append(UnderLaw(LAW_NAMES[law], percent if math.isfinite(percent) else None, limit))
    return tuple(out)


def _reference(reading: LaneReading) -> tuple[str, Spot]:
    """Return the name and the largest spot of a reference lane."""
    if not reading.spots:
        raise InputError(
            f"--limit-lane {reading.name}: no spot can be told from the layer there, so the limit "
            "can't be tested; apply more, or name another lane"
        )
    return reading.name, max(reading.spots, key=lambda spot: spot.area)


def _limit_test(name: str, known: Spot, percent: float, seen: Seen) -> Sequence[LimitTest]:
    """Return each spot but the main one held against the reference lane's largest.

    Areas are compared, not percents: both spots are small, so the law bends neither much. With
    no other spot, the smallest area that is found 95 % of the time stands in for it.
    """
    others = [spot for i, spot in enumerate(seen.reading.spots) if i != seen.index]
    if not others:
        smaller = (seen.limit_area is not None and known.area_sd is not None
                   and known.area - TWO_SIDED_95 * known.area_sd > seen.limit_area)
        verdict = "below" if smaller else "cannot tell"
        return [LimitTest(name, percent, known.rf, None, None, None, verdict)]
    out = []
    for spot in others:
        sds, verdict = None, "cannot tell"
        if spot.area_sd is not None and known.area_sd is not None:
            sds = (known.area - spot.area) / math.hypot(spot.area_sd, known.area_sd)
            if abs(sds) > TWO_SIDED_95:
                verdict = "below" if sds > 0 else "above"
        out.append(LimitTest(name, percent, known.rf, spot.rf, spot.area / known.area, sds,
                             verdict))
    return out


def _flags(
    plate: Plate, reading: LaneReading, index: int, shares: tuple[Share, ...],
    laws: tuple[UnderLaw, ...],
) -> tuple[Flag, ...]:
    out: list[Flag] = []
    for i, spot in enumerate(reading.spots):
        for remark in spot.flags:
            if remark.name in ("at-origin", "at-front"):
                place = "origin" if remark.name == "at-origin" else "front"
                out.append(flag(remark.name, f"the spot at Rf {spot.rf:.2f}, at the {place}, "
                                f"holds {spot.area_percent:.1f} area percent and is counted"))
            else:
                which = "main spot" if i == index else f"spot at Rf {spot.rf:.2f}"
                out.append(flag(remark.name, f"{which}: {remark.message}"))
    out.append(flag(
        "thin-matter",
        f"what lies within {PENCIL_MM} mm of the origin line and of the front, where pencil may "
        "hide the layer, is not read: how much is there is unknown",
    ))
    spot = reading.spots[index]
    values = [law.area_percent for law in laws if law.area_percent is not None]
    # The interval that is reported holds the other law; the noise's own shows whether it matters.
    outside = spot.area_percent_sd_noise is not None and any(
        abs(value - spot.area_percent) > TWO_SIDED_95 * spot.area_percent_sd_noise
        for value in values)
    # A lone spot is all there is under every law.
    if outside and len(shares) > 1:
        out.append(flag("law-matters", f"the main spot is {min(values):.1f} to {max(values):.1f} "
                        "area percent by law, more than the noise alone explains"))
    out += (*unread_spots(plate, reading), *channel_doubt(plate, (reading,)))
    return tuple(dict.fromkeys((*out, *reading.flags, *plate.flags)))

"""How far is the reaction? The same spots in lanes of one reaction at several times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lanes.confidence import TWO_SIDED_95, TWO_SIDED_99
from lanes.errors import InputError
from lanes.evidence.lane_doubts import channel_doubt, unread_spots
from lanes.evidence.tracks import Track, track_near, tracks
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.questions.follow.kinetics import Order, first_order
from lanes.questions.follow.series import TimePoint
from lanes.questions.follow.shares import Level, Table, above, conversion
from lanes.questions.follow.times import Times, timed
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings

# Any of many lanes may hold the greatest share: it must stand out at 99 %.
STANDS_OUT = TWO_SIDED_99 / TWO_SIDED_95

UNCHANGED = "no change seen"


@dataclass(frozen=True)
class Course:
    """One spot over time.

    `kind` is "starting material", "product", "intermediate", "consumed", "reference" or
    "no change seen".
    """

    rf: float
    kind: str
    levels: tuple[Level, ...]


@dataclass(frozen=True)
class Follow:
    """The answer, with the readings it was made from; all tuples by lane are in order of time.

    Attributes
    ----------
    times : tuple of float
    lanes : tuple of str
        Names; with the plate's number where there are several.
    unit : str
        Of time.
    courses : tuple of Course
        Spots from origin to front.
    start : int
        The starting material's place in `courses`.
    product : int or None
        The main product's; None where nothing grows.
    reference : int or None
        The internal reference's; None where shares are of the lane's total.
    conversion : tuple of Level
        1 less the starting material's share over its share in the first lane.
    points : tuple of TimePoint
        What the rate was fitted to.
    order : Order
    alike : Order or None
        The same where starting material and products are taken to respond alike; None over a
        reference.
    flags : tuple of Flag
    readings : tuple of LaneReading
    tracks : tuple of Track
    plates : tuple of Plate
        The plate of each reading.
    """

    times: tuple[float, ...]
    lanes: tuple[str, ...]
    unit: str
    courses: tuple[Course, ...]
    start: int
    product: int | None
    reference: int | None
    conversion: tuple[Level, ...]
    points: tuple[TimePoint, ...]
    order: Order
    alike: Order | None
    flags: tuple[Flag, ...]
    readings: tuple[LaneReading, ...]
    tracks: tuple[Track, ...]
    plates: tuple[Plate, ...]


def follow(
    sources: Sequence[str | Path], times: Times | None = None, settings: Settings | None = None,
    *, unit: str = "min", start: float | None = None, product: float | None = None,
    reference: float | None = None,
) -> Follow:
    """Return how the spots of one reaction change over the lanes of one plate or several.

    Parameters
    ----------
    sources : sequence of path
        Images of plates, their lanes one after another.
    times : sequence or mapping, optional
        A time for each lane, None for one to leave out; or times by the lanes' names. Without
        it, the times of `settings.lane`.
    settings : Settings, optional
        The same for every plate.
    unit : str
        Of time; only for printing.
    start, product, reference : float, optional
        Rf of the starting material (else the largest spot of the first lane), of the product
        (the largest that grows), and of an internal reference that every share is taken over.

    Returns
    -------
    Follow

    Raises
    ------
    InputError
        If times and lanes don't match, or no lane has a spot at an Rf given.
    LayoutError
        If a plate or its lanes are not found with confidence.
    """
    settings = settings or Settings()
    return answer([prepare(source, settings) for source in sources], times, unit=unit,
                  start=start, product=product, reference=reference)


def answer(
    plates: Sequence[Plate], times: Times | None = None, *, unit: str = "min",
    start: float | None = None, product: float | None = None, reference: float | None = None,
) -> Follow:
    """Return the answer for prepared plates; parameters are those of `follow`."""
    taken = timed(plates, times)
    read = [(time, name, plate, read_lane(plate, lane)) for time, name, plate, lane in taken]
    flags = [flag("no-spot", f"lane {name}, time {time:g}: nothing stands out of the noise, so it "
                  "is left out") for time, name, _, reading in read if not reading.spots]
    read = [one for one in read if one[3].spots]
    if len({time for time, *_ in read}) < 2:
        raise InputError("--times: spots are found at fewer than two times, so nothing can be "
                         "followed; apply more sample, or give more lanes a time")
    readings = [reading for *_, reading in read]
    found = tracks(readings)
    chosen = _chosen(found, readings, start, product, reference)
    table = Table([plate for _, _, plate, _ in read], readings, found, chosen[2])
    flags += _bare(table, [name for _, name, *_ in read])
    whens = tuple(time for time, *_ in read)
    shares = [tuple(table.level(i, j, time) for j, time in enumerate(whens))
              for i in range(len(found))]
    kinds = _kinds(table, whens, chosen)
    grown = [i for i, kind in enumerate(kinds) if kind == "product"]
    made = chosen[1]
    if made is None and grown:
        made = max(grown, key=lambda i: shares[i][-1].percent or 0.0)
    first = chosen[0]
    others = [i for i, kind in enumerate(kinds) if kind in ("product", "intermediate") or
             i == made or (kind == UNCHANGED and not shares[i][0].detected)]
    points = tuple(table.point(first, others, j, time) for j, time in enumerate(whens))
    total = chosen[2] is None
    present = total and any(
        time == 0.0 and any(shares[i][j].detected for i in others)
        for j, time in enumerate(whens))
    order, alike = _ordered(points, others, total, present)
    return Follow(
        whens, tuple(name for _, name, *_ in read), unit,
        tuple(Course(track.rf, kind, levels)
              for track, kind, levels in zip(found, kinds, shares, strict=True)),
        first, made, chosen[2], conversion(shares[first]), points, order, alike,
        tuple(dict.fromkeys((*flags, *_flags(plates, read)))), tuple(readings), found,
        tuple(plate for *_, plate, _ in read),
    )


def _chosen(
    found: Sequence[Track], readings: Sequence[LaneReading], start: float | None,
    product: float | None, reference: float | None,
) -> tuple[int, int | None, int | None]:
    """Return the places of starting material, product and reference among the tracks."""
    over = None if reference is None else track_near(found, reference, "--reference")
    made = None if product is None else track_near(found, product, "--product")
    if start is not None:
        first = track_near(found, start, "--start")
    else:
        free = [i for i, track in enumerate(found)
                if track.places[0] is not None and i not in (over, made)]
        if not free:
            raise InputError("the first lane holds no spot that could be the starting material: "
                             "name it with --start")
        first = max(free, key=lambda i: readings[0].spots[found[i].places[0] or 0].area)
    named = {"--start": first, "--product": made, "--reference": over}
    for (a, i), (b, j) in ((x, y) for n, x in enumerate(named.items())
                           for y in list(named.items())[n + 1:]):
        if i is not None and i == j:
            raise InputError(f"{a} and {b} name the same spot, at Rf {found[i].rf:.2f}: give two")
    if over is not None and found[over].places[0] is None:
        raise InputError(f"--reference {found[over].rf:.2f}: the first lane has no spot there, so "
                         "nothing can be taken over it")
    return first, made, over


def _kinds(
    table: Table, whens: Sequence[float], chosen: tuple[int, int | None, int | None]
) -> list[str]:
    """Return what each spot does, where it does so whatever is assumed of the light.

    By one law or another all lanes' shares move together, which is no change.
    """
    each = [_kinds_by([tuple(view.level(i, j, time) for j, time in enumerate(whens))
                       for i in range(len(table.found))], chosen) for view in table.views()]
    return [kinds[0] if len(set(kinds)) == 1 else UNCHANGED for kinds in zip(*each, strict=True)]


def _kinds_by(
    shares: Sequence[tuple[Level, ...]], chosen: tuple[int, int | None, int | None]
) -> list[str]:
    out = []
    for i, levels in enumerate(shares):
        first, last = levels[0], levels[-1]
        top = max(levels, key=lambda level: level.percent or 0.0)
        if i == chosen[0]:
            kind = "starting material"
        elif i == chosen[2]:
            kind = "reference"
        elif above(top, first, STANDS_OUT) and above(top, last, STANDS_OUT):
            kind = "intermediate"
        elif i == chosen[1] or above(last, first):
            kind = "product"
        elif above(first, last):
            kind = "consumed"
        else:
            kind = UNCHANGED
        out.append(kind)
    return out


def _ordered(
    points: Sequence[TimePoint], others: Sequence[int], total: bool, present: bool
) -> tuple[Order, Order | None]:
    if not total:
        return first_order(points, shares=False), None
    if not others:
        none = Order("cannot tell", "nothing grows beside the starting material, so its share "
                     "can't tell a rate; give --reference", None, 0, 0)
        return none, None
    return (first_order(points, shares=True, present=present),
            first_order(points, shares=True, present=present, alike=True))


def _bare(table: Table, names: Sequence[str]) -> list[Flag]:
    return [flag("no-spot", f"lane {name}: the reference was not found, so its shares are unknown")
            for j, name in enumerate(names) if table.base(j) is None]


def _flags(
    plates: Sequence[Plate], read: Sequence[tuple[float, str, Plate, LaneReading]]
) -> list[Flag]:
    out = []
    for _, name, plate, reading in read:
        out += [flag(f.name, f"lane {name}, Rf {spot.rf:.2f}: {f.message}")
                for spot in reading.spots for f in spot.flags
                if f.name in ("clipped", "merged", "no-uncertainty", "at-bound", "window-short")]
        out += [flag(f.name, f"lane {name}: {f.message}")
                for f in (*reading.flags, *unread_spots(plate, reading))]
    for plate in plates:
        out += channel_doubt(plate, [reading for *_, of, reading in read if of is plate])
    return [*out, *(f for plate in plates for f in plate.flags)]

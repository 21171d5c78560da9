"""The lanes of a plate: the set of lanes that explains ticks, blobs and spacing at least cost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from lanes.errors import InputError, LayoutError
from lanes.plate.lane_cost import (
    ASKED,
    CLOSEST_MM,
    OFF_STEP,
    STRONG,
    TICK_MM,
    TICK_REACH,
    TICK_SURE,
    USUAL_MM,
    Evidence,
    cost,
    weigh,
)
from lanes.plate.layout import Blob, Lane, Layout
from lanes.settings import Settings

# Widths at half height that a lane spans: 2 % of a round spot lies beyond, where the layer's noise
# counts for more than that; 0.5 % under 366 nm, where it hardly counts.
REACH, REACH_BRIGHT = 2.0, 2.4
ROOM = 0.96        # of the distance to the next lane that a lane may span
# Faint ticks count together where so many stand in an even row: chance would not space them so.
FEWEST_IN_ROW, UNEVEN_ROW = 3, 0.25
# mm across between two blobs from which they are taken for two columns: lanes are begun from both
# groupings, and the cost decides. The first, half of the closest lanes' distance, also sets where
# lanes may be.
COLUMNS_APART_MM = (1.5, 2.5)
SHIFT_MM = 4.0     # how far one change moves a lane: a little more than the closest lanes are apart
SAME_PLACE_MM = 0.4  # places nearer than this are one: a hand puts samples on to half a millimetre
# Nats: what is nearer costs the same, but for rounding; and what a change must gain to be made.
SAME_COST, GAIN = 1e-9, 1e-6
OWN_SDS = 3.5      # standard deviations of its place within which a blob is of its lane
# Confidence in lanes that all, some or none have a tick. A choice: only their order is meant.
ALL_TICKED, SOME_TICKED, NONE_TICKED = 0.95, 0.8, 0.7
# Of the row's step: what two spots that touch are wider by than one, less a quarter for how wide a
# blob comes out; and how many gaps make a row.
TOUCHING, ROW_GAPS = 0.75, 2
CROWDED = 0.8      # of the least distance of two lanes: nearer no other is added
LANE_LEFT_OUT = 1.6  # times the smallest gap in a row: a wider one has room for a lane left out
# A lane's width where spots are narrow or the plate's side is near: a spot and layer on both sides.
NARROWEST_MM = 4.0
BAND_ENDS_MM = 3.5  # what a band's two ends add at most to its width at half height: a choice


def find_lanes(
    blobs: tuple[Blob, ...], ticks: list[tuple[float, float]], layout: Layout, settings: Settings,
    bright: bool, names: tuple[float, ...] = (),
) -> tuple[tuple[Lane, ...], float | None, tuple[float, ...]]:
    """Return the lanes, unnamed, from left to right, and the confidence in them.

    Parameters
    ----------
    blobs : tuple of Blob
        Between the lines.
    ticks : list of (x, score)
    layout : Layout
        With both lines.
    settings : Settings
        `lanes` and `lane_width` are taken where given.
    bright : bool
        Whether spots shine on a dark layer.
    names : tuple of float
        The x of what is written under the origin line.

    Returns
    -------
    lanes
    confidence : float or None
        From 0 to 1; None where the lanes, or their number, were given.
    assumed : tuple of float
        The x of lanes that were asked for and that nothing marks.

    Raises
    ------
    LayoutError
        If no lanes are found and none are given.
    InputError
        If the lanes given don't fit on the plate.
    """
    unit = layout.mm_per_unit
    assumed: tuple[float, ...] = ()
    confidence: float | None = None
    seen = weigh(blobs, ticks, layout, names)
    if isinstance(settings.lanes, tuple):
        xs = checked_places(tuple(map(float, settings.lanes)), layout)
    else:
        mm = best_lanes(seen) or _row_of_ticks(seen)
        confidence = _confidence(mm, seen)
        if settings.lanes is not None:
            _room_for(settings.lanes, layout)
            mm, new = to_count(mm, seen, settings.lanes)
            assumed, confidence = tuple(x / unit for x in new), None
        xs = [x / unit for x in mm]
        if not xs:
            raise LayoutError(
                "no lanes found: no ticks on the origin line, and no spots with layer between "
                "lanes; give the x of each with --lanes X1,X2,..., or their number with --lanes N"
            )
    lean = 0.0 if isinstance(settings.lanes, tuple) else seen.lean
    lanes = lanes_at(xs, lean, blobs, layout, settings, bright, confidence)
    return lanes, confidence, assumed


def lanes_at(
    xs: list[float], lean: float, blobs: tuple[Blob, ...], layout: Layout, settings: Settings,
    bright: bool, confidence: float | None,
) -> tuple[Lane, ...]:
    """Return lanes at `xs` (plate units, rising), as wide as their blobs and neighbours allow."""
    widths = lane_widths(xs, lean, blobs, layout, settings, REACH_BRIGHT if bright else REACH)
    return tuple(Lane("", x, wide, lean, None, confidence or 1.0)
                 for x, wide in zip(xs, widths, strict=True))


def _row_of_ticks(seen: Evidence) -> list[float]:
    """Return the ticks' places where no blob stands and no tick is sure, but their row is.

    Spots that never left the origin hide half of each tick.
    """
    row = [float(x) for x in seen.ticks]
    steps = np.diff(row)
    even = len(row) >= FEWEST_IN_ROW and float(np.ptp(steps)) < UNEVEN_ROW * float(steps.mean())
    return row if even and float(np.hypot.reduce(seen.sure)) >= TICK_SURE else []


def best_lanes(seen: Evidence) -> list[float]:
    """Return the x in mm of the lanes of least cost, by single changes from several starts."""
    places = _places(seen)
    starts = [[], sorted(float(x) for x in seen.ticks[seen.sure >= TICK_SURE]),
              *(_clustered(seen, gap) for gap in COLUMNS_APART_MM)]
    best, lowest = [], np.inf
    known: dict[tuple[float, ...], float] = {}  # from several starts the same lanes are tried
    for start in starts:
        xs, now = _improved(start, places, seen, known)
        if now < lowest - SAME_COST:
            best, lowest = xs, now
    return _parted(best, seen)


def _improved(
    start: list[float], places: list[float], seen: Evidence, known: dict[tuple[float, ...], float]
) -> tuple[list[float], float]:
    """Return lanes that no single change of `start` betters, and their cost.

    Costs are taken from `known`, or added to it.
    """
    def cost_of(xs: list[float]) -> float:
        key = tuple(xs)
        if key not in known:
            known[key] = cost(xs, seen)
        return known[key]

    xs, now = list(start), cost_of(start)
    for _ in range(80):
        changes = [sorted([*xs, p]) for p in places if all(abs(p - x) > 0.5 for x in xs)]
        changes += [xs[:i] + xs[i + 1:] for i in range(len(xs))]
        changes += [sorted([*xs[:i], *xs[i + 1:], p]) for i, x in enumerate(xs) for p in places
                    if 0.0 < abs(p - x) < SHIFT_MM]
        changes += [[*xs[:i], 0.5 * (a + b), *xs[i + 2:]]
                    for i, (a, b) in enumerate(pairwise(xs))]
        if not changes:
            break
        costs = [cost_of(change) for change in changes]
        k = int(np.argmin(costs))
        if costs[k] >= now - GAIN:
            break
        xs, now = changes[k], costs[k]
    return _settled(xs, seen), now


def _places(seen: Evidence) -> list[float]:
    """Return where lanes may be: ticks, blobs, the means of blobs in columns, names in a row."""
    places = [*seen.ticks.tolist(), *_clustered(seen, COLUMNS_APART_MM[0]), *seen.u.tolist(),
              *seen.names[seen.in_row].tolist()]
    kept: list[float] = []
    for place in places:
        if all(abs(place - other) > SAME_PLACE_MM for other in kept):
            kept.append(place)
    return kept


def _clustered(seen: Evidence, apart: float) -> list[float]:
    """Return the means of blobs in columns, parted where `apart` mm lie between."""
    if seen.u.size == 0:
        return []
    weight = seen.strength / seen.sd**2  # a weak blob may be a speck beside the lane
    order = np.argsort(seen.u)
    cuts = np.nonzero(np.diff(seen.u[order]) > apart)[0] + 1
    return [float(np.average(seen.u[group], weights=weight[group]))
            for group in np.split(order, cuts)]


def _settled(xs: list[float], seen: Evidence) -> list[float]:
    """Return lanes at their tick, or in the middle of their blobs."""
    if not xs:
        return xs
    lanes = np.array(xs)
    weight = seen.strength / seen.sd**2
    out = []
    to = np.abs(seen.u[:, None] - lanes).argmin(axis=1) if seen.u.size else np.zeros(0, int)
    for k, x in enumerate(xs):
        near = seen.ticks[np.abs(seen.ticks - x) < TICK_REACH * TICK_MM]
        own = (to == k) & (np.abs(seen.u - x) < OWN_SDS * seen.sd)
        if near.size:
            out.append(float(near[np.abs(near - x).argmin()]))
        elif own.any():
            out.append(float(np.average(seen.u[own], weights=weight[own])))
        else:
            out.append(x)
    return sorted(out)


def _parted(xs: list[float], seen: Evidence) -> list[float]:
    """Return lanes at `xs` (mm, rising) with one that is two in their place.

    Spots of two lanes that touch show as one: it stands halfway between two places of the others'
    even row, and is wider than they are by most of its step.
    """
    out: list[float] = []
    for k, x in enumerate(xs):
        others = np.array(xs[:k] + xs[k + 1:])
        near = np.abs(seen.u - x) < OWN_SDS * seen.sd
        gaps = np.diff(others)
        if gaps.size < ROW_GAPS or not near.any():
            out.append(x)
            continue
        step = float(gaps.min())
        off = np.abs(others - x) / step
        wide = float(seen.across[near][seen.strength[near].argmax()])
        on_row = np.abs(gaps / step - np.rint(gaps / step)) <= OFF_STEP
        halfway = np.abs(off - np.floor(off) - 0.5) <= OFF_STEP
        marked = bool((np.abs(seen.ticks - x) < TICK_REACH * TICK_MM).any())
        if (on_row.all() and halfway.all() and not marked and step > CLOSEST_MM
                and wide > seen.wide + TOUCHING * step):
            out += [x - 0.5 * step, x + 0.5 * step]
        else:
            out.append(x)
    return out


def _confidence(xs: list[float], seen: Evidence) -> float:
    if not xs:
        return 0.0
    ticked = [bool((np.abs(seen.ticks - x) < TICK_REACH * TICK_MM).any()) for x in xs]
    return ALL_TICKED if all(ticked) else SOME_TICKED if any(ticked) else NONE_TICKED


def to_count(xs: list[float], seen: Evidence, count: int) -> tuple[list[float], list[float]]:
    """Return `count` lanes, and which of them nothing marks.

    The lanes of least cost are kept, or added where a tick, a blob, a gap in an even row or its
    end asks for one, and then in the widest gap; where nothing is seen at all, the plate is
    divided evenly.
    """
    xs = list(xs)
    while len(xs) > count:
        xs = min((xs[:i] + xs[i + 1:] for i in range(len(xs))), key=lambda c: cost(c, seen))
    blind: list[float] = []
    closest = max(CLOSEST_MM, 0.5 * seen.wide)
    marks = _places(seen)
    while len(xs) < count:
        row = _row_places(xs, seen.plate)
        free = [p for p in (*marks, *row) if all(abs(p - x) > CROWDED * closest for x in xs)]
        if not xs and not free:
            even = [(i + 0.5) * seen.plate / count for i in range(count)]
            return even, even
        if not free:
            row = [_widest_gap(xs, seen.plate)]
        place = min(free or row, key=lambda p: cost(sorted([*xs, p]), seen, ASKED))
        xs = sorted([*xs, place])
        if place in row:
            blind.append(place)
    return xs, sorted(blind)


def _row_places(xs: list[float], plate: float) -> list[float]:
    """Return places for one more lane in a row of them: the widest gap first, then its ends."""
    if not xs:
        return []
    if len(xs) == 1:
        far = 0.5 * (xs[0] if xs[0] > plate / 2 else xs[0] + plate)
        return [far]
    gaps = np.diff(xs)
    usual = float(np.min(gaps))
    inner = [xs[i] + float(gaps[i]) / max(2, round(float(gaps[i]) / usual))
             for i in np.argsort(-gaps) if gaps[i] > LANE_LEFT_OUT * usual]
    ends = [(x, room) for x, room in ((xs[-1] + usual, plate - xs[-1] - usual),
                                      (xs[0] - usual, xs[0] - usual)) if room > CLOSEST_MM]
    ends.sort(key=lambda end: -end[1])
    return inner + [x for x, _ in ends]


def _widest_gap(xs: list[float], plate: float) -> float:
    """Return the middle of the widest gap.

    Beside the plate's edge there is room for half a lane's step: a lane stands at a third of the
    gap there, which counts as twice the other two thirds.
    """
    gaps = [(b - a, 0.5 * (a + b)) for a, b in pairwise(xs)]
    gaps += [(4 * xs[0] / 3, xs[0] / 3),
             (4 * (plate - xs[-1]) / 3, plate - (plate - xs[-1]) / 3)]
    return max(gaps)[1]


def checked_places(xs: tuple[float, ...], layout: Layout) -> list[float]:
    """Return the lanes given by place, or raise InputError where they don't fit on the plate."""
    unit_name = "mm" if layout.scaled else "pixels"
    edge = 1.0 / layout.mm_per_unit
    for x in xs:
        if not edge <= x <= layout.width - edge:
            raise InputError(
                f"--lanes: {x:g} lies outside the plate or on its edge; it is "
                f"{layout.width:.4g} {unit_name} wide: count from its left edge"
            )
    for one, two in pairwise(xs):
        if two - one < edge:
            raise InputError(
                f"--lanes: {one:g} and {two:g} are too near to be two lanes: leave "
                f"{edge:.3g} {unit_name} between them"
            )
    return list(xs)


def _room_for(count: int, layout: Layout) -> None:
    narrowest = CLOSEST_MM / layout.mm_per_unit
    if count * narrowest > layout.width:
        raise InputError(
            f"--lanes {count}: no more than {int(layout.width / narrowest)} lanes fit on a plate "
            f"{layout.width:.4g} {'mm' if layout.scaled else 'pixels'} wide"
        )


def lane_widths(
    xs: list[float], lean: float, blobs: tuple[Blob, ...], layout: Layout, settings: Settings,
    reach: float,
) -> list[float]:
    """Return each lane's width: what holds its blobs to about three sigma on each side.

    All lanes are as wide as the broadest strong blob wants, but none reaches into its neighbour.
    """
    unit = layout.mm_per_unit
    gaps = np.diff(xs)
    if settings.lane_width is not None:
        asked = float(settings.lane_width)
        narrowest = 0.5 / unit
        widest = float(gaps.min()) if gaps.size else layout.width
        if not narrowest <= asked <= widest:
            raise InputError(
                f"--lane-width {asked:g} does not fit: give from {narrowest:.3g} to "
                f"{widest:.4g}, the distance between lanes"
            )
        return [asked] * len(xs)
    lanes = np.array(xs)
    strongest = max((b.strength for b in blobs), default=0.0)
    wanted = []
    for blob in blobs:
        foot = blob.x - lean * (blob.y - float(layout.origin.at(blob.x)))
        off = float(np.abs(lanes - foot).min())
        # A weak spot's width is mostly noise: the strong ones count.
        if blob.strength < STRONG * strongest or off > blob.width:
            continue
        # A band ends sooner than a round spot of its width.
        extent = min(reach * blob.width, blob.width + BAND_ENDS_MM / unit)
        wanted.append(extent + 2.0 * min(off, 1.0 / unit))
    wide = max(wanted, default=USUAL_MM / unit)
    far = np.concatenate([[np.inf], gaps, [np.inf]])
    out = []
    for k, x in enumerate(xs):
        # A lane's half reaches no farther than half the way to the nearer neighbour; nor, by
        # much, over the plate's edge.
        room = ROOM * float(min(far[k], far[k + 1]))
        side = max(2.0 * min(x, layout.width - x) - 1.0 / unit, NARROWEST_MM / unit)
        out.append(float(min(max(wide, NARROWEST_MM / unit), room, side, layout.width)))
    return out

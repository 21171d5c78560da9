"""Is a reference in the unknown? From the verdicts on its spots, and what would have shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lanes.evidence.detection_limit import (
    NEAR,
    SPAN,
    START_LOW,
    Lane,
    found_95,
    lane_of,
    smallest_found,
)
from lanes.questions.compare.shared import at_line
from lanes.reading import LaneReading, Plate
from lanes.spots.model import Peak

MAIN = 0.2     # of the reference's largest spot: a smaller one may be an impurity of it
LARGEST = 32.0  # times the area that noise alone would let through: where the search ends
AMPLE = 2.0    # times the least area found half of the time: surely seen


@dataclass(frozen=True)
class Presence:
    """The verdict on one reference.

    Attributes
    ----------
    name : str
    verdict : str
        "present", "absent" or "cannot tell".
    reason : str
        What it rests on, in words.
    limit_percent : float or None
        Where absent: the area percent of the unknown above which it would have been found 95 %
        of the time; None where that is not known, or the unknown shows nothing.
    limit_of_reference : float or None
        The same as percent of the reference's own spot; None between plates, whose signals
        can't be compared.
    matched : tuple of (int, int)
        Places of the reference's spots and of the unknown's that are the same.
    """

    name: str
    verdict: str
    reason: str
    limit_percent: float | None
    matched: tuple[tuple[int, int], ...]
    limit_of_reference: float | None = None


def mains(reading: LaneReading) -> tuple[int, ...]:
    """Return the places of a reference's main spots; those on the lines are left out."""
    spots = reading.spots
    free = [i for i in range(len(spots)) if not at_line(reading, i)]
    most = max((spots[i].area for i in free), default=0.0)
    return tuple(i for i in free if spots[i].area >= MAIN * most)


def presence(
    plate: Plate, unknown: LaneReading, reference: LaneReading,
    verdicts: Mapping[tuple[int, int], str], scale: float = 1.0,
) -> Presence:
    """Return whether `reference` is in `unknown`.

    Present: each main spot that should be visible is the same as one of the unknown's. Absent:
    its largest spot differs from all of them, and an amount that would have been found is known.

    Parameters
    ----------
    plate : Plate
        The unknown's.
    unknown, reference : LaneReading
        The unknown may be empty.
    verdicts : mapping
        (unknown spot, reference spot) to "same", "different" or "cannot tell".
    scale : float
        Takes the reference's Rf to the unknown's plate.
    """
    wanted = sorted(mains(reference), key=lambda j: -reference.spots[j].area)
    if not wanted:
        return Presence(reference.name, "cannot tell",
                        "its spots stand on the origin or the front, where Rf tells nothing",
                        None, ())
    by = {j: _best(unknown, reference, j, verdicts) for j in wanted}
    matched = tuple((j, i) for j, (verdict, i) in by.items()
                    if verdict == "same" and i is not None)
    first = wanted[0]
    if by[first][0] == "different":
        if any(verdict == "same" for verdict, _ in by.values()):
            return Presence(reference.name, "cannot tell", "a smaller spot of it agrees and its "
                            "largest does not", None, matched)
        return _not_there(unknown, reference, _limit(plate, unknown, reference, first, scale))
    if by[first][0] != "same":
        return Presence(reference.name, "cannot tell", "the plate can't tell whether its largest "
                        "spot is there", None, matched)
    i = by[first][1]
    assert i is not None
    open_question = _smaller_spots(
        unknown, reference, wanted[1:], unknown.spots[i].area / reference.spots[first].area,
        {j: verdict for j, (verdict, _) in by.items()})
    if open_question is not None:
        return Presence(reference.name, "cannot tell", open_question, None, matched)
    what = ("its spot agrees" if len(wanted) == 1
            else "every main spot of it that should show agrees")
    return Presence(reference.name, "present", what, None, matched)


def _not_there(
    unknown: LaneReading, reference: LaneReading,
    limit: tuple[float | None, float | None] | None,
) -> Presence:
    """Return the verdict where the reference's largest spot is not among the unknown's."""
    why = ("its largest spot differs from all" if unknown.spots
           else "nothing is detected at its place")
    if limit is None:
        return Presence(reference.name, "cannot tell", f"{why}, but a small one there would "
                        "have been missed", None, ())
    return Presence(reference.name, "absent", why, limit[0], (), limit[1])


def _smaller_spots(
    unknown: LaneReading, reference: LaneReading, smaller: Sequence[int], amount: float,
    verdicts: Mapping[int, str],
) -> str | None:
    """Return why the reference's smaller main spots leave its presence open, None where they don't.

    `amount` is what the unknown holds of its largest spot, over what the reference holds.
    """
    for j in smaller:
        seen = amount * reference.spots[j].area > AMPLE * (unknown.limit or np.inf)
        if verdicts[j] == "different" and seen:
            return ("its largest spot agrees, and another that should show, at Rf "
                    f"{reference.spots[j].rf:.2f}, is not there")
        if verdicts[j] == "cannot tell":
            return ("its largest spot agrees; whether the one at Rf "
                    f"{reference.spots[j].rf:.2f} does can't be told")
    return None


def _best(
    unknown: LaneReading, reference: LaneReading, j: int,
    verdicts: Mapping[tuple[int, int], str],
) -> tuple[str, int | None]:
    """Return the best verdict that reference spot `j` has, and the unknown's spot it is with."""
    order = ("same", "cannot tell", "different")
    options = [(order.index(verdicts[i, j]), abs(s.rf - reference.spots[j].rf), i)
               for i, s in enumerate(unknown.spots) if (i, j) in verdicts]
    if not options:
        return "different", None
    rank, _, i = min(options)
    return order[rank], i


def _limit(
    plate: Plate, unknown: LaneReading, reference: LaneReading, j: int, scale: float
) -> tuple[float | None, float | None] | None:
    """Return what a spot at the reference's place needs to be found, or None where not known.

    As area percent of the unknown (None where it is empty), and of the reference's spot.
    """
    if plate.settings.components is not None:
        return None  # nothing is looked for beyond the count given
    lane = _lane(plate, unknown, reference, j)
    if lane is None:
        return None
    run = unknown.trace.run
    place = reference.spots[j].rf * scale * run
    sigma = min(reference.fit.components[j].sigma * run / reference.trace.run,
                2.0 / plate.layout.mm_per_unit)
    variants = [lane.with_residual(unknown.fit, sign, at)
                for sign, at in ((1.0, None), (-1.0, place))]
    start = unknown.limit or 0.0
    reach = SPAN * sigma
    level = found_95(_smallest_area(v.cut(place - reach, place + reach), place, sigma, start)
                     for v in variants)
    if level is None:
        return None
    total = sum(s.area for s in unknown.spots)
    return (100.0 * level / (total + level) if total > 0 else None,
            100.0 * level / reference.spots[j].area if scale == 1.0 else None)


def _lane(plate: Plate, unknown: LaneReading, reference: LaneReading, j: int) -> Lane | None:
    """Return what the unknown's reading started from.

    A spot put into it is spread across the lane as its largest spot is, or, where it is empty,
    as the reference's.
    """
    if unknown.spots:
        return lane_of(plate, unknown, max(range(len(unknown.spots)),
                                           key=lambda i: unknown.spots[i].area))
    t = unknown.trace
    across = lane_of(plate, reference, j).across
    if t.strips is not None and (across is None or across.size != t.strips.shape[1]):
        return None
    return Lane(t, t.signal - unknown.background, unknown.noise, plate.layout.mm_per_unit,
                plate.settings.baseline_order, across)


def _smallest_area(lane: Lane, place: float, sigma: float, start: float) -> float | None:
    """Return the smallest area that is found at `place`, up to 32 times `start`."""
    if not start > 0:
        return None
    before = _centres(lane)

    def found(area: float) -> bool:
        after = _centres(lane.plus([Peak(place, area, sigma)]))
        return len(after) > len(before) and min(abs(c - place) for c in after) < NEAR * sigma

    return smallest_found(found, START_LOW * start, LARGEST * start)


def _centres(lane: Lane) -> Sequence[float]:
    return [c.centre for c in lane.fitted().components]

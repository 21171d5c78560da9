"""The evidence in words: each view of the spot, for a second component, against it, or undecided.

A view is one way to look at the spot. The verdict rests on all of them: a second component is
claimed only where the trace asks for it and no view contradicts it.
"""

from __future__ import annotations

from dataclasses import dataclass

from lanes.questions.shoulder.case import Case
from lanes.questions.shoulder.colour_change import ColourChange
from lanes.questions.shoulder.verdict import OtherLaw
from lanes.questions.shoulder.weigh import LEVEL, Evidence
from lanes.reading import LaneReading

SAME_RF = 0.012     # between lanes of one plate (common practice: 0.01 to 0.02)
VALLEY = 0.95       # of the lesser maximum: shallower valleys come and go with the noise
WIDE = 0.10         # as ln(width ratio): less than this is no news whatever its significance
WIDE_SDS = 2.6      # of the width that the plate's lone spots lead to expect: 99 %
FOR, AGAINST, UNDECIDED = "for", "against", "undecided"


@dataclass(frozen=True)
class View:
    """One view of the spot.

    Attributes
    ----------
    view : str
        What was looked at.
    verdict : str
        "for" a second component, "against" it, or "undecided".
    words : str
    value : float or None
        The figure that it rests on, as the words say.
    """

    view: str
    verdict: str
    words: str
    value: float | None


def shape_views(case: Case, found: Evidence, second_seen: bool) -> list[View]:
    """Return what the trace says: one against two, and each single shape against two."""
    doubt = case.doubt
    what = ("as misshapen as the plate's lone spots are" if doubt.source == "plate"
            else "as misshapen as spots commonly are")
    if case.rough > 1.0:
        what += f", {case.rough:.1f} times over for its own uneven strips"
    p = found.p_value
    if p < LEVEL:
        first = View("shape", FOR, f"two explain the trace better than one spot {what}", p)
    elif second_seen:
        first = View("shape", AGAINST, f"one spot {what} explains the trace, and a second would "
                     "have shown", p)
    else:
        first = View("shape", UNDECIDED, f"one spot {what} explains the trace, and so might two", p)
    out = [first]
    for name, (p_rival, p_two) in found.against.items():
        if p_rival < LEVEL:
            out.append(View(name, FOR, f"{name} does not explain the trace", p_rival))
        elif p_two < LEVEL:
            out.append(View(name, AGAINST, f"{name} explains the trace, and two do not", p_rival))
        else:
            out.append(View(name, UNDECIDED, f"{name} explains the trace as well as two", p_rival))
    return out


def across_view(case: Case, asked: bool) -> View:
    """Return what the strips across the lane say of the two components' outlines.

    `asked` is whether the trace asks for a second component at all.
    """
    name, across = "across the lane", case.across
    if not asked:
        return View(name, UNDECIDED, "there is no second part to follow across the lane", None)
    if across is None:
        return View(name, UNDECIDED, "a trace shows nothing across the lane", None)
    words = {
        FOR: "the two share centre and width across the lane, as spots of one application do",
        AGAINST: "the smaller part lies elsewhere across the lane, or is of another width there, "
                 "as a blotch is",
        UNDECIDED: "the smaller part is too weak to be followed across the lane",
    }[across.verdict]
    return View(name, across.verdict, words, across.centre)


def profile_view(kept_one: bool, asked: bool) -> View:
    """Return what the spot's profile across the lane says of its profile along it."""
    if asked and kept_one:
        return View("profile across", AGAINST, "one spot with the profile that it shows across the "
                    "lane, a little longer or skewed, would look as it does along it", None)
    return View("profile across", UNDECIDED, "its profile across the lane says nothing of the one "
                "along it", None)


def valley_view(case: Case, valley: float | None, asked: bool) -> View:
    """Return whether two maxima show; `valley` is the valley over the lesser maximum."""
    if not asked or valley is None or valley > VALLEY:
        return View("valley", UNDECIDED, "no valley shows between two maxima",
                    valley if asked else None)
    if case.across is not None and case.across.verdict == AGAINST:
        return View("valley", UNDECIDED, "a valley shows, as in a spot dark at its edge", valley)
    return View("valley", FOR, "a valley shows between two maxima", valley)


def listed_view(valley: float) -> View:
    """Return that the trace shows a valley between two spots that the reading lists."""
    return View("valley", FOR, "the reading lists two spots here, and the trace shows a valley "
                "between them, which no one spot has under any law", valley)


def colour_view(found: ColourChange | None) -> View:
    """Return what the scan's channels say."""
    if found is None:
        return View("colour", UNDECIDED, "the scan shows no colour to go by", None)
    if found.sure:
        return View("colour", FOR, f"the colour changes by {found.angle:.0f} degrees across the "
                    "spot, channels taken as a vector", found.p_value)
    return View("colour", UNDECIDED, "one colour over the whole spot: two may share it",
                found.p_value)


def width_view(width: tuple[float, float] | None, wide: bool) -> View:
    """Return what the plate's lone spots say of its width, (ratio, sd of its logarithm)."""
    if width is None:
        return View("width", UNDECIDED, "too few lone spots tell what width to expect", None)
    ratio = width[0]
    if wide:
        return View("width", FOR, f"as one it is {100 * (ratio - 1):.0f} % wider than the plate's "
                    "lone spots at this Rf", ratio)
    return View("width", UNDECIDED, f"as one it is {ratio:.2f} times as wide as the plate's lone "
                "spots, no more than these may differ by", ratio)


def law_view(found: OtherLaw | None) -> View:
    """Return whether another law from light to signal asks for two as well."""
    if found is None:
        return View("other law", UNDECIDED, "no other law was asked", None)
    if found.agrees:
        return View("other law", FOR, f"two are needed under {found.law} too", found.percent)
    return View("other law", AGAINST, f"under {found.law} two are not needed", found.percent)


def lanes_view(
    readings: tuple[LaneReading, ...], reading: LaneReading, rfs: list[float]
) -> View:
    """Return whether another lane shows the same two, or each in a lane of its own."""
    both: list[str] = []
    lone: tuple[list[str], list[str]] = ([], [])
    for other in readings:
        if other is reading:
            continue
        near = [[s for s in other.spots if abs(s.rf - rf) < SAME_RF] for rf in rfs]
        if near[0] and near[1] and near[0][0] is not near[1][0]:
            both.append(other.name)
        elif bool(near[0]) != bool(near[1]):
            lone[0 if near[0] else 1].append(other.name)
    if both:
        return View("other lanes", FOR, f"lane {both[0]} shows two at the same places", None)
    if lone[0] and lone[1]:
        return View("other lanes", FOR, f"lane {lone[0][0]} shows the lower alone, lane "
                    f"{lone[1][0]} the upper", None)
    return View("other lanes", UNDECIDED, "no other lane shows the same two", None)


def overload_view(reason: str | None) -> View:
    """Return whether the scan holds the spot's true shape; `reason` is why it does not."""
    if reason is None:
        return View("exposure", UNDECIDED, "the scan holds the whole of the spot's signal", None)
    return View("exposure", UNDECIDED, reason, None)

"""The verdict on one spot from all its evidence, why, and what would settle an open question."""

from __future__ import annotations

from dataclasses import dataclass

from lanes.questions.shoulder.across import Across
from lanes.questions.shoulder.any_shape import UNLIKE
from lanes.questions.shoulder.weigh import ANY_SHAPE, LEVEL, Detectable, Evidence
from lanes.reading import LaneReading
from lanes.spots.split import SMALLEST_SHARE

# A plate that would miss even a second of this percent at this resolution can't say "one": the
# pair would be a spot and a clear shoulder (common practice).
SEEN_PERCENT, SEEN_RESOLUTION = 35.0, 0.75
# Two fitted to one spot without noise lie at resolution 0.35 to 0.55 for a blurred disc, up to 0.65
# for a skewed one (computed). Farther apart they follow a shoulder, and two misshapen spots may be
# what neither two Gaussians nor one spot of a simple shape quite describe.
SHOULDER = 0.65
COARSE_MM = 0.11  # spacing of a trace, 230 dots per inch: a finer scan would show more
APART = 1.5  # resolution from which a second component lies off the first one's flank


@dataclass(frozen=True)
class OtherLaw:
    """What another law makes of the spot: whether two are needed, and what the two would be.

    `percent` is the smaller's area percent, `resolution` theirs; None where they can't be had.
    """

    law: str
    agrees: bool
    percent: float | None
    resolution: float | None = None


def second_seen(detectable: tuple[Detectable, ...]) -> bool:
    """Return whether a fair second component, close by, would have shown."""
    return any(d.percent is not None and d.percent <= SEEN_PERCENT
               for d in detectable if d.resolution < SEEN_RESOLUTION)


def decide(
    evidence: Evidence, wide: bool, coloured: bool, doubtful: bool = False, *,
    across: Across | None = None, other_law: OtherLaw | None = None,
    overload: str | None = None, kept_one: bool = False, long: bool = False,
) -> tuple[str, tuple[str, ...]]:
    """Return the verdict, and why.

    Two must beat one misshapen spot, and every rival that is a single component: one spot of any
    shape; or, where that can be, a tail, a skewed or flat spot, and a measured shape. Those they
    must beat by as much as two would: where they beat them by less, the trace is neither. A rival
    that explains the spot where two close ones do not makes it one, unless it is longer than wide;
    where both explain it, a change of colour across the spot decides for two, and without it
    nothing can be told. Nor can it where the strips put the two in different places across the
    lane, where another law needs no second, or where the scan does not hold the spot's shape.

    Parameters
    ----------
    evidence : Evidence
    wide, coloured : bool
        Whether the spot is wider than lone ones, and whether its colour changes.
    doubtful : bool
        Whether the noise can't be parted from misfit.
    across : Across, optional
    other_law : OtherLaw, optional
    overload : str, optional
        Why the scan does not hold the spot's shape.
    kept_one : bool
        Whether the reading, which looks across the lane too, did not believe in more than one.
    long : bool
        Whether the spot is longer along the lane than its width across it leads to expect.
    """
    if overload is not None:
        return "cannot tell", (overload,)
    if evidence.p_value >= LEVEL:
        return _without_a_second(evidence, wide, coloured)
    one_by, open_rivals = _rivals(evidence)
    if one_by is not None and not coloured and not long and evidence.resolution < SHOULDER:
        return "one", (f"{one_by} explains it, and two components do not",)
    if coloured and (evidence.scale <= UNLIKE or not open_rivals):
        return "two", ("its colour changes across it",)
    against = _against_two(evidence, open_rivals, doubtful, long) or _beside_the_trace(
        evidence, across, other_law, kept_one)
    if against:
        return "cannot tell", against
    return "two", ("two explain it better than one misshapen spot of any kind that was tried",)


def _rivals(evidence: Evidence) -> tuple[str | None, list[str]]:
    """Return the first that explains the spot where two do not, and all that explain it."""
    able = [name for name, (p_rival, _) in evidence.against.items() if p_rival >= LEVEL]
    alone = (name for name in able if evidence.against[name][1] < LEVEL)
    return next(alone, None), able


def _against_two(
    evidence: Evidence, open_rivals: list[str], doubtful: bool, long: bool
) -> tuple[str, ...]:
    """Return what in the trace keeps two from being claimed, if anything."""
    if open_rivals:
        if long:
            return tuple(f"{name} explains it, but it is longer than one as wide usually is, as "
                         "two would be" for name in open_rivals)
        return tuple(f"{name} explains it as well as two" for name in open_rivals)
    if doubtful:
        return ("two explain it better, but no clean layer tells what is noise",)
    # Each rival asks once whether two are fit: the level is theirs together. Two of any one shape
    # need not be alike to the noise: what they leave has its own bound.
    fit = [p_two for name, (_, p_two) in evidence.against.items() if name != ANY_SHAPE]
    if evidence.scale > UNLIKE or any(p_two < LEVEL / len(fit) for p_two in fit):
        return ("neither one spot nor two follow the trace",)
    if evidence.share < SMALLEST_SHARE and evidence.resolution < APART:
        return ("the second component is no larger than a spot's own unevenness",)
    return ()


def _beside_the_trace(
    evidence: Evidence, across: Across | None, other_law: OtherLaw | None, kept_one: bool
) -> tuple[str, ...]:
    """Return what keeps two, which the trace asks for, from being claimed all the same."""
    if evidence.uneven and evidence.resolution < SHOULDER:
        return ("two explain it better, but one spot as uneven as it is across the lane looks like "
                "two so close",)
    if across is not None and across.verdict == "against":
        return ("two explain the trace, but not at one place across the lane: a blotch looks so",)
    if kept_one and ANY_SHAPE not in evidence.against:
        return ("two explain it better, but one spot with the profile that it shows across the "
                "lane would do as well",)
    if other_law is not None and not other_law.agrees:
        return (f"two explain it better, but not under {other_law.law}",)
    return ()


def _without_a_second(
    evidence: Evidence, wide: bool, coloured: bool
) -> tuple[str, tuple[str, ...]]:
    """Return the verdict, and why, on a spot whose trace asks for no second component."""
    if coloured:
        return "cannot tell", ("its shape is that of one, but its colour changes across it",)
    if wide:
        return "cannot tell", ("its shape is that of one, but wider than lone spots here",)
    if not second_seen(evidence.detectable):
        return "cannot tell", ("one misshapen spot explains it, and it would hide a second "
                               "component of any size",)
    return "one", ("a second component explains no more than noise and the spot's own "
                   "misshape would",)


def settle(verdict: str, evidence: Evidence, wide: bool, reading: LaneReading) -> tuple[str, ...]:
    """Return what would settle an open question."""
    if verdict != "cannot tell":
        return ()
    out = ["develop again with another solvent: two components rarely keep together in both"]
    if evidence.p_value < LEVEL or wide:
        out.append("apply less sample: a tail from overload shrinks, a second component stays")
    else:
        out.append("apply more sample, if the scan is not clipped: the spot is too weak to tell")
    out.append("run a co-spot with the suspected second component beside it")
    if reading.run_mm is not None and reading.trace.pitch > COARSE_MM:
        out.append("scan finer: 300 dots per inch or more")
    if not any(name.startswith("the shape of lane") for name in evidence.against):
        out.append("run a spot known to be one component in its own lane and name that lane "
                   "with --shape-from")
    return tuple(out)

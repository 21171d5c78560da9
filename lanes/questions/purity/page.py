"""The answer to "how pure is it?" in words, as a record and as a page."""

from __future__ import annotations

import math
from collections.abc import Iterable
from html import escape
from typing import Any

from lanes.errors import one_line
from lanes.questions.purity.answer import Purity, Share, UnderLaw
from lanes.questions.purity.figure import WIDTH, purity_png
from lanes.report.answer import NOT_MASS, NOT_VALIDATED, RANGES, AnswerReport
from lanes.report.digits import UNKNOWN, figures, fixed, show_rf, up
from lanes.report.page import NUMBER, WHOLE, table
from lanes.settings import Settings

NARROWEST = 1e-3  # of an interval, in percent: more digits than that are never printed
_VERDICTS = {
    "below": "below the limit", "above": "above the limit", "cannot tell": "cannot tell",
}


def render_purity(answer: Purity, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` is the plate's file name."""
    lines = short(answer)
    return AnswerReport(
        name="purity",
        question="How pure is it?",
        source=f"Lane {answer.lane} of {file}.",
        lines=lines,
        details=_details(answer),
        record=_record(answer),
        draw=lambda: purity_png(answer, _title(answer)),
        alt=f"Trace of lane {answer.lane}, whole and enlarged, with its spots and the "
        "smallest spot that would be found",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=answer.flags,
        cautions=(_ranges(answer), NOT_MASS, NOT_VALIDATED),
        settings=settings.to_toml(),
        signal=answer.reading.signal,
    )


def _title(answer: Purity) -> str:
    if answer.others:
        return f"Lane {answer.lane}: main spot {_percent(answer.main)}"
    return f"Lane {answer.lane}: one spot found"


def _record(answer: Purity) -> dict[str, Any]:
    return {
        "lane": answer.lane,
        "main": _share(answer.main),
        "others": [_share(other) for other in answer.others],
        "joined": [answer.reading.spots[i].rf for i in answer.joined],
        "joined_percent": answer.joined_percent,
        "undetected_below_percent": answer.undetected_below_percent,
        "beside_main": [
            {"resolution": b.resolution, "percent": b.percent} for b in answer.beside_main
        ],
        "laws": [{"law": u.law, "area_percent": u.area_percent,
             "undetected_below_percent": u.undetected_below_percent} for u in answer.laws],
        "limit_test": [
            {"lane": t.lane, "percent": t.percent, "reference_rf": t.reference_rf,
             "rf": t.rf, "ratio": t.ratio, "sds": t.sds, "verdict": t.verdict}
            for t in answer.limit_test
        ],
    }


def _share(share: Share) -> dict[str, float | None]:
    return {"rf": share.rf, "area_percent": share.area_percent, "low": share.low,
            "high": share.high}


def _details(answer: Purity) -> list[str]:
    lines = []
    if len(answer.others) > 1:
        lines += [f"Spot at Rf {show_rf(s.rf)}: {_percent(s)}." for s in answer.others]
    return [*lines, _beside(answer), f"{_laws(answer)}.",
            *(_test(answer, i) for i in range(len(answer.limit_test)))]


def short(answer: Purity) -> list[str]:
    """Return the plain answer: what was found, and above what size nothing else was."""
    name = one_line(answer.lane)
    limit = answer.undetected_below_percent
    above = "how small a spot would have been missed is not known"
    if limit is not None:
        above = f"no second component detected above {up(limit)} %"
    if not answer.others:
        if answer.main.low is None:
            held = f"it is all that was found; {above}"
        else:
            held = (f"it is all that was found, {fixed(answer.main.low, 1)} to 100 area percent "
                    "if it hides no neighbour")
        return [
            f"Lane {name}: {above}, away from the main spot." if limit is not None
            else f"Lane {name}: no second component detected, away from the main spot.",
            *_doubt(answer),
            f"The main spot is at Rf {show_rf(answer.main.rf)}; {held}.",
            *_hidden(answer),
        ]
    largest = max(answer.others, key=lambda s: s.area_percent)
    count = len(answer.others)
    rest = ("one more spot was found" if count == 1
            else f"{count} more spots were found, the largest")
    further = ("How small a further spot would have been missed is not known." if limit is None
               else f"Away from these, no further component detected above {up(limit)} %.")
    return [
        f"Lane {name}: the main spot, at Rf {show_rf(answer.main.rf)}, holds "
        f"{_percent(answer.main)}.",
        *_doubt(answer),
        f"Beside it {rest} at Rf {show_rf(largest.rf)}, with {_percent(largest)}.",
        *_joined(answer),
        further,
        *_hidden(answer),
    ]


def _hidden(answer: Purity) -> list[str]:
    """Return a line on what the main spot may hide beside it."""
    seen = [(b.resolution, b.percent) for b in answer.beside_main if b.percent is not None]
    if not seen:
        return []
    resolution, percent = min(seen)
    nearer = any(b.resolution < resolution for b in answer.beside_main)
    return [f"It may hide a neighbour: one at a resolution of {resolution:g} is listed only from "
            f"{up(percent)} % of the main spot on; nearer ones "
            f"{'are not, whatever their size' if nearer else 'were not tried'}. "
            "lanes shoulder asks whether it is one spot."]


def _joined(answer: Purity) -> list[str]:
    """Return a line where a spot may be a part of the main one."""
    if not answer.joined:
        return []
    rfs = [show_rf(answer.reading.spots[i].rf) for i in answer.joined]
    one = len(rfs) == 1
    return [f"No valley divides the main spot from {'that' if one else 'those'} at Rf "
            f"{' and '.join(rfs)}: {'it' if one else 'they'} may be a part of it, as a tail is, "
            f"and it would then hold {figures(answer.joined_percent)} area percent. "
            "lanes shoulder asks whether it is one spot."]


def _doubt(answer: Purity) -> list[str]:
    """Return a line where the reading itself is in doubt."""
    why = []
    if any(f.name == "fit-poor" for f in answer.flags):
        why.append("the spots do not follow the trace within the noise")
    if any(f.name == "weak" for f in answer.reading.spots[answer.index].flags):
        why.append("the main spot is weak")
    return [f"These figures are less certain than usual: {' and '.join(why)}."] if why else []


def _percent(share: Share) -> str:
    if share.low is None or share.high is None:
        return f"{figures(share.area_percent)} area percent (interval not known)"
    places = _places(share)
    return (f"{fixed(share.area_percent, places)} area percent "
            f"({fixed(share.low, places)} to {fixed(share.high, places)})")


def _places(share: Share) -> int:
    """Return the decimals a share is stated with: for two figures of its interval, at least one."""
    if share.low is None or share.high is None:
        return 1
    return max(1, 1 - math.floor(math.log10(max(share.high - share.low, NARROWEST))))


def _beside(answer: Purity) -> str:
    if not answer.beside_main:
        return "How large a neighbour must be to be found is not known: the count was given."
    levels = ", ".join(
        f"Rs {b.resolution:g}: {'not at any size' if b.percent is None else up(b.percent) + ' %'}"
        for b in answer.beside_main
    )
    return ("Beside the main spot, the reading itself lists a neighbour from (percent of the main "
            f"spot) {levels}; a test of this one spot (lanes shoulder) sees smaller ones.")


def _laws(answer: Purity) -> str:
    places = _places(answer.main)
    levels = ", ".join(f"{u.law} {fixed(u.area_percent, places)} %{_limit(u)}" for u in answer.laws)
    return f"The main spot by law from light to signal: {levels}"


def _limit(under: UnderLaw) -> str:
    limit = under.undetected_below_percent
    return "" if limit is None else f" (a further spot would show from {up(limit)} %)"


def _test(answer: Purity, i: int) -> str:
    test = answer.limit_test[i]
    what = "no other spot found" if test.rf is None else f"spot at Rf {show_rf(test.rf)}"
    ratio = "" if test.ratio is None else (
        f", {figures(test.ratio)} times the reference spot's area")
    sds = "" if test.sds is None else f", {abs(test.sds):.1f} standard deviations apart"
    return (f"Against the spot at Rf {show_rf(test.reference_rf)} of lane {one_line(test.lane)} "
            f"({test.percent:g} %): {what}{ratio}{sds}: "
            f"{_VERDICTS[test.verdict]}.")


def _sections(answer: Purity) -> list[str]:
    return [
        "<h2>Spots</h2>",
        table("Spots", ("Spot", "Rf", "Area&nbsp;%", "95 % interval"), [("", [
            (_which(answer, s), show_rf(s.rf),
             fixed(s.area_percent, _places(s)), _interval(s))
            for s in sorted((answer.main, *answer.others), key=lambda s: s.rf)])],
            (WHOLE, NUMBER, NUMBER, WHOLE)),
        f'<p class="quiet">{escape(_meaning(answer))}</p>',
        *_missed(answer),
        "<h2>The law from light to signal</h2>",
        table("Laws", ("Law", "Main spot, area&nbsp;%", "Limit, area&nbsp;%"), [("", [
            (escape(u.law), fixed(u.area_percent, _places(answer.main)),
             UNKNOWN if u.undetected_below_percent is None else up(u.undetected_below_percent))
            for u in answer.laws])], (WHOLE, NUMBER, NUMBER)),
        '<p class="quiet">The same spots, fitted anew to the signal that each law makes of the '
        "same light, and what the smallest spot that is found 95 % of the time holds by it. How "
        "far the figures differ is how far the law matters; the larger limit is stated.</p>",
        *_tests(answer),
    ]


def _which(answer: Purity, share: Share) -> str:
    if share is answer.main:
        return "main"
    joined = share.rf in [answer.reading.spots[i].rf for i in answer.joined]
    return "other, or a part of the main one" if joined else "other"


def _interval(share: Share) -> str:
    if share.low is None or share.high is None:
        return UNKNOWN
    return f"{fixed(share.low, _places(share))} to {fixed(share.high, _places(share))}"


def _ranges(answer: Purity) -> str:
    """Return what the printed ranges are."""
    if not answer.others or answer.undetected_below_percent is None:
        return RANGES
    return (f"{RANGES} The main spot's reaches down to what it would be with a further spot as "
            "large as would have been missed.")


def _meaning(answer: Purity) -> str:
    if answer.others:
        missed = ("How small a further spot would have been missed is not known and not in it."
                  if answer.undetected_below_percent is None else
                  "The main spot’s lower bound is lowered by the one further spot that could have "
                  "been missed away from all others; several, or one under the main spot or the "
                  "pencil, it can’t count.")
        return ("The interval counts the fitted areas’ noise and shapes and what else could be "
                f"assumed of the light, for the spots found. {missed}")
    return ("A lone spot is 100 % of what was found. Its interval runs from 100 less the one "
            "further spot that could have been missed, up to 100. It can't count several "
            "missed spots, nor one that hides under the main spot or the pencil.")


def _missed(answer: Purity) -> Iterable[str]:
    out = ["<h2>What would have been missed</h2>"]
    if answer.undetected_below_percent is None:
        out.append("<p>How small a spot would have been missed is not known.</p>")
    else:
        out.append("<p>Away from every spot found, a spot shaped as the main one is found 95 % of "
                   f"the time from {up(answer.undetected_below_percent)} area percent on, by the "
                   "law that gives the most.</p>")
    if answer.beside_main:
        rows = [(f"{b.resolution:.2f}", "not at any size" if b.percent is None
                 else up(b.percent)) for b in answer.beside_main]
        out.append(table("Beside the main spot", ("Resolution to the main spot",
                   "Found from, % of the main spot"), [("", rows)], (NUMBER, NUMBER)))
    out.append('<p class="quiet">Spots of known size were added to this lane’s own trace and '
               "looked for by the same steps as every other. Beside the main spot few trials "
               "fit, so the figures are smoothed never to rise with resolution. They tell what "
               "the reading would list; a test of one spot, <code>lanes shoulder</code>, sees "
               "smaller neighbours.</p>")
    return out


def _tests(answer: Purity) -> Iterable[str]:
    if not answer.limit_test:
        return []
    rows = [(escape(t.lane), show_rf(t.reference_rf), f"{t.percent:g}",
             show_rf(t.rf), figures(t.ratio), fixed(t.sds, 1),
             _VERDICTS[t.verdict])
            for t in answer.limit_test]
    head = ("Reference lane", "Its Rf", "Stands for, %", "Spot at Rf", "Area ÷ reference",
            "Difference, sd", "Verdict")
    return [
        "<h2>Limit test</h2>",
        table("Limit test", head, [("", rows)], (WHOLE, *[NUMBER] * 5, WHOLE)),
        '<p class="quiet">A spot is below or above where its area and the reference spot’s differ '
        "by more than 1.96 standard deviations of the difference. How exactly the two were "
        "applied, and whether they answer the light alike (another Rf is another substance), is "
        "not in it. A ? stands where no other "
        "spot was found: then the smallest spot that is found 95 % of the time was compared.</p>",
    ]

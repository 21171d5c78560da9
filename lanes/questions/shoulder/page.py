"""The shoulder question in words, as a record and as a page."""

from __future__ import annotations

import math
from html import escape
from typing import Any

from lanes.confidence import TWO_SIDED_95
from lanes.questions.shoulder.figure import WIDTH, shoulder_png
from lanes.questions.shoulder.result import Shoulder
from lanes.report.answer import NOT_MASS, NOT_VALIDATED, AnswerReport
from lanes.report.digits import fixed, rf_more, show_rf, up
from lanes.report.page import NUMBER, WHOLE, table
from lanes.settings import Settings

MORE = 4  # decimals tried, from the usual count on, until an interval's ends read differently
EXACTLY = ("An answer of one says that no second component was detected: one that runs exactly "
           "with the first can't be.")


def sentence(answer: Shoulder) -> str:
    """Return the answer in plain words, one line."""
    if answer.verdict == "two":
        listed = "" if answer.valley is None else (
            "; the reading lists both, and a valley of "
            f"{fixed(100.0 * answer.valley, 0)} % of the lesser's height divides them")
        return f"Two components, {_two(answer)}{listed}."
    if answer.verdict == "one":
        return f"One component is enough; no second component detected{_limit(answer)}."
    return f"Cannot tell: {'; '.join(answer.reasons)}."


def _uncapital(text: str) -> str:
    return text[:1].lower() + text[1:]


def _two(answer: Shoulder) -> str:
    a, b = answer.components
    minor = min((a, b), key=lambda c: c.area_percent)
    low, high = minor_range(answer)
    text = (f"at Rf {_rf(answer, 0)} and {_rf(answer, 1)}, the smaller "
            f"{_with_range(minor.area_percent, low, high, 0)} % of their area")
    if answer.pair is not None:
        low, high = bounds(answer.pair.resolution, answer.pair.resolution_sd)
        text += f", resolution {_with_range(answer.pair.resolution, low, high, 1)}"
    return text


def _rf(answer: Shoulder, index: int) -> str:
    rfs = [c.rf for c in answer.components]
    return show_rf(rfs[index], 0.0, rf_more(rfs, index))


def minor_range(answer: Shoulder) -> tuple[float | None, float | None]:
    """Return the smaller's area percent from and to: its 95 % interval."""
    minor = min(answer.components, key=lambda c: c.area_percent)
    return bounds(minor.area_percent, minor.area_percent_sd, 100.0)


def bounds(
    value: float | None, sd: float | None, most: float = math.inf
) -> tuple[float | None, float | None]:
    """Return the ends of a 95 % interval within 0 and `most`, None where unknown."""
    if value is None or sd is None or not math.isfinite(sd):
        return None, None
    return max(value - TWO_SIDED_95 * sd, 0.0), min(value + TWO_SIDED_95 * sd, most)


def _with_range(value: float | None, low: float | None, high: float | None, places: int) -> str:
    places = next((more for more in range(places, places + MORE)
                   if fixed(low, more) != fixed(high, more)), places)
    return f"{fixed(value, places)} ({fixed(low, places)} to {fixed(high, places)})"


def _limit(answer: Shoulder) -> str:
    seen = [d for d in answer.detectable if d.percent is not None]
    if not seen:
        return ""
    shown = next((d for d in seen if d.resolution >= 0.5), seen[-1])
    assert shown.percent is not None
    return (f"; a second above {up(shown.percent)} % at resolution "
            f"{fixed(shown.resolution, 1)} would have been seen by this test of the one spot "
            "(what a reading itself would list is larger: lanes purity)")


def render_shoulder(answer: Shoulder, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` is the plate's file name."""
    lines = [sentence(answer)]
    if answer.alone is not None:
        lines.append(f"The spot at Rf {show_rf(answer.alone.rf)} by itself: "
                     f"{_uncapital(sentence(answer.alone))}")
    if answer.settle:
        lines += ["What would settle it:", *(f"- {what}" for what in answer.settle)]
    return AnswerReport(
        name="shoulder",
        question="Is the shoulder a second component?",
        source=f"Lane {answer.lane} of {file}, spot at Rf {show_rf(answer.rf)}.",
        lines=lines,
        details=[f"lane {answer.lane}, spot at Rf {show_rf(answer.rf)}",
                 *(f"{name:48s}{value}" for name, value in _figures(answer)),
                 "", "evidence for a second component, against it, or undecided:",
                 *(f"{v.view + ': ' + v.verdict:48s}{v.words}" for v in answer.evidence)],
        record=_record(answer),
        draw=lambda: shoulder_png(answer),
        alt="The spot with the fits of one and of two components, the residuals of both, and "
        "the least second component that would be seen by resolution",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=answer.flags,
        cautions=(EXACTLY, NOT_MASS, NOT_VALIDATED),
        settings=settings.to_toml(),
        signal=answer.signal,
    )


def _figures(answer: Shoulder) -> list[tuple[str, str]]:
    out = [
        ("p-value of one against two", f"{answer.p_value:.2g}"),
        ("AICc of one less that of two", fixed(answer.delta_aicc, 1)),
        ("BIC of one less that of two", fixed(answer.delta_bic, 1)),
    ]
    for name, (rival, two) in answer.against.items():
        out.append((f"p-value of {name} against two", f"{rival:.2g}"))
        out.append((f"p-value of two against {name}", f"{two:.2g}"))
    if answer.colour is not None:
        out.append(("p-value of one colour over the whole spot", f"{answer.colour:.2g}"))
    if answer.width is not None:
        out.append(("width over that of lone spots here", fixed(answer.width, 2)))
    if len(answer.components) == 2:
        for i, part in enumerate(answer.components):
            percents = bounds(part.area_percent, part.area_percent_sd, 100.0)
            out.append((
                "component at Rf, and 95 % interval",
                f"{_rf_range(answer, i)}, area percent "
                f"{_with_range(part.area_percent, *percents, 1)}"))
        if answer.pair is not None:
            out.append((
                "their resolution, and 95 % interval",
                _with_range(answer.pair.resolution,
                            *bounds(answer.pair.resolution, answer.pair.resolution_sd), 2)))
    return out


def _rf_range(answer: Shoulder, index: int) -> str:
    part, least = answer.components[index], rf_more([c.rf for c in answer.components], index)
    ends = bounds(part.rf, part.rf_sd)
    # Where they read alike, more decimals show that the interval has ends: three at most.
    more = next((more for more in range(least, least + MORE)
                 if len({show_rf(end, more=more) for end in ends}) > 1), least)
    low, high = (show_rf(end, more=more) for end in ends)
    return f"{show_rf(part.rf, more=more)} ({low} to {high})"


def _record(answer: Shoulder) -> dict[str, Any]:
    return {
        "lane": answer.lane,
        "rf": answer.rf,
        "verdict": answer.verdict,
        "p_value": answer.p_value,
        "delta_aicc": answer.delta_aicc,
        "delta_bic": answer.delta_bic,
        "components": [
            {"rf": c.rf, "rf_sd": c.rf_sd, "area_percent": c.area_percent,
             "area_percent_sd": c.area_percent_sd}
            for c in answer.components
        ],
        "alternatives": [{"name": a.name, "aicc": a.aicc} for a in answer.alternatives],
        "colour": None if answer.colour is None else {"p_value": answer.colour},
        "evidence": [{"view": v.view, "verdict": v.verdict, "words": v.words, "value": v.value}
                     for v in answer.evidence],
        "detectable": [{"resolution": d.resolution, "percent": d.percent}
                       for d in answer.detectable],
    }


def _sections(answer: Shoulder) -> list[str]:
    rows = [(escape(a), escape(b)) for a, b in _figures(answer)]
    return [
        "<h2>Evidence</h2>",
        table("Each view of the spot", ("View", "A second component", "What it shows"), [("", [
            (escape(v.view), escape(v.verdict), escape(v.words)) for v in answer.evidence])],
            (WHOLE, WHOLE)),
        table("Figures", (), [("", rows)]),
        table("Ways to explain the spot", ("Explanation", "AICc"), [("", [
            (escape(a.name), fixed(a.aicc, 1)) for a in answer.alternatives])], (WHOLE, NUMBER)),
        "<h2>What would have been seen</h2>",
        f"<p>{_SEEN}</p>",
        table("Least second component seen 95 times of 100",
              ("Resolution", "Percent of the pair"),
              [("", [(fixed(d.resolution, 1),
                      "over 50" if d.percent is None else fixed(d.percent, 1))
                     for d in answer.detectable])], (NUMBER, NUMBER)),
        "<h2>How it was found</h2>",
        *(f"<p>{text}</p>" for text in _HOW),
    ]


_SEEN = ("From these sizes on the shape would have spoken for a second component. Whether that is "
         "then called two, or cannot be told from one misshapen spot, depends on the other views "
         "above.")

_HOW = (
    "One Gaussian and two of one width were fitted to the trace under the plate's own noise, its "
    "correlation between neighbouring samples included. No spot is quite a Gaussian: how far the "
    "plate's other lone spots depart from one (or, where too few tell, spots commonly do) counts "
    "as noise too, skewness and flatness first; a spot whose strips differ across the lane is "
    "taken to be the more misshapen. Where lone spots tell what width to expect, one component "
    "and two must keep to it. The p-value is the share of drawn single spots, misshapen in that "
    "measure (a parametric bootstrap), that favour two as much as this one.",
    "A second component is claimed only where two also explain the spot better than one that "
    "tails (an exponentially modified Gaussian, either way) and one that is skewed and flat or "
    "peaked (a sinh-arcsinh density), with evidence of the same kind; where the two lie at one "
    "place across the lane; and where another law from light to signal needs two as well.",
    "The least second component is what the test would find 95 times of 100, on the side of the "
    "spot where it shows less. Intervals are 95 %; they cover noise, shape and the two lines, and "
    "those of area percents and of the resolution another law as well.",
)

"""The answer to "is it the same substance?" in words, as a record and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from lanes.errors import one_line
from lanes.questions.compare.answer import Comparison
from lanes.questions.compare.figure import NOT_APART, WIDTH, compare_png, near_pairs
from lanes.questions.compare.other_plate import relative
from lanes.questions.compare.pair import CospotPair, SpotPair
from lanes.questions.compare.presence import Presence
from lanes.report.answer import NOT_MASS, NOT_VALIDATED, AnswerReport
from lanes.report.digits import UNKNOWN, figures, fixed, rf_limit, show_rf, up, with_sd
from lanes.report.page import NUMBER, TEXT, WHOLE, table
from lanes.settings import Settings

NOT_PROOF = ("Present says that spots agree in Rf, and in co-spot and colour where these were "
             "seen; it is no proof: other substances may agree too.")
SUM = (0.5, 2.0)  # area in the co-spot lane over the sum of the two alone: beyond is worth a word


def render_compare(answer: Comparison, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` is the plate's file name."""
    lines = short(answer)
    return AnswerReport(
        name="compare",
        question="Is it the same substance?",
        source=f"Lane {answer.unknown} of {file}.",
        lines=lines,
        details=_details(answer),
        record=_record(answer),
        draw=lambda: compare_png(answer),
        alt=f"Strips and traces of lane {answer.unknown}, the references and the co-spots on one "
        "Rf axis, and the differences in Rf with their intervals",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=answer.flags,
        cautions=(NOT_PROOF, NOT_MASS, NOT_VALIDATED),
        settings=settings.to_toml(),
        signal=answer.reading.signal,
    )


def short(answer: Comparison) -> list[str]:
    """Return the plain answer: what is there, what is not, and what matches nothing."""
    verdicts = ", ".join(f"{one_line(r.name)} {_verdict(r)}" for r in answer.references)
    if not answer.reading.spots:
        verdicts = f"nothing detected; {verdicts}"
    bare = _spots(answer, answer.unexplained)
    if bare:
        bare += " matches" if len(answer.unexplained) == 1 else " match"
        bare = f"; {bare} no reference"
    lines = [f"Lane {one_line(answer.unknown)}: {verdicts}{bare}."]
    for r in answer.references:
        if r.verdict == "absent" and r.limit_percent is not None:
            lines.append(f"{one_line(r.name)} absent: nothing at its place above "
                         f"{up(r.limit_percent)} area percent.")
        elif r.verdict == "absent":
            of = ("" if r.limit_of_reference is None else
                  f" above {up(r.limit_of_reference)} % of its spot in lane {one_line(r.name)}")
            lines.append(f"{one_line(r.name)} not detected{of}.")
        elif r.verdict == "cannot tell":
            lines.append(f"{one_line(r.name)}: {r.reason}.")
    if answer.unsure:
        lines.append(f"Whether {_spots(answer, answer.unsure)} matches a reference can't be told.")
    return lines


def _verdict(reference: Presence) -> str:
    return "undecided" if reference.verdict == "cannot tell" else reference.verdict


def _spots(answer: Comparison, which: Sequence[int]) -> str:
    if not which:
        return ""
    described = []
    for spot in (answer.reading.spots[i] for i in which):
        stays = any(f.name == "at-origin" for f in spot.flags)
        described.append(f"{'at the origin' if stays else f'Rf {show_rf(spot.rf)}'}, "
                    f"{figures(spot.area_percent, 2)} area percent")
    count = "one spot" if len(described) == 1 else f"{len(described)} spots"
    return f"{count} ({'; '.join(described)})"


def _details(answer: Comparison) -> list[str]:
    lines = [_sentence(p) for p in near_pairs(answer)]
    lines += [f"Reference {one_line(r.name)}: {r.reason}." for r in answer.references
              if r.verdict != "cannot tell"]
    lines.append(_repeats(answer))
    lines += [f"Whole trace against lane {one_line(c.lane)}: correlation "
              f"{fixed(c.correlation, 2)}, shifted by {show_rf(c.shift, more=1)} Rf."
              for c in answer.correlations]
    if answer.carried is not None:
        lines += [f"Relative to the standard in lane {one_line(answer.carried.bridge)} (Rf "
                  f"{show_rf(answer.carried.standard)} here, "
                  f"{show_rf(answer.carried.other_standard)} there):",
                  *(_relative(answer, p) for p in near_pairs(answer))]
    return lines


def _relative(answer: Comparison, pair: SpotPair) -> str:
    values = _relative_values(answer, pair)
    assert values is not None
    return (f"  {one_line(pair.reference)}: relative retardation {show_rf(values['unknown'])} and "
            f"{show_rf(values['reference'])}, difference "
            f"{show_rf(values['difference'], values['difference_sd'], more=1)}.")


def _relative_values(answer: Comparison, pair: SpotPair) -> dict[str, float | None] | None:
    if answer.carried is None:
        return None
    sd = None if pair.seen is None else relative(pair.seen.sd, answer.carried)
    return {"unknown": relative(pair.rf, answer.carried),
            "reference": relative(pair.reference_rf, answer.carried),
            "difference": relative(pair.rf - pair.reference_rf, answer.carried),
            "difference_sd": sd}


def _sentence(pair: SpotPair) -> str:
    identity = pair.identity
    assert identity is not None
    text = (f"Rf {show_rf(pair.rf)} against {one_line(pair.reference)} at "
            f"{show_rf(pair.reference_rf)}: {verdict_in_words(pair)} ({', '.join(pair.reasons)}); "
            "difference "
            f"{show_rf(identity.value, identity.sd, more=1)}, 90 % from "
            f"{show_rf(identity.low, more=1)} to {show_rf(identity.high, more=1)} (not told apart "
            f"where that lies within {show_rf(identity.margin, more=1)} either way, the margin); "
            "signal "
            f"{with_sd(pair.area_ratio, pair.area_ratio_sd, 2)} times the reference's")
    return f"{text}.{''.join(f' {_mixed(c)}.' for c in pair.cospots)}"


def verdict_in_words(pair: SpotPair) -> str:
    """Return the verdict in words: "same" means what differs by less than some bound."""
    if pair.verdict != "same" or pair.identity is None:
        return pair.verdict
    return f"{NOT_APART}: within {rf_limit(max(-pair.identity.low, pair.identity.high))} Rf"


def _mixed(cospot: CospotPair) -> str:
    most = show_rf(cospot.alone.most, more=1)
    shows = {"one": f"shows one spot, two more than {most} apart ruled out",
            "two": "shows two spots"}.get(cospot.alone.verdict, "can't tell one spot from two")
    text = (f"Co-spot {one_line(cospot.alone.lane)} {shows} (p {cospot.alone.p_value:.2g} that a "
            "single spot looks as much like two)")
    if cospot.joint is not None:
        text += (f"; by all three lanes together AICc of one less that of two is "
                 f"{fixed(cospot.joint.delta_aicc, 1)} (above 0 speaks for two); its area is "
                 f"{fixed(cospot.joint.recovered, 2)} of the two together")
        if not SUM[0] < cospot.joint.recovered < SUM[1]:
            text += ", far from the sum that was to be expected"
    return text


def _repeats(answer: Comparison) -> str:
    r = answer.repeatability
    source = ("common practice, since no spot here is known to be in two lanes" if not r.shared
              else f"common practice and {r.shared} spot{'s' if r.shared > 1 else ''} shared by "
              f"lanes here, which alone give {figures(r.own_sd, 2)}")
    smallest = ("not known" if answer.resolvable_difference is None
             else show_rf(answer.resolvable_difference, more=1))
    return (f"Smallest difference told apart from Rf alone: {smallest}. One substance repeats from "
            f"lane to lane within {figures(r.sd, 2)} (standard deviation; {source}).")


def _record(answer: Comparison) -> dict[str, Any]:
    r = answer.repeatability
    spots = answer.reading.spots
    known = {s.reading.name: s.reading for s in answer.shown if s.kind == "reference"}
    return {
        "unknown": answer.unknown,
        "references": [
            {"name": p.name, "verdict": p.verdict, "reason": p.reason,
             "limit_percent": p.limit_percent, "limit_of_reference": p.limit_of_reference,
             "matched": [{"unknown_rf": spots[i].rf, "reference_rf": known[p.name].spots[j].rf}
                         for j, i in p.matched]}
            for p in answer.references
        ],
        "pairs": [_pair(answer, p) for p in answer.pairs],
        "unexplained": [_spot(answer, i) for i in answer.unexplained],
        "unsure": [_spot(answer, i) for i in answer.unsure],
        "resolvable_difference": answer.resolvable_difference,
        "repeatability": {"sd": r.sd, "degrees_of_freedom": r.degrees, "shared": r.shared,
                          "own_sd": r.own_sd},
        "cospots": [{"lane": lane, "parts": list(parts)}
                    for lane, parts in answer.mixtures.items()],
        "correlation": [{"lane": c.lane, "shift": c.shift, "correlation": c.correlation}
                        for c in answer.correlations],
        "other_plate": None if answer.carried is None else {
            "bridge": answer.carried.bridge, "standard_rf": answer.carried.standard,
            "other_standard_rf": answer.carried.other_standard},
    }


def _spot(answer: Comparison, i: int) -> dict[str, float]:
    spot = answer.reading.spots[i]
    return {"rf": spot.rf, "area_percent": spot.area_percent}


def _pair(answer: Comparison, p: SpotPair) -> dict[str, Any]:
    identity = p.identity
    return {
        "unknown_rf": p.rf,
        "reference": p.reference,
        "reference_rf": p.reference_rf,
        "difference": p.rf - p.reference_rf if identity is None else identity.value,
        "difference_sd": None if identity is None else identity.sd,
        "low": None if identity is None else identity.low,
        "high": None if identity is None else identity.high,
        "p_value": None if identity is None else identity.p_value,
        "margin": None if identity is None else identity.margin,
        "resolvable_difference": None if identity is None else identity.resolvable,
        "verdict": p.verdict,
        "reasons": list(p.reasons),
        "area_ratio": p.area_ratio,
        "area_ratio_sd": p.area_ratio_sd,
        "colour": {"verdict": p.colour.verdict, "p_value": p.colour.p_value,
                   "angle": p.colour.angle},
        "relative_retardation": _relative_values(answer, p),
        "cospots": [
            {"lane": c.alone.lane, "verdict": c.alone.verdict, "p_value": c.alone.p_value,
             "most": c.alone.most,
             "gap": None if c.joint is None else c.joint.gap,
             "gap_sd": None if c.joint is None else c.joint.gap_sd,
             "delta_aicc": None if c.joint is None else c.joint.delta_aicc,
             "recovered": None if c.joint is None else c.joint.recovered,
             "share": None if c.joint is None else c.joint.share}
            for c in p.cospots
        ],
    }


def _sections(answer: Comparison) -> list[str]:
    return [
        "<h2>References</h2>",
        table("References", ("Reference", "Verdict", "Why", "Not above, area&nbsp;%",
                             "% of its own spot"), [("", [
            (escape(r.name), _verdict(r), escape(r.reason),
             "" if r.limit_percent is None else up(r.limit_percent),
             "" if r.limit_of_reference is None else up(r.limit_of_reference))
            for r in answer.references])], (WHOLE, WHOLE, TEXT, NUMBER, NUMBER)),
        "<h2>Spots beside each other</h2>",
        *_pairs(answer),
        *_cospots(answer),
        "<h2>Whole traces</h2>",
        table("Correlation", ("Lane", "Correlation", "Shift, Rf"), [("", [
            (escape(c.lane), fixed(c.correlation, 2), show_rf(c.shift, more=1))
            for c in answer.correlations])], (WHOLE, NUMBER, NUMBER)),
        '<p class="quiet">Of everything in the lanes, after the shift that fits best: low where a '
        "mixture is held against one substance of it.</p>",
        "<h2>How it was found</h2>",
        f"<p>{escape(_repeats(answer))}</p>",
        *(f"<p>{text}</p>" for text in _HOW),
    ]


def _pairs(answer: Comparison) -> list[str]:
    rows, more = [], []
    for p in near_pairs(answer):
        assert p.seen is not None
        assert p.identity is not None
        which = show_rf(p.rf), f"{escape(p.reference)} {show_rf(p.reference_rf)}"
        rows.append((
            *which, verdict_in_words(p), show_rf(p.identity.value, p.identity.sd, more=1),
            f"{show_rf(p.identity.low, more=1)} to {show_rf(p.identity.high, more=1)}",
            show_rf(p.identity.resolvable, more=1)))
        more.append((*which, show_rf(p.seen.value, p.seen.sd, more=1),
                     with_sd(p.area_ratio, p.area_ratio_sd, 2), p.colour.verdict))
    if not rows:
        return ["<p>No reference has a spot near one of the unknown’s.</p>"
                if answer.reading.spots else "<p>Nothing is detected in the unknown.</p>"]
    return [
        table("Spots", ("Rf", "Reference", "Verdict", "Difference", "90&nbsp;%", "Resolvable"),
              [("", rows)], (NUMBER, WHOLE, TEXT, NUMBER, WHOLE, NUMBER)),
        '<p class="quiet">The difference, its standard deviation and its interval take in the '
        "co-spot’s evidence, where there is any. Spots more than 0.05 in Rf apart are different "
        "and not listed; compare.json holds them.</p>",
        table("Parts of the evidence", ("Rf", "Reference", "Difference by Rf alone",
                                        "Signal ratio", "Colour"),
              [("", more)], (NUMBER, WHOLE, NUMBER, NUMBER, WHOLE)),
    ]


def _cospots(answer: Comparison) -> list[str]:
    cospots = [(p, c) for p in near_pairs(answer) for c in p.cospots]
    if not cospots:
        return []
    rows = [(
        escape(c.alone.lane), f"{show_rf(p.rf)} + {escape(p.reference)}", c.alone.verdict,
        f"{c.alone.p_value:.2g}", show_rf(c.alone.most, more=1),
        UNKNOWN if c.joint is None else fixed(c.joint.delta_aicc, 1),
        UNKNOWN if c.joint is None else fixed(c.joint.recovered, 2)) for p, c in cospots]
    head = ("Lane", "Spots", "One or two", "p, if one", "At most apart, Rf", "AICc, one less two",
            "Area ÷ sum")
    return ["<h2>Co-spots</h2>", table("Co-spots", head, [("", rows)],
                                       (WHOLE, WHOLE, WHOLE, *[NUMBER] * 4)),
            '<p class="quiet">p: the share of single spots that would look as much like two, by '
            "the co-spot lane alone. AICc: of all three lanes fitted together, their Rf with it; "
            "above 0 speaks for two.</p>"]


_HOW = (
    "The standard deviation of a difference holds both fits and the repeatability of both lanes; "
    "the place of the two lines is shared and left out. Different: two spots of one substance "
    "would look so different twice in 100 or less. Not told apart (same in compare.json): the "
    "90 % interval of the difference lies within the margin (the least difference told apart, but "
    "0.01 in Rf at least and 0.02 at most), so that a difference as large as the "
    "margin is called none 5 times of 100 at most; "
    "failing to find a difference is not enough. Else the plate can’t tell.",
    "In a co-spot lane the two are fitted with the shapes and shares of their own lanes, with how "
    "unsure these shapes are there and from lane to lane; widths may change by some 5 % and the "
    "ratio of amounts by half as much again; how badly each "
    "distance between them fits is added to what the Rf say. The interval also allows for two "
    "substances in one lane to stand nearer or farther than elsewhere, by 0.0014 in Rf (standard "
    "deviation; common practice). p-values come from 300 drawn lanes "
    "with the plate’s own noise and 0.6 % of the height as the misfit that every spot has.",
    "Colour compares the two spots’ signal in red, green and blue as proportions, with 8 % for "
    "what the law from light to signal bends. Different colours make different substances; "
    "equal ones only agree.",
    "Present: each main spot of the reference (a fifth of its largest or more) that should show "
    "is the same as one of the unknown’s. Absent: its largest differs from all of them; the "
    "limit is what is found 95 % of the time at that place, by spots added to the unknown’s own "
    "trace.",
)

"""The answer to "which solvent mixture?" as a record and as a page."""

from __future__ import annotations

from html import escape
from typing import Any

from lanes.errors import one_line
from lanes.questions.solvent.answer import Solvent
from lanes.questions.solvent.figure import WIDTH, solvent_png
from lanes.questions.solvent.mixture import Recommended, beyond
from lanes.questions.solvent.one_plate import Change, OnePlate
from lanes.questions.solvent.retention import Map
from lanes.questions.solvent.words import (
    chance,
    change_words,
    details,
    matches,
    percent,
    scatter,
    short,
    slope,
    target,
)
from lanes.report.answer import NOT_VALIDATED, AnswerReport
from lanes.report.digits import UNKNOWN, fixed, show_rf
from lanes.report.page import NUMBER, TEXT, WHOLE, table
from lanes.settings import Settings

SAFETY = ("Developing solvents are flammable and toxic: work in a fume hood, away from any source "
          "of ignition, and by your local codes.")
PREDICTED = ("A prediction holds for the same layer, chamber and solvents; a column of other "
             "silica may differ. A substance that shows on no plate is not counted.")
_EVERY = 5  # steps of the map that the record keeps


def render_solvent(answer: Solvent, settings: Settings) -> AnswerReport:
    """Return the answer as words, record, figure and page."""
    lines = short(answer)
    files = ", ".join(p.file if p.fraction is None else f"{p.file} ({percent(p.fraction)} %)"
                      for p in answer.plates)
    several = answer.one is None
    return AnswerReport(
        name="solvent",
        question="Which solvent mixture separates this sample best?",
        source=f"Lane {one_line(answer.plates[0].reading.name)} of {files}.",
        lines=lines,
        details=details(answer),
        record=_record(answer),
        draw=lambda: solvent_png(answer),
        alt=("Rf of each component against the share of the stronger solvent, and below it the "
             "resolution of the worst pair" if several else
             "The spots on the curve of relative resolution against Rf, now and after the change"),
        width_px=WIDTH,
        sections=_several(answer) if several else _one(answer),
        flags=answer.flags,
        cautions=(SAFETY, PREDICTED, NOT_VALIDATED),
        settings=settings.to_toml(),
        signal=answer.plates[0].reading.signal,
    )


def _record(answer: Solvent) -> dict[str, Any]:
    law, after, chart = answer.law, answer.next, answer.chart
    return {
        "lane": answer.plates[0].reading.name,
        "weak": answer.weak,
        "strong": answer.strong,
        "plates": [{"file": p.file, "fraction": p.fraction, "light": p.light,
                    "rf": [s.rf for s in p.seen]} for p in answer.plates],
        "components": [
            {"name": c.name, "slope": None if c.slope_sd is None else c.slope,
             "slope_sd": c.slope_sd,
             "intercept": None if c.slope_sd is None else c.intercept,
             "intercept_sd": c.intercept_sd, "rf": list(c.rf), "shared": list(c.shared)}
            for c in answer.components
        ],
        "scatter": None if law is None else {
            "plate_sd": law.plate_sd, "spot_sd": law.spot_sd, "estimated": law.estimated,
            "line_probability": law.misfit,
            "width_law_sd": None if answer.widths is None else answer.widths.law_sd},
        "recommended": None if answer.recommended is None else _mixture(answer.recommended),
        "outside_window": None if answer.elsewhere is None else _mixture(answer.elsewhere),
        "map": [] if chart is None else _map(answer, chart),
        "next_try": None if after is None else {
            "fraction": after.fraction, "extrapolated": after.extrapolated,
            "sd_now": after.sd_now, "sd_then": after.sd_then},
        "matches": [
            {"probability": a.probability, "spots": [list(s) for s in a.matching.spots],
             "recommended_fraction": a.recommended.fraction,
             "worst_resolution": a.as_chosen.worst_resolution, "changes": a.changes}
            for a in answer.assigned
        ],
        "columns": {
            "target_rf": answer.target_rf,
            "targets": [
                {"component": t.component, "fraction": t.fraction, "low": t.low, "high": t.high,
                 "extrapolated": t.extrapolated, "nearest_volumes": t.to_next}
                for t in answer.targets
            ],
            "volumes": [{"component": v.component, "rf": v.rf, "volumes": v.volumes,
                         "to_next": v.to_next} for v in answer.volumes],
        },
        "one_plate": None if answer.one is None else _one_record(answer.one),
    }


def _mixture(best: Recommended) -> dict[str, Any]:
    return {
        "fraction": best.fraction, "extrapolated": best.extrapolated, "rf": list(best.rf),
        "rf_low": list(best.rf_low), "rf_high": list(best.rf_high),
        "worst_pair": None if best.pair is None else list(best.pair),
        "worst_resolution": best.worst_resolution, "worst_low": best.worst_low,
        "worst_high": best.worst_high, "probability": best.probability,
        "beyond_window": best.outside,
    }


def _map(answer: Solvent, chart: Map) -> list[dict[str, Any]]:
    out = []
    for i in range(0, len(chart.fraction), _EVERY):
        def of(values: Any, i: int = i) -> Any:
            return None if values is None else values[i].tolist()

        out.append({
            "fraction": of(chart.fraction),
            "extrapolated": beyond(float(chart.fraction[i]), answer.tried),
            "rf": of(chart.rf), "rf_low": of(chart.low), "rf_high": of(chart.high),
            "worst_pair": of(chart.pair), "worst_resolution": of(chart.resolution),
            "worst_low": of(chart.worst_low), "worst_high": of(chart.worst_high),
            "probability": of(chart.probability),
        })
    return out


def _one_record(one: OnePlate) -> dict[str, Any]:
    return {
        "fraction": one.fraction, "rf": list(one.rf), "outside_window": list(one.outside),
        "worst_pair": None if one.pair is None else list(one.pair),
        "resolution": one.resolution, "middle_rf": one.middle_rf, "middle_k": one.middle_k,
        "relative_resolution": one.relative, "direction": one.direction,
        "change": _change(one.change), "wanted_k": one.wanted_k, "rf_then": list(one.rf_then),
        "targets": [_change(c) for c in one.targets],
    }


def _change(change: Change) -> dict[str, float | None]:
    return {"factor_low": change.factor_low, "factor_high": change.factor_high,
            "low": change.low, "high": change.high}


def _several(answer: Solvent) -> list[str]:
    best = answer.recommended
    there = () if best is None else (f"Rf at {percent(best.fraction)}&nbsp;%", "95 %")
    head = ("Component", *(f"{escape(one_line(p.file))}<br>{percent(p.fraction or 1.0)}&nbsp;%"
                           for p in answer.plates),
            "Slope of log&nbsp;k", *there)
    rows = [(c.name, *(_seen(rf, shared) for rf, shared in zip(c.rf, c.shared, strict=True)),
             slope(c) + ("" if c.slope_sd is not None else ", assumed"),
             *(() if best is None else (
                 show_rf(best.rf[j]),
                 f"{show_rf(best.rf_low[j])} to {show_rf(best.rf_high[j])}")))
            for j, c in enumerate(answer.components)]
    kinds = [WHOLE, *[NUMBER] * len(answer.plates), NUMBER]
    out = [
        "<h2>Components</h2>",
        table("Components", head, [("", rows)],
              (*kinds, NUMBER, WHOLE)[:len(head)]),
        '<p class="quiet">log k = a log X + b, k = (1 - Rf) / Rf, X the volume fraction of the '
        "stronger solvent. An Rf with an asterisk is that of a spot which two components share; "
        "a ? was not found.</p>",
        f"<p>{escape(scatter(answer))}</p>",
    ]
    if best is None:
        return out
    return [
        *out,
        "<h2>Which spot is which</h2>",
        *(f"<p>{escape(line)}</p>" for line in matches(answer)),
        '<p class="quiet">By Rf, which rises with the stronger solvent, and by area share, width '
        "and colour, which stay alike.</p>",
        "<h2>Mixtures</h2>",
        _mixtures(answer),
        "<h2>Before a column</h2>",
        table("Columns", ("Component", f"For Rf {answer.target_rf:g}, %",
                          "Column volumes to the nearest there"), [("", [
            (t.component, escape(target(answer, i)), fixed(t.to_next, 2))
            for i, t in enumerate(answer.targets)])], (WHOLE, TEXT, NUMBER)),
        *_volumes(answer, f"at {percent(best.fraction)} %"),
    ]


def _seen(rf: float | None, shared: bool) -> str:
    return show_rf(rf) + ("*" if shared else "")


def _mixtures(answer: Solvent) -> str:
    chart = answer.chart
    assert chart is not None
    rows = []
    for i in range(0, len(chart.fraction), 4 * _EVERY):
        tried = "" if not beyond(float(chart.fraction[i]), answer.tried) else "extrapolated"
        pair, worst, sure = UNKNOWN, UNKNOWN, UNKNOWN
        if chart.pair is not None and chart.resolution is not None:
            assert chart.worst_low is not None
            assert chart.worst_high is not None
            assert chart.probability is not None
            pair = " and ".join(answer.components[int(j)].name for j in chart.pair[i])
            worst = (f"{fixed(chart.resolution[i], 1)} ({fixed(chart.worst_low[i], 1)} to "
                     f"{fixed(chart.worst_high[i], 1)})")
            sure = chance(float(chart.probability[i]))
        rows.append((percent(float(f"{chart.fraction[i]:.2g}")),
                     ", ".join(show_rf(rf) for rf in chart.rf[i]), pair, worst, sure, tried))
    head = ("%", "Rf of each component", "Worst pair", "Its resolution (95 %)",
            "Baseline,<br>probability", "")
    return table("Mixtures", head, [("", rows)], (NUMBER, WHOLE, WHOLE, WHOLE, WHOLE, WHOLE))


def _one(answer: Solvent) -> list[str]:
    one = answer.one
    assert one is not None
    rows = [(show_rf(rf), "outside" if rf in one.outside else "inside", show_rf(then),
             escape(change_words(answer, change)))
            for rf, then, change in zip(one.rf, one.rf_then, one.targets, strict=True)]
    return [
        "<h2>Spots</h2>",
        table("Spots", ("Rf", "0.2 to 0.8", "Rf after the change",
                        f"To bring it to Rf {answer.target_rf:g}"), [("", rows)],
              (NUMBER, WHOLE, NUMBER, TEXT)),
        '<p class="quiet">Slopes of log k against log X from -2 to -1, alike for all spots, are '
        "assumed (common practice).</p>",
        "<h2>Before a column</h2>",
        *_volumes(answer, "as on this plate"),
    ]


def _volumes(answer: Solvent, where: str) -> list[str]:
    rows = [(v.component, show_rf(v.rf), fixed(v.volumes, 2),
             "" if v.to_next is None else fixed(v.to_next, 2)) for v in answer.volumes]
    return [
        table("Column volumes", ("Component", f"Rf {where}", "Column volumes, 1/Rf",
                                 "To the next"), [("", rows)], (WHOLE, NUMBER, NUMBER, NUMBER)),
        '<p class="quiet">1/Rf column volumes bring a substance off a column of the same layer '
        "(common practice); the more lie between two, the easier they separate.</p>",
    ]

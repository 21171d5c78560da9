"""The answer to "how much is in it?" in words, as a record and as a page."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import Any

from lanes.confidence import SIGNIFICANT
from lanes.errors import one_line
from lanes.questions.amount.answer import Amounts, Unknown
from lanes.questions.amount.calibration import Tried
from lanes.questions.amount.figure import WIDTH, amount_png
from lanes.report.answer import NOT_VALIDATED, AnswerReport
from lanes.report.digits import UNKNOWN, decimals_of, figures, fixed, show_rf, up, with_sd
from lanes.report.page import NUMBER, TEXT, WHOLE, table
from lanes.settings import Settings

_MOST_LETTERS = 32  # of the samples' names in a heading
_SCOPE = (
    "The interval holds the areas' own uncertainty, the scatter of the standards about the curve, "
    "and the curve's. It holds for a substance that answers as the standards do; the volume "
    "applied counts only as far as the standards scatter by it."
)
_LAW = (
    "The law from light to signal matters less here than for area percent: the standards went "
    "through the same one on the same plate, and what it bends shows as a curve."
)
_SIGMA = (
    "They are 3.3 and 10 σ/S (ICH Q2(R1), 2005): σ is the residual standard deviation that the fit "
    "gives the weakest standard, S the curve's slope there."
)


def render_amount(answer: Amounts, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` is the plate's file name."""
    lines = [_sentence(u, answer.unit) for u in answer.unknowns]
    if len(lines) > 1:
        lines = [_heading(answer), *(f"- {line}" for line in lines)]
    lines[0] += _blanks(answer)
    return AnswerReport(
        name="amount",
        question="How much is in it?",
        source=(f"The spot at Rf {show_rf(answer.rf)} of {file}, by "
                f"{len(answer.standards)} standards."),
        lines=lines,
        details=_details(answer),
        record=_record(answer),
        draw=lambda: amount_png(answer),
        alt="Calibration: area against amount with its bands, the standards and the samples; "
        "below it the residuals",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=(*answer.flags, *(f for u in answer.unknowns for f in u.flags)),
        cautions=(_SCOPE, _LAW, NOT_VALIDATED),
        settings=_with_amounts(answer, settings).to_toml(),
        signal=answer.signal,
    )


def _with_amounts(answer: Amounts, settings: Settings) -> Settings:
    """Return the settings with the standards' amounts in them, to be given no second time."""
    amounts = {s.name: s.amount for s in answer.standards}
    names = dict.fromkeys([*(note.name for note in settings.lane), *amounts])
    return replace(settings, lane=tuple(
        replace(settings.note(name), amount=amounts.get(name)) for name in names))


def _record(answer: Amounts) -> dict[str, Any]:
    fitted, lack = answer.calibration, answer.calibration.lack
    return {
        "rf": answer.rf,
        "unit": answer.unit,
        "model": fitted.curve.name,
        "formula": fitted.curve.formula,
        "parameters": [
            {"name": name, "value": value, "sd": sd} for name, value, sd in zip(
                fitted.curve.parameters, fitted.values, fitted.sds, strict=True)],
        "scatter": {"kind": fitted.kind, "sd": fitted.scatter},
        "models_tried": [
            {"name": t.name, "aicc": t.aicc, "rss": t.rss, "why_not": t.why} for t in answer.tried],
        "lack_of_fit": None if lack is None else {
            "f": lack.f, "df_lack": lack.df_lack, "df_pure": lack.df_pure, "p": lack.p},
        "standards": [
            {"name": s.name, "amount": s.amount, "rf": s.rf, "area": s.area, "area_sd": s.area_sd,
             "fitted": s.fitted, "sd": s.sd} for s in answer.standards],
        "unknowns": [
            {"name": u.name, "lanes": u.lanes, "rf": u.rf, "area": u.area, "area_sd": u.area_sd,
             "amount": u.amount, "sd": u.sd, "low": u.low, "high": u.high, "dilution": u.dilution,
             "missed_below": u.missed_below,
             "flags": [{"name": f.name, "message": f.message} for f in u.flags]}
            for u in answer.unknowns],
        "detection_limit": answer.limits.detection,
        "quantitation_limit": answer.limits.quantitation,
        "limits_from": {"sigma": answer.limits.sigma, "slope": answer.limits.slope},
    }


def _heading(answer: Amounts) -> str:
    names = [one_line(u.name) for u in answer.unknowns]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    if len(listed) > _MOST_LETTERS:
        listed = f"{len(names)} samples" if len(names) > 1 else "the sample"
    form = answer.calibration.curve.name
    curve = form if form == "line" else f"{form} curve"
    what = "Amount" if len(names) == 1 else "Amounts"
    return f"{what} in {listed}, by a {curve} through the standards."


def _blanks(answer: Amounts) -> str:
    """Return what the headline must say of blanks that are none."""
    named = [one_line(s.name) for s in answer.standards if s.amount == 0 and s.rf is not None]
    if not named:
        return ""
    return (f" But the blank{'s' if len(named) > 1 else ''} {', '.join(named)} "
            f"{'show' if len(named) > 1 else 'shows'} a spot.")


def _unit(unit: str | None) -> str:
    return f" {unit}" if unit else ""


def _sentence(u: Unknown, unit: str | None) -> str:
    name, after = one_line(u.name), _unit(unit)
    diluted = f", before its dilution by {u.dilution:g}" if u.dilution != 1 else ""
    if u.area is None:
        if u.missed_below is None:
            return f"{name}: not detected; how much would have been missed is not known."
        return f"{name}: not detected; {up(u.missed_below)}{after}{diluted} would have shown."
    low, high = _ends(u)
    if u.amount is None:
        if u.high is not None:
            return f"{name}: less than {high}{after} (95 %){diluted}."
        if u.low:
            return f"{name}: more than {low}{after} (95 %){diluted}; how much more can't be told."
        return f"{name}: can't be told from these standards (no finite 95 % interval)."
    value = _value(u)
    if u.high is None and not u.low:
        held = "no finite 95 % interval"
    elif u.high is None:
        held = f"95 %: from {low} up, no finite upper end"
    else:
        held = f"95 %: {low} to {high}"
    beyond = "; outside the standards' range, where the curve is carried on" if any(
        f.name == "outside-range" for f in u.flags) else ""
    return f"{name}: {value}{after} ({held}{beyond}){diluted}."


def _places(u: Unknown) -> int | None:
    """Return the decimals that half the interval needs; None where it has no width."""
    ends = [v for v in (u.low, u.amount, u.high) if v is not None]
    half = 0.5 * (max(ends) - min(ends)) if len(ends) > 1 else 0.0
    return decimals_of(half) if half > 0 else None


def _value(u: Unknown) -> str:
    places = _places(u)
    return figures(u.amount) if places is None else fixed(u.amount, places)


def _ends(u: Unknown) -> tuple[str, str]:
    places = _places(u)
    if places is None:
        return figures(u.low), figures(u.high)
    return fixed(u.low, places), fixed(u.high, places)


def _details(answer: Amounts) -> list[str]:
    fitted = answer.calibration
    parameters = ", ".join(f"{name} {with_sd(value, sd, 4)}" for name, value, sd in zip(
        fitted.curve.parameters, fitted.values, fitted.sds, strict=True))
    lines = [
        f"Calibration: {fitted.curve.formula}; {parameters}. {_scatter(answer)}",
        f"Curves tried (AICc): {'; '.join(_tried(t) for t in answer.tried)}. {_choice(answer)}",
    ]
    if fitted.lack is not None:
        lines.append(_lack(answer))
    return [*lines, _limits(answer)]


def _scatter(answer: Amounts) -> str:
    fitted = answer.calibration
    if fitted.scatter == 0:
        return "The standards scatter no more than their areas' own uncertainty."
    share = (f"{figures(100 * fitted.scatter, 2)} % of the area" if fitted.kind == "proportional"
             else f"{figures(fitted.scatter, 2)}")
    return f"The standards scatter by {share} beyond their areas' own uncertainty."


def _tried(t: Tried) -> str:
    if t.why is not None:
        return f"{t.name} {t.why}"
    return f"{t.name} {'too few standards' if t.aicc is None else fixed(t.aicc, 1)}"


def _choice(answer: Amounts) -> str:
    if not answer.chosen:
        return f"The {answer.calibration.curve.name} was asked for."
    if all(t.aicc is None for t in answer.tried):
        return "Too few standards to choose by: the line is taken."
    if answer.calibration.curve.name == "line":
        return "The line stays unless a curve is better by more than 2."
    return f"The {answer.calibration.curve.name} is better than the line by more than 2."


def _lack(answer: Amounts) -> str:
    lack = answer.calibration.lack
    if lack is None:
        return ""
    verdict = ("the curve misses the standards by more than repeated ones differ"
               if lack.p < SIGNIFICANT else "none seen")
    return (f"Lack of fit: {verdict} (F {figures(lack.f)} on {lack.df_lack} and {lack.df_pure} "
            f"degrees of freedom, p {figures(lack.p, 2)}).")


def _limits(answer: Amounts) -> str:
    found = answer.limits
    if found.detection is None or found.quantitation is None:
        return "Detection and quantitation limits can't be told: the curve does not rise there."
    after = _unit(answer.unit)
    return (f"Detection limit {up(found.detection)}{after}, quantitation limit "
            f"{up(found.quantitation)}{after} in the spot. {_SIGMA}")


def _sections(answer: Amounts) -> list[str]:
    unit = f", {escape(answer.unit)}" if answer.unit else ""
    unknowns = [(escape(u.name), figures(u.area), _amount_cell(u), _interval_cell(u),
                 f"{u.dilution:g}", "".join(f'<span class="flag">{f.name}</span> '
                                            for f in u.flags)) for u in answer.unknowns]
    standards = [(escape(s.name), f"{s.amount:g}", show_rf(s.rf),
                  with_sd(s.area, s.area_sd, 3), figures(s.fitted),
                  fixed((s.area - s.fitted) / s.sd, 1)) for s in answer.standards]
    fitted = answer.calibration
    parameters = [(escape(name), with_sd(value, sd, 4)) for name, value, sd in zip(
        fitted.curve.parameters, fitted.values, fitted.sds, strict=True)]
    tried = [(t.name, fixed(t.aicc, 1), escape(_why(answer, t))) for t in answer.tried]
    out = [
        "<h2>Samples</h2>",
        table("Samples", ("Sample", "Area", f"Amount{unit}", "95 % interval", "Dilution",
                          "Flags"), [("", unknowns)],
              (WHOLE, NUMBER, NUMBER, WHOLE, NUMBER, TEXT)),
        "<h2>Standards</h2>",
        table("Standards", ("Lane", f"Amount{unit}", "Rf", "Area", "Curve", "Difference, sd"),
              [("", standards)], (WHOLE, *[NUMBER] * 5)),
        f'<p class="quiet">{escape(_scatter(answer))} Each standard weighs as its own uncertainty '
        "and that scatter tell together. A blank in which nothing was found has the area 0, give "
        "or take what a spot there would be uncertain by.</p>",
        "<h2>The curve</h2>",
        f'<p class="formula">{escape(fitted.curve.formula)}</p>',
        table("Parameters", ("Parameter", "Value"), [("", parameters)], (WHOLE, NUMBER)),
        table("Curves tried", ("Curve", "AICc", ""), [("", tried)], (WHOLE, NUMBER, TEXT)),
        f'<p class="quiet">{escape(_choice(answer))} A lower AICc is better (Hurvich and Tsai, '
        "1989).</p>",
    ]
    if fitted.lack is not None:
        out.append(f"<p>{escape(_lack(answer))}</p>")
    return [*out, "<h2>Limits</h2>", f"<p>{escape(_limits(answer))}</p>"]


def _why(answer: Amounts, t: Tried) -> str:
    if t.name == answer.calibration.curve.name:
        return "taken"
    return t.why or ("too few standards to judge" if t.aicc is None else "")


def _amount_cell(u: Unknown) -> str:
    return "not detected" if u.area is None else _value(u) if u.amount is not None else UNKNOWN


def _interval_cell(u: Unknown) -> str:
    low, high = _ends(u)
    if u.area is None:
        return UNKNOWN if u.missed_below is None else f"below {up(u.missed_below)}"
    if u.high is None and not u.low:
        return "not finite"
    return f"{low} up, not finite" if u.high is None else f"{low} to {high}"

"""The answer to "how far is the reaction?" in words, as a record and as a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from html import escape
from typing import Any

from lanes.errors import one_line
from lanes.questions.follow.answer import Follow
from lanes.questions.follow.figure import WIDTH, follow_png
from lanes.questions.follow.kinetics import Order, Range, Rate
from lanes.questions.follow.shares import Level
from lanes.report.answer import NOT_MASS, NOT_VALIDATED, RANGES, AnswerReport
from lanes.report.digits import UNKNOWN, decimals_of, figures, fixed, show_rf, up
from lanes.report.page import NUMBER, TEXT, WHOLE, table
from lanes.settings import Settings

OVER_TOTAL = ("Shares are of each lane's signal: where starting material and products respond "
              "unequally, conversion in signal is not conversion in moles.")
OVER_REFERENCE = ("Shares are over the reference spot, in percent of it, and hold as far as its "
                  "amount is the same in every lane.")
ASSUMED = ("Spots not detected enter as limits. The law from light to signal and the layer's "
           "reflectance move all points together: that is fitted too, within what is common.")


def render_follow(answer: Follow, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` names the plates' files."""
    lines = _short(answer)
    over = OVER_TOTAL if answer.reference is None else OVER_REFERENCE
    return AnswerReport(
        name="follow",
        question="How far is the reaction, and how fast?",
        source=f"{len(answer.times)} lanes of {file}.",
        lines=lines,
        details=_details(answer),
        record=_record(answer),
        draw=lambda: follow_png(answer),
        alt="Lanes in order of time, the share of every spot over time with 95 % intervals, and "
        "what the rate was fitted to",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=answer.flags,
        cautions=(over, RANGES, NOT_MASS, NOT_VALIDATED),
        settings=_timed(answer, settings).to_toml(),
        signal=answer.readings[0].signal,
    )


def _timed(answer: Follow, settings: Settings) -> Settings:
    """Return the settings with the lanes' times; lanes of several plates share their names."""
    if any(":" in name for name in answer.lanes):
        return settings
    times = dict(zip(answer.lanes, answer.times, strict=True))
    known = [note.name for note in settings.lane]
    notes = [replace(note, time=times.get(note.name)) for note in settings.lane]
    notes += [replace(settings.note(name), time=time) for name, time in times.items()
              if name not in known]
    return replace(settings, lane=tuple(notes))


def _record(answer: Follow) -> dict[str, Any]:
    courses = answer.courses
    return {
        "unit": answer.unit,
        "lanes": list(answer.lanes),
        "times": list(answer.times),
        "normalised": "total" if answer.reference is None else "reference",
        "start_rf": courses[answer.start].rf,
        "product_rf": None if answer.product is None else courses[answer.product].rf,
        "reference_rf": None if answer.reference is None else courses[answer.reference].rf,
        "spots": [{"rf": c.rf, "kind": c.kind, "share": _levels(c.levels)} for c in courses],
        "conversion": _levels(answer.conversion),
        "order": _order(answer.order),
        "rate": _rate(answer.order.rate),
        "rate_if_responses_equal": None if answer.alike is None else _rate(answer.alike.rate),
    }


def _levels(levels: Sequence[Level]) -> list[dict[str, Any]]:
    return [{"time": v.time, "percent": v.percent, "low": v.low, "high": v.high,
             "detected": v.detected} for v in levels]


def _order(order: Order) -> dict[str, Any]:
    return {"verdict": order.verdict, "reason": order.reason or None, "lanes_used": order.used,
            "lanes_as_limits": order.limits}


def _rate(rate: Rate | None) -> dict[str, Any] | None:
    if rate is None:
        return None
    ratio = rate.ratio
    return {
        "constant": rate.constant.value, "sd": rate.sd, "low": rate.constant.low,
        "high": rate.constant.high, "half_life": rate.half_life.value,
        "half_life_low": rate.half_life.low, "half_life_high": rate.half_life.high,
        "response_ratio": None if ratio is None else ratio.value,
        "response_ratio_low": None if ratio is None else ratio.low,
        "response_ratio_high": None if ratio is None else ratio.high,
        "chi_square": rate.chi_square, "degrees_of_freedom": rate.freedom,
        "widened": rate.widened, "misfit_p": rate.misfit,
    }


def _span(value: float, low: float | None, high: float | None, at_least: int = 0) -> str:
    """Return a value and its interval, rounded as the interval's half is."""
    if low is None or high is None:
        return f"{figures(value)} (interval not known)"
    half = 0.5 * (high - low)
    places = max(at_least, decimals_of(half)) if half > 0 else 2
    return f"{fixed(value, places)} ({fixed(low, places)} to {fixed(high, places)})"


def _range(value: Range) -> str:
    """Return a value of any size above 0 and its interval, whose lower end keeps its figures."""
    low = value.low
    return _span(value.value, low, value.high, decimals_of(low) if low is not None and low > 0
                 else 0)


def _share(level: Level, of: str) -> str:
    if level.percent is not None:
        return f"{_span(level.percent, level.low, level.high, 1)} {of}"
    if level.unread:
        return "not read, though something stands out there (spot-unread)"
    if level.high is None:
        return "not detected; how little would show is not known"
    return f"not detected above {up(level.high)} {of}"


def _short(answer: Follow) -> list[str]:
    last, start = answer.conversion[-1], answer.courses[answer.start]
    of = "%" if answer.reference is None else "% of the reference"
    when = f"At {answer.times[-1]:g} {one_line(answer.unit)}"
    level = start.levels[-1]
    if last.percent is not None and level.detected:
        first = f"{when} conversion is {_span(last.percent, last.low, last.high, 1)} %."
    elif level.detected or last.low is None:
        first = f"{when} conversion is not known."
    else:
        first = f"{when} conversion is above {_floor(last.low)} %."
    lines = [first, f"Starting material at Rf {show_rf(start.rf)}: {_share(level, of)}."]
    if answer.product is not None:
        made = answer.courses[answer.product]
        lines.append(f"Product at Rf {show_rf(made.rf)}: {_share(made.levels[-1], of)}.")
    for i, course in enumerate(answer.courses):
        if course.kind == "intermediate":
            top = max(course.levels, key=lambda v: v.percent or 0.0)
            lines.append(f"Intermediate at Rf {show_rf(course.rf)}: highest at {top.time:g} "
                         f"{one_line(answer.unit)}, {_share(top, of)}, and less before and after.")
        elif course.kind == "product" and i != answer.product:
            lines.append(f"Also grows: Rf {show_rf(course.rf)}, {_share(course.levels[-1], of)}.")
        elif course.kind == "consumed":
            lines.append(f"Also falls: Rf {show_rf(course.rf)}, {_share(course.levels[-1], of)}.")
    return [*lines, _rate_words(answer)]


def _floor(percent: float) -> str:
    """Return a lower bound, never rounded up."""
    rest = up(100.0 - percent)
    places = len(rest.partition(".")[2])
    return fixed(100.0 - float(rest), places)


def _rate_words(answer: Follow) -> str:
    order, unit = answer.order, one_line(answer.unit)
    if order.rate is None:
        head = {"not first order": "Not first order", "cannot tell": "Rate: cannot tell"}
        return f"{head[order.verdict]}: {order.reason}."
    rate = order.rate
    response = "" if rate.ratio is None else (
        f"; products respond {_response(rate.ratio)} times as strongly as the starting material")
    return (f"First order: k {_range(rate.constant)} per {unit}, half-life "
            f"{_range(rate.half_life)} {unit}{response}.")


def _response(ratio: Range) -> str:
    if ratio.low is None and ratio.high is None:
        return f"about {figures(ratio.value, 2)} (not bounded)"
    if ratio.low is None:
        return f"{figures(ratio.value, 2)} (up to {figures(ratio.high, 2)})"
    if ratio.high is None:
        return f"{figures(ratio.value, 2)} (from {figures(ratio.low, 2)})"
    return _range(ratio)


def _details(answer: Follow) -> list[str]:
    of = "%" if answer.reference is None else "% of the reference"
    lines = [f"{answer.times[j]:g} {one_line(answer.unit)} (lane {one_line(name)}): starting "
             f"material {_share(answer.courses[answer.start].levels[j], of)}"
             for j, name in enumerate(answer.lanes)]
    return [*lines, *_fit_words(answer)]


def _fit_words(answer: Follow) -> list[str]:
    order, out = answer.order, []
    rate = order.rate
    if rate is not None:
        limits = f", and {order.limits} not detected, used as limits" if order.limits else ""
        scatter = ("" if rate.widened == 1.0 else f"; the scatter is {rate.widened:.1f} times what "
                   "is stated, and the interval is widened so far")
        misfit = ("too few times to test it against a stretched decay" if rate.misfit is None
                  else f"against a decay stretched or squeezed in time p {rate.misfit:.2g}")
        out.append(f"Fitted to {order.used} lanes{limits}; chi-square {rate.chi_square:.1f} for "
                   f"{rate.freedom} degrees of freedom; {misfit}{scatter}.")
    if answer.alike is not None:
        alike = answer.alike
        if alike.rate is not None:
            out.append(f"Only if products and starting material responded alike: k "
                       f"{_range(alike.rate.constant)} per {one_line(answer.unit)}.")
        elif alike.verdict == "not first order" and rate is not None:
            out.append("If products and starting material responded alike, the series would not "
                       "be first order.")
    return out


def _sections(answer: Follow) -> list[str]:
    unit = escape(answer.unit)
    courses = answer.courses
    head = (f"Time, {unit}", "Lane",
            *(f"Rf&nbsp;{show_rf(c.rf)}<br>{escape(c.kind)}" for c in courses),
            "Conversion,&nbsp;%")
    rows = [(f"{time:g}", escape(answer.lanes[j]), *(_cell(c.levels[j]) for c in courses),
             _cell(answer.conversion[j], rises=True)) for j, time in enumerate(answer.times)]
    over = ("of the lane’s signal" if answer.reference is None
            else "of the reference spot’s signal")
    out = [
        "<h2>Shares over time</h2>",
        table("Shares over time", head, [("", rows)], (NUMBER, WHOLE, *[NUMBER] * (len(head) - 2))),
        f'<p class="quiet">Percent {over}, with 95 % intervals from the covariance of the fitted '
        "areas. “&lt;&nbsp;x”: not detected; a spot of x would have been found 95 % of the time. "
        "Conversion is 100 less the starting material’s share over its share in the first lane. A "
        "spot is a product or an intermediate where its share differs by more than its "
        "interval under every law in use; spots are taken as one substance by Rf alone.</p>",
        "<h2>Rate</h2>", f"<p>{escape(_rate_words(answer))}</p>",
        *(f"<p>{escape(line)}</p>" for line in _fit_words(answer)),
    ]
    rate = answer.order.rate
    if rate is not None:
        unit_rate = f"per {unit}"
        pairs = [("k", _range(rate.constant), unit_rate), ("half-life", _range(rate.half_life),
                                                           unit)]
        if rate.ratio is not None:
            pairs.append(("response, products over starting material", _response(rate.ratio), ""))
        out.append(table("Rate", ("", "Value (95 % interval)", "Unit"), [("", pairs)],
                         (TEXT, WHOLE, WHOLE)))
    return [*out, f'<p class="quiet">{escape(_how(answer))}</p>']


def _how(answer: Follow) -> str:
    if answer.reference is not None:
        return ("Fitted: starting material over reference, q(t) = q0 exp(-kt), by maximum "
                f"likelihood. The spots' responses do not matter to k. {ASSUMED}")
    return ("Fitted: the starting material's share of its own and the products' signal, "
            "s(t) = e / (e + r (1 - e)) with e = exp(-kt), by maximum likelihood; r, the products' "
            "response over the starting material's, is fitted too, since taking it as 1 biases k "
            "where it is not. That costs precision: an internal reference (--reference) needs no "
            f"r. {ASSUMED}")


def _cell(level: Level, rises: bool = False) -> str:
    if level.percent is not None:
        if level.low is None or level.high is None:
            return f"{fixed(level.percent, 1)}"
        if level.low == level.high:
            return fixed(level.percent, 0)
        value, interval = _span(level.percent, level.low, level.high, 1)[:-1].split(" (")
        return f'{value}<br><span class="quiet">{interval}</span>'
    if level.detected:
        return UNKNOWN
    if rises:
        return UNKNOWN if level.low is None else f"&gt;&nbsp;{_floor(level.low)}"
    return UNKNOWN if level.high is None else f"&lt;&nbsp;{up(level.high)}"

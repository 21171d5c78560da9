"""The answer to "which fractions to pool?" in words, as a record and as a page."""

from __future__ import annotations

from html import escape
from typing import Any

from lanes.errors import one_line
from lanes.questions.fractions.answer import Fraction, Fractions
from lanes.questions.fractions.figure import WIDTH, fractions_png
from lanes.questions.fractions.pools import Pool
from lanes.report.answer import NOT_MASS, NOT_VALIDATED, AnswerReport
from lanes.report.digits import UNKNOWN, decimals_of, figures, fixed, show_rf, up
from lanes.report.page import NUMBER, WHOLE, table
from lanes.settings import Settings

EQUAL = ("Areas are added as if every lane had been given the same volume, and one substance runs "
         "at one Rf: what runs with the target counts as target.")


def render_fractions(answer: Fractions, file: str, settings: Settings) -> AnswerReport:
    """Return the answer as a report; `file` names the plates' files."""
    lines = _short(answer)
    return AnswerReport(
        name="fractions",
        question=f"Which fractions to pool for {answer.asked:g} area percent of the spot at Rf "
        f"{show_rf(answer.target_rf)}?",
        source=f"{len(answer.fractions)} fractions of {file}.",
        lines=lines,
        details=[_each(f) for f in answer.fractions],
        record=_record(answer),
        draw=lambda: fractions_png(answer),
        alt="The fractions' lanes, target and other spots in each, and each one's purity with "
        "the pool shaded",
        width_px=WIDTH,
        sections=_sections(answer),
        flags=answer.flags,
        cautions=(EQUAL, NOT_MASS, NOT_VALIDATED),
        settings=settings.to_toml(),
        signal=answer.readings[0].signal,
    )


def _record(answer: Fractions) -> dict[str, Any]:
    def pool(one: Pool | None) -> dict[str, Any] | None:
        if one is None:
            return None
        return {
            "fractions": [f.name for f in answer.fractions[one.first:one.last + 1]],
            "purity_percent": one.purity, "purity_low": one.low, "purity_high": one.high,
            "recovery_percent": one.recovery, "recovery_low": one.recovery_low,
            "recovery_high": one.recovery_high, "meets": one.meets,
        }

    return {
        "target_rf": answer.target_rf,
        "purity_asked_percent": answer.asked,
        "volumes_given": answer.volumes_given,
        "fractions": [{
            "name": f.name, "volume": f.volume if answer.volumes_given else None,
            "target_area": f.target, "target_area_sd": f.target_sd,
            "target_not_detected_above_area": f.target_limit, "others_area": f.others,
            "purity_percent": f.purity, "purity_low": f.low, "purity_high": f.high,
            "undetected_below_percent": f.undetected,
        } for f in answer.fractions],
        "pool": pool(answer.chosen),
        "nearest": pool(answer.nearest),
        "pool_by_expected_purity": pool(answer.expected),
        "runners_up": [pool(p) for p in answer.runners_up],
    }


def _named(answer: Fractions, pool: Pool) -> str:
    first = one_line(answer.fractions[pool.first].name)
    if pool.first == pool.last:
        return f"fraction {first} alone"
    return f"fractions {first} to {one_line(answer.fractions[pool.last].name)}"


def _span(value: float, low: float | None, high: float | None) -> str:
    if low is None and high is not None:
        return f"{figures(value)} (at most {figures(high)}; lower end not known)"
    if low is None or high is None:
        return f"{figures(value)} (interval not known)"
    half = 0.5 * (high - low)
    places = min(2, max(1, decimals_of(half))) if half > 0 else 1
    return f"{fixed(value, places)} ({fixed(low, places)} to {fixed(high, places)})"


def _whole(pool: Pool) -> bool:
    """Return whether nothing of the target can lie in another fraction."""
    return pool.recovery_low == pool.recovery_high == 100.0


def _purity(pool: Pool) -> str:
    return f"{_span(pool.purity, pool.low, pool.high)} area percent"


def _kept(pool: Pool) -> str:
    if _whole(pool):
        return "all of the target"
    return f"{_span(pool.recovery, pool.recovery_low, pool.recovery_high)} % of the target"


def _pool(pool: Pool) -> str:
    return f"{_purity(pool)}, {_kept(pool)} recovered"


def _short(answer: Fractions) -> list[str]:
    lines = []
    if answer.chosen is not None:
        lines.append(f"Pool {_named(answer, answer.chosen)}: {_purity(answer.chosen)}.")
        lines.append(f"It recovers {_kept(answer.chosen)}, the most of all pools whose purity "
                     f"lies above {answer.asked:g} % with its whole 95 % interval.")
    else:
        lines.append(f"No pool can be shown to reach {answer.asked:g} area percent.")
        if answer.nearest is not None:
            lines.append(f"Nearest is {_named(answer, answer.nearest)}: "
                         f"{_pool(answer.nearest)}.")
    likely = answer.expected
    if likely is not None and likely != answer.chosen:
        lines.append(f"By expected purity alone one would take {_named(answer, likely)}: "
                     f"{_pool(likely)}.")
    others = [p for p in answer.runners_up if p != likely]
    if others:
        lines += ["Other choices:", *(
            f"- {_named(answer, p)}: {_pool(p)}" + ("" if p.meets else "; falls short")
            for p in others)]
    lines.append("The volumes given are used." if answer.volumes_given
                 else "All fractions count with the same volume.")
    return lines


def _each(f: Fraction) -> str:
    name = f"Fraction {one_line(f.name)}"
    if f.unread:
        return f"{name}: target not read, though something stands out there (spot-unread)."
    if f.purity is None:
        return f"{name}: target not detected."
    return f"{name}: {_span(f.purity, f.low, f.high)} area percent{_further(f)}."


def _further(f: Fraction) -> str:
    if f.undetected is None:
        return ""
    return f"; no further component detected above {up(f.undetected)} %"


def _sections(answer: Fractions) -> list[str]:
    chosen = answer.chosen or answer.nearest
    inside = set() if chosen is None else set(range(chosen.first, chosen.last + 1))
    head = ("Fraction", *(("Volume",) if answer.volumes_given else ()), "Target, area",
            "Others, area", "Target, area&nbsp;%", "95 % interval", "Missed below,&nbsp;%", "")
    word = "pool" if answer.chosen is not None else "nearest"
    rows = []
    for i, f in enumerate(answer.fractions):
        target = (figures(f.target) if f.target is not None else UNKNOWN
                  if f.target_limit is None else f"&lt;&nbsp;{figures(f.target_limit, 2)}")
        rows.append((escape(f.name), *((f"{f.volume:g}",) if answer.volumes_given else ()), target,
                     figures(f.others), "" if f.purity is None else fixed(f.purity, 1),
                     "" if f.purity is None else _interval(f.low, f.high),
                     UNKNOWN if f.undetected is None else up(f.undetected),
                     word if i in inside else ""))
    pools = [p for p in (answer.chosen, answer.nearest, answer.expected, *answer.runners_up)
             if p is not None]
    made = [(escape(_named(answer, p)), fixed(p.purity, 1), _interval(p.low, p.high),
             *(("all", "") if _whole(p) else (
                 fixed(p.recovery, 1), _interval(p.recovery_low, p.recovery_high))),
             "yes" if p.meets else "no") for p in dict.fromkeys(pools)]
    kinds = [NUMBER] * (len(head) - 2)
    return [
        "<h2>Fractions</h2>",
        table("Fractions", head, [("", rows)], (WHOLE, *kinds, WHOLE)),
        '<p class="quiet">Area is signal integrated over the spot. “Missed below”: one further '
        "spot, away from those found, may have been missed up to this share; the interval’s lower "
        "end takes it in. “&lt;&nbsp;x”: target not detected; x would have been found 95 % of the "
        "time.</p>",
        "<h2>Pools</h2>",
        table("Pools", ("Pool", "Purity, area&nbsp;%", "95 % interval", "Recovery,&nbsp;%",
                        "95 % interval", "Meets"), [("", made)],
              (WHOLE, NUMBER, WHOLE, NUMBER, WHOLE, WHOLE)),
        '<p class="quiet">Areas of a pool’s fractions are added, weighted by '
        + ("the volumes given" if answer.volumes_given else "equal volumes")
        + ". A pool meets what was asked if the lower end of its purity’s interval does. Its "
        "interval holds the areas’ noise, what else could be assumed of the light (the law, the "
        "layer’s reflectance), 2 % from lane to lane for lamp and layer, and one missed spot "
        "at its limit in every fraction; how exactly the lanes were applied is not in it. "
        "Where something stands out that is read as no spot, the lower end is not known. "
        "Recovery is of the target found in all fractions here.</p>",
    ]


def _interval(low: float | None, high: float | None) -> str:
    if low is None and high is not None:
        return f"at most {fixed(high, 1)}"
    if low is None or high is None:
        return UNKNOWN
    return f"{fixed(low, 1)} to {fixed(high, 1)}"

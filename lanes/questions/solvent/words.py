"""The answer to "which solvent mixture?" in plain lines."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from lanes.errors import one_line
from lanes.questions.solvent.answer import Solvent, SolventComponent
from lanes.questions.solvent.matching import Matching
from lanes.questions.solvent.one_plate import Change, OnePlate
from lanes.questions.solvent.retention import BASELINE, MISFIT, USUAL_SLOPE, USUAL_SLOPE_SD
from lanes.report.digits import decimals_of, fixed, show_rf, with_sd

WORTH = 0.85  # of the standard deviation now: one more plate is worth naming below it
LIKELY = 2.0 / 3.0  # probability of a change of order from which it is named
SURE = 0.95  # probability from which the change is stated
EXTREME = 0.01, 0.99  # probabilities that are printed: by so few draws none is a certainty
NEARLY_ALL = 0.995  # of a fraction: 100 % in two figures
CLOSE = 0.005  # of a fraction: the same mixture to the eye


def percent(fraction: float) -> str:
    """Return a fraction as percent, two or three figures.

    >>> percent(0.24), percent(0.055), percent(1.0)
    ('24', '5.5', '100')
    """
    return f"{100 * fraction:.3g}"


def mixture(answer: Solvent, share: str) -> str:
    """Return `share` percent of the stronger solvent, by name where it has one."""
    if answer.strong is None:
        return f"{share} % of the stronger solvent"
    return f"{share} % {answer.strong}" + ("" if answer.weak is None else f" in {answer.weak}")


def chance(value: float | None) -> str:
    """Return a probability, never as a certainty.

    >>> chance(0.934), chance(1.0), chance(0.0004), chance(None)
    ('0.93', 'above 0.99', 'below 0.01', '?')
    """
    if value is not None and value > EXTREME[1]:
        return "above 0.99"
    if value is not None and value < EXTREME[0]:
        return "below 0.01"
    return fixed(value, 2)


def read_lane(answer: Solvent) -> str:
    """Return which lane was read."""
    name = one_line(answer.plates[0].reading.name)
    several = " of every plate" if len(answer.plates) > 1 else ""
    return f"Lane {name}{several} was read."


def short(answer: Solvent) -> list[str]:
    """Return the plain answer, the short one first."""
    if answer.one is not None:
        return _of_one(answer, answer.one)
    best, chart = answer.recommended, answer.chart
    assert chart is not None
    if best is None:
        plain = all(c.slope_sd is None or c.slope > 2.0 * c.slope_sd for c in answer.components)
        return [f"No mixture is recommended: {'every spot falls' if plain else 'no spot rises'} "
                "with the stronger solvent. Are the fractions exchanged?",
                *_unrepeated(answer), read_lane(answer)]
    places = ", ".join(show_rf(rf) for rf in sorted(best.rf))
    first = f"Try {mixture(answer, percent(best.fraction))}"
    out = _unrepeated(answer)
    if best.pair is None:
        out.append(f"{first}: Rf {places} ({show_rf(best.rf_low[0])} to "
                   f"{show_rf(best.rf_high[0])}).")
        out.append("One component was followed, so there is no pair to separate: it is brought to "
                   "Rf 1/3.")
    else:
        out.append(f"{first}: worst pair resolution {fixed(best.worst_resolution, 1)} "
                   f"({fixed(best.worst_low, 1)} to {fixed(best.worst_high, 1)}).")
        out.append(f"Rf there: {places}. The worst pair is {_pair(answer, *best.pair)}; every pair "
                   f"is separated to the baseline with probability {chance(best.probability)}.")
    out += [*_not_straight(answer), *crossings(answer)]
    tried = answer.tried
    span = f"{percent(tried.min())} to {percent(tried.max())} %"
    if best.extrapolated:
        out.append(f"That is extrapolated: {span} were tried. Run it before relying on it.")
    free = answer.elsewhere
    if free is not None:
        rf = sorted(free.rf)
        far = ", extrapolated" if free.extrapolated else ""
        out.append(f"{percent(free.fraction)} %{far}, is expected to separate the worst pair "
                   f"better, to {fixed(free.worst_resolution, 1)}, but spreads Rf from "
                   f"{show_rf(rf[0])} to {show_rf(rf[-1])}, outside 0.2 to 0.8.")
    if chart.resolution is not None and float(chart.resolution.max()) < BASELINE:
        out.append(f"No mixture from {percent(chart.fraction[0])} to "
                   f"{percent(chart.fraction[-1])} % is expected to separate every pair to the "
                   "baseline: another solvent may change the order, more or less of this one "
                   "hardly does (common practice).")
    out.append(_next(answer))
    out.append(read_lane(answer))
    return out


def _pair(answer: Solvent, a: int, b: int) -> str:
    return f"components {answer.components[a].name} and {answer.components[b].name}"


def _not_straight(answer: Solvent) -> list[str]:
    law = answer.law
    if law is None or law.misfit is None or law.misfit >= MISFIT:
        return []
    return ["The plates follow no straight lines of log k in log X, on which all this rests: every "
            f"interval is {law.widened:.2g} times as wide for it. Run the mixture before relying "
            "on it."]


def _unrepeated(answer: Solvent) -> list[str]:
    return [f"The plates do not repeat: {one_line(f.message)}."
            for f in answer.flags if f.name == "not-repeated"]


def crossings(answer: Solvent) -> list[str]:
    """Return a sentence for each pair of components that changes order between those tried."""
    law, tried = answer.law, np.log10(answer.tried)
    assert law is not None
    out = []
    for i, j in combinations(range(law.slope.size), 2):
        steep = float(law.slope[i] - law.slope[j])
        if law.assumed[i] or law.assumed[j] or steep == 0.0:
            continue
        log_x = float(law.intercept[j] - law.intercept[i]) / steep
        if tried.min() < log_x < tried.max():
            ends = [(law.draws[:, i] - law.draws[:, j]) @ np.array([x, 1.0])
                    for x in (tried.min(), tried.max())]
            sure = float(np.mean(ends[0] * ends[1] < 0))
            if sure < LIKELY:
                continue
            out.append(f"Components {answer.components[i].name} and {answer.components[j].name} "
                       f"{'change' if sure >= SURE else 'may change'} order near "
                       f"{100 * 10**log_x:.2g} %.")
    return out


def _next(answer: Solvent) -> str:
    best, after = answer.recommended, answer.next
    assert best is not None
    assert after is not None
    what = "its Rf" if best.pair is None else "the worst pair's resolution"
    if after.sd_then > WORTH * after.sd_now:
        return (f"One more mixture would add little: the lines give {what} to "
                f"± {after.sd_now:.1g} already.")
    where = percent(after.fraction)
    again = float(np.abs(answer.tried - after.fraction).min()) < CLOSE
    which = (f"{where} % once more" if again
             else f"{where} % itself" if abs(after.fraction - best.fraction) < CLOSE
             else f"{where} %")
    beyond = ", outside those tried" if after.extrapolated else ""
    places = decimals_of(after.sd_then)
    rest = "" if best.pair is None else "; how plates and widths scatter comes on top"
    return (f"The most informative next plate is {which}{beyond}: the lines would then give "
            f"{what} to ± {fixed(after.sd_then, places)} instead of ± "
            f"{fixed(after.sd_now, places)}{rest}.")


def _of_one(answer: Solvent, one: OnePlate) -> list[str]:
    change = change_words(answer, one.change)
    if one.direction == "keep":
        first = "Keep this mixture: every Rf lies from 0.2 to 0.8, and little would be gained."
    else:
        first = f"Use a {one.direction} mixture: {change}."
    apart = _unrepeated(answer)
    if apart:
        first = f"By the mean Rf of the plates: {first[0].lower()}{first[1:]}"
    out = [*apart, first]
    if one.outside:
        listed = ", ".join(show_rf(rf) for rf in one.outside)
        out.append(f"Rf {listed}: outside 0.2 to 0.8 (common practice).")
    elif one.direction != "keep":
        out.append("Every Rf lies from 0.2 to 0.8 (common practice).")
    if one.pair is None:
        what = f"The one spot, at Rf {show_rf(one.rf[0])}, has"
    else:
        a, b = (show_rf(one.rf[i]) for i in one.pair)
        what = (f"The least resolved pair, Rf {a} and {b} (resolution {fixed(one.resolution, 1)}), "
                "has")
    out.append(f"{what} k {one.middle_k:.2g}. Resolution goes with sqrt(Rf) (1 - Rf), which is "
               f"best at Rf 1/3, k 2: there it has {100 * one.relative:.0f} % of that.")
    if one.direction != "keep":
        then = ", ".join(show_rf(rf) for rf in one.rf_then)
        out.append(f"With k {one.wanted_k:.2g} there, the spots would lie at Rf {then}, if all "
                   "move alike.")
        out.append("How far to go rests on slopes of log k against log X from -2 to -1 (common "
                   "practice), which one plate can't show: run the new mixture, then ask again "
                   "with both plates.")
    out.append(read_lane(answer))
    return out


def change_words(answer: Solvent, change: Change) -> str:
    """Return a change of mixture in words."""
    low, high = change.low, change.high
    if low is None or high is None:
        name = answer.strong or "of the stronger solvent"
        return f"{change.factor_low:.2g} to {change.factor_high:.2g} times as much {name}"
    share = percent_range(low, high)
    now = percent(answer.plates[0].fraction or 0.0)
    return f"{mixture(answer, share)} (now {now} %)"


def percent_range(low: float, high: float) -> str:
    """Return two fractions as a span of percents, two figures each.

    >>> percent_range(0.171, 0.195), percent_range(0.2, 0.2)
    ('17 to 20', '20')
    """
    a, b = (f"{100 * value:.2g}" if value < NEARLY_ALL else "100" for value in (low, high))
    return a if a == b else f"{a} to {b}"


def details(answer: Solvent) -> list[str]:
    """Return further lines for the terminal."""
    if answer.one is not None:
        out = [f"Column volumes (1/Rf): {_volumes(answer)}."]
        aims = ", ".join(
            f"{change_words(answer, change)} for Rf {show_rf(rf)}"
            for rf, change in zip(answer.one.rf, answer.one.targets, strict=True))
        return [*out, f"To bring a spot to Rf {answer.target_rf:g}: {aims}."]
    out = [_component(answer, c) for c in answer.components]
    out.append(scatter(answer))
    if answer.recommended is None:
        return out
    out += matches(answer)
    out.append(f"Column volumes (1/Rf) at the mixture above: {_volumes(answer)}.")
    out.append(f"For Rf {answer.target_rf:g} before a column: " + "; ".join(
        f"component {t.component} {target(answer, i)}" for i, t in enumerate(answer.targets)) + ".")
    return out


def _component(answer: Solvent, c: SolventComponent) -> str:
    places = ", ".join(
        f"{show_rf(rf)} at {percent(p.fraction or 1.0)} %"
        for p, rf in zip(answer.plates, c.rf, strict=True) if rf is not None)
    line = f"log k = ({slope(c)}) log X + ({with_sd(c.intercept, c.intercept_sd, 2)})"
    if c.slope_sd is None:
        line = f"seen at one fraction only: its slope is taken as {slope(c)}"
    return f"Component {c.name}: Rf {places}; {line}."


def slope(c: SolventComponent) -> str:
    """Return a component's slope, the usual one where its own is not known."""
    if c.slope_sd is None:
        return f"{USUAL_SLOPE} ± {USUAL_SLOPE_SD}"
    return with_sd(c.slope, c.slope_sd, 2)


def scatter(answer: Solvent) -> str:
    """Return how much plates scatter, and where that is from."""
    law = answer.law
    assert law is not None
    source = ("sharpened by these plates" if law.estimated
              else "assumed, since two mixtures can't show it")
    return (f"From plate to plate Rf is taken to scatter by {law.plate_sd:.2g} for all spots of a "
            f"plate together (at Rf 0.5) and by {law.spot_sd:.2g} for each: a usual range, "
            f"{source}.{_by_law(answer)}")


def _by_law(answer: Solvent) -> str:
    widths = answer.widths
    if widths is None or round(100.0 * widths.law_sd) < 1:
        return ""
    return (f" All widths together hang on the law from light to signal, by "
            f"{100.0 * widths.law_sd:.0f} % (standard deviation): the resolutions count that too.")


def matches(answer: Solvent) -> list[str]:
    """Return how sure it is which spot is which."""
    first, *rest = answer.assigned
    out = [f"Spots were followed from plate to plate with probability "
           f"{chance(first.probability)}."]
    for other in rest:
        out.append(f"Otherwise, with probability {chance(other.probability)}, "
                   f"{_differs(answer, first.matching, other.matching)}: then try "
                   f"{percent(other.recommended.fraction)} %"
                   + ("." if other.changes else ", with much the same result."))
    return out


def _differs(answer: Solvent, a: Matching, b: Matching) -> str:
    out = []
    for p, plate in enumerate(answer.plates):
        moved = [(j, place) for j, place in enumerate(b.spots[p]) if a.spots[p][j] != place]
        if moved:
            placed = ", ".join(
                f"{j + 1} " + ("unseen" if s is None else f"at Rf {show_rf(plate.seen[s].rf)}")
                for j, s in moved)
            out.append(f"{one_line(plate.file)} has component {placed}")
    return " and ".join(out) if out else "the components are numbered otherwise"


def _volumes(answer: Solvent) -> str:
    return ", ".join(f"{fixed(v.volumes, 2)} at Rf {show_rf(v.rf)}"
                     + ("" if v.to_next is None else f" (next after {fixed(v.to_next, 2)})")
                     for v in answer.volumes)


def target(answer: Solvent, i: int) -> str:
    """Return which mixture brings component `i` to the target Rf."""
    t = answer.targets[i]
    if t.fraction is None or t.low is None or t.high is None:
        return "by no mixture that these plates can tell"
    span = f"{100 * t.fraction:.2g} % ({percent_range(t.low, t.high)})"
    return span + (", extrapolated" if t.extrapolated else "")

"""The answer to "how pure is it?" as words, record, picture and page."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lanes.answers.purity import Purity, Share
from lanes.errors import one_line
from lanes.output.canvas import (
    COLOURS,
    DASHES,
    DPI,
    INK,
    MARK,
    QUIET,
    TEXT,
    box,
    canvas,
    halo,
    png,
    style,
)  # fmt: skip
from lanes.output.digits import UNKNOWN, figures, fixed
from lanes.output.folder import write_folder
from lanes.output.page import NUMBER, WHOLE, page, picture, table
from lanes.settings import Settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NOT_MASS = (
    "Area percent is not mass percent: response differs between substances, the law bends small "
    "against large, and what does not stain, glow or quench is not seen."
)
NOT_VALIDATED = "Not validated for release, clinical or forensic decisions."
_WIDTH, _LEFT, _RIGHT = 1090, 140, 25  # in pixels
_VERDICTS = {
    "below": "below the limit", "above": "above the limit", "cannot tell": "cannot tell",
}


def purity_record(answer: Purity) -> dict[str, Any]:
    """Return the answer as plain values; unknown is None."""
    values = {
        "lane": answer.lane,
        "main": _share(answer.main),
        "others": [_share(other) for other in answer.others],
        "undetected_below_percent": answer.undetected_below_percent,
        "beside_main": [
            {"resolution": b.resolution, "percent": b.percent} for b in answer.beside_main
        ],
        "laws": [{"law": u.law, "area_percent": u.area_percent} for u in answer.laws],
        "limit_test": [
            {"lane": t.lane, "percent": t.percent, "rf": t.rf, "ratio": t.ratio, "sds": t.sds,
             "verdict": t.verdict}
            for t in answer.limit_test
        ],
        "flags": [{"name": f.name, "message": f.message} for f in answer.flags],
    }
    rounded: dict[str, Any] = _plain(values)
    return rounded


def purity_json(answer: Purity) -> bytes:
    """Return purity.json: the same answer gives the same bytes."""
    text = json.dumps(purity_record(answer), ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode("utf-8")


def _share(share: Share) -> dict[str, float | None]:
    return {"rf": share.rf, "area_percent": share.area_percent, "low": share.low,
            "high": share.high}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner) for inner in value]
    if value is None or isinstance(value, str):
        return value
    return float(f"{float(value):.8g}") + 0.0 if math.isfinite(value) else None


def purity_text(answer: Purity) -> str:
    """Return the answer in a few plain lines, the short one first."""
    lines = [*short(answer), ""]
    if len(answer.others) > 1:
        lines += [f"Spot at Rf {s.rf:.3f}: {_percent(s)}." for s in answer.others]
    lines.append(_beside(answer))
    lines.append(f"{_laws(answer)}.")
    lines += [_test(answer, i) for i in range(len(answer.limit_test))]
    lines += [f"{f.name}: {one_line(f.message)}" for f in answer.flags]
    return "\n".join([*lines, "", NOT_MASS, NOT_VALIDATED]) + "\n"


def short(answer: Purity) -> list[str]:
    """Return the plain answer: what was found, and above what size nothing else was."""
    name = one_line(answer.lane)
    limit = answer.undetected_below_percent
    above = "how small a spot would have been missed is not known"
    if limit is not None:
        above = f"no second component detected above {_up(limit)} %"
    if not answer.others:
        if answer.main.low is None:
            held = f"it is all that was found; {above}"
        else:
            held = f"it is all that was found, {fixed(answer.main.low, 1)} to 100 area percent"
        return [
            f"Lane {name}: {above}." if limit is not None
            else f"Lane {name}: no second component detected.",
            f"The main spot is at Rf {answer.main.rf:.3f}; {held}.",
        ]
    largest = max(answer.others, key=lambda s: s.area_percent)
    count = len(answer.others)
    rest = ("one more spot was found" if count == 1
            else f"{count} more spots were found, the largest")
    further = ("How small a further spot would have been missed is not known." if limit is None
               else f"Away from these, no further component detected above {_up(limit)} %.")
    return [
        f"Lane {name}: the main spot, at Rf {answer.main.rf:.3f}, holds {_percent(answer.main)}.",
        f"Beside it {rest} at Rf {largest.rf:.3f}, with {_percent(largest)}.",
        further,
    ]


def _up(percent: float) -> str:
    """Return a limit with two figures, never rounded down."""
    places = max(0, 1 - math.floor(math.log10(percent)))
    return f"{math.ceil(percent * 10**places - 1e-9) / 10**places:.{places}f}"


def _percent(share: Share) -> str:
    if share.low is None or share.high is None:
        return f"{figures(share.area_percent)} area percent (interval not known)"
    places = max(1, 1 - math.floor(math.log10(max(share.high - share.low, 1e-3))))
    return (f"{fixed(share.area_percent, places)} area percent "
            f"({fixed(share.low, places)} to {fixed(share.high, places)})")


def _beside(answer: Purity) -> str:
    if not answer.beside_main:
        return "How large a neighbour must be to be found is not known: the count was given."
    told = ", ".join(
        f"Rs {b.resolution:g}: {'not at any size' if b.percent is None else _up(b.percent) + ' %'}"
        for b in answer.beside_main
    )
    return f"Beside the main spot, a neighbour is found from (percent of the main spot) {told}."


def _laws(answer: Purity) -> str:
    told = ", ".join(f"{u.law} {fixed(u.area_percent, 2)} %" for u in answer.laws)
    return f"The main spot by law from light to signal: {told}"


def _test(answer: Purity, i: int) -> str:
    test = answer.limit_test[i]
    what = "no other spot found" if test.rf is None else f"spot at Rf {test.rf:.3f}"
    ratio = "" if test.ratio is None else (
        f", {figures(test.ratio)} times the reference spot's area")
    sds = "" if test.sds is None else f", {abs(test.sds):.1f} standard deviations apart"
    return (f"Against lane {one_line(test.lane)} ({test.percent:g} %): {what}{ratio}{sds}: "
            f"{_VERDICTS[test.verdict]}.")


def purity_png(answer: Purity) -> bytes:
    """Return the lane's trace at two scales; the lower shows what small spots there are.

    A dashed spot of the size that is found 95 % of the time is drawn in the lower panel where
    nothing else is, and a line at its height.
    """
    with style():
        figure = canvas(_WIDTH, 830)
        width = _WIDTH - _LEFT - _RIGHT
        figure.text(_LEFT / _WIDTH, 1 - 16 / 830, short(answer)[0], va="top", weight="bold",
                    size=TEXT)
        whole = box(figure, _LEFT, 90, width, 270)
        enlarged = box(figure, _LEFT, 390, width, 370)
        _panel(whole, answer)
        _panel(enlarged, answer)
        _enlarge(enlarged, answer)
        handles, labels = enlarged.get_legend_handles_labels()
        whole.legend(handles, labels, loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=4,
                     frameon=False, borderaxespad=0.2, handlelength=2.0, columnspacing=1.2)
        whole.tick_params(labelbottom=False)
        whole.set_ylabel("Signal")
        enlarged.set_ylabel("Signal, enlarged")
        enlarged.set_xlabel("Rf")
        return png(figure)


def _panel(axes: Axes, answer: Purity) -> None:
    from matplotlib.ticker import MaxNLocator

    lane = answer.reading
    rf, fit = lane.trace.rf, lane.fit
    shown = np.where(lane.trace.usable, lane.trace.signal - lane.background - fit.baseline, np.nan)
    axes.plot(rf, shown, color="#a3abb3", lw=2.0, label="trace", zorder=2)
    for index, peak in enumerate(fit.peaks):
        inside = peak > 1e-4 * peak.max(initial=0.0)
        colour, dash = COLOURS[index % len(COLOURS)], DASHES[index % len(DASHES)]
        axes.plot(rf[inside], peak[inside], color=colour, ls=dash, lw=1.6, zorder=3,
                  label="main spot" if index == answer.index else "other spot"
                  if index == (answer.index == 0) else None)
    axes.set_xlim(float(rf[0]), float(rf[-1]))
    axes.spines[["top", "right"]].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(11, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(4))
    for line in (0.0, 1.0):
        axes.axvline(line, color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=0)


def _enlarge(axes: Axes, answer: Purity) -> None:
    lane, limit = answer.reading, answer.undetected_below_percent
    rf, main = lane.trace.rf, lane.fit.components[answer.index]
    heights = [c.height for i, c in enumerate(lane.fit.components) if i != answer.index]
    reach = max([1.35 * h for h in heights] + [12.0 * lane.noise.sd])
    if limit is not None:
        total = sum(spot.area for spot in lane.spots)
        area = total * limit / (100.0 - limit)
        height = area / (main.sigma * math.sqrt(2.0 * math.pi))
        reach = max(reach, 2.0 * height)
        axes.axhline(height, color=INK, lw=0.8, ls=(0, (6, 3)), zorder=1)
        at = _free(answer) * lane.trace.run
        bell = height * np.exp(-0.5 * ((lane.trace.position - at) / main.sigma) ** 2)
        there = bell > 0.01 * height
        axes.plot(rf[there], bell[there], color=INK, lw=1.3, ls=(0, (3, 1.5)), zorder=4,
                  label="a spot at the limit")
        axes.annotate(f"limit {_up(limit)} %", (1.0, height), (-2, 3),
                      xycoords=("axes fraction", "data"), textcoords="offset points", ha="right",
                      color=INK, path_effects=halo())
    for i, c in enumerate(lane.fit.components):
        if i != answer.index:
            axes.annotate(f"{figures(lane.spots[i].area_percent, 2)} %",
                          (lane.spots[i].rf, min(c.height, 0.9 * reach)), (0, 9),
                          textcoords="offset points", ha="center", color=MARK,
                          path_effects=halo())
    axes.set_ylim(-max(0.2 * reach, 4.0 * lane.noise.sd), reach)


def _free(answer: Purity) -> float:
    """Return the Rf farthest from every spot and from the two lines."""
    taken = [0.0, 1.0, *(spot.rf for spot in answer.reading.spots)]
    places = [0.05 + 0.005 * i for i in range(181)]
    return max(places, key=lambda rf: min(abs(rf - t) for t in taken))


def purity_html(answer: Purity, drawn: bytes, file: str, settings: Settings) -> bytes:
    """Return the page: answer, picture, tables, what the words mean, and the cautions."""
    first, *more = short(answer)
    body = [
        f"<h1>{escape(first)}</h1>",
        f'<p class="quiet">How pure is it? Lane {escape(answer.lane)} of {escape(file)}.</p>',
        *(f"<p>{escape(line)}</p>" for line in more),
        picture(drawn, f"Trace of lane {answer.lane}, whole and enlarged, with its spots and the "
                "smallest spot that would be found", round(_WIDTH * 96 / DPI), wide=True),
        "<h2>Spots</h2>",
        table("Spots", ("Spot", "Rf", "Area&nbsp;%", "95 % interval"), [("", [
            ("main" if s is answer.main else "other", fixed(s.rf, 3),
             fixed(s.area_percent, 2), _interval(s))
            for s in sorted((answer.main, *answer.others), key=lambda s: s.rf)])],
            (WHOLE, NUMBER, NUMBER, WHOLE)),
        f'<p class="quiet">{escape(_meaning(answer))}</p>',
        *_missed(answer),
        "<h2>The law from light to signal</h2>",
        table("Laws", ("Law", "Main spot, area&nbsp;%"), [("", [
            (escape(u.law), fixed(u.area_percent, 2)) for u in answer.laws])], (WHOLE, NUMBER)),
        '<p class="quiet">The same spots, fitted anew to the signal that each law makes of the '
        "same light. How far the figures differ is how far the law matters.</p>",
        *_tests(answer),
        *_remarks(answer),
        "<h2>What area percent is not</h2>",
        f"<p>{escape(NOT_MASS)} {escape(NOT_VALIDATED)}</p>",
        "<h2>To repeat</h2>",
        f"<pre>{escape(settings.to_toml())}</pre>",
    ]
    return page(f"Purity of lane {answer.lane}", body).encode("utf-8")


def _interval(share: Share) -> str:
    if share.low is None or share.high is None:
        return UNKNOWN
    return f"{fixed(share.low, 2)} to {fixed(share.high, 2)}"


def _meaning(answer: Purity) -> str:
    if answer.others:
        return ("The interval comes from the covariance of the fitted areas. It holds for the "
                "spots found, under the law in use; a spot too small to be found is not in it.")
    return ("A lone spot is 100 % of what was found. Its interval runs from 100 less the one "
            "further spot that could have been missed, up to 100. It can't count several "
            "missed spots, nor one that hides under the main spot or the pencil.")


def _missed(answer: Purity) -> Iterable[str]:
    out = ["<h2>What would have been missed</h2>"]
    if answer.undetected_below_percent is None:
        out.append("<p>How small a spot would have been missed is not known.</p>")
    else:
        out.append(f"<p>Away from every spot found, a spot as wide as the main one is found 95 % "
                   f"of the time from {_up(answer.undetected_below_percent)} area percent on.</p>")
    if answer.beside_main:
        rows = [(f"{b.resolution:.2f}", "not at any size" if b.percent is None
                 else _up(b.percent)) for b in answer.beside_main]
        out.append(table("Beside the main spot", ("Resolution to the main spot",
                   "Found from, % of the main spot"), [("", rows)], (NUMBER, NUMBER)))
    out.append('<p class="quiet">Spots of known size were added to this lane’s own trace and '
               "looked for by the same steps as every other.</p>")
    return out


def _tests(answer: Purity) -> Iterable[str]:
    if not answer.limit_test:
        return []
    rows = [(escape(t.lane), f"{t.percent:g}", UNKNOWN if t.rf is None else fixed(t.rf, 3),
             figures(t.ratio), fixed(t.sds, 1), _VERDICTS[t.verdict])
            for t in answer.limit_test]
    head = ("Reference lane", "Stands for, %", "Spot at Rf", "Area ÷ reference",
            "Difference, sd", "Verdict")
    return [
        "<h2>Limit test</h2>",
        table("Limit test", head, [("", rows)], (WHOLE, *[NUMBER] * 4, WHOLE)),
        '<p class="quiet">A spot is below or above where its area and the reference spot’s differ '
        "by more than 1.96 standard deviations of the difference. How exactly the two were "
        "applied, and whether they answer the light alike, is not in it. A ? stands where no other "
        "spot was found: then the smallest spot that is found 95 % of the time was compared.</p>",
    ]


def _remarks(answer: Purity) -> Iterable[str]:
    return ["<h2>Remarks</h2>", *(
        f'<p><span class="flag">{escape(f.name)}</span> {escape(f.message)}</p>'
        for f in answer.flags)]


def write_purity(answer: Purity, out: str | Path, file: str, settings: Settings) -> None:
    """Write the folder `out`: purity.json, purity.png, purity.html, settings.toml.

    Raises
    ------
    OutputError
        If `out` exists, or can't be written.
    """
    drawn = purity_png(answer)
    write_folder(out, {
        "purity.json": purity_json(answer),
        "purity.png": drawn,
        "purity.html": purity_html(answer, drawn, file, settings),
        "settings.toml": settings.to_toml().encode("utf-8"),
    })

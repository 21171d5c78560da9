"""The comparison's figure: lanes as strips, their traces on one axis, the differences in Rf."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from lanes.plate.picture import Picture, picture
from lanes.questions.compare.answer import Comparison, Shown
from lanes.questions.compare.pair import NEAR_RF, SpotPair
from lanes.report.canvas import COLOURS, DASHES, INK, MARK, QUIET, box, canvas, png, style
from lanes.report.digits import show_rf
from lanes.report.lane_figure import strip_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH, _LEFT, _RIGHT = 1090, 190, 25  # in pixels
_STRIP, _ROW, _TRACES = 62, 34, 300
MOST_ROWS = 14
NOT_APART = "not told apart"  # what "same" is called where a person reads it
_COLUMNS = 4  # names in a row of the legend: they may be long
# Verdicts differ in shape and fill: seen in grey too.
MARKS: dict[str, tuple[str, Literal["full", "none"], str]] = {
    "same": ("o", "full", COLOURS[0]),
    "different": ("X", "full", COLOURS[1]),
    "cannot tell": ("o", "none", QUIET),
}


def compare_png(answer: Comparison) -> bytes:
    """Return the strips of all lanes compared, their traces, and the differences below."""
    span = _span(answer)
    head = 14
    rows = near_pairs(answer)[:MOST_ROWS]
    width = WIDTH - _LEFT - _RIGHT
    strips = _STRIP + 6
    names = -(-len(answer.shown) // _COLUMNS)
    top_traces = head + strips * len(answer.shown) + 24 + 26 * names
    top_rows = top_traces + _TRACES + 118
    tall = max(60, _ROW * max(1, len(rows)) + 16)
    total = top_rows + tall + 74
    with style():
        figure = canvas(WIDTH, total)
        made: dict[int, Picture] = {}
        for k, shown in enumerate(answer.shown):
            axes = box(figure, _LEFT, head + strips * k, width, _STRIP)
            pixels = _strip(shown, made, span, width)
            if pixels is not None:
                axes.imshow(pixels, extent=(*span, 0, 1), aspect="auto", interpolation="nearest")
            axes.set(xlim=span, xticks=[], yticks=[])
            axes.set_ylabel(f"{_short(shown.reading.name)}\n{shown.kind}", rotation=0, ha="right",
                            va="center")
        axes = box(figure, _LEFT, top_traces, width, _TRACES)
        _traces(axes, answer, span)
        axes = box(figure, _LEFT, top_rows, width, tall)
        _differences(axes, answer, rows)
        return png(figure)


def near_pairs(answer: Comparison) -> list[SpotPair]:
    """Return the pairs near enough to be asked about, from origin to front."""
    near = [p for p in answer.pairs
            if p.identity is not None and abs(p.rf - p.reference_rf) < NEAR_RF]
    return sorted(near, key=lambda p: (p.rf, p.reference))


def _short(name: str, most: int = 16) -> str:
    return name if len(name) <= most else name[: most - 1] + "…"


def _span(answer: Comparison) -> tuple[float, float]:
    rf = answer.reading.trace.rf
    return float(rf[0]), float(rf[-1])


def _strip(
    shown: Shown, made: dict[int, Picture], span: tuple[float, float], width: int
) -> NDArray[np.uint8] | None:
    """Return a lane's strip; one of another plate is stretched to this one's Rf."""
    if id(shown.plate) not in made:
        made[id(shown.plate)] = picture(shown.plate.scan, shown.layout)
    own = (span[0] / shown.scale, span[1] / shown.scale)
    strip = strip_of(shown.layout, made[id(shown.plate)], shown.reading.name, own, width)
    if strip is None:
        return None
    middle, half = strip.shape[0] // 2, max(8, round(0.5 * strip.shape[0]))
    return strip[max(0, middle - half): middle + half]


def _traces(axes: Axes, answer: Comparison, span: tuple[float, float]) -> None:
    from matplotlib.ticker import MaxNLocator

    tallest = max((c.height for s in answer.shown for c in s.reading.fit.components), default=1.0)
    for k, shown in enumerate(answer.shown):
        lane = shown.reading
        rf = lane.trace.rf * shown.scale
        values = lane.trace.signal - lane.background - lane.fit.baseline
        # An empty lane is drawn to the scale of the others: noise is no spot.
        most = max((c.height for c in lane.fit.components), default=tallest)
        # Where pencil hid the trace, what was fitted carries the line on: it does not break.
        fitted = lane.fit.model - lane.fit.baseline
        values = np.where(lane.trace.usable, values, fitted) / most
        first = k == 0
        axes.plot(rf, values, color=INK if first else COLOURS[(k - 1) % len(COLOURS)],
                  lw=2.2 if first else 1.4, ls=DASHES[k % len(DASHES)], zorder=5 - min(k, 4),
                  label=_short(lane.name))
    for i, spot in enumerate(answer.reading.spots):
        bare = i in answer.unexplained
        axes.plot([spot.rf] * 2, [-0.09, -0.02], color=MARK, lw=1.6, zorder=6)
        if bare:
            axes.plot([spot.rf], [1.1], "v", color=MARK, ms=7)
    axes.set(xlim=span, ylim=(-0.1, 1.18), xlabel="Rf")
    axes.set_ylabel("Signal, each lane to\nits tallest spot")
    axes.spines[["top", "right"]].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(11, steps=[1, 2, 5, 10]))
    axes.set_yticks([0.0, 0.5, 1.0])
    if answer.unexplained:
        axes.set_xlabel("Rf (▼ matches no reference)")
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=_COLUMNS, frameon=False,
                borderaxespad=0.2, handlelength=2.6, columnspacing=1.2)


def _differences(axes: Axes, answer: Comparison, rows: list[SpotPair]) -> None:
    from matplotlib.lines import Line2D

    reach = NEAR_RF + 0.005
    axes.set(xlim=(-reach, reach), ylim=(len(rows) - 0.4, -0.6),
             xlabel="Difference in Rf, unknown less reference, with 90 % intervals")
    if rows:
        axes.axvline(0.0, color=QUIET, lw=0.8)
    else:
        axes.set(ylim=(1, 0))
        axes.text(0.0, 0.5, "no reference has a spot near one of the unknown's"
                  if answer.reading.spots else "nothing is detected in the unknown", ha="center",
                  va="center")
    for k, pair in enumerate(rows):
        assert pair.identity is not None
        margin = pair.identity.margin
        axes.fill_between([-margin, margin], k - 0.42, k + 0.42, color="#e8edf2", lw=0, zorder=0)
        mark, fill, colour = MARKS[pair.verdict]
        axes.plot([max(pair.identity.low, -reach), min(pair.identity.high, reach)], [k, k],
                  color=colour, lw=2.0, solid_capstyle="butt")
        axes.plot([min(max(pair.identity.value, -reach), reach)], [k], mark, fillstyle=fill,
                  color=colour, ms=7, mew=1.5)
    axes.set_yticks(range(len(rows)), [
        f"{show_rf(p.rf)} – {_short(p.reference, 10)}" for p in rows])
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(axis="y", length=0)
    handles: list[Line2D] = [
        Line2D([], [], marker=mark, fillstyle=fill, color=colour, lw=2.0, ms=7,
               label=NOT_APART if name == "same" else name)
        for name, (mark, fill, colour) in MARKS.items()]
    axes.legend(handles=[*handles, Line2D([], [], color="#d5dee7", lw=8,
                                         label="margin for not told apart")],
                loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=4, frameon=False,
                borderaxespad=0.2, columnspacing=1.2)

"""The solvent question's figure: Rf and the worst pair's resolution against the mixture."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from lanes.questions.solvent.answer import Solvent
from lanes.questions.solvent.mixture import beyond
from lanes.questions.solvent.one_plate import OnePlate
from lanes.questions.solvent.retention import BASELINE, WINDOW, Map
from lanes.report.canvas import (
    COLOURS,
    INK,
    MARK,
    QUIET,
    box,
    canvas,
    halo,
    png,
    spread,
    style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH, _LEFT, _RIGHT = 1090, 130, 60  # in pixels
_MARKERS = "osD^vPX"
_TOP, _UPPER, _LOWER = 50, 420, 280
_BEYOND = "#e9edf1"


def solvent_png(answer: Solvent) -> bytes:
    """Return the figure: by the law for several mixtures, by Rf 1/3 for one."""
    with style():
        if answer.one is not None:
            return png(_one(answer.one))
        return png(_several(answer))


def _several(answer: Solvent) -> Figure:
    chart, best = answer.chart, answer.recommended
    assert chart is not None
    paired = chart.resolution is not None
    height = _TOP + _UPPER + 75 + (_LOWER + 30 if paired else 0)
    figure = canvas(WIDTH, height)
    width = WIDTH - _LEFT - _RIGHT
    upper = box(figure, _LEFT, _TOP, width, _UPPER)
    lowest = upper
    _curves(upper, answer, chart)
    if paired:
        lowest = box(figure, _LEFT, _TOP + _UPPER + 30, width, _LOWER)
        _worst(lowest, answer, chart)
        upper.tick_params(labelbottom=False)
    for axes in (upper, lowest):
        axes.set_xlim(100 * chart.fraction[0], 100 * chart.fraction[-1])
        axes.spines[["top", "right"]].set_visible(False)
        for low, high in _untried(answer, chart):
            axes.axvspan(low, high, color=_BEYOND, lw=0, zorder=0)
        if best is None:
            continue
        axes.axvline(100 * best.fraction, color=INK, lw=1.4, zorder=2)
        if answer.next is not None and abs(answer.next.fraction - best.fraction) > 1e-9:
            axes.axvline(100 * answer.next.fraction, color=QUIET, lw=1.0, ls=(0, (1, 2)), zorder=2)
    lowest.set_xlabel(f"{answer.strong or 'Stronger solvent'}, % by volume")
    _legend(upper, answer)
    return figure


def _untried(answer: Solvent, chart: Map) -> list[tuple[float, float]]:
    """Return the spans of percent that are extrapolated."""
    ends = 100 * chart.fraction[[0, -1]]
    low, high = 100 * answer.tried.min(), 100 * answer.tried.max()
    return [(a, b) for a, b in ((ends[0], low), (high, ends[1])) if b > a]


def _curves(axes: Axes, answer: Solvent, chart: Map) -> None:
    x = 100 * chart.fraction
    inside = np.array([not beyond(float(f), answer.tried) for f in chart.fraction])
    size = chart.rf.shape[1]
    for j in range(size):
        colour = COLOURS[j % len(COLOURS)]
        axes.fill_between(x, chart.low[:, j], chart.high[:, j], color=colour, alpha=0.2, lw=0)
        axes.plot(x, chart.rf[:, j], color=colour, lw=1.1, ls=(0, (4, 2.5)), zorder=3)
        axes.plot(x[inside], chart.rf[inside, j], color=colour, lw=2.0, zorder=3)
        component = answer.components[j]
        seen = [(100 * (p.fraction or 1.0), rf, shared) for p, rf, shared
                in zip(answer.plates, component.rf, component.shared, strict=True)
                if rf is not None]
        for at, rf, shared in seen:
            axes.plot(at, rf, _MARKERS[j % len(_MARKERS)], ms=7, mec="white" if not shared
                      else colour, mew=1.0, color="white" if shared else colour, zorder=5,
                      clip_on=False)
    for edge in WINDOW:
        axes.axhline(edge, color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=1)
    axes.set_ylim(0.0, 1.0)
    axes.set_ylabel("Rf")
    order = np.argsort(chart.rf[-1])
    ends = spread([float(chart.rf[-1, j]) for j in order], 0.06, 0.03, 0.97)
    for j, at in zip(order, ends, strict=True):
        axes.annotate(answer.components[int(j)].name, (1.0, float(at)), (8, 0), va="center",
                      xycoords=("axes fraction", "data"), textcoords="offset points",
                      color=INK, weight="bold")


def _worst(axes: Axes, answer: Solvent, chart: Map) -> None:
    assert chart.resolution is not None
    assert chart.pair is not None
    assert chart.worst_low is not None
    assert chart.worst_high is not None
    x = 100 * chart.fraction
    inside = np.array([not beyond(float(f), answer.tried) for f in chart.fraction])
    axes.fill_between(x, chart.worst_low, chart.worst_high, color=MARK, alpha=0.15, lw=0)
    axes.plot(x, chart.resolution, color=MARK, lw=1.1, ls=(0, (4, 2.5)))
    axes.plot(x[inside], chart.resolution[inside], color=MARK, lw=2.0)
    axes.axhline(BASELINE, color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=1)
    reach = 1.3 * max(float(chart.worst_high.max()), 1.6)
    axes.set_ylim(0.0, reach)
    axes.set_ylabel("Resolution,\nworst pair")
    axes.annotate("1.5", (1.0, BASELINE), (6, 0), xycoords=("axes fraction", "data"),
                  textcoords="offset points", va="center", color=QUIET)
    # Which pair is the worst, over each stretch that has room for its name.
    span = x[-1] - x[0]
    pairs = [tuple(pair) for pair in chart.pair.tolist()]
    runs = [list(group) for _, group in groupby(range(len(x)), pairs.__getitem__)]
    for run in runs:
        low, high = x[run[0]], x[run[-1]]
        if run[0] > 0:
            axes.plot([low, low], [0.88 * reach, reach], color=QUIET, lw=0.8)
        if high - low > 0.1 * span:
            a, b = (answer.components[int(j)].name for j in pairs[run[0]])
            axes.annotate(f"{a} and {b}", ((low + high) / 2, 0.93 * reach), ha="center",
                          va="center", color=INK, path_effects=halo())


def _legend(axes: Axes, answer: Solvent) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    best, after = answer.recommended, answer.next
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=QUIET, ls="", marker="o", label="measured"),
        Patch(color=QUIET, alpha=0.25, lw=0, label="95 % of plates"),
    ]
    if best is not None:
        handles.insert(0, Line2D([], [], color=INK, lw=1.4, label="recommended"))
    if any(any(c.shared) for c in answer.components):
        handles.append(Line2D([], [], color=QUIET, ls="", marker="o", mfc="white",
                              label="spot shared"))
    if _untried(answer, answer.chart) if answer.chart is not None else False:
        handles.append(Patch(facecolor=_BEYOND, edgecolor=QUIET, lw=0.5, label="extrapolated"))
    if best is not None and after is not None and abs(after.fraction - best.fraction) > 1e-9:
        handles.append(Line2D([], [], color=QUIET, lw=1.0, ls=(0, (1, 2)), label="next plate"))
    axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=len(handles),
                frameon=False, borderaxespad=0.2, handlelength=1.4, columnspacing=1.0,
                handletextpad=0.5)


def _one(one: OnePlate) -> Figure:
    height = _TOP + 380 + 75
    figure = canvas(WIDTH, height)
    axes = box(figure, _LEFT, _TOP, WIDTH - _LEFT - _RIGHT, 380)
    rf = np.linspace(0.0, 1.0, 401)

    def relative(at: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
                 ) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        return np.asarray(np.sqrt(at) * (1.0 - at) / (np.sqrt(1 / 3) * 2 / 3))

    axes.plot(rf, relative(rf), color=MARK, lw=1.6, zorder=2)
    now, then = np.array(one.rf), np.array(one.rf_then)
    axes.plot(now, relative(now), "o", color=COLOURS[1], ms=9, zorder=4, label="spots on the plate")
    if one.direction != "keep":
        axes.plot(then, relative(then), "D", mfc="white", mec=INK, ms=7, zorder=3,
                  label="after the change, if all move alike")
    for low, high in ((0.0, WINDOW[0]), (WINDOW[1], 1.0)):
        axes.axvspan(low, high, color=_BEYOND, lw=0, zorder=0,
                     label="outside 0.2 to 0.8" if low == 0 else None)
    axes.axvline(1 / 3, color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=1)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.1)
    axes.set_xlabel("Rf")
    axes.set_ylabel("Relative resolution")
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=3, frameon=False,
                borderaxespad=0.2, handlelength=1.4, columnspacing=1.2)
    return figure

"""The follow question's figure: lanes in order of time, shares over time, what was fitted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lanes.confidence import TWO_SIDED_95
from lanes.questions.follow.answer import Follow
from lanes.questions.follow.series import TimePoint
from lanes.questions.follow.shares import Level
from lanes.report.canvas import (
    COLOURS,
    DASHES,
    INK,
    MARK,
    QUIET,
    TEXT,
    arms,
    box,
    canvas,
    png,
    spread,
    style,
)
from lanes.report.digits import show_rf
from lanes.report.strips import strips

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH, _LEFT, _RIGHT = 1090, 125, 70  # in pixels
_STRIPS, _SHARES, _FIT, _KEY = 330, 330, 270, 84  # the key has two rows
_LIMIT = "not detected: limit"
_BOUND = "at least, or at most"  # where starting material or products were not detected
MARKERS = ("o", "s", "^", "D", "v", "P")


def follow_png(answer: Follow) -> bytes:
    """Return the lanes' strips above the shares over time above the fitted quantity.

    What was not detected is an open mark at its limit with a stroke down to nothing.
    """
    fitted = any(p.value is not None and p.sd for p in answer.points)
    top = 40
    height = top + _STRIPS + _KEY + _SHARES + (90 + _FIT if fitted else 0) + 75
    with style():
        figure = canvas(WIDTH, height)
        labels = [f"Rf {show_rf(c.rf)}, {c.kind}" for c in answer.courses]
        times = [f"{time:g}" for time in answer.times]
        strips(figure, answer.plates, answer.readings, times, labels,
               [c.rf for c in answer.courses], _LEFT, top, _STRIPS, f"Time, {answer.unit}")
        width = WIDTH - _LEFT - _RIGHT
        shares = box(figure, _LEFT, top + _STRIPS + _KEY, width, _SHARES)
        _shares(shares, answer)
        axes = shares
        if fitted:
            below = top + _STRIPS + _KEY + _SHARES + 90
            axes = box(figure, _LEFT, below, width, _FIT)
            _fitted(axes, answer)
        axes.set_xlabel(f"Time, {answer.unit}")
        return png(figure)


def bars(axes: Axes, levels: Sequence[Level], i: int, label: str, aside: float = 0.0) -> None:
    """Draw one spot's shares with intervals, and open marks at limits where it was missing."""
    colour, marker = COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]
    known = [v for v in levels if v.percent is not None]
    if known:
        x, y = np.array([v.time for v in known]), np.array([v.percent or 0.0 for v in known])
        low = np.array([y[n] - (y[n] if v.low is None else v.low) for n, v in enumerate(known)])
        high = np.array([(y[n] if v.high is None else v.high) - y[n] for n, v in enumerate(known)])
        axes.errorbar(x, y, yerr=[np.maximum(low, 0.0), np.maximum(high, 0.0)], color=colour,
                      ls=DASHES[i % len(DASHES)], lw=1.1, elinewidth=1.4, marker=marker, ms=5,
                      capsize=3, label=label)
    for v in levels:
        if v.percent is None and v.high is not None and not v.detected:
            # Limits lie close together: each spot's a little to the right of the last's.
            at = v.time + aside * i
            axes.plot([at, at], [0.0, v.high], color=colour, lw=1.0, ls=(0, (2, 2)))
            axes.plot([at], [v.high], color=colour, marker=marker, ms=5, mfc="white", ls="")


def _shares(axes: Axes, answer: Follow) -> None:
    for i, course in enumerate(answer.courses):
        if i != answer.reference:
            bars(axes, course.levels, i, f"Rf {show_rf(course.rf)}, {course.kind}",
                 0.008 * answer.times[-1])
    _limit_key(axes, any(not v.detected for c in answer.courses for v in c.levels), _LIMIT)
    _ends(axes, answer)
    over = "signal" if answer.reference is None else "reference"
    axes.set_ylabel(f"Share, % of {over}")
    _frame(axes)
    axes.set_xlim(-0.03 * 1.03 * answer.times[-1], 1.03 * answer.times[-1])
    if answer.reference is None:
        axes.set_ylim(-3.0, 104.0)
    handles, _ = axes.get_legend_handles_labels()
    if len(handles) <= 12:
        _legend(axes, ncols=3)


def _fitted(axes: Axes, answer: Follow) -> None:
    scale = 100.0
    known = [p for p in answer.points if p.value is not None and p.sd]
    most = scale if answer.reference is None else np.inf
    axes.errorbar([p.time for p in known], [scale * (p.value or 0.0) for p in known],
                  yerr=arms([scale * (p.value or 0.0) for p in known],
                            [scale * TWO_SIDED_95 * (p.whole_sd or 0.0) for p in known], most),
                  color=INK, marker="o", ms=5, ls="", capsize=3, label="measured")
    for p in answer.points:
        if p.value is None:
            _limit(axes, p, scale)
    late = 1.03 * max(answer.times)
    x = np.linspace(0.0, late, 400)
    rate, alike = answer.order.rate, None if answer.alike is None else answer.alike.rate
    if alike is not None:
        axes.plot(x, scale * alike.curve(x), color=COLOURS[1], lw=1.4, ls=(0, (3, 3)), zorder=3,
                  label="if responses were equal")
    if rate is not None:
        axes.plot(x, scale * rate.curve(x), color=MARK, lw=1.8, label="first order")
    _limit_key(axes, any(p.value is None for p in answer.points), _BOUND)
    axes.set_ylabel("Starting material,\n% of it and products" if answer.reference is None
                    else "Starting material,\n% of reference")
    _frame(axes)
    axes.set_xlim(-0.03 * late, late)
    _legend(axes, ncols=4)


def _ends(axes: Axes, answer: Follow) -> None:
    """Name each curve at its last point, right of the axes."""
    shown = [(i, c.levels[-1]) for i, c in enumerate(answer.courses)
             if i != answer.reference and c.levels[-1].percent is not None]
    shown.sort(key=lambda each: each[1].percent or 0.0)
    low, high = axes.get_ylim()
    gap = 26.0 / _SHARES * (high - low)
    places = spread([level.percent or 0.0 for _, level in shown], gap, low, high)
    for (i, _), at in zip(shown, places, strict=True):
        axes.annotate(show_rf(answer.courses[i].rf), (1.0, float(at)), (5, 0), va="center",
                      xycoords=("axes fraction", "data"), textcoords="offset points",
                      color=COLOURS[i % len(COLOURS)], size=TEXT - 1)


def _legend(axes: Axes, ncols: int) -> None:
    """Put the key above the axes, limits last."""
    handles, labels = axes.get_legend_handles_labels()
    order = sorted(range(len(labels)), key=lambda i: labels[i] in (_LIMIT, _BOUND))
    axes.legend([handles[i] for i in order], [labels[i] for i in order], loc="lower left",
                bbox_to_anchor=(-0.01, 1.0), ncols=ncols, frameon=False, borderaxespad=0.2,
                handlelength=2.4, columnspacing=1.0)


def _limit_key(axes: Axes, wanted: bool, label: str) -> None:
    if wanted:
        axes.plot([], [], color=QUIET, marker="o", ms=5, mfc="white", ls="", label=label)


def _limit(axes: Axes, p: TimePoint, scale: float) -> None:
    if p.at_most is not None:
        ends = (0.0, scale * p.at_most)
    elif p.at_least is not None:
        ends = (scale, scale * p.at_least)
    else:
        return
    axes.plot([p.time, p.time], ends, color=INK, lw=1.0, ls=(0, (2, 2)))
    axes.plot([p.time], [ends[1]], color=INK, marker="o", ms=5, mfc="white", ls="")


def _frame(axes: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.spines[["top", "right"]].set_visible(False)
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))

"""The follow question's figure: lanes in order of time, shares over time, what was fitted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lanes.answers.follow import Follow
from lanes.answers.kinetics import Point
from lanes.answers.shares import Level
from lanes.output.canvas import (
    COLOURS,
    DASHES,
    INK,
    MARK,
    QUIET,
    TEXT,
    box,
    canvas,
    png,
    spread,
    style,
)
from lanes.reading import LaneReading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH, _LEFT, _RIGHT = 1090, 120, 30  # in pixels
_STRIPS, _SHARES, _FIT = 330, 330, 270
_LETTERS = 230  # pixels beside the strips for the spots' names
MARKERS = ("o", "s", "^", "D", "v", "P")


def follow_png(answer: Follow, title: str) -> bytes:
    """Return the lanes' strips above the shares over time above the fitted quantity.

    What was not detected is an open mark at its limit with a stroke down to nothing.
    """
    fitted = any(p.value is not None and p.sd for p in answer.points)
    top = 100
    height = top + _STRIPS + 60 + _SHARES + (90 + _FIT if fitted else 0) + 75
    with style():
        figure = canvas(WIDTH, height)
        figure.text(0.015, 1 - 16 / height, _wrapped(title), va="top", weight="bold", size=TEXT)
        labels = [f"Rf {c.rf:.3f}, {c.kind}" for c in answer.courses]
        strips(figure, answer.readings, [f"{time:g}" for time in answer.times], labels,
               [c.rf for c in answer.courses], top, _STRIPS, f"Time, {answer.unit}")
        width = WIDTH - _LEFT - _RIGHT
        shares = box(figure, _LEFT, top + _STRIPS + 60, width, _SHARES)
        _shares(shares, answer)
        axes = shares
        if fitted:
            axes = box(figure, _LEFT, top + _STRIPS + 60 + _SHARES + 90, width, _FIT)
            _fitted(axes, answer)
        axes.set_xlabel(f"Time, {answer.unit}")
        return png(figure)


def _wrapped(title: str) -> str:
    from textwrap import fill

    return fill(title, 88)


def strips(
    figure: Figure, readings: Sequence[LaneReading], names: Sequence[str], labels: Sequence[str],
    rfs: Sequence[float], top: int, height: int, heading: str,
) -> None:
    """Draw lanes side by side as strips of signal, dark where there is much, spots named right."""
    width = WIDTH - _LEFT - _LETTERS
    each = width / len(readings)
    most = max(float(np.quantile(_strip(r), 0.998)) for r in readings)
    low, high = -0.04, 1.04
    for j, (reading, name) in enumerate(zip(readings, names, strict=True)):
        left, wide = round(_LEFT + (j + 0.06) * each), max(2, round(0.88 * each))
        axes = box(figure, left, top, wide, height)
        rf = reading.trace.rf
        axes.imshow(_strip(reading), cmap="gray_r", vmin=0.0, vmax=most, aspect="auto",
                    origin="lower", extent=(0.0, 1.0, float(rf[0]), float(rf[-1])),
                    interpolation="nearest")
        axes.set_ylim(low, high)
        axes.set_xticks([])
        axes.tick_params(labelleft=j == 0, left=j == 0)
        if j == 0:
            axes.set_ylabel("Rf")
        # As many names as have room.
        if j % max(1, math.ceil(max(map(len, names)) * 15 / each)) == 0:
            axes.set_title(name, pad=4)
        for i, at in enumerate(rfs):
            axes.plot([0.0, 0.12], [at, at], color=COLOURS[i % len(COLOURS)], lw=2.0)
            axes.plot([0.88, 1.0], [at, at], color=COLOURS[i % len(COLOURS)], lw=2.0)
        axes.set_xlim(0.0, 1.0)
    beside = box(figure, WIDTH - _LETTERS, top, _LETTERS, height)
    beside.set_ylim(low, high)
    beside.set_xlim(0.0, 1.0)
    beside.axis("off")
    beside.text(0.03, high, heading, va="bottom", ha="left", color=QUIET)
    places = spread(list(rfs), 24.0 / height * (high - low), low + 0.02, high - 0.02)
    for i, (at, label) in enumerate(zip(places, labels, strict=True)):
        beside.plot([0.0, 0.05], [rfs[i], at], color=COLOURS[i % len(COLOURS)], lw=1.2)
        beside.text(0.07, at, label, va="center", ha="left", size=TEXT - 1)


def _strip(reading: LaneReading) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return (rows, columns) of signal; a trace without strips is one column."""
    if reading.trace.strips is not None:
        return reading.trace.strips
    return (reading.trace.signal - reading.background)[:, None]


def bars(axes: Axes, levels: Sequence[Level], i: int, label: str) -> None:
    """Draw one spot's shares with intervals, and limits where it was not detected."""
    colour, marker = COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]
    told = [v for v in levels if v.percent is not None]
    if told:
        x, y = np.array([v.time for v in told]), np.array([v.percent or 0.0 for v in told])
        low = np.array([y[n] - (y[n] if v.low is None else v.low) for n, v in enumerate(told)])
        high = np.array([(y[n] if v.high is None else v.high) - y[n] for n, v in enumerate(told)])
        axes.errorbar(x, y, yerr=[np.maximum(low, 0.0), np.maximum(high, 0.0)], color=colour,
                      ls=DASHES[i % len(DASHES)], lw=1.1, elinewidth=1.4, marker=marker, ms=5,
                      capsize=3, label=label)
    for v in levels:
        if v.percent is None and v.high is not None and not v.detected:
            axes.plot([v.time, v.time], [0.0, v.high], color=colour, lw=1.0, ls=(0, (2, 2)))
            axes.plot([v.time], [v.high], color=colour, marker=marker, ms=5, mfc="white", ls="")


def _shares(axes: Axes, answer: Follow) -> None:
    for i, course in enumerate(answer.courses):
        if i != answer.reference:
            bars(axes, course.levels, i, f"Rf {course.rf:.3f}")
    over = "signal" if answer.reference is None else "reference"
    axes.set_ylabel(f"Share, % of {over}")
    _frame(axes)
    if answer.reference is None:
        axes.set_ylim(-3.0, 104.0)
    handles, _ = axes.get_legend_handles_labels()
    if len(handles) <= 12:
        axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=6, frameon=False,
                    borderaxespad=0.2, handlelength=2.4, columnspacing=1.2)


def _fitted(axes: Axes, answer: Follow) -> None:
    scale = 100.0
    told = [p for p in answer.points if p.value is not None and p.sd]
    axes.errorbar([p.time for p in told], [scale * (p.value or 0.0) for p in told],
                  yerr=[scale * 1.96 * (p.sd or 0.0) for p in told], color=INK, marker="o", ms=5,
                  ls="", capsize=3, label="starting material")
    for p in answer.points:
        if p.value is None:
            _limit(axes, p, scale)
    late = 1.03 * max(answer.times)
    x = np.linspace(0.0, late, 400)
    rate, alike = answer.order.rate, None if answer.alike is None else answer.alike.rate
    if alike is not None:
        axes.plot(x, scale * alike.curve(x), color=QUIET, lw=1.2, ls=(0, (2, 2)),
                  label="fit if responses were equal")
    if rate is not None:
        axes.plot(x, scale * rate.curve(x), color=MARK, lw=1.6, label="first-order fit")
    axes.set_ylabel("% of it and\nits products" if answer.reference is None
                    else "% of reference")
    _frame(axes)
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=4, frameon=False,
                borderaxespad=0.2, handlelength=2.4, columnspacing=1.2)


def _limit(axes: Axes, p: Point, scale: float) -> None:
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
    axes.margins(x=0.03)

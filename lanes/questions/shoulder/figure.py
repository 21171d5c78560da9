"""One spot as one and as two components, with both residuals and what would have been seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lanes.questions.shoulder.result import Shoulder
from lanes.report.canvas import (
    COLOURS,
    DASHES,
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
from lanes.report.digits import show_rf

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

# In pixels.
WIDTH, _LEFT, _RIGHT = 1090, 140, 25
_TITLES = {"one": "one component is enough", "two": "two components",
           "cannot tell": "cannot tell one from two"}


def shoulder_png(answer: Shoulder) -> bytes:
    """Return the answer's picture: data with both fits, residuals on one scale, detectability."""
    total, width = 1290, WIDTH - _LEFT - _RIGHT
    curves = answer.curves
    data = np.where(curves.usable, curves.data, np.nan)
    with style():
        figure = canvas(WIDTH, total)
        figure.text(_LEFT / WIDTH, 1 - 14 / total,
                    f"Lane {answer.lane}, Rf {show_rf(answer.rf)}: {_TITLES[answer.verdict]}",
                    va="top", weight="bold", size=TEXT + 1)
        top = box(figure, _LEFT, 90, width, 340)
        _fits(top, answer, data)
        low = box(figure, _LEFT, 444, width, 150)
        lower = box(figure, _LEFT, 608, width, 150)
        one, two = data - curves.one, data - curves.two
        reach = 1.15 * float(np.nanmax(np.abs(np.concatenate([one, two, curves.band]))))
        tick = _tick(reach)
        for axes, left, name in ((low, one, "one"), (lower, two, "two")):
            axes.fill_between(curves.rf, -curves.band, curves.band, facecolor="#dfe7ee",
                              edgecolor="#8fa3b5", lw=0.7)
            axes.axhline(0.0, color=QUIET, lw=0.6)
            axes.plot(curves.rf, left, color=INK, lw=0.9)
            axes.set_ylim(-reach, reach)
            axes.set_yticks((-tick, 0.0, tick))
            axes.set_ylabel("Residual")
            axes.text(0.008, 0.93, name, transform=axes.transAxes, va="top", weight="bold",
                      size=TEXT - 1, path_effects=halo())
        top.locator_params(axis="y", nbins=4)
        for axes in (top, low, lower):
            axes.set_xlim(float(curves.rf[0]), float(curves.rf[-1]))
            axes.spines[["top", "right"]].set_visible(False)
            axes.tick_params(labelbottom=axes is lower)
            axes.yaxis.set_label_coords(-0.095, 0.5)
        lower.set_xlabel("Rf")
        _power(box(figure, _LEFT, 900, width, 320), answer)
        return png(figure)


def _tick(reach: float) -> float:
    """Return a round number well inside `reach`: the panels' labels keep clear of each other."""
    power = 10.0 ** np.floor(np.log10(reach))
    return float(next((f * power for f in (5.0, 2.0, 1.0) if f * power <= 0.75 * reach),
                      0.5 * power))


def _fits(axes: Axes, answer: Shoulder, data: Floats) -> None:
    curves = answer.curves
    axes.plot(curves.rf, data, color="#a3abb3", lw=3.0, label="trace", zorder=2)
    axes.plot(curves.rf, curves.one, color=COLOURS[1], ls=DASHES[1], lw=1.5, label="one",
              zorder=4)
    axes.plot(curves.rf, curves.two, color=INK, lw=1.1, label="two", zorder=5)
    for i, part in enumerate(curves.parts):
        axes.fill_between(curves.rf, 0, part, color=COLOURS[0], alpha=0.15, lw=0, zorder=1)
        axes.plot(curves.rf, part, color=COLOURS[0], lw=1.0, ls=DASHES[2], zorder=3,
                  label="each of two" if i == 0 else None)
    axes.plot(curves.rf, curves.tail, color=COLOURS[2], ls=DASHES[3], lw=1.1, label="one with a "
              "tail", zorder=4)
    axes.fill_between([], [], [], facecolor="#dfe7ee", edgecolor="#8fa3b5", lw=0.7,
                      label="noise, shape, ± 2 sd")
    axes.set_ylabel("Signal")
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=6, frameon=False,
                borderaxespad=0.2, handlelength=1.5, handletextpad=0.4, columnspacing=0.9)


def _power(axes: Axes, answer: Shoulder) -> None:
    x = np.array([d.resolution for d in answer.detectable])
    y = np.array([np.nan if d.percent is None else d.percent for d in answer.detectable])
    axes.set_title("Least second component that the shape shows 95 times of 100", loc="left",
                   pad=8)
    axes.plot(x, y, color=INK, lw=1.4, marker="o", ms=4)
    axes.set_yscale("log")
    axes.set_xlim(0.25, 1.6)
    here = None if answer.pair is None else answer.pair.resolution
    values = list(y[np.isfinite(y)])
    marked = len(answer.components) == 2 and here is not None
    if marked and here is not None:
        values.append(answer.pair_percent)
    low = min([0.7 * v for v in values] or [0.5])
    axes.set_ylim(max(min(low, 0.7), 0.05), 60.0)
    axes.axhline(50.0, color=QUIET, lw=0.6, ls=(0, (8, 3)))
    if marked and here is not None:
        axes.plot([here], [answer.pair_percent], marker="D", ms=8, color=MARK, ls="none",
                  clip_on=False, zorder=5)
        right = here > 1.3
        # Near the line at 50 the words stand below it.
        under = answer.pair_percent > 30.0
        axes.annotate("this spot as two", (here, answer.pair_percent), color=MARK,
                      xytext=(-9 if right else 9, -6 if under else 0),
                      textcoords="offset points", va="top" if under else "center",
                      path_effects=halo(),
                      ha="right" if right else "left")
    if not np.isfinite(y).any():
        axes.text(0.5, 0.5, "no second component of any size would be seen",
                  transform=axes.transAxes, ha="center")
    ticks = [t for t in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if t >= axes.get_ylim()[0]]
    axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
    axes.minorticks_off()
    axes.set_xlabel("Resolution")
    axes.set_ylabel("Percent of\nthe pair")
    axes.spines[["top", "right"]].set_visible(False)

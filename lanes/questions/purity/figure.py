"""The purity question's figure: the lane at two scales, with the smallest spot that would show."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from lanes.questions.purity.answer import Purity
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
)
from lanes.report.digits import figures, up

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH, _LEFT, _RIGHT = 1090, 140, 25  # in pixels


def purity_png(answer: Purity, title: str) -> bytes:
    """Return the lane's trace at two scales; the lower shows what small spots there are.

    A dashed spot of the size that is found 95 % of the time is drawn in the lower panel where
    nothing else is, and a line at its height.
    """
    with style():
        figure = canvas(WIDTH, 830)
        width = WIDTH - _LEFT - _RIGHT
        figure.text(_LEFT / WIDTH, 1 - 16 / 830, title, va="top", weight="bold",
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
    by_law = answer.laws[0].undetected_below_percent
    if limit is not None and by_law is not None:
        total = sum(spot.area for spot in lane.spots)
        area = total * by_law / (100.0 - by_law)
        height = area / (main.sigma * math.sqrt(2.0 * math.pi))
        reach = max(reach, 2.0 * height)
        axes.axhline(height, color=INK, lw=0.8, ls=(0, (6, 3)), zorder=1)
        at = _free(answer) * lane.trace.run
        bell = height * np.exp(-0.5 * ((lane.trace.position - at) / main.sigma) ** 2)
        there = bell > 0.01 * height
        axes.plot(rf[there], bell[there], color=INK, lw=1.3, ls=(0, (3, 1.5)), zorder=4,
                  label="a spot at the limit")
        label = f"limit {up(by_law)} %"
        if up(by_law) != up(limit):
            most = max(answer.laws, key=lambda u: u.undetected_below_percent or 0.0)
            label += f" ({up(limit)} % by {most.law})"
        axes.annotate(label, (at / lane.trace.run, height), (0, 5),
                      textcoords="offset points", ha="center", color=INK, path_effects=halo())
    for i, c in enumerate(lane.fit.components):
        if i != answer.index:
            # Beside the apex, where neither the curve nor one of the two lines runs through it.
            axes.annotate(f"{figures(lane.spots[i].area_percent, 2)} %",
                          (lane.spots[i].rf + 0.012, min(c.height, 0.88 * reach)), (0, 2),
                          textcoords="offset points", color=MARK, path_effects=halo())
    axes.set_ylim(-max(0.2 * reach, 4.0 * lane.noise.sd), reach)


def _free(answer: Purity) -> float:
    """Return the Rf farthest from every spot and from the two lines."""
    taken = [0.0, 1.0, *(spot.rf for spot in answer.reading.spots)]
    places = [0.05 + 0.005 * i for i in range(181)]
    return max(places, key=lambda rf: min(abs(rf - t) for t in taken))

"""control-chart.png: Rf, and share of the area, of each substance over the plates."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lanes.many.across import Chart, Series
from lanes.report.canvas import COLOURS, INK, MARK, QUIET, TEXT, box, canvas, png, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

WIDTH = 1240
MOST_ROWS = 12  # a page's worth; the table has every one
_NAME = 16  # letters of a name that are shown
_TOP, _ROW, _GAP, _BOTTOM, _LEFT, _BETWEEN = 60, 200, 95, 85, 130, 120


def shown(found: Sequence[Series]) -> list[Series]:
    """Return the substances that are drawn: those on most plates, in their usual order."""
    most = sorted(range(len(found)), key=lambda i: -len(found[i].points))[:MOST_ROWS]
    return [found[i] for i in sorted(most)]


def chart_png(found: Sequence[Series]) -> bytes:
    """Return the picture of `shown(found)`: a row each, Rf at the left, area percent right."""
    rows = shown(found)
    height = _TOP + len(rows) * (_ROW + _GAP) + _BOTTOM - _GAP
    width = (WIDTH - _LEFT - _BETWEEN - 30) // 2
    with style():
        figure = canvas(WIDTH, height)
        for row, one in enumerate(rows):
            for left, title, chart in ((_LEFT, "Rf", one.rf),
                                       (_LEFT + width + _BETWEEN, "Area percent", one.percent)):
                if chart is not None:
                    axes = box(figure, left, _TOP + row * (_ROW + _GAP), width, _ROW)
                    _draw(axes, one, chart)
                    axes.set_title(f"{short(one.lane)}, substance {one.number}: {title}",
                                   loc="left")
        figure.text(_LEFT / WIDTH, 18 / height, "Plates by number, in the order of the list; "
                    "mean, and control limits (dashed)", color=QUIET)
        return png(figure)


def short(name: str) -> str:
    """Return a name that fits beside its mark."""
    return name if len(name) <= _NAME else name[: _NAME - 1] + "…"


def _draw(axes: Axes, one: Series, chart: Chart) -> None:
    from matplotlib.ticker import MaxNLocator

    points = one.points
    of_rf = chart is one.rf
    place = np.array([p.order for p in points])
    values = np.array([p.rf if of_rf else p.percent for p in points], float)
    sds = np.nan_to_num(np.array([p.rf_sd if of_rf else p.percent_sd for p in points], float))
    axes.axhline(chart.mean, color=QUIET, lw=0.9)
    for limit in (chart.lower, chart.upper):
        axes.axhline(limit, color=QUIET, lw=0.9, ls=(0, (5, 3)))
    axes.errorbar(place, values, yerr=sds, color=COLOURS[0], lw=0.9, elinewidth=1.0, marker="o",
                  ms=4)
    for i in np.flatnonzero(chart.outside):
        axes.plot(place[i], values[i], ls="", marker="s", ms=9, mfc="none", mec=INK, mew=1.4)
        axes.annotate(short(points[i].plate), (place[i], values[i]), (7, 5), color=MARK,
                      textcoords="offset points", size=TEXT - 1)
    axes.set_xlim(place[0] - 0.5, place[-1] + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    low = min(chart.lower, float((values - sds).min()))
    high = max(chart.upper, float((values + sds).max()))
    room = 0.08 * (high - low) or 1e-6
    axes.set_ylim(low - room, high + room)
    axes.locator_params(axis="y", nbins=5)

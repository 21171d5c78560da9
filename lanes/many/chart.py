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
_TOP, _ROW, _GAP, _BOTTOM, _LEFT, _BETWEEN = 70, 200, 60, 60, 130, 120


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
        for place, (left, title) in enumerate(
            ((_LEFT, "Rf"), (_LEFT + width + _BETWEEN, "Area percent"))
        ):
            for row, one in enumerate(rows):
                chart = one.rf if place == 0 else one.percent
                if chart is None:
                    continue
                axes = box(figure, left, _TOP + row * (_ROW + _GAP), width, _ROW)
                values = [p.rf if place == 0 else p.percent for p in one.points]
                sds = [p.rf_sd if place == 0 else p.percent_sd for p in one.points]
                _draw(axes, chart, np.array(values, float), np.array(sds, float))
                axes.set_title(f"{one.lane}, substance {one.number}: {title}", loc="left")
                if row == len(rows) - 1:
                    axes.set_xlabel("Plate, in the order of the table")
        return png(figure)


def _draw(axes: Axes, chart: Chart, values: Floats, sds: Floats) -> None:
    from matplotlib.ticker import MaxNLocator

    place = np.arange(1, len(values) + 1)
    axes.axhline(chart.mean, color=QUIET, lw=0.9)
    for limit in (chart.lower, chart.upper):
        axes.axhline(limit, color=QUIET, lw=0.9, ls=(0, (5, 3)))
    axes.errorbar(place, values, yerr=np.nan_to_num(sds), color=COLOURS[0], ecolor=COLOURS[0],
                  lw=0.9, elinewidth=1.0, marker="o", ms=4)
    beyond = np.array(chart.outside)
    axes.plot(place[beyond], values[beyond], ls="", marker="s", ms=9, mfc="none", mec=INK, mew=1.4)
    for at in place[beyond]:
        axes.annotate(str(at), (at, values[at - 1]), (7, 4), textcoords="offset points",
                      color=MARK, size=TEXT - 1)
    axes.set_xlim(0.5, len(values) + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    span = max(chart.upper - chart.lower, 1e-6)
    axes.set_ylim(min(values.min(), chart.lower) - 0.15 * span,
                  max(values.max(), chart.upper) + 0.15 * span)
    axes.locator_params(axis="y", nbins=5)

"""The calibration's figure: areas against amounts with their bands, and the residuals below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lanes.confidence import TWO_SIDED_95
from lanes.questions.amount.answer import Amounts, Unknown
from lanes.questions.amount.inverse import bands
from lanes.report.canvas import (
    COLOURS,
    INK,
    MARK,
    QUIET,
    TEXT,
    arms,
    box,
    canvas,
    halo,
    png,
    spread,
    style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

WIDTH, HEIGHT, _LEFT, _RIGHT = 1090, 820, 140, 30  # in pixels
_MOST_NAMED = 12


def amount_png(answer: Amounts) -> bytes:
    """Return the calibration as a picture, with each sample on the curve and on its own axis.

    A sample stands on the curve at its area, and below as a bar along the amounts that its
    interval holds; an arrow where it has no end.
    """
    with style():
        figure = canvas(WIDTH, HEIGHT)
        width = WIDTH - _LEFT - _RIGHT
        whole = box(figure, _LEFT, 50, width, 470)
        rest = box(figure, _LEFT, 560, width, 180)
        reach = _reach(answer)
        _curve(whole, answer, reach)
        _unknowns(whole, answer, reach)
        _residuals(rest, answer)
        for axes in (whole, rest):
            axes.set_xlim(0.0, reach)
            axes.spines[["top", "right"]].set_visible(False)
        whole.tick_params(labelbottom=False)
        whole.set_ylabel("Area, signal × mm²")
        rest.set_ylabel("Residual, sd")
        rest.set_xlabel(f"Amount in the spot, {answer.unit}" if answer.unit
                        else "Amount in the spot")
        whole.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=5, frameon=False,
                     borderaxespad=0.2, handlelength=1.8, columnspacing=1.2)
        return png(figure)


def _reach(answer: Amounts) -> float:
    """Return the largest amount shown: all standards, and samples up to three times that."""
    top = float(answer.calibration.x.max())
    ends = [v / u.dilution for u in answer.unknowns for v in (u.amount, u.high) if v is not None]
    return 1.06 * min(max([top, *ends]), 3.0 * top)


def _curve(axes: Axes, answer: Amounts, reach: float) -> None:
    fitted = answer.calibration
    lowest, highest = fitted.curve.branch(fitted.values)
    x = np.linspace(max(0.0, lowest), min(reach, highest), 241)
    y = fitted.at(x)
    confidence, prediction = bands(fitted, x)
    for half, colour, label in ((prediction, "#e6ebf0", "95 % of spots"),
                                (confidence, "#b9c6d3", "95 % of curve")):
        axes.fill_between(x, np.maximum(y - half, 0.0), y + half, color=colour, lw=0, zorder=0,
                          label=label)
    low, top = fitted.x.min(), fitted.x.max()
    inside = (x >= low) & (x <= top)
    axes.plot(x[inside], y[inside], color=COLOURS[0], lw=1.8, zorder=3, label="fit")
    for beyond in (x <= low, x >= top):
        axes.plot(x[beyond], y[beyond], color=COLOURS[0], lw=1.2, ls=(0, (2, 2)), zorder=3)
    own = [s.area_sd or 0.0 for s in answer.standards]
    axes.errorbar(fitted.x, fitted.y, yerr=arms(fitted.y, np.multiply(TWO_SIDED_95, own)), fmt="o",
                  ms=5.5, color=INK, capsize=2.5, elinewidth=1.0, zorder=5, label="standard")
    tallest = max([*fitted.y, *(u.area for u in answer.unknowns if u.area is not None)])
    axes.set_ylim(0.0, 1.1 * max(float(tallest), float(y[inside].max())))


def _unknowns(axes: Axes, answer: Amounts, reach: float) -> None:
    """Draw the samples: on the curve, down to the axis, and there their intervals as bars."""
    shown = [u for u in answer.unknowns if u.area is not None]
    label: str | None = "sample, 95 %"
    bottom, top = axes.get_ylim()
    # Bars stand in rows below zero so that none covers another.
    row = 0.045 * (top - bottom)
    order = sorted(shown, key=lambda u: (u.amount is None, (u.amount or 0.0) / u.dilution))
    rows = _rows(order, reach)
    for u, k in zip(order, rows, strict=True):
        at = -(k + 0.8) * row
        low = 0.0 if u.low is None else u.low / u.dilution
        high = reach if u.high is None else min(u.high / u.dilution, reach)
        if low < reach:
            axes.plot([low, high], [at, at], color=COLOURS[1], lw=2.4, solid_capstyle="butt",
                      zorder=4, label=label)
            label = None
        if u.high is None and low < reach:
            axes.plot([reach * 0.995], [at], marker=">", ms=5, color=COLOURS[1], clip_on=False,
                      zorder=4)
        if u.amount is not None and u.area is not None and u.amount / u.dilution <= reach:
            x = u.amount / u.dilution
            axes.plot([x, x], [at, u.area], color=COLOURS[1], lw=0.8, ls=(0, (2, 2)), zorder=2)
            axes.plot([x], [u.area], marker="D", ms=5.5, mfc="white", mec=COLOURS[1], mew=1.4,
                      ls="", zorder=6)
    axes.set_ylim(-(max(rows, default=0) + 1.7) * row if shown else 0.0, top)
    axes.axhline(0.0, color=QUIET, lw=0.7, zorder=1)
    axes.set_yticks([t for t in axes.get_yticks() if 0 <= t <= top])
    named = [u for u in order if u.amount is not None and u.amount / u.dilution <= reach]
    if len(named) <= _MOST_NAMED:
        _name(axes, named, reach)


def _rows(order: list[Unknown], reach: float) -> list[int]:
    """Return the row of each bar: the first in which nothing lies where it goes."""
    ends: list[float] = []
    out = []
    for u in order:
        low = 0.0 if u.low is None else u.low / u.dilution
        high = reach if u.high is None else u.high / u.dilution
        k = next((i for i, end in enumerate(ends) if low > end + 0.01 * reach), len(ends))
        if k == len(ends):
            ends.append(high)
        ends[k] = high
        out.append(k)
    return out


def _name(axes: Axes, named: list[Unknown], reach: float) -> None:
    """Write the samples' names along the lines down from the curve, standing upright."""
    if not named:
        return
    width = WIDTH - _LEFT - _RIGHT
    places = [(u.amount or 0.0) / u.dilution for u in named]
    gap = 24.0 / width * reach
    tops = spread(places, gap, 0.5 * gap, reach - 0.5 * gap)
    for u, x in zip(named, tops, strict=True):
        axes.annotate(_short(u.name), (float(x), 0.0), (-4, 6), textcoords="offset points",
                      rotation=90, ha="center", va="bottom", color=MARK, size=TEXT - 1,
                      path_effects=halo(), zorder=7)


def _short(name: str) -> str:
    return name if len(name) <= 16 else name[:15] + "…"


def _residuals(axes: Axes, answer: Amounts) -> None:
    from matplotlib.ticker import MaxNLocator

    fitted = answer.calibration
    scaled = fitted.residuals / fitted.sd
    axes.axhline(0.0, color=COLOURS[0], lw=1.4, zorder=1)
    axes.vlines(fitted.x, 0.0, scaled, color=QUIET, lw=1.0, zorder=2)
    axes.plot(fitted.x, scaled, "o", ms=5.5, color=INK, zorder=3)
    tall = max(2.5, 1.25 * float(np.abs(scaled).max()))
    for level in (-2.0, 2.0):
        axes.axhline(level, color=QUIET, lw=0.8, ls=(0, (2, 2)), zorder=0)
    axes.set_ylim(-tall, tall)
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))

"""The fractions question's figure: lanes, target and others along them, purity and the pool."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lanes.questions.fractions.answer import Fractions
from lanes.report.canvas import COLOURS, INK, MARK, QUIET, box, canvas, png, style
from lanes.report.digits import show_rf
from lanes.report.strips import LETTERS, strips

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH, _LEFT = 1090, 125  # in pixels
_STRIPS, _AREAS, _PURITY = 300, 270, 300
_SHADE = "#dfe8f1"


def fractions_png(answer: Fractions) -> bytes:
    """Return the lanes' strips above the areas above the purities, lane under lane.

    The pool (the nearest one, hatched, where none meets what was asked) is shaded.
    """
    top = 40
    height = top + _STRIPS + 60 + _AREAS + 30 + _PURITY + 75
    wanted = min(range(len(answer.rfs)), key=lambda i: abs(answer.rfs[i] - answer.target_rf))
    labels = [f"Rf {show_rf(rf)}{', target' if i == wanted else ''}"
              for i, rf in enumerate(answer.rfs)]
    with style():
        figure = canvas(WIDTH, height)
        strips(figure, answer.plates, answer.readings, [f.name for f in answer.fractions], labels,
               answer.rfs, _LEFT, top, _STRIPS, "Fraction")
        width = WIDTH - _LEFT - LETTERS
        areas = box(figure, _LEFT, top + _STRIPS + 60, width, _AREAS)
        purity = box(figure, _LEFT, top + _STRIPS + 60 + _AREAS + 30, width, _PURITY)
        for axes in (areas, purity):
            _frame(axes, answer)
        _areas(areas, answer, wanted)
        _purity(purity, answer)
        return png(figure)


def _frame(axes: Axes, answer: Fractions) -> None:
    axes.set_xlim(-0.5, len(answer.fractions) - 0.5)
    axes.spines[["top", "right"]].set_visible(False)
    pool = answer.chosen or answer.nearest
    if pool is not None:
        axes.axvspan(pool.first - 0.5, pool.last + 0.5, facecolor=_SHADE, edgecolor="#a9bacb",
                     hatch=None if answer.chosen is not None else "//", lw=0.0, zorder=0,
                     label="pool" if answer.chosen is not None else "nearest pool")


def _areas(axes: Axes, answer: Fractions, wanted: int) -> None:
    x = np.arange(len(answer.fractions))
    volumes = np.array([f.volume for f in answer.fractions])
    target = volumes * np.array([f.target or 0.0 for f in answer.fractions])
    others = volumes * np.array([f.others for f in answer.fractions])
    axes.bar(x, target, width=0.66, color=COLOURS[wanted % len(COLOURS)], edgecolor=INK, lw=0.6,
             label="target")
    axes.bar(x, others, width=0.66, bottom=target, color="white", edgecolor=INK, lw=0.6,
             hatch="////", label="other spots")
    axes.set_ylim(0.0, 1.08 * max(float((target + others).max()), 1e-12))
    axes.set_ylabel("Area × volume" if answer.volumes_given else "Area")
    axes.tick_params(labelbottom=False)
    axes.set_xticks(x)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, borderaxespad=0.0)


def _purity(axes: Axes, answer: Fractions) -> None:
    known = [(i, f) for i, f in enumerate(answer.fractions) if f.purity is not None]
    y = np.array([f.purity or 0.0 for _, f in known])
    # An end that is not known may lie anywhere.
    low = [0.0 if f.low is None else f.low for _, f in known]
    high = [100.0 if f.high is None else f.high for _, f in known]
    axes.errorbar([i for i, _ in known], y, yerr=[y - np.array(low), np.array(high) - y], color=INK,
                  marker="o", ms=5, ls="", capsize=3, label="each, 95 % interval")
    axes.axhline(answer.asked, color=MARK, lw=1.2, ls=(0, (5, 2)),
                 label=f"asked for, {answer.asked:g} %")
    pool = answer.chosen or answer.nearest
    if pool is not None:
        ends = [pool.first - 0.42, pool.last + 0.42]
        axes.fill_between(ends, [pool.low or 0.0] * 2,
                          [100.0 if pool.high is None else pool.high] * 2, color=COLOURS[1],
                          alpha=0.35, lw=0.0)
        axes.plot(ends, [pool.purity] * 2, color=COLOURS[1], lw=2.2, label="pool, 95 % interval")
    for unread, marker, label in ((False, "x", "target not detected"),
                                  (True, "d", "target not read")):
        missing = [i for i, f in enumerate(answer.fractions)
                   if f.purity is None and f.unread == unread]
        axes.plot(missing, [0.0] * len(missing), marker=marker, ms=6, color=QUIET, ls="",
                  label=label if missing else None)
    axes.set_ylim(-4.0, 104.0)
    axes.set_ylabel("Target, area %")
    names = [f.name for f in answer.fractions]
    step = max(1, int(np.ceil(max(map(len, names)) * 15 * len(names)
                              / (WIDTH - _LEFT - LETTERS))))
    axes.set_xticks(np.arange(len(names)), [n if i % step == 0 else ""
                                            for i, n in enumerate(names)])
    axes.set_xlabel("Fraction")
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, borderaxespad=0.0)

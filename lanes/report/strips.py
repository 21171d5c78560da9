"""Lanes side by side as strips of the scan, the way the eye compares them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lanes.plate.picture import Picture, picture
from lanes.reading import LaneReading, Plate
from lanes.report.canvas import COLOURS, DPI, QUIET, TEXT, box, spread
from lanes.report.lane_figure import strip_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LETTERS = 285  # pixels beside the strips for the spots' names


def strips(
    figure: Figure, plates: Sequence[Plate], readings: Sequence[LaneReading],
    names: Sequence[str], labels: Sequence[str], rfs: Sequence[float],
    left: int, top: int, height: int, heading: str,
) -> None:
    """Draw lanes cut from their plates side by side, origin below, spots named right."""
    width = round(float(figure.get_size_inches()[0]) * DPI)
    each = (width - left - LETTERS) / len(readings)
    seen: dict[int, Picture] = {}
    low, high = -0.04, 1.04
    for j, (plate, reading, name) in enumerate(zip(plates, readings, names, strict=True)):
        at, wide = round(left + (j + 0.06) * each), max(2, round(0.88 * each))
        axes = box(figure, at, top, wide, height)
        rf = reading.trace.rf
        if id(plate) not in seen:
            seen[id(plate)] = picture(plate.scan, plate.layout)
        cut = _upright(plate, seen[id(plate)], reading, height)
        if cut is not None:
            axes.imshow(cut, aspect="auto", origin="lower", interpolation="antialiased",
                        extent=(0.0, 1.0, float(rf[0]), float(rf[-1])))
        axes.set_ylim(low, high)
        axes.set_xticks([])
        axes.tick_params(labelleft=j == 0, left=j == 0)
        if j == 0:
            axes.set_ylabel("Rf")
        # As many names as have room.
        if j % max(1, math.ceil(max(map(len, names)) * 15 / each)) == 0:
            axes.set_title(name, pad=4)
        for i, rf_of in enumerate(rfs):
            axes.plot([0.0, 0.12], [rf_of] * 2, color=COLOURS[i % len(COLOURS)], lw=2.0)
            axes.plot([0.88, 1.0], [rf_of] * 2, color=COLOURS[i % len(COLOURS)], lw=2.0)
        axes.set_xlim(0.0, 1.0)
    beside = box(figure, width - LETTERS, top, LETTERS, height)
    beside.set_ylim(low, high)
    beside.set_xlim(0.0, 1.0)
    beside.axis("off")
    beside.text(0.03, high, heading, va="bottom", ha="left", color=QUIET)
    places = spread(list(rfs), 26.0 / height * (high - low), low + 0.02, high - 0.02)
    for i, (at, label) in enumerate(zip(places, labels, strict=True)):
        beside.plot([0.0, 0.05], [rfs[i], at], color=COLOURS[i % len(COLOURS)], lw=1.2)
        beside.text(0.07, at, label, va="center", ha="left", size=TEXT - 1)


def _upright(
    plate: Plate, whole: Picture, reading: LaneReading, height: int
) -> NDArray[np.uint8] | None:
    """Return a lane as (rows, columns, 3) bytes, row 0 at its lower end."""
    rf = reading.trace.rf
    span = (float(rf[0]), float(rf[-1]))
    cut = strip_of(plate.layout, whole, reading.name, span, height)
    return None if cut is None else cut.transpose(1, 0, 2)

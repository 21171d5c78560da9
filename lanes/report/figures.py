"""The pictures of a reading as PNG bytes, the same for the same reading.

matplotlib is used through its objects only and imported when the first picture is drawn.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from lanes.checks.blobs import unread_blobs
from lanes.plate.layout import Lane, Layout
from lanes.plate.picture import Picture
from lanes.reading import LaneReading, Reading
from lanes.report.canvas import DPI, MARK, TEXT, box, canvas, halo, png, spread, style
from lanes.report.lane_figure import lane_figure, lane_pngs

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

__all__ = ["PLATE_FILE", "lane_figure", "lane_files", "pictures", "plate_figure", "plate_frame",
           "plate_png"]
PLATE_FILE = "plate.png"
# Pixels around the plate.
_LEFT, _TOP, _RIGHT, _BOTTOM = 110, 50, 110, 30
TAKEN_OUT = (0.9, 0.62, 0.0)  # orange, which no colour-blind eye takes for the marks' blue
TINT = 0.55  # of its weight: what lies beneath is still seen
RIM_MM = 0.8  # of the plate that its bevel and the corner's error take up
_NAME = 16  # letters of a lane's name that are shown beside the plate


def lane_files(reading: Reading) -> list[str]:
    """Return the file name of each lane's picture: lane-NAME.png.

    What can't stand in a file name becomes `_`; a name that would come twice gets a number.
    """
    files: list[str] = []
    taken: set[str] = set()
    for lane in reading.lanes:
        stem = "lane-" + (re.sub(r'[\x00-\x1f\x7f/\\:*?"<>|]', "_", lane.name)[:40] or "_")
        name, count = stem, 1
        while name.casefold() in taken:
            count += 1
            name = f"{stem}_{count}"
        taken.add(name.casefold())
        files.append(f"{name}.png")
    return files


def pictures(reading: Reading) -> dict[str, bytes]:
    """Return every picture of `reading` by its file name: the plate, then each lane."""
    drawn = {}
    if reading.layout is not None and reading.picture is not None:
        drawn[PLATE_FILE] = plate_png(reading)
    return drawn | dict(zip(lane_files(reading), lane_pngs(reading), strict=True))


@dataclass(frozen=True)
class Frame:
    """Where the plate lies in plate.png: its frame and the pixels a unit of length."""

    left: int
    top: int
    width: int
    height: int
    scale: float
    right: int
    turned: bool

    def pixel(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Return (column, row) in plate.png of plate points `x`, `y`; edges count, not centres."""
        column = self.left + np.asarray(x, float) * self.scale
        return column, self.top + self.height - np.asarray(y, float) * self.scale


def plate_frame(layout: Layout) -> Frame:
    """Return where `layout`'s plate lies in plate.png.

    About 14 cm at most, as printed on A4, but more where lanes stand so close that the numbers
    between them need the room.
    """
    inches = min(5.6 / layout.width, 5.4 / layout.height)
    gaps = [b.x - a.x for a, b in pairwise(layout.lanes)]
    if gaps and min(gaps) > 0:
        inches = max(inches, 0.5 / min(gaps))
    scale = DPI * min(inches, 16.0 / max(layout.width, layout.height))
    width, height = (max(2, round(length * scale)) for length in (layout.width, layout.height))
    letters = max((len(_short(lane.name)) for lane in layout.lanes), default=0)
    long = letters * 0.6 * TEXT / 72 * DPI
    turned = bool(gaps) and long > 0.9 * min(gaps) * scale
    top = _TOP + round(0.6 * long) if turned else _TOP
    right = max(_RIGHT, round(0.8 * long)) if turned else _RIGHT
    return Frame(_LEFT, top, width, height, scale, right, turned)


def _short(name: str) -> str:
    return name if len(name) <= _NAME else name[: _NAME - 1] + "…"


def plate_png(reading: Reading) -> bytes:
    """Return the squared-up plate as PNG bytes: that of `plate_figure`."""
    with style():
        return png(plate_figure(reading))


def plate_figure(reading: Reading) -> Figure:
    """Return the squared-up plate with its lanes, lines and numbered spots as a figure.

    Raises
    ------
    ValueError
        If the reading is that of a trace and has no plate.
    """
    layout, picture = reading.layout, reading.picture
    if layout is None or picture is None:
        raise ValueError("a reading of a trace has no plate to draw")
    frame = plate_frame(layout)
    with style():
        figure = canvas(
            frame.left + frame.width + frame.right, frame.top + frame.height + _BOTTOM
        )
        axes = box(figure, frame.left, frame.top, frame.width, frame.height)
        extent = (0, frame.width / frame.scale, 0, frame.height / frame.scale)
        axes.imshow(_shown(picture, layout, frame), extent=extent, aspect="auto",
                    interpolation="nearest")
        axes.set(xlim=extent[:2], ylim=extent[2:])
        axes.set_ylabel(f"Height ({'mm' if layout.scaled else 'px'})")
        axes.set_xticks([])
        axes.spines[:].set_visible(False)
        _lines(axes, layout)
        readings = {lane.name: lane for lane in reading.lanes}
        for lane in layout.lanes:
            if lane.name in readings:
                _plate_lane(axes, layout, lane, readings[lane.name], frame)
        for blob in unread_blobs(layout, reading.lanes):
            # A dotted ring: it stands out of the layer and is not read.
            turn = np.linspace(0.0, 2.0 * np.pi, 61)
            axes.plot(blob.x + 0.8 * blob.width * np.cos(turn),
                      blob.y + 0.8 * blob.height * np.sin(turn),
                      color=MARK, lw=1.2, ls=(0, (1, 1.5)), path_effects=halo(2.4))
        return figure


def _shown(picture: Picture, layout: Layout, frame: Frame) -> NDArray[np.uint8]:
    """Return the plate's pixels as large as they are shown: far quicker than matplotlib's own.

    What was taken for pencil, a scratch or dust, and left out of every trace, is tinted.
    """
    # Hamming's window keeps lines as they are and, where pixels are many, averages them.
    size, window = (frame.width, frame.height), Image.Resampling.HAMMING
    shown = Image.fromarray(picture.pixels).resize(size, window)
    if (strokes := picture.strokes) is not None:
        # The plate's own rim is no stroke.
        rim = max(1, round(RIM_MM / layout.mm_per_unit * strokes.shape[0] / layout.height))
        inner = np.zeros(strokes.shape, np.uint8)
        inner[rim:-rim, rim:-rim] = np.rint(255 * TINT) * strokes[rim:-rim, rim:-rim]
        colour = tuple(round(255 * part) for part in TAKEN_OUT)
        shown.paste(colour, mask=Image.fromarray(inner).resize(size, window))
    return np.asarray(shown)


def _lines(axes: Axes, layout: Layout) -> None:
    x = np.linspace(0.0, layout.width, 101)
    for line, label, dash in ((layout.origin, "origin", "-"), (layout.front, "front", (0, (5, 3)))):
        y = line.at(x) + np.zeros_like(x)
        axes.plot(x, y, color="white", lw=2.4)
        axes.plot(x, y, color=MARK, lw=1.1, ls=dash)
        axes.annotate(
            label, (1, float(y[-1])), (6, 0), xycoords=("axes fraction", "data"),
            textcoords="offset points", va="center", color=MARK, annotation_clip=False,
        )  # fmt: skip


def _plate_lane(
    axes: Axes, layout: Layout, lane: Lane, reading: LaneReading, frame: Frame
) -> None:
    rf = np.linspace(0.0, 1.0, 101)
    x, y = layout.path(lane, rf)
    for side in (-0.5, 0.5):
        axes.plot(x + side * lane.width, y, color="white", lw=1.4, alpha=0.6)
        axes.plot(x + side * lane.width, y, color=MARK, lw=0.9, ls=(0, (1, 2)))
    axes.annotate(
        _short(lane.name), (lane.x, 1), (0, 4), xycoords=("data", "axes fraction"),
        textcoords="offset points", va="bottom", annotation_clip=False, rotation_mode="anchor",
        ha="left" if frame.turned else "center", rotation=35 if frame.turned else 0,
    )  # fmt: skip
    if not reading.spots:
        return
    x, y = layout.path(lane, [spot.rf for spot in reading.spots])
    axes.plot(x, y, ls="", marker="+", ms=7, mew=1.1, color=MARK, path_effects=halo(2.4))
    units_per_inch = DPI / frame.scale
    line = (TEXT + 1) / 72 * units_per_inch
    heights = spread(y.tolist(), line, line / 2, layout.height - line / 2)
    # Numbers stand right of the lane, but where lanes are close still nearer to their own.
    gaps = [abs(other.x - lane.x) for other in layout.lanes if other is not lane]
    room = min(gaps, default=layout.width) / 2 - 0.17 * units_per_inch
    aside = max(min(lane.width / 2 + 0.1 * units_per_inch, room), 0.12 * units_per_inch)
    for number, (x0, y0, y1) in enumerate(zip(x, y, heights, strict=True), 1):
        x1 = x0 + aside
        if abs(y1 - y0) > line / 4:
            start = x1 - 0.09 * units_per_inch, x1 - 0.02 * units_per_inch
            axes.plot(start, [y0, y1], color=MARK, lw=0.8, path_effects=halo(2.0))
        axes.text(
            x1, y1, str(number), color=MARK, size=TEXT, va="center_baseline", path_effects=halo()
        )

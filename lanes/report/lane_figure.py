"""One lane as a picture: its strip of the scan, its trace with every component, the residuals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lanes.plate.layout import Layout
from lanes.plate.picture import Picture
from lanes.reading import LaneReading, Reading
from lanes.report.canvas import (
    COLOURS,
    DASHES,
    INK,
    MARK,
    QUIET,
    box,
    canvas,
    halo,
    png,
    spread,
    style,
    wiped,
)
from lanes.report.tables import length_unit, no_spot

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

# In pixels: the whole, its rims, the room for the legend, between panels and for the axis of Rf.
_WIDTH, _LEFT, _RIGHT, _TOP = 1090, 140, 25, 14
_LEGEND, _GAP, _AXIS = 56, 14, 62
_NAME = 11  # letters of a lane's name that have room beside its strip


def lane_png(reading: Reading, lane: LaneReading) -> bytes:
    """Return one lane's picture as PNG bytes: that of `lane_figure`."""
    with style():
        return png(lane_figure(reading, lane))


def lane_pngs(reading: Reading) -> list[bytes]:
    """Return `lane_png` of every lane, all drawn on as few figures as can be."""
    sheets: dict[int, Figure] = {}
    with style():
        return [png(_drawn(reading, lane, sheets)) for lane in reading.lanes]


def lane_figure(reading: Reading, lane: LaneReading) -> Figure:
    """Return one lane as a matplotlib figure: strip of the scan, trace and components, residuals.

    The strip is turned a quarter clockwise, so that Rf runs left to right in all three. The trace
    is shown less its background, as it was fitted.
    """
    with style():
        return _drawn(reading, lane, {})


def _drawn(reading: Reading, lane: LaneReading, sheets: dict[int, Figure]) -> Figure:
    """Return the lane's figure, on that of `sheets` with as many panels if there is one."""
    rf = lane.trace.rf
    span = (float(rf[0]), float(rf[-1]))
    width = _WIDTH - _LEFT - _RIGHT
    strip = _strip(reading, lane, span, width)
    weak = _foot(lane)
    heights = [0 if strip is None else strip.shape[0], 310, *(() if weak is None else (160,)), 160]
    tops = _TOP + heights[0] + _LEGEND + np.cumsum([0, *(h + _GAP for h in heights[1:-1])])
    frames = [(_LEFT, top, width, height)
              for top, height in zip((_TOP, *tops.tolist()), heights, strict=True) if height]
    size = _WIDTH, frames[-1][1] + frames[-1][3] + _AXIS
    figure = sheets.get(len(frames))
    if figure is None:
        figure = sheets[len(frames)] = canvas(*size)
        for frame in frames:
            box(figure, *frame)
    else:
        wiped(figure, *size, frames)
    panels = figure.axes
    if strip is not None:
        _strip_panel(panels.pop(0), lane, strip, span)
    _trace_panel(panels[0], reading, lane, span)
    if weak is not None:
        _foot_panel(panels[1], lane, weak)
    _residual_panel(panels[-1], lane)
    for axes in panels:
        _dress(axes, lane, span, last=axes is panels[-1])
    return figure


def _strip_panel(
    axes: Axes, lane: LaneReading, strip: NDArray[np.uint8], span: tuple[float, float]
) -> None:
    axes.imshow(strip, extent=(*span, 0, 1), aspect="auto", interpolation="nearest")
    axes.set(xlim=span, xticks=[], yticks=[])
    name = lane.name if len(lane.name) <= _NAME else lane.name[: _NAME - 1] + "…"
    axes.set_ylabel(name, rotation=0, ha="right", va="center", weight="bold")
    for spot in lane.spots:
        axes.plot([spot.rf] * 2, [0, 0.13], color=MARK, lw=1.3, path_effects=halo(2.2))


def _dress(axes: Axes, lane: LaneReading, span: tuple[float, float], last: bool) -> None:
    """Give a panel what all share: the axis of Rf, few ticks, and what was not used in grey."""
    axes.set_xlim(span)
    axes.spines[["top", "right"]].set_visible(False)
    axes.yaxis.set_major_locator(_locator(4))
    axes.xaxis.set_major_locator(_locator(11))
    _unused(axes, lane)
    axes.tick_params(labelbottom=last)
    axes.yaxis.set_label_coords(-0.113, 0.5)
    if last:
        axes.set_xlabel("Rf")


def _locator(count: int) -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(count, steps=[1, 2, 2.5, 5, 10])


def _strip(
    reading: Reading, lane: LaneReading, span: tuple[float, float], width: int
) -> NDArray[np.uint8] | None:
    layout, picture = reading.layout, reading.picture
    if layout is None or picture is None:
        return None
    return strip_of(layout, picture, lane.name, span, width)


def strip_of(
    layout: Layout, picture: Picture, name: str, span: tuple[float, float], width: int
) -> NDArray[np.uint8] | None:
    """Return a lane cut from the plate along its path, Rf to the right, x downward."""
    on_plate = next((found for found in layout.lanes if found.name == name), None)
    if on_plate is None:
        return None
    per_unit = width / ((span[1] - span[0]) * layout.run(on_plate))
    tall = int(np.clip(round(1.3 * on_plate.width * per_unit), 60, 220))
    rf = span[0] + (np.arange(width) + 0.5) / width * (span[1] - span[0])
    across = (np.arange(tall) + 0.5 - tall / 2) / tall * 1.3 * on_plate.width
    x, y = layout.path(on_plate, rf)
    lean = on_plate.lean / np.hypot(1.0, on_plate.lean)
    level = 1.0 / np.hypot(1.0, on_plate.lean)
    return _sample(
        picture, x[None, :] + level * across[:, None], y[None, :] - lean * across[:, None]
    )


def _sample(picture: Picture, x: Floats, y: Floats) -> NDArray[np.uint8]:
    """Return the picture's pixels at plate points, between pixels linearly; white outside."""
    from scipy.ndimage import map_coordinates

    rows, columns = picture.pixels.shape[:2]
    row = (1.0 - y / picture.height) * rows - 0.5
    column = x / picture.width * columns - 0.5
    # Half a pixel beyond the outer centres is still on the plate.
    outside = (row < -0.5) | (row > rows - 0.5) | (column < -0.5) | (column > columns - 0.5)
    planes = [
        map_coordinates(picture.pixels[:, :, i].astype(np.float32), (row, column), order=1,
                        mode="nearest")
        for i in range(3)
    ]  # fmt: skip
    pixels = np.rint(np.stack(planes, axis=-1)).clip(0, 255).astype(np.uint8)
    pixels[outside] = 255
    return pixels


def _shown(lane: LaneReading) -> Floats:
    """Return the trace less its background, not-a-number where it was not used."""
    shown = lane.trace.signal - lane.background
    return np.where(lane.trace.usable, shown, np.nan)


def _trace_panel(
    axes: Axes, reading: Reading, lane: LaneReading, span: tuple[float, float]
) -> None:
    rf, fit, shown = lane.trace.rf, lane.fit, _shown(lane)
    axes.plot(rf, shown, color="#a3abb3", lw=2.6, label="trace", zorder=2)
    _components(axes, lane)
    if np.ptp(fit.baseline) > 0 or np.any(fit.baseline):
        axes.plot(rf, fit.baseline, color=QUIET, lw=0.9, ls=(0, (8, 3)), label="baseline")
    axes.plot(rf, fit.model, color=INK, lw=1.0, label="sum", zorder=4)
    known = np.concatenate([shown[np.isfinite(shown)], fit.model[np.isfinite(fit.model)], [0.0]])
    noise = 4 * lane.noise.local.sd
    low, high = min(float(known.min()), -noise), max(float(known.max()), noise)
    axes.set_ylim(low - 0.04 * (high - low), high + 0.17 * (high - low))
    axes.set_ylabel(f"Signal × {length_unit(reading)}")
    if lane.spots:
        _numbers(axes, lane, span, 0.03 * (high - low))
    else:
        words = no_spot(lane, f"signal × {length_unit(reading)}²")
        axes.text(0.5, 0.88, words, transform=axes.transAxes, ha="center", va="center")
    from matplotlib.legend_handler import HandlerTuple

    axes.legend(
        *_legend(axes, lane), handler_map={tuple: HandlerTuple(ndivide=None, pad=0.15)},
        loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=6, frameon=False, borderaxespad=0.2,
        handlelength=2.0, handletextpad=0.5, columnspacing=1.0,
    )  # fmt: skip


def _legend(axes: Axes, lane: LaneReading) -> tuple[list[Any], list[str]]:
    from matplotlib.patches import Patch

    drawn, labels = axes.get_legend_handles_labels()
    handles: list[Any] = list(drawn)
    lines = [line for line in axes.lines if str(line.get_label()).startswith("_spot")]
    if lines:
        # As many colours as the first spots have: one alone would name one of them.
        handles.insert(1, tuple(lines[:3]))
        labels.insert(1, "spots" if len(lines) > 1 else "spot")
    if not np.all(lane.trace.usable):
        handles.append(Patch(facecolor="#eef0f2", edgecolor="#c3c9cf", hatch="////", lw=0))
        labels.append("not used")
    handles.append(Patch(facecolor="#dfe7ee", edgecolor="#8fa3b5", lw=0.7))
    labels.append("noise, ± 2 sd")
    return handles, labels


def _components(axes: Axes, lane: LaneReading) -> None:
    for index, peak in enumerate(lane.fit.peaks):
        colour, dash = COLOURS[index % len(COLOURS)], DASHES[index % len(DASHES)]
        inside = peak > 2e-3 * peak.max(initial=0.0)
        rf, foot = lane.trace.rf[inside], lane.fit.baseline[inside]
        axes.fill_between(rf, foot, foot + peak[inside], color=colour, alpha=0.2, lw=0, zorder=1)
        axes.plot(
            rf, foot + peak[inside], lw=1.6, zorder=3, color=colour, ls=dash,
            label=f"_spot {index + 1}",
        )  # fmt: skip


def _numbers(axes: Axes, lane: LaneReading, span: tuple[float, float], lift: float) -> None:
    rf = [spot.rf for spot in lane.spots]
    gap = (span[1] - span[0]) * 0.022
    places = spread(rf, gap, span[0] + gap / 2, span[1] - gap / 2)
    model = np.where(np.isfinite(lane.fit.model), lane.fit.model, 0.0)
    curve = np.interp(rf, lane.trace.rf, model)
    # The highest point under the number, so that it clears a slope too.
    apex = np.array([
        model[np.abs(lane.trace.rf - x) <= gap / 2].max(initial=y)
        for x, y in zip(rf, curve, strict=True)
    ])
    # Numbers that had to make room for each other stand in one row above their highest apex.
    close = np.diff(places) < 1.01 * gap
    group = np.concatenate([[0], np.cumsum(~close)])
    for number, (x0, x1, y0, member) in enumerate(zip(rf, places, curve, group, strict=True), 1):
        y1 = float(apex[group == member].max()) + lift
        if np.count_nonzero(group == member) > 1:
            y1 += lift
            axes.plot([x0, x1], [y0 + lift / 3, y1], color=QUIET, lw=0.7)
        axes.text(x1, y1, str(number), ha="center", va="bottom", color=MARK, path_effects=halo())


def _foot(lane: LaneReading) -> float | None:
    """Return the tallest of the spots too small to see beside the largest, if there are any."""
    heights = [component.height for component in lane.fit.components]
    weak = [height for height in heights if height < 0.08 * max(heights)]
    return max(weak) if weak else None


def _foot_panel(axes: Axes, lane: LaneReading, weak: float) -> None:
    rf = lane.trace.rf
    axes.plot(rf, _shown(lane), color="#a3abb3", lw=1.8, zorder=2)
    _components(axes, lane)
    axes.plot(rf, lane.fit.model, color=INK, lw=1.0, zorder=4)
    base = float(np.median(lane.fit.baseline))
    reach = max(2.2 * weak, 6 * lane.noise.local.sd)
    axes.set_ylim(base - max(0.25 * reach, 3 * lane.noise.local.sd), base + reach)
    axes.set_ylabel("Enlarged")
    for number, component in enumerate(lane.fit.components, 1):
        if component.height <= weak:
            at = component.centre / lane.trace.run
            near = np.abs(rf - at) < 0.012
            top = float(np.nanmax(np.append(_shown(lane)[near], component.height + base)))
            if np.interp(at, rf, lane.fit.model) < base + 0.7 * reach:
                top = min(top + 0.03 * reach, base + 0.85 * reach)
                axes.text(
                    at, top, str(number), ha="center", va="bottom", color=MARK, path_effects=halo()
                )


def _residual_panel(axes: Axes, lane: LaneReading) -> None:
    rf, left = lane.trace.rf, _shown(lane) - lane.fit.model
    band = 2.0 * lane.noise.local.sd * lane.trace.gain
    axes.fill_between(rf, -band, band, facecolor="#dfe7ee", edgecolor="#8fa3b5", lw=0.7)
    axes.axhline(0.0, color=QUIET, lw=0.6)
    axes.plot(rf, left, color=INK, lw=0.9)
    known = np.abs(np.concatenate([left[np.isfinite(left)], band[np.isfinite(band)]]))
    reach = 1.15 * (float(known.max(initial=0.0)) or 1.0)
    axes.set_ylim(-reach, reach)
    axes.set_ylabel("Residual")


def _unused(axes: Axes, lane: LaneReading) -> None:
    """Hatch the stretches where a pencil line or another mark hides the layer."""
    from matplotlib.patches import Rectangle

    rf, usable = lane.trace.rf, lane.trace.usable
    half = (rf[1] - rf[0]) / 2
    edges = np.flatnonzero(np.diff(np.concatenate([[True], usable, [True]]).astype(int)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        # Not `axvspan`: it looks for new limits, which takes longer than to draw it.
        axes.add_artist(Rectangle(
            (rf[start] - half, 0), rf[stop - 1] - rf[start] + 2 * half, 1, zorder=0,
            facecolor="#eef0f2", edgecolor="#c3c9cf", hatch="////", lw=0,
            transform=axes.get_xaxis_transform(),
        ))  # fmt: skip

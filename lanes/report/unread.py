"""plate-unread.png: the picture of a plate that was refused, to measure the answer on."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lanes.errors import OutputError
from lanes.plate.layout import Floats
from lanes.plate.picture import picture as squared
from lanes.plate.refused import Seen, look_again
from lanes.report.canvas import COLOURS, DPI, box, canvas, halo, png, style
from lanes.report.folder import UNREAD, write_folder
from lanes.scan.scan import Scan
from lanes.scan.transfer import linear_to_srgb
from lanes.settings import Settings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Pixels of the picture: its two panels are as high as this, with rulers and words about them.
TALL, LEFT, TOP, GAP, BELOW = 760, 90, 70, 150, 70
WIDEST = 1100
LETTERS = 0.0625  # of a line: pixels to letters of the words below, at their size
LINE = 26         # pixels from line to line of them


def leave_unread(out: str | Path, scan: Scan, settings: Settings, refusal: str) -> str | None:
    """Write `out`/plate-unread.png; return its path, or None where nothing may be written.

    A folder that holds a reading or anything else stays as it is.
    """
    try:
        write_folder(out, {UNREAD: unread_png(scan, settings, refusal)})
    except OutputError:
        return None
    return str(Path(out) / UNREAD)


def unread_png(scan: Scan, settings: Settings, refusal: str) -> bytes:
    """Return the picture with what was found, rulers, and options to paste, as PNG."""
    seen = look_again(scan, settings)
    whole = _pixels(scan)
    plate = squared(scan, seen.layout)
    wide = min(WIDEST, round(TALL * scan.width_px / scan.height_px))
    high = round(wide * scan.height_px / scan.width_px)
    plate_wide = min(WIDEST, round(high * plate.width / plate.height))
    plate_high = round(plate_wide * plate.height / plate.width)
    full = LEFT + wide + GAP + plate_wide + GAP
    wrapped = [textwrap.wrap(text, max(40, round(full * LETTERS * 1.15)))
               for text in _words(seen, refusal)]
    words, bold = [line for lines in wrapped for line in lines], len(wrapped[0])
    with style():
        figure = canvas(full, TOP + max(high, plate_high) + BELOW + LINE * len(words) + 20)
        left = box(figure, LEFT, TOP, wide, high)
        _picture_panel(left, whole, scan, seen)
        right = box(figure, LEFT + wide + GAP, TOP, plate_wide, plate_high)
        _plate_panel(right, plate.pixels, seen)
        bottom = LINE * len(words) + 10
        total = figure.get_size_inches()[1] * DPI
        for i, line in enumerate(words):
            figure.text(LEFT / full, (bottom - LINE * i) / total, line, va="top",
                        fontsize=9, weight="bold" if i < bold else "normal")
        return png(figure)


def _pixels(scan: Scan) -> NDArray[np.uint8]:
    step = max(1, max(scan.width_px, scan.height_px) // 1200)
    names = ("red", "green", "blue") if "red" in scan.channels else ("mean",) * 3
    planes = [linear_to_srgb(np.clip(scan.light(name, step), 0, 1)) for name in names]
    return np.rint(255 * np.stack(planes, axis=-1)).astype(np.uint8)


def _picture_panel(axes: Axes, pixels: NDArray[np.uint8], scan: Scan, seen: Seen) -> None:
    """Draw the whole picture with its own pixels as rulers, and every outline."""
    axes.imshow(pixels, extent=(-0.5, scan.width_px - 0.5, scan.height_px - 0.5, -0.5))
    axes.set_title("The picture: x and y in pixels, for --corners")
    axes.minorticks_on()
    axes.grid(which="major", linewidth=0.4, alpha=0.5)
    for number, outline in enumerate(seen.outlines, 1):
        _outlined(axes, outline.corners_px, COLOURS[0], "-")
        x, y = outline.corners_px.mean(axis=0)
        if len(seen.outlines) > 1:
            axes.text(x, y, f"--plate {number}", ha="center", color=COLOURS[0],
                      path_effects=halo())
    for i, rival in enumerate(seen.rivals[:3]):
        _outlined(axes, np.asarray(rival), COLOURS[1], "--")
        x, y = np.asarray(rival)[3]
        axes.text(x, y, "ABC"[i], color=COLOURS[1], path_effects=halo())
    axes.set_xlim(-0.5, scan.width_px - 0.5)
    axes.set_ylim(scan.height_px - 0.5, -0.5)


def _outlined(axes: Axes, corners: Floats, colour: str, dash: str) -> None:
    x, y = np.vstack([corners, corners[:1]]).T
    axes.plot(x, y, dash, color=colour, linewidth=1.6)


def _plate_panel(axes: Axes, pixels: NDArray[np.uint8], seen: Seen) -> None:
    """Draw the plate squared up, with rulers in percent and in mm or pixels of the picture."""
    layout = seen.layout
    axes.imshow(pixels, extent=(0, 100, 0, 100), aspect="auto")
    axes.set_title("The plate as taken", pad=34)
    axes.set_ylabel("height in %, for --origin and --front")
    axes.set_xlabel("x in %, for --lanes")
    axes.minorticks_on()
    axes.grid(which="major", linewidth=0.4, alpha=0.5)
    up, across = _rulers(seen)
    unit = "mm" if layout.scaled else "px"
    axes.secondary_yaxis("right", functions=up.functions).set_ylabel(f"height in {unit}")
    axes.secondary_xaxis("top", functions=across.functions).set_xlabel(f"x in {unit}")
    for height, _ in seen.lines:
        share = 100 * height / layout.height
        axes.axhline(share, color=COLOURS[1], linewidth=1.0, dashes=(6, 3))
        axes.text(1, share + 0.6, f"{share:.1f}%", color=COLOURS[1], path_effects=halo())
    for x in seen.ticks:
        axes.axvline(100 * x / layout.width, color=COLOURS[2], linewidth=0.8, dashes=(2, 3))


@dataclass(frozen=True)
class _Ruler:
    """Percent of a side, and the same in mm or in the picture's pixels."""

    percent: Floats
    lengths: Floats

    @property
    def functions(self) -> tuple[Any, Any]:
        """What matplotlib asks of a second axis: from percent, and back."""
        return (lambda share: np.interp(share, self.percent, self.lengths),
                lambda length: np.interp(length, self.lengths, self.percent))


def _rulers(seen: Seen) -> tuple[_Ruler, _Ruler]:
    """Return the rulers upward and across, in the units that options count by."""
    layout, percent = seen.layout, np.linspace(-5.0, 105.0, 111)
    zero = int(np.argmin(np.abs(percent)))
    out = []
    for upward, whole in ((True, layout.height), (False, layout.width)):
        along = percent / 100.0 * whole
        if layout.scaled:
            out.append(_Ruler(percent, along))
            continue
        # Along the plate's middle, and across at its lowest line, as `plate_units` counts.
        level = seen.lines[0][0] if seen.lines else 0.5 * layout.height
        beside = np.full(percent.size, 0.5 * layout.width if upward else level)
        u, v = layout.to_pixels(beside, along) if upward else layout.to_pixels(along, beside)
        out.append(_Ruler(percent, np.hypot(u - u[zero], v - v[zero]) * np.sign(percent)))
    return out[0], out[1]


def _words(seen: Seen, refusal: str) -> list[str]:
    """Return what is written below the pictures: what was refusal, and options to paste."""
    words = [refusal]
    layout = seen.layout
    shares = [100 * height / layout.height for height, _ in seen.lines]
    if len(shares) >= 2:
        words.append(f"Dashed lines were seen. Where the lowest is the origin and the highest the "
                     f"front: --origin {shares[0]:.1f}% --front {shares[-1]:.1f}%")
    elif shares:
        words.append(f"One line was seen: --origin {shares[0]:.1f}% or --front {shares[0]:.1f}%; "
                     "read the other off the ruler")
    else:
        words.append("No line was seen: read both heights off the ruler, as in --origin 10% "
                     "--front 90%")
    if seen.ticks:
        xs = ",".join(f"{100 * x / layout.width:.1f}%" for x in seen.ticks)
        words.append(f"Short strokes cross the lowest line (dotted): --lanes {xs}")
    for letter, rival in zip("ABC", seen.rivals, strict=False):
        pairs = " ".join(f"{x:.0f},{y:.0f}" for x, y in np.asarray(rival))
        words.append(f"{letter}, another outline that fits nearly as well: --corners {pairs}")
    pairs = " ".join(f"{x:.0f},{y:.0f}" for x, y in layout.corners_px)
    words.append(f"The outline as taken: --corners {pairs}; the picture itself: --whole-image")
    return words

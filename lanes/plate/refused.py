"""What was seen of a plate that could not be read: something to measure the answer on."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace

from lanes.errors import LanesError
from lanes.plate.frame import find_frame, outlines_of
from lanes.plate.layout import Layout
from lanes.plate.lines import like_a_line, pencil_light
from lanes.plate.outline import Outline, whole_outline
from lanes.plate.pencil import find_lines
from lanes.plate.planes import planes_of
from lanes.plate.ticks import find_ticks
from lanes.scan.scan import Scan
from lanes.settings import Settings

APART = 0.015    # of the plate's height: two lines nearer than this are shown as the surer one
MOST_LINES = 5   # candidates for a line that are shown
LOWEST, HIGHEST = 0.02, 0.98  # of the plate's height: nearer to its edges lies their shadow
FAINT = 2.0      # standard deviations: less is not shown


@dataclass(frozen=True)
class Seen:
    """What was seen of a plate, as far as it went.

    Attributes
    ----------
    outlines : tuple of Outline
        Every plate found, in the order that --plate counts; the picture's edges where none.
    rivals : tuple of (4, 2) arrays
        Other outlines that fit nearly as well.
    layout : Layout
        The plate that was taken, or the whole picture: without lines or lanes.
    lines : tuple of (height, score)
        Lines across it from the lowest up, sure or not: heights in the plate's units at its
        middle, scores in standard deviations.
    ticks : tuple of float
        The x of short strokes across the lowest line.
    """

    outlines: tuple[Outline, ...]
    rivals: tuple[object, ...]
    layout: Layout
    lines: tuple[tuple[float, float], ...]
    ticks: tuple[float, ...]


def look_again(scan: Scan, settings: Settings) -> Seen:
    """Return what can be seen of a plate whose reading was refused; it raises nothing of ours."""
    # What was given about lines and lanes may be what was wrong: only the outline's part stays.
    bare = replace(settings, origin=None, front=None, lanes=None, lane_width=None)
    try:
        outlines, _, _ = outlines_of(scan, bare)
        layout = find_frame(scan, bare)
    except LanesError:
        bare = Settings(whole_image=True)
        outlines = (whole_outline((scan.height_px, scan.width_px)),)
        layout = find_frame(replace(scan, dpi=None), bare)
    lines: list[tuple[float, float]] = []
    ticks: tuple[float, ...] = ()
    with suppress(LanesError):
        planes = planes_of(scan, layout)
        pencil = pencil_light(planes)
        strokes = [s for s in find_lines(pencil, planes.fine_grid, LOWEST * layout.height,
                                         HIGHEST * layout.height, True)
                   if s.score > FAINT and like_a_line(s)]
        middle = 0.5 * layout.width
        lines = _apart([(float(s.line.at(middle)), s.score) for s in strokes], layout)
        if strokes:
            lowest = min(strokes, key=lambda s: float(s.line.at(middle)))
            ticks = tuple(x for x, _ in find_ticks(pencil, planes.fine_grid, lowest.line,
                                                  planes.block_step))
    rivals = tuple(rival for outline in outlines for rival in outline.rivals)
    return Seen(outlines, rivals, layout, tuple(lines), ticks)


def _apart(lines: list[tuple[float, float]], layout: Layout) -> list[tuple[float, float]]:
    """Return the surest lines, apart from each other, from the lowest up."""
    out: list[tuple[float, float]] = []
    for height, score in sorted(lines, key=lambda pair: -pair[1]):
        if len(out) < MOST_LINES and all(abs(height - h) > APART * layout.height for h, _ in out):
            out.append((height, score))
    return sorted(out)

"""The origin line and the solvent front: as set, drawn across, drawn in part, or marks alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from lanes.errors import LayoutError
from lanes.flags import flag
from lanes.plate.blobs import blobs_between
from lanes.plate.layout import OFF_PLATE, Blob, Layout, Line
from lanes.plate.marks import EDGE_MM, Mark, dashed_line, ends_of_line, find_marks, row_of_marks
from lanes.plate.pencil import Stroke, find_lines
from lanes.plate.planes import Planes
from lanes.plate.square import Grid
from lanes.plate.thick_dashes import front_of_dashes
from lanes.plate.ticks import find_ticks
from lanes.quantiles import median

SURE = 6.0          # standard deviations a line must stand out by
COVERED = 0.4       # of the plate's width: a row of spots shows in less
THICKEST_MM = 1.3   # a pencil stroke and its blur; spots and bands are 1.5 mm and more
# A thicker stroke is a line all the same where it goes on between the lanes too, where no row of
# spots or bands does; or where it has edges: a stroke is as dark at its rim as in its middle and
# only blurred, a spot is diffuse (1.43 for a Gaussian, 2.4 at most where its top is flat). At 3 the
# picture's blur is 0.17 mm (sd) on a stroke 1.3 mm wide.
THROUGHOUT, THICK_MM, SHARP = 0.8, 2.5, 3.0
# What shows in part may be a row of letters, whose strokes stand up from any line through them, one
# in a millimetre or two, each as dark as what lies on the line. A line with a mark across it every
# 2 mm would show 0.3 mm over 2 mm there, 0.15 of its depth; only a diffuse one as thick as may be
# reaches a fifth, and is no pencil's if it shows in part.
LETTERS = 0.2
LOWEST, MIDDLE, HIGHEST = 0.02, 0.45, 0.99  # of the plate's height: origin below, front above
# Solvent stands some 5 mm deep and no plate is higher than 200 mm (common practice): lower on the
# plate no marks are taken for an origin.
DEPTH = 0.025
RUN_MM = 5.0        # the least run looked for
# One hand draws all its lines with one pencil: a second one about as strong as the surest is as
# likely the origin, if it lies near. One of two is often drawn where the solvent stands, or in a
# wrong place (common practice).
ALIKE, NEAR_MM, APART_MM = 0.5, 12.0, 1.6
CROSSED = 6.0       # standard deviations of a stroke across a line that shows which is the origin
# Above a stroke in part, what is broader than writing and stands out twice as far as the limit.
SPOT_MM, SPOT = 1.8, 10.0
# Above a front seen in part: of the plate's height, beyond which the upper rim begins; and what is
# so wide and stands out so far, in standard deviations, is no speck. Choices: lower, dust above a
# front refuses it.
RIM, BLOB_MM, BLOB_SURE = 0.97, 1.5, 8.0
FULLY = 5.0         # standard deviations of a line that leave a third of the doubt in it (1/e)
BETWEEN_MM = 4.0    # of layer between origin and front, or there is no run to read
# What is diffuse, and thicker at half its depth than all of the origin's stroke, is none of that
# pencil but what the solvent left at its front, which stood anywhere within it: a rectangular
# distribution has its width over the root of 12 for a standard deviation.
RECTANGULAR = float(np.sqrt(12.0))
# Of full light: what graphite reflects (a tenth, from memory). On a layer darker than that, as one
# that hardly glows under 366 nm, its strokes are the brighter ones.
GRAPHITE = 0.1
DARKEST = 1e-4      # of full light: so that nothing is divided by 0
HALF = 0.5          # confidence in a line inferred from a part of it or from marks


def find_both(
    planes: Planes, layout: Layout, origin: Line | None, front: Line | None
) -> Layout:
    """Return `layout` with both lines; those given are taken and not looked for.

    Raises
    ------
    LayoutError
        If a line can't be found with confidence, or the front lies below the origin.
    """
    found, flags = dict(layout.found), list(layout.flags)
    marks = cache(lambda: find_marks(planes))  # looked for only where no line is drawn across
    doubts = []
    if origin is None:
        origin, found["origin"], doubt = _origin(planes, layout, front, marks)
        doubts.append(doubt)
    if front is None:
        front, found["front"], doubt = _front(planes, layout, origin, marks)
        doubts.append(doubt)
    flags += [flag("lines-inferred", doubt) for doubt in doubts if doubt]
    if not above(front, origin, layout):
        raise LayoutError(
            "the front is not above the origin line: give --origin and --front, counted from the "
            "plate's lower edge"
        )
    return replace(layout, origin=origin, front=front, found=found, flags=tuple(flags))


def _origin(
    planes: Planes, layout: Layout, front: Line | None, marks: Callable[[], list[Mark]]
) -> tuple[Line, float, str]:
    """Return the origin line, the confidence in it, and what is doubtful about it, if anything."""
    stroke, doubt = _origin_stroke(planes, layout)
    if stroke is not None and (front is None or above(front, stroke.line, layout)):
        sure = _confidence(stroke)
        return stroke.line, min(HALF, sure) if doubt else sure, doubt
    top = MIDDLE * layout.height
    if front is not None:
        top = min(float(front.at(layout.width / 2)) - RUN_MM / layout.mm_per_unit, top)
    origin = _inferred_origin(planes, layout, marks(), top)
    if origin is None or (front is not None and not above(front, origin, layout)):
        raise LayoutError(
            "no origin line found with confidence: give its height above the plate's lower "
            f"edge with {_as_option('--origin', layout)}")
    return origin, HALF, ("the origin is inferred from marks or a part of the line, to "
                          f"{_in_units(origin.sd, layout)}")


def _front(
    planes: Planes, layout: Layout, origin: Line, marks: Callable[[], list[Mark]]
) -> tuple[Line, float, str]:
    """Return the front, the confidence in it, and what is doubtful about it, if anything."""
    unit, high = layout.mm_per_unit, HIGHEST * layout.height
    low = max(MIDDLE * layout.height, float(origin.at(layout.width / 2)) + RUN_MM / unit)
    stroke = _front_stroke(planes, layout, origin, low)
    if stroke is not None:
        front, doubt = stroke.line, ""
        if stroke.sharpness < SHARP and 0.0 < origin.thick * unit < stroke.thickness:
            wide = stroke.thickness / unit / RECTANGULAR
            front = replace(front, sd=float(np.hypot(front.sd, wide)))
            doubt = ("no pencil is seen at the front: it is taken from what the solvent left "
                     f"there, to {_in_units(front.sd, layout)}")
        return front, _confidence(stroke), doubt
    drawn = (ends_of_line(marks(), layout, low, high) or dashed_line(marks(), layout, low, high)
             or front_of_dashes(_all_blobs(planes, layout), layout, low, high))
    if drawn is None or _blobs_above(planes, layout, origin, drawn):
        raise LayoutError(
            "no solvent front found with confidence: give its height above the plate's lower "
            f"edge with {_as_option('--front', layout)}")
    return drawn, HALF, ("the front is inferred from the part of it that is drawn, to "
                         f"{_in_units(drawn.sd, layout)}")


def _in_units(length: float, layout: Layout) -> str:
    return f"{length:.2g} {'mm' if layout.scaled else 'pixels'}"


def _as_option(option: str, layout: Layout) -> str:
    """Return how a height is stated on the command line for this plate."""
    if layout.scaled:
        return f"{option} MM"
    return f"{option}, as a share of the plate's height (12%) or in pixels of the picture (120px)"


def _inferred_origin(
    planes: Planes, layout: Layout, marks: list[Mark], high: float
) -> Line | None:
    whole = _without_lines(layout)
    low = max(DEPTH * layout.height, 2.0 / layout.mm_per_unit)
    row = row_of_marks(planes, _all_blobs(planes, layout), whole, high)
    if row is not None and float(row.at(0.5 * layout.width)) > low:
        return row
    return ends_of_line(marks, layout, low, high) or dashed_line(marks, layout, low, high)


def _without_lines(layout: Layout) -> Layout:
    return replace(layout, origin=Line((-OFF_PLATE,)), front=Line((OFF_PLATE,)), lanes=())


def _all_blobs(planes: Planes, layout: Layout) -> tuple[Blob, ...]:
    return blobs_between(planes, _without_lines(layout))


def _origin_stroke(planes: Planes, layout: Layout) -> tuple[Stroke | None, str]:
    """Return the stroke that is the origin, and what is to be remarked where two may be.

    Of two lines alike and near each other it is the one with strokes across it, which mark lanes;
    else the upper, since nothing is applied where solvent stands.
    """
    strokes = _sure_strokes(pencil_light(planes), planes.fine_grid, LOWEST * layout.height,
                            MIDDLE * layout.height, False)
    best = _best(strokes)
    if best is None:
        return None, ""
    middle, unit = 0.5 * layout.width, layout.mm_per_unit

    def y(s: Stroke) -> float:
        return float(s.line.at(middle))

    alike = sorted([best] + [
        s for s in strokes if s.score * s.coverage > ALIKE * best.score * best.coverage
        and s.thickness < best.thickness / ALIKE
        and APART_MM / unit < abs(y(s) - y(best)) < NEAR_MM / unit], key=y)
    if len(alike) == 1:
        return best, ""
    across = [[score for _, score in find_ticks(pencil_light(planes), planes.fine_grid, s.line,
                                              planes.block_step)]
              for s in alike]
    most = max(range(len(alike)), key=lambda i: sum(across[i]))
    rest = max(sum(scores) for i, scores in enumerate(across) if i != most)
    # What is written between the lines may cross the lower one: there strokes have to be clear.
    limit = 0.0 if most == len(alike) - 1 else CROSSED
    if sum(score > limit for score in across[most]) >= 2 and sum(across[most]) > 2.0 * rest:
        return alike[most], ""
    return alike[-1], ("two lines are drawn near the lower edge, and nothing tells which is the "
                       "origin: the upper is taken; --origin gives another")


def _front_stroke(
    planes: Planes, layout: Layout, origin: Line, low: float
) -> Stroke | None:
    """Return the stroke above height `low` that is the front, if any.

    What lies for the most part on the plate's own rim, in its shadow there or off the plate is no
    front; one that bends may reach the rim at the sides. Nor is what shows in part and has spots
    above it: circles drawn round a row of spots, or letters.
    """
    x = np.linspace(0.0, layout.width, 9)
    rim = layout.height - EDGE_MM / layout.mm_per_unit
    strokes = [s for s in _sure_strokes(pencil_light(planes), planes.fine_grid, low,
                                        HIGHEST * layout.height, True)
               if float(np.median(s.line.at(x))) < rim]
    for stroke in sorted(strokes, key=lambda s: -s.score * s.coverage):
        if stroke.coverage >= THROUGHOUT or not any(
                min(b.width, b.height) > SPOT_MM / layout.mm_per_unit and b.strength > SPOT
                for b in _blobs_above(planes, layout, origin, stroke.line)):
            return stroke
    return None


def _blobs_above(planes: Planes, layout: Layout, origin: Line, front: Line) -> list[Blob]:
    """Return the blobs that stand above a front seen in part: where there are, it is none."""
    whole = replace(layout, origin=origin, front=Line((RIM * layout.height,)), lanes=())
    return [b for b in blobs_between(planes, whole)
              if b.y > float(front.at(b.x)) + 0.5 * b.height + 1.0 / layout.mm_per_unit
              and b.width > BLOB_MM / layout.mm_per_unit and b.strength > BLOB_SURE]


@lru_cache(maxsize=1)  # all that looks for pencil on one plate asks
def pencil_light(planes: Planes) -> NDArray[np.float32]:
    """Return the light in which pencil is darker than the layer, (rows, columns).

    It is the mean of the channels, and one over it where the layer is darker than graphite and the
    lines that stand out of it most are bright: so the depth of such a line is a share of its light.
    """
    if float(median(planes.fine)) > GRAPHITE:
        return planes.fine
    over = np.asarray(1.0 / np.maximum(planes.fine, DARKEST), np.float32)
    height = planes.fine_grid.rows * planes.fine_grid.pitch
    low, high = LOWEST * height, HIGHEST * height
    dark, bright = (_best(find_lines(light, planes.fine_grid, low, high, True))
                    for light in (planes.fine, over))
    if bright is None or (dark is not None and dark.score * dark.coverage
                          >= bright.score * bright.coverage):
        return planes.fine
    return over


def _sure_strokes(
    light: NDArray[np.float32], grid: Grid, low: float, high: float, smile: bool
) -> list[Stroke]:
    """Return the strokes between two heights that are surely lines, the best first."""
    found = find_lines(light, grid, low, high, smile, sure=SURE, covered=COVERED)
    return [s for s in found if like_a_line(s)]


def like_a_line(stroke: Stroke) -> bool:
    """Return whether a stroke is as thin as a line, and no row of spots or of letters."""
    whole = stroke.coverage >= THROUGHOUT
    most = THICK_MM if whole or stroke.sharpness >= SHARP else THICKEST_MM
    return (whole or stroke.beside < LETTERS) and stroke.thickness <= most


def _best(strokes: list[Stroke]) -> Stroke | None:
    return max(strokes, key=lambda s: s.score * s.coverage) if strokes else None


def sure_lines(
    light: NDArray[np.float32], grid: Grid, low: float, high: float
) -> tuple[Line, ...]:
    """Return the surest line across the plate between two heights; none where none is sure."""
    best = _best(_sure_strokes(light, grid, low, high, False))
    return () if best is None else (best.line,)


def sure_bent_lines(
    light: NDArray[np.float32], grid: Grid, low: float, high: float
) -> tuple[Line, ...]:
    """Return the surest line, straight or bent, between two heights; none where none is sure."""
    best = _best(_sure_strokes(light, grid, low, high, True))
    return () if best is None else (best.line,)


def _confidence(stroke: Stroke) -> float:
    return round(float(stroke.coverage * (1.0 - np.exp(-stroke.score / FULLY))), 3)


def above(upper: Line, lower: Line, layout: Layout) -> bool:
    """Whether one line lies above another all across the plate."""
    x = np.linspace(0.0, layout.width, 9)
    return bool(np.all(upper.at(x) - lower.at(x) > BETWEEN_MM / layout.mm_per_unit))

"""The plate's frame: which part of the picture it is, and what a pixel of it measures."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.plate.corners import convex
from lanes.plate.edges import look
from lanes.plate.layout import Layout, Line
from lanes.plate.outline import Floats, Outline, find_outlines, refuse_even, whole_outline
from lanes.plate.square import base_light
from lanes.plate.upright import judge_turn
from lanes.scan.scan import Scan
from lanes.scan.stated import MM_PER_INCH
from lanes.settings import Settings

MOST_UNLIKE = 1.1  # a plate held 25 degrees askew is seen a tenth too short (1 - cos 25)
# Plates are cut from sheets of 200 x 200 mm, and a strip under 15 mm holds no lane.
SMALLEST_MM, LARGEST_MM = 15.0, 260.0
LEAST_MM, MOST_MM = 5.0, 1000.0  # what is stated may be unusual, but not beyond these
# Where the scale is unknown: the height, since solvent runs 5 to 10 cm. A plate twice as wide as
# high is one of 200 x 100 or of 100 x 50 mm: the mean of both is out by the root of 2 for either.
TYPICAL_MM = 100.0
REDUCED_PX = 1000   # longer side of the picture in which the plate is looked for
KEYSTONE = 1.015    # ratio of opposite sides: half the taper that a hand-held picture has at best
# Corners are read off a screen, where the picture's rim is hard to hit.
BEYOND = 0.02       # of the picture's longer side


def find_frame(scan: Scan, settings: Settings) -> Layout:
    """Return a layout with the plate's corners, size and scale, without lines yet.

    Raises
    ------
    LayoutError
        If no plate is found and none is given.
    InputError
        If what is given does not fit the picture.
    """
    outlines, flags, stated = outlines_of(scan, settings)
    number = (settings.which_plate or 1) - 1
    if number >= len(outlines):
        seen = "one plate is" if len(outlines) == 1 else f"{len(outlines)} plates are"
        which = "--plate 1" if len(outlines) == 1 else f"--plate 1 to {len(outlines)}"
        raise InputError(f"--plate {number + 1}: {seen} seen in the picture; give {which}, or the "
                         "plate itself with --corners")
    outline = outlines[number]
    if len(outlines) > 1 and settings.which_plate is None:
        flags.append(flag("several-plates", f"{len(outlines)} plates are seen and the first, by "
                          "rows from the upper left, is read"))
    if outline.rivals:
        flags.append(flag("outline-doubtful", "another outline fits nearly as well as the one "
                          "that was taken"))
    layout = _with_scale(scan, settings, outline, flags, stated)
    if not _may_turn(settings):
        return layout
    return _upright(scan, settings, outline, layout, flags, stated)


def _may_turn(settings: Settings) -> bool:
    """Return whether nothing that was set fixes which side of the plate is up."""
    places = settings.places
    placed = (settings.origin, settings.front, places.origin, places.front, places.lanes)
    return (settings.turn == "auto" and not isinstance(settings.lanes, tuple)
            and all(place is None for place in placed) and "corners" not in places.by_hand)


def _upright(
    scan: Scan, settings: Settings, outline: Outline, layout: Layout, flags: list[Flag],
    stated: bool,
) -> Layout:
    """Return the layout of the plate turned upright, where it surely is not so in the picture."""
    turn = judge_turn(scan, layout)
    # Where the outline itself is in doubt, so are the lines within it: what turns it must be sure.
    if outline.rivals and not (turn.quarters and turn.sure):
        return layout
    if turn.quarters is None:
        remark = flag("sideways", "pencil lines run along the picture's height: the plate may lie "
                      "sideways, and nothing tells which end is its lower one")
        return replace(layout, flags=(*layout.flags, remark))
    flags = list(flags)
    quarters = turn.quarters
    if quarters:
        how = {1: "on its right side", 2: "upside down", 3: "on its left side"}[quarters]
        flags.append(flag("turned", f"the plate lies {how} in the picture: read as --turn "
                          f"{90 * quarters} would have it"))
    if not turn.sure:
        flags.append(flag("upside-down", "marks, names and bends of the lines do not tell surely "
                          f"which is the origin: --turn {90 * (quarters + 2) % 360} takes the "
                          "other one for it"))
    # The first corner is the plate's own lower left one, wherever it lies in the picture.
    corners = np.roll(outline.corners_px, quarters, axis=0)
    sides = tuple(np.roll(outline.slope_sds, quarters).tolist())
    return _with_scale(scan, settings, replace(outline, corners_px=corners, slope_sds=sides), flags,
                       stated)


def outlines_of(scan: Scan, settings: Settings) -> tuple[tuple[Outline, ...], list[Flag], bool]:
    """Return the plates in `scan`, found or as set, and whether they were set."""
    if settings.whole_image:
        return (whole_outline((scan.height_px, scan.width_px)),), [], True
    if settings.corners is not None:
        corners = _stated_corners(scan, settings)
        return (Outline(corners, 1.0, True),), [], True
    return _found(scan), [], False


@lru_cache(maxsize=1)  # the page reads one picture again whenever something else is set
def _found(scan: Scan) -> tuple[Outline, ...]:
    """Return the plates found in `scan`, in its pixels."""
    light, step = _reduced(scan)

    def sample(row: Floats, column: Floats) -> Floats:
        return np.cbrt(scan.colours((row + 0.5) * step - 0.5, (column + 0.5) * step - 0.5))

    found = find_outlines(light, sample if step > 1 else None)
    if not found[0].seen:
        rivals = tuple(_up(c, step) for c in found[0].rivals)
        whole = whole_outline((scan.height_px, scan.width_px))
        return (Outline(whole.corners_px, found[0].confidence, False, rivals),)
    return tuple(replace(o, corners_px=_up(o.corners_px, step),
                         rivals=tuple(_up(c, step) for c in o.rivals)) for o in found)


def refuse_empty(scan: Scan) -> None:
    """Raise LayoutError where the picture shows nothing, though it was set where the plate is."""
    refuse_even(look(_reduced(scan)[0]))


def _reduced(scan: Scan) -> tuple[NDArray[np.float32], int]:
    """Return the picture's light, and how many of its pixels a side is one of these."""
    step = max(1, round(max(scan.height_px, scan.width_px) / REDUCED_PX))
    return base_light(scan, step), step


def _up(corners: Floats, step: int) -> Floats:
    return (corners + 0.5) * step - 0.5


def _stated_corners(scan: Scan, settings: Settings) -> Floats:
    """Return the corners as set: lower left first, then lower right, and on around."""
    assert settings.corners is not None
    corners = np.array(settings.corners, float)
    wide, high = scan.width_px, scan.height_px
    beyond = BEYOND * max(wide, high)
    for x, y in corners:
        if not (-beyond <= x <= wide + beyond and -beyond <= y <= high + beyond):
            raise InputError(f"--corners {x:g},{y:g} lies outside the picture, which is {wide} x "
                             f"{high} pixels: count from its upper left corner")
    if "corners" not in settings.places.by_hand:  # those of the page come in their order
        middle = corners.mean(axis=0)
        # Rows grow downward: falling angles go lower left, lower right, upper right, upper left.
        corners = corners[np.argsort(-np.arctan2(*(corners - middle).T[::-1]))]
        corners = np.roll(corners, -int(np.argmax(corners[:, 1] - corners[:, 0])), axis=0)
    if not convex(corners):
        raise InputError("--corners do not go round a plate: give its four corners, each once, in "
                         "pixels of the picture")
    return corners


def _with_scale(
    scan: Scan, settings: Settings, outline: Outline, flags: list[Flag], stated: bool
) -> Layout:
    """Return a layout with the plate's size and scale."""
    wide, high, slant = sizes(outline.corners_px)
    flags = list(flags)
    found: dict[str, float] = {}
    if outline.seen and not stated:
        found["plate"] = round(outline.confidence, 3)
    elif not stated:
        flags.append(flag("bed-unseen", "the whole image is taken as the plate"))
    if slant > KEYSTONE:
        flags.append(flag("keystone", f"opposite sides differ by {100 * (slant - 1):.1f} %"))
    size = _size_mm(scan, settings, wide, high, flags)
    scaled, unit = size is not None, 1.0
    if size is None:
        size = wide, high
        unit = TYPICAL_MM / float(np.sqrt(high * max(wide, high)))
    elif not (min(size) >= LEAST_MM and max(size) <= MOST_MM):
        raise InputError(
            f"the plate would be {size[0]:.4g} x {size[1]:.4g} mm: check --plate-width, "
            "--plate-height and --dpi"
        )
    nowhere = Line((0.0,))
    # A plate cut narrower above looks farther off there: lengths in perspective go as the square.
    skew_sd = 2.0 * float(np.hypot(outline.slope_sds[1], outline.slope_sds[3])) * high / wide
    return Layout(*size, scaled, unit, outline.corners_px, nowhere, nowhere, (), found,
                  tuple(flags), skew_sd=skew_sd)


def sizes(corners: Floats) -> tuple[float, float, float]:
    """Return mean width and height in pixels, and the greatest ratio of opposite sides."""
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    slant = float(max(sides[0] / sides[2], sides[2] / sides[0], sides[1] / sides[3],
                      sides[3] / sides[1]))
    return 0.5 * float(sides[0] + sides[2]), 0.5 * float(sides[1] + sides[3]), slant


def _size_mm(
    scan: Scan, settings: Settings, wide: float, high: float, flags: list[Flag]
) -> tuple[float, float] | None:
    """Return the plate's width and height in mm; None where neither is known."""
    stated_w, stated_h = settings.plate_width, settings.plate_height
    if stated_w is not None and stated_h is not None:
        unlike = (stated_w / stated_h) / (wide / high)
        if not 1.0 / MOST_UNLIKE < unlike < MOST_UNLIKE:
            flags.append(flag(
                "scale-implausible",
                f"the plate is stated as {stated_w:g} x {stated_h:g} mm, and its outline in the "
                f"picture is as {stated_h * wide / high:.3g} x {stated_h:g}"))
    if stated_w is not None or stated_h is not None:
        width = stated_w if stated_w is not None else (stated_h or 0.0) * wide / high
        return width, stated_h if stated_h is not None else width * high / wide
    dpi = settings.dpi or scan.dpi
    if dpi is None:
        flags.append(flag("scale-unknown", "the scan does not tell its scale"))
        return None
    width, height = wide / dpi * MM_PER_INCH, high / dpi * MM_PER_INCH
    if min(width, height) >= SMALLEST_MM and max(width, height) <= LARGEST_MM:
        return width, height
    if settings.dpi is not None:
        raise InputError(
            f"--dpi {settings.dpi:g} makes the plate {width:.0f} x {height:.0f} mm: give the "
            "scan's own dots per inch, or --plate-width MM"
        )
    flags.append(flag("scale-implausible", f"{dpi:g} dots per inch would make the plate "
                      f"{width:.0f} x {height:.0f} mm"))
    return None

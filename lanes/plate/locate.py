"""A scan's layout: the plate, its scale, its two lines and its lanes, found or given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.plate.blobs import blobs_between, is_lighter
from lanes.plate.columns import find_lanes
from lanes.plate.given_places import given_lanes, given_line
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.lines import find_both
from lanes.plate.outline import Outline, find_outline
from lanes.plate.pencil import find_ticks
from lanes.plate.planes import Planes, planes_of
from lanes.scan.scan import Scan
from lanes.settings import Settings

# Plates are cut from sheets of 200 x 200 mm, and a strip under 15 mm holds no lane.
SMALLEST_MM, LARGEST_MM = 15.0, 260.0
TYPICAL_MM = 100.0  # the longer side, where nothing tells the scale


def locate(scan: Scan, settings: Settings, light: str = "white") -> Layout:
    """Find the plate in `scan`, its lines and its lanes.

    Parameters
    ----------
    scan : Scan
    settings : Settings
        What is given there is taken and not looked for.
    light : str
        "white", "254" (both: spots darker than the layer) or "366" (brighter).

    Returns
    -------
    Layout

    Raises
    ------
    LayoutError
        If the plate, a line or the lanes can't be found with confidence; the message names the
        option that gives them.
    InputError
        If what is given does not fit the plate.
    """
    layout = locate_plate(scan, settings)
    planes = planes_of(scan, layout, settings.places.masks)
    origin = given_line(settings.places.origin, layout, "origin") or _given(
        settings.origin, layout, "origin")
    front = given_line(settings.places.front, layout, "front") or _given(
        settings.front, layout, "front")
    layout = find_both(planes, layout, origin, front)
    return with_lanes(planes, layout, settings, light)


def with_lanes(planes: Planes, layout: Layout, settings: Settings, light: str) -> Layout:
    """Return `layout`, whose lines are known, with its blobs and its lanes."""
    blobs = blobs_between(planes, layout)
    lighter = light == "366" or is_lighter(blobs, settings.spots)
    own = tuple(b for b in blobs if b.lighter == lighter)
    ticks = find_ticks(planes.fine, planes.fine_grid, layout.origin)
    assumed: tuple[float, ...] = ()
    lanes, confidence = given_lanes(settings, layout), None
    if lanes is None:
        lanes, confidence, assumed = find_lanes(own, ticks, layout, settings, light == "366")
    found = dict(layout.found)
    if confidence is not None:
        found["lanes"] = confidence
    flags = list(layout.flags)
    if assumed:
        flags.append(flag("lanes-assumed", f"nothing marks {_places(assumed, layout)}: placed by "
                          "even spacing"))
    if lighter and light != "366":
        flags.append(flag("spots-lighter", "spots lighter than the layer are read: their signal "
                          "is by the same law, with the opposite sign"))
    return replace(layout, lanes=named_lanes(lanes, settings), found=found, blobs=blobs,
                   lighter=lighter, flags=tuple(flags))


def _places(xs: tuple[float, ...], layout: Layout) -> str:
    unit = "mm" if layout.scaled else "pixels"
    return ("a lane at " if len(xs) == 1 else "lanes at ") + (
        ", ".join(f"{x:.4g}" for x in xs)) + f" {unit}"


def locate_plate(scan: Scan, settings: Settings) -> Layout:
    """Find the plate in `scan` and its scale: a layout without lines and lanes yet.

    Parameters and errors are those of `locate`.
    """
    step = max(1, max(scan.height_px, scan.width_px) // 1600)
    if settings.corners is not None:
        outline = Outline(np.array(settings.corners), 1.0, True)
    else:
        outline = find_outline(scan.light("mean", step))
        outline = Outline((outline.corners_px + 0.5) * step - 0.5, outline.confidence, outline.seen)
    layout = _with_scale(scan, settings, outline)
    if settings.corners is not None:
        layout.found.pop("plate", None)
    return layout


def _with_scale(scan: Scan, settings: Settings, outline: Outline) -> Layout:
    """Return a layout with the plate's size and scale, without lines yet."""
    c = outline.corners_px
    sides = np.hypot(*(np.roll(c, -1, axis=0) - c).T)
    wide, high = 0.5 * float(sides[0] + sides[2]), 0.5 * float(sides[1] + sides[3])
    flags: list[Flag] = []
    found: dict[str, float] = {}
    if outline.seen:
        found["plate"] = round(outline.confidence, 3)
    else:
        flags.append(flag("bed-unseen", "the whole image is taken as the plate"))
    slant = float(max(sides[0] / sides[2], sides[2] / sides[0], sides[1] / sides[3],
                      sides[3] / sides[1]))
    if slant > 1.015:
        flags.append(flag("keystone", f"opposite sides differ by {100 * (slant - 1):.1f} %"))
    dpi = settings.dpi or scan.dpi
    given_w, given_h = settings.plate_width, settings.plate_height
    scaled = True
    if given_w is not None or given_h is not None:
        width = given_w if given_w is not None else (given_h or 0.0) * wide / high
        height = given_h if given_h is not None else width * high / wide
    elif dpi is not None:
        width, height = wide / dpi * 25.4, high / dpi * 25.4
        sane = min(width, height) >= SMALLEST_MM and max(width, height) <= LARGEST_MM
        if not sane and settings.dpi is not None:
            raise InputError(
                f"--dpi {settings.dpi:g} makes the plate {width:.0f} x {height:.0f} mm: give the "
                "scan's own dots per inch, or --plate-width MM"
            )
        if not sane:
            flags.append(flag(
                "scale-implausible",
                f"{dpi:g} dots per inch would make the plate {width:.0f} x {height:.0f} mm",
            ))
            scaled = False
    else:
        scaled = False
        flags.append(flag("scale-unknown", "the scan does not tell its scale"))
    if scaled and not (min(width, height) >= 5.0 and max(width, height) <= 1000.0):
        raise InputError(
            f"the plate would be {width:.4g} x {height:.4g} mm: check --plate-width, "
            "--plate-height and --dpi"
        )
    unit = 1.0
    if not scaled:
        width, height = wide, high
        unit = TYPICAL_MM / max(width, height)
    nowhere = Line((0.0,))
    return Layout(width, height, scaled, unit, c, nowhere, nowhere, (), found, tuple(flags))


def _given(height: float | None, layout: Layout, name: str) -> Line | None:
    if height is None:
        return None
    if not 0.0 < height < layout.height:
        raise InputError(
            f"--{name} {height:g} lies outside the plate, which is {layout.height:.4g} "
            f"{'mm' if layout.scaled else 'pixels'} high: count from its lower edge"
        )
    # Read off a ruler: good to about a tenth of a millimetre (common practice).
    return Line((height,), 0.1 / layout.mm_per_unit)


def _unit(layout: Layout) -> str:
    return "MM" if layout.scaled else "PIXELS"


def named_lanes(lanes: tuple[Lane, ...], settings: Settings) -> tuple[Lane, ...]:
    """Return `lanes` with the names and roles that `settings` gives them, or their numbers."""
    names, roles = settings.names, settings.roles
    for option, listed in (("names", names), ("roles", roles)):
        if listed is not None and len(listed) != len(lanes):
            raise InputError(
                f"--{option} has {len(listed)} entries for {len(lanes)} lanes: give one a lane, "
                "or the lanes themselves with --lanes"
            )
    named = [
        replace(lane, name=names[i] if names else str(i + 1), role=roles[i] if roles else None)
        for i, lane in enumerate(lanes)
    ]
    known = [lane.name for lane in named]
    for note in settings.lane:
        if note.name not in known:
            raise InputError(f"settings table lane.{note.name} names no lane: the lanes are "
                             f"{', '.join(known)}")
    return tuple(replace(lane, role=settings.note(lane.name).role or lane.role) for lane in named)

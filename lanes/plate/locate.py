"""A scan's layout: the plate, its scale, its two lines and its lanes, found or given."""

from __future__ import annotations

from dataclasses import replace

from lanes.errors import InputError, LayoutError, counted
from lanes.flags import flag
from lanes.lengths import Length, text
from lanes.plate.blobs import (
    FAINTEST,
    SIDE_NEAR_MM,
    blobs_between,
    is_lighter,
    over_the_side,
)
from lanes.plate.by_hand import RULER_MM, placed_lanes, placed_line
from lanes.plate.columns import find_lanes, lanes_at
from lanes.plate.dividers import of_divider, without_dividers
from lanes.plate.expected import in_lanes, in_new_lanes, places_with
from lanes.plate.frame import find_frame, refuse_empty
from lanes.plate.layout import Blob, Lane, Layout, Line
from lanes.plate.lines import find_both, pencil_light
from lanes.plate.marks import find_marks, names_under, with_circled
from lanes.plate.planes import EDGE_MM, Planes, planes_of
from lanes.plate.plate_units import height_of, lanes_in_plate_units
from lanes.plate.standing_out import USUAL
from lanes.plate.ticks import find_ticks, without_sides
from lanes.scan.scan import Scan
from lanes.settings import Settings


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
    layout = locate_plate(scan, settings, light)
    planes = planes_of(scan, layout, settings.places.masks)
    origin = placed_line(settings.places.origin, layout, "origin") or _stated_line(
        settings.origin, layout, "origin")
    front = placed_line(settings.places.front, layout, "front") or _stated_line(
        settings.front, layout, "front")
    try:
        layout = find_both(planes, layout, origin, front)
    except LayoutError as error:
        # Plates are mostly taller than wide: one that is not may lie on its side, unseen.
        if layout.width > layout.height or any(f.name == "sideways" for f in layout.flags):
            raise LayoutError(f"{error}; or, where the plate lies sideways, --turn 90 or 270"
                              ) from None
        raise
    return with_lanes(planes, doubted(layout), settings, light)


# Of the plate's height: what an outline is right to. A front that ran over the top is stated as the
# plate's nominal height, which is no more than so much beyond what was found.
OUTLINE_ERROR = 0.01
# A line is ruled, or the front marked, from near one side of the plate to near the other.
SHORT = 0.7  # of the width


def doubted(layout: Layout) -> Layout:
    """Return `layout` with a doubt of its edges where both lines end well inside the picture.

    Where no bed was seen the picture's edges stand for the plate's: lines that end far from them
    end at the sides of a plate that was not seen, or are its edges.
    """
    lines = [layout.found.get(name, 1.0) for name in ("origin", "front")]
    if max(lines) >= SHORT or all(f.name != "bed-unseen" for f in layout.flags):
        return layout
    return replace(layout, flags=(*layout.flags, flag(
        "outline-doubtful", "both lines end well inside the picture, whose edges are taken for the "
        "plate's")))


def with_lanes(planes: Planes, layout: Layout, settings: Settings, light: str) -> Layout:
    """Return `layout`, whose lines are known, with its blobs and its lanes."""
    settings = lanes_in_plate_units(settings, layout)
    beyond = _beyond_placed_lines(planes, layout)
    pencil = pencil_light(planes)
    strokes = find_ticks(pencil, planes.fine_grid, layout.origin, planes.block_step)
    ticks = without_dividers(strokes, pencil, planes.fine_grid, layout.origin, layout.front)
    dividers = [x for x, score in strokes if (x, score) not in ticks]
    seen = tuple(b for b in blobs_between(planes, layout, FAINTEST)
                 if not of_divider(b, dividers, layout.mm_per_unit))
    blobs = tuple(b for b in seen if b.strength >= USUAL)
    applied = tuple(b for b in blobs if not over_the_side(b, layout))
    lighter = is_lighter(applied, settings.spots, light)
    own = tuple(b for b in applied if b.lighter == lighter)
    faint = tuple(b for b in seen if b.strength < USUAL and b.lighter == lighter)
    if any(f.name == "outline-doubtful" for f in layout.flags):
        ticks = without_sides(ticks, pencil, planes.fine_grid, layout.origin)
    assumed: tuple[float, ...] = ()
    in_rows: tuple[Blob, ...] = ()
    lanes, confidence = placed_lanes(settings, layout), None
    if lanes is None:
        bright = lighter and light == "366"
        try:
            lanes, confidence, assumed = find_lanes(
                with_circled(own, planes), ticks, layout, settings, bright,
                names_under(find_marks(planes, layout.origin), layout))
        except LayoutError as error:
            raise LayoutError(f"{error}{_other_sort(applied, settings.spots)}") from error
        while settings.lanes is None and (new := in_new_lanes(faint, own, lanes, layout)):
            faint = tuple(b for b in faint if b not in new)
            in_rows += new
            own = (*own, *new)
            lanes = lanes_at(places_with(new, lanes, layout), lanes[0].lean, own, layout, settings,
                             bright, confidence)
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
    if light == "366" and not lighter and own:
        why = ("spots that shine are not read, as was asked" if settings.spots == "dark" else
               "no spots that shine are seen")
        flags.append(flag("spots-darker", f"{why}; those that quench the layer's glow are read, by "
                          "its optical density"))
    lost = [b for b in beyond if b.lighter == lighter
            and any(abs(b.x - lane.x) < 0.5 * lane.width for lane in lanes)]
    if lost:
        places = "; ".join(f"x {b.x:.4g}, height {b.y:.4g}" for b in lost[:LISTED])
        flags.append(flag("outside-lanes", f"not read: {places} "
                          f"{'mm' if layout.scaled else 'pixels'}, beyond the lines that were given"
                          ))
    return replace(layout, lanes=named_lanes(lanes, settings), found=found, blobs=blobs,
                   faint=(*in_rows, *in_lanes(faint, own, lanes, layout)), lighter=lighter,
                   flags=tuple(flags))


def _other_sort(blobs: tuple[Blob, ...], asked: str) -> str:
    """Return that what stands out is not of the sort `asked` for, as the end of a sentence."""
    other = sum(b.lighter != (asked == "light") for b in blobs)
    if asked == "auto" or not other:
        return ""
    sort, way = ("darker", "dark") if asked == "light" else ("lighter", "light")
    places = "one place" if other == 1 else f"{other} places"
    return f"; but --spots {asked} was given, and {places} stood out {sort}: give --spots {way}"


# Beyond the lines are names and chipped layer: what is broader than any stroke, and stands out
# twice as far as the limit, is taken for a spot there.
LARGE_MM, STANDS_OUT, LISTED = 1.8, 10.0, 6


def _beyond_placed_lines(planes: Planes, layout: Layout) -> tuple[Blob, ...]:
    """Return what is like a spot below an origin, or above a front, that a person placed."""
    unit = layout.mm_per_unit
    origin = None if "origin" in layout.found else layout.origin
    front = None if "front" in layout.found else layout.front
    if origin is None and front is None:
        return ()
    whole = replace(layout, origin=layout.origin if origin is None else Line((0.0,)),
                    front=layout.front if front is None else Line((layout.height,)))
    return tuple(
        b for b in blobs_between(planes, whole)
        if min(b.width, b.height) > LARGE_MM / unit and b.strength > STANDS_OUT
        and not over_the_side(b, layout) and not _over_an_end(b, layout)
        and ((origin is not None and b.y + 0.5 * b.height < float(origin.at(b.x)))
             or (front is not None and b.y - 0.5 * b.height > float(front.at(b.x)))))


def _over_an_end(blob: Blob, layout: Layout) -> bool:
    """Whether what stands out there does not end before the plate's lower or upper side."""
    rim = (EDGE_MM + SIDE_NEAR_MM) / layout.mm_per_unit
    return min(blob.y, layout.height - blob.y) - 0.5 * blob.height < rim


def _places(xs: tuple[float, ...], layout: Layout) -> str:
    unit = "mm" if layout.scaled else "pixels"
    return ("a lane at " if len(xs) == 1 else "lanes at ") + (
        ", ".join(f"{x:.4g}" for x in xs)) + f" {unit}"


def locate_plate(scan: Scan, settings: Settings, light: str = "white") -> Layout:
    """Find the plate in `scan` and its scale: a layout without lines and lanes yet.

    Parameters and errors are those of `locate`.
    """
    if settings.whole_image or settings.corners is not None:
        refuse_empty(scan)  # nothing else would: lines and lanes may be given too
    return find_frame(scan, settings)


def _stated_line(stated: Length | None, layout: Layout, name: str) -> Line | None:
    height = height_of(f"--{name}", stated, layout)
    if height is None or stated is None:
        return None
    # Only a length in mm knows more of the plate than its outline does.
    over = OUTLINE_ERROR if isinstance(stated, float) else 0.0
    if not 0.0 < height <= layout.height * (1.0 + over):
        raise InputError(
            f"--{name} {text(stated)} lies outside the plate, which is {layout.height:.4g} "
            f"{'mm' if layout.scaled else 'px'} high: count from its lower edge"
        )
    return Line((min(height, layout.height),), RULER_MM / layout.mm_per_unit)


def named_lanes(lanes: tuple[Lane, ...], settings: Settings) -> tuple[Lane, ...]:
    """Return `lanes` with the names and roles that `settings` gives them, or their numbers."""
    names, roles = settings.names, settings.roles
    for option, listed in (("names", names), ("roles", roles)):
        if listed is not None and len(listed) != len(lanes):
            raise InputError(
                f"--{option} gives {counted(len(listed), option[:-1])} for "
                f"{counted(len(lanes), 'lane')}: give one a lane, or the number or the places of "
                "the lanes with --lanes"
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

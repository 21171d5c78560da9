"""What a person changes on the page, as new settings. Every edit is checked before it is taken."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from lanes.about import TEXTS, About, Substance, about_from
from lanes.errors import InputError
from lanes.places import LanePlace, Places
from lanes.plate.by_hand import heights_of, placed_lanes, placed_line
from lanes.plate.lane_cost import USUAL_MM
from lanes.plate.layout import Layout, plate_to_pixels, project
from lanes.settings import LaneNote, Settings
from lanes.settings_file import from_mapping

Edit = Mapping[str, Any]
# Plain choices, by the settings' own names.
CHOICES = ("light", "law", "channel", "spots", "transfer", "turn", "background", "baseline_order",
           "components", "plate_width", "plate_height", "dpi", "page", "which_plate")

INSIDE = 0.01       # plate units: a new lane's end stays on the plate by so much
LEAST_TURN = 100.0  # of two sides, in pixels squared: a plate of 10 x 10


def edited(settings: Settings, layout: Layout | None, edit: Edit) -> Settings:
    """Return `settings` with one edit.

    Parameters
    ----------
    settings : Settings
    layout : Layout or None
        Where things are now: what is moved starts from there.
    edit : mapping
        "do" names the edit, the rest is what it needs.

    Raises
    ------
    InputError
        If the edit is unknown or can't be done.
    """
    kind = edit.get("do")
    if kind == "choose":
        return _choose(settings, edit)
    if kind == "about":
        return _about(settings, edit)
    if kind == "substance":
        return _substance(settings, edit)
    if kind == "note":
        return _note(settings, layout, edit)
    if kind == "release":
        return _release(settings, str(edit.get("what")))
    if layout is None:
        raise InputError("the plate itself is not found yet: place its four corners first")
    done = {"line": _line, "lane": _lane, "add-lane": _add_lane, "remove-lane": _remove_lane,
            "mask": _mask, "unmask": _unmask}.get(str(kind))
    if done is None:
        raise InputError(f"the edit {kind!r} is unknown: load the page again")
    return done(_turned_as(settings, layout), layout, edit)


def _turned_as(settings: Settings, layout: Layout) -> Settings:
    """Return `settings` with the turn that the program found, under which places are counted.

    It judges a turn only where nothing is placed: what is placed must not lie sideways by that.
    """
    if settings.turn != "auto" or settings.corners is not None:
        return settings
    right, down = layout.corners_px[1] - layout.corners_px[0]  # along the plate's lower edge
    turn = (0 if right > 0 else 180) if abs(right) >= abs(down) else 90 if down > 0 else 270
    return replace(settings, turn=turn) if turn else settings


def corners_moved(settings: Settings, edit: Edit) -> Settings:
    """Return `settings` with the plate's corners as placed."""
    points = edit.get("corners")
    if not isinstance(points, list) or len(points) != 4:
        raise InputError("a plate has four corners: place each of them")
    corners = tuple((_number(p, 0), _number(p, 1)) for p in points)
    turns = [(b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
             for a, b, c in zip(corners, corners[1:] + corners[:1], corners[2:] + corners[:2],
                                strict=True)]
    # Around a plate the way turns to one side, by more than a point's breadth.
    if max(turns) > -LEAST_TURN:
        raise InputError("the corners cross, or leave no plate between them: put each where the "
                         "plate's is")
    return _by_hand(replace(settings, corners=corners), "corners")


def carried_over(settings: Settings, old: Layout, new: Layout) -> Settings:
    """Return `settings` with lines, lanes and masks where they were in the picture.

    `old` and `new` are the plate before and after its corners moved. Lanes that the program had
    found are left to be found again.
    """
    places = settings.places

    def moved(x: float, y: float) -> tuple[float, float]:
        column, row = project(plate_to_pixels(old.width, old.height, old.corners_px), x, y)
        back = np.linalg.inv(plate_to_pixels(new.width, new.height, new.corners_px)).astype(float)
        u, v = project(back, column, row)
        return float(u), float(v)

    def line(heights: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
        if heights is None:
            return None
        points = [moved(share * old.width, y) for share, y in zip((0.0, 0.5, 1.0), heights,
                                                                 strict=True)]
        fit = np.polynomial.polynomial.polyfit([x for x, _ in points], [y for _, y in points], 2)
        at = np.polynomial.polynomial.polyval(np.array([0.0, 0.5, 1.0]) * new.width, fit)
        return float(at[0]), float(at[1]), float(at[2])

    lanes = places.lanes
    if lanes is not None:
        if any(word.startswith("lane ") for word in places.by_hand):
            low, high = float(old.origin.at(old.width / 2)), float(old.front.at(old.width / 2))
            grown = new.width / old.width
            lanes = tuple(LanePlace(moved(lane.x, low)[0], moved(lane.x_front, high)[0],
                                    lane.width * grown) for lane in lanes)
        else:
            lanes = None
    masks = tuple(tuple(moved(x, y) for x, y in mask) for mask in places.masks)
    return replace(settings, places=replace(
        places, origin=line(places.origin), front=line(places.front), lanes=lanes, masks=masks))


def pinned(settings: Settings, layout: Layout) -> Settings:
    """Return `settings` with every lane where it now is, so that one can be moved alone.

    Names and roles, so far given in rows, are tied to the lanes.
    """
    if settings.places.lanes is not None:
        return settings
    lanes = []
    for lane in layout.lanes:
        y0, y1 = layout.ends(lane)
        lanes.append(LanePlace(lane.x, lane.x + lane.lean * (y1 - y0), lane.width))
    notes = tuple(
        replace(settings.note(lane.name), role=lane.role) for lane in layout.lanes
        if lane.role is not None or settings.note(lane.name) != LaneNote(lane.name)
    )
    return replace(
        settings, lanes=None, lane_width=None, roles=None, lane=notes,
        names=tuple(lane.name for lane in layout.lanes) or None,
        places=replace(settings.places, lanes=tuple(lanes) or None),
    )


def _choose(settings: Settings, edit: Edit) -> Settings:
    key, value = edit.get("key"), edit.get("value")
    if key not in CHOICES:
        raise InputError(f"{key!r} is no choice of the page: load the page again")
    if value in ("", None):
        value = getattr(Settings(), str(key))
    chosen = from_mapping({str(key): value}, settings)
    if key in ("turn", "page", "which_plate") and chosen != settings:
        # On another picture, or turned, nothing lies where it lay.
        return replace(chosen, corners=None, places=Places())
    return chosen


def _line(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    which = str(edit.get("line"))
    if which not in ("origin", "front"):
        raise InputError(f"there is no line {which!r}: the lines are origin and front")
    heights = edit.get("heights")
    if not isinstance(heights, list) or len(heights) != 3:
        raise InputError(f"the {which} takes three heights: left, middle and right")
    new = (_number(heights, 0), _number(heights, 1), _number(heights, 2))
    if not all(0.0 < y < layout.height for y in new):
        raise InputError(f"the {which} leaves the plate: put it between the plate's edges")
    other = heights_of(layout.front if which == "origin" else layout.origin, layout)
    other_known = any(other)
    upper, lower = (other, new) if which == "origin" else (new, other)
    if other_known and any(u <= w for u, w in zip(upper, lower, strict=True)):
        raise InputError("the front must lie above the origin")
    to_new: dict[str, Any] = {which: new}
    to_none: dict[str, Any] = {which: None}
    places = replace(settings.places, **to_new)
    if places.lanes is not None:
        places = replace(places, lanes=_along(settings, layout, which, new))
    return _by_hand(replace(settings, places=places, **to_none), which)


def _along(
    settings: Settings, layout: Layout, which: str, heights: tuple[float, float, float]
) -> tuple[LanePlace, ...] | None:
    """Return the placed lanes on their own straight paths, cut where the moved line now lies."""
    known = placed_lanes(settings, layout) if any(heights_of(layout.front, layout)) else None
    line = placed_line(heights, layout, which)
    if known is None or line is None:
        return settings.places.lanes
    new = replace(layout, origin=line) if which == "origin" else replace(layout, front=line)
    out = []
    for lane in known:
        y0, _ = layout.ends(lane)
        bottom, top = lane.x, lane.x
        for _ in range(3):
            bottom = lane.x + lane.lean * (float(new.origin.at(bottom)) - y0)
            top = lane.x + lane.lean * (float(new.front.at(top)) - y0)
        out.append(LanePlace(bottom, top, lane.width))
    return tuple(out)


def _lane(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    settings = pinned(settings, layout)
    lanes = list(settings.places.lanes or ())
    at = _index(edit.get("lane"), len(lanes))
    moved = LanePlace(*(float(_finite(edit.get(key, getattr(lanes[at], key))))
                        for key in ("x", "x_front", "width")))
    lanes[at] = moved
    names = list(settings.names or ())
    name = names[at]
    order = sorted(range(len(lanes)), key=lambda i: lanes[i].x)
    return _by_hand(_with_lanes(settings, [lanes[i] for i in order], [names[i] for i in order]),
                    f"lane {name}")


def _add_lane(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    settings = pinned(settings, layout)
    lanes, names = list(settings.places.lanes or ()), list(settings.names or ())
    x = float(_finite(edit.get("x")))
    width = lanes[0].width if lanes else USUAL_MM / layout.mm_per_unit
    lean = (lanes[0].x_front - lanes[0].x) if lanes else 0.0
    number = 1
    while str(number) in names:
        number += 1
    lanes.append(LanePlace(x, min(max(x + lean, INSIDE), layout.width - INSIDE), width))
    names.append(str(number))
    order = sorted(range(len(lanes)), key=lambda i: lanes[i].x)
    return _by_hand(_with_lanes(settings, [lanes[i] for i in order], [names[i] for i in order]),
                    f"lane {number}")


def _remove_lane(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    settings = pinned(settings, layout)
    lanes, names = list(settings.places.lanes or ()), list(settings.names or ())
    at = _index(edit.get("lane"), len(lanes))
    if len(lanes) == 1:
        raise InputError("a plate needs one lane: add another before this one goes")
    gone = names[at]
    del lanes[at], names[at]
    kept = replace(
        settings, lane=tuple(note for note in settings.lane if note.name != gone),
        about=replace(settings.about, substances=tuple(
            one for one in settings.about.substances if one.lane != gone)))
    return _by_hand(_without_word(_with_lanes(kept, lanes, names), f"lane {gone}"), "lanes")


def _with_lanes(settings: Settings, lanes: list[LanePlace], names: list[str]) -> Settings:
    return replace(settings, names=tuple(names),
                   places=replace(settings.places, lanes=tuple(lanes)))


def _note(settings: Settings, layout: Layout | None, edit: Edit) -> Settings:
    """Name a lane, or say its role, time or amount."""
    if layout is None or not layout.lanes:
        raise InputError("there are no lanes yet: place origin, front and lanes first")
    at = _index(edit.get("lane"), len(layout.lanes))
    names = [lane.name for lane in layout.lanes]
    old = names[at]
    key, value = edit.get("key"), edit.get("value")
    if key == "name":
        names[at] = new = str(value).strip()
        about = settings.about
        return replace(
            settings, names=tuple(names),
            lane=tuple(replace(n, name=new) if n.name == old else n for n in settings.lane),
            about=replace(about, substances=tuple(
                replace(s, lane=new) if s.lane == old else s for s in about.substances)),
            places=replace(settings.places, by_hand=tuple(
                f"lane {new}" if word == f"lane {old}" else word
                for word in settings.places.by_hand)))
    if key not in ("role", "time", "amount"):
        raise InputError(f"a lane has name, role, time and amount, not {key!r}")
    kept = None if value in ("", None) else str(value).strip() if key == "role" else _finite(value)
    change: dict[str, Any] = {str(key): kept}
    note = replace(settings.note(old), **change)
    others = tuple(n for n in settings.lane if n.name != old)
    return replace(settings, names=tuple(names),
                   lane=others if note == LaneNote(old) else (*others, note))


def _mask(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    points = edit.get("points")
    if not isinstance(points, list):
        raise InputError("a mask needs its corners: drag over what is not a spot")
    mask = tuple((_number(p, 0), _number(p, 1)) for p in points)
    return replace(settings, places=replace(settings.places,
                                            masks=(*settings.places.masks, mask)))


def _unmask(settings: Settings, layout: Layout, edit: Edit) -> Settings:
    masks = list(settings.places.masks)
    del masks[_index(edit.get("mask"), len(masks))]
    return replace(settings, places=replace(settings.places, masks=tuple(masks)))


def _about(settings: Settings, edit: Edit) -> Settings:
    key, value = edit.get("key"), edit.get("value")
    if key not in TEXTS:
        raise InputError(f"about the plate there is {', '.join(TEXTS)}, not {key!r}")
    text = str(value).strip() if value else None
    return replace(settings, about=about_from({**settings.about.to_dict(), str(key): text}))


def _substance(settings: Settings, edit: Edit) -> Settings:
    lane, rf = str(edit.get("lane")), float(_finite(edit.get("rf")))
    name = str(edit.get("name") or "").strip()
    about = settings.about
    there = about.name_at(lane, rf)
    kept = tuple(one for one in about.substances
                 if not (one.lane == lane and one.name == there and about.name_at(lane, rf)))
    more = (Substance(lane, round(rf, 4), name),) if name else ()
    return replace(settings, about=About(**{key: getattr(about, key) for key in TEXTS},
                                         substances=(*kept, *more)))


def _release(settings: Settings, what: str) -> Settings:
    """Let the program look for something again."""
    places = settings.places
    if what in ("origin", "front"):
        none: dict[str, Any] = {what: None}
        return _without_word(replace(settings, places=replace(places, **none), **none), what)
    if what == "corners":
        return _without_word(replace(settings, corners=None), what)
    if what == "lanes":
        words = tuple(w for w in places.by_hand if not w.startswith("lane"))
        blank = Settings()
        return replace(settings, lanes=None, lane_width=None, names=None, roles=None, lane=(),
                       about=replace(settings.about, substances=blank.about.substances),
                       places=replace(places, lanes=None, by_hand=words))
    raise InputError(f"{what!r} can't be looked for again: origin, front, corners or lanes can")


def _by_hand(settings: Settings, word: str) -> Settings:
    words = settings.places.by_hand
    if word in words:
        return settings
    return replace(settings, places=replace(settings.places, by_hand=(*words, word)))


def _without_word(settings: Settings, word: str) -> Settings:
    words = tuple(w for w in settings.places.by_hand if w != word)
    return replace(settings, places=replace(settings.places, by_hand=words))


def _index(value: object, count: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < count:
        raise InputError("that one is no longer there: look at the plate again")
    return value


def _finite(value: object) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"{value!r} is not a number") from None
    if not math.isfinite(number):
        raise InputError(f"{value!r} is not a number that can be used")
    return number


def _number(values: object, at: int) -> float:
    if not isinstance(values, list) or at >= len(values):
        raise InputError("a point has two numbers, x and y")
    return _finite(values[at])

"""Where a person put things on the plate, and what is not to be taken for a spot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any

from lanes.errors import InputError

MOST_MASKS, MOST_POINTS = 50, 100
BEYOND = 1e5  # in mm or pixels: no plate reaches so far
CLOSEST = 1e-6


@dataclass(frozen=True)
class LanePlace:
    """One lane as placed: its x at the origin line and at the front, and the width integrated."""

    x: float
    x_front: float
    width: float


@dataclass(frozen=True)
class Places:
    """Places on the plate in its own units (mm; pixels where it has no scale).

    In TOML, the table `[places]`. What is None or empty is looked for.

    Attributes
    ----------
    origin, front : tuple of three float, or None
        Heights above the lower edge at the plate's left edge, middle and right edge: a parabola
        runs through them, as a front that smiles does.
    lanes : tuple of LanePlace or None
        Every lane, from left to right.
    masks : tuple of polygons
        Each three or more (x, y): what lies inside is not a spot.
    by_hand : tuple of str
        Which of these a person set ("origin", "front", "corners", "lane 3"): kept as a record,
        it changes no figure.
    """

    origin: tuple[float, float, float] | None = None
    front: tuple[float, float, float] | None = None
    lanes: tuple[LanePlace, ...] | None = None
    masks: tuple[tuple[tuple[float, float], ...], ...] = ()
    by_hand: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("origin", "front"):
            heights = getattr(self, name)
            if heights is not None:
                object.__setattr__(self, name, _numbers(f"places.{name}", heights, 3))
        _lanes(self.lanes)
        object.__setattr__(self, "masks", _masks(self.masks))
        words = self.by_hand
        if not isinstance(words, Sequence) or isinstance(words, str) or not all(
                isinstance(w, str) and w.isprintable() and len(w) <= 60 for w in words):
            raise InputError("settings key places.by_hand takes a list of words")
        object.__setattr__(self, "by_hand", tuple(words))

    def to_dict(self) -> dict[str, Any]:
        """Return what is set, as plain values."""
        out: dict[str, Any] = {}
        for name in ("origin", "front"):
            if (heights := getattr(self, name)) is not None:
                out[name] = list(heights)
        if self.lanes is not None:
            out["lanes"] = [{f.name: getattr(lane, f.name) for f in fields(lane)}
                            for lane in self.lanes]
        if self.masks:
            out["masks"] = [[list(point) for point in mask] for mask in self.masks]
        if self.by_hand:
            out["by_hand"] = list(self.by_hand)
        return out


def places_from(value: object) -> Places:
    """Return the places in a mapping, as TOML gives it.

    Raises
    ------
    InputError
        If a key is unknown or a value is of the wrong kind.
    """
    if isinstance(value, Places):
        return value
    known = [f.name for f in fields(Places)]
    if not isinstance(value, Mapping):
        raise InputError(f"settings key places takes a table of {', '.join(known)}")
    for key in value:
        if key not in known:
            raise InputError(f"settings key places.{key} is unknown: the keys are "
                             f"{', '.join(known)}")
    lanes = value.get("lanes")
    return Places(**{**value, "lanes": None if lanes is None else tuple(_lane_places(lanes))})


def _lane_places(lanes: object) -> list[LanePlace]:
    keys = [f.name for f in fields(LanePlace)]
    if not isinstance(lanes, Sequence) or isinstance(lanes, str):
        raise InputError("settings key places.lanes takes a list of tables")
    out = []
    for lane in lanes:
        if isinstance(lane, LanePlace):
            out.append(lane)
            continue
        if not isinstance(lane, Mapping) or sorted(lane) != sorted(keys):
            raise InputError(f"settings key places.lanes takes tables of {', '.join(keys)}, all "
                             "three in each")
        out.append(LanePlace(*_numbers("places.lanes", [lane[key] for key in keys], len(keys))))
    return out


def _numbers(key: str, values: object, count: int) -> tuple[float, ...]:
    good = isinstance(values, Sequence) and not isinstance(values, str) and len(values) == count
    if not good or not all(
            isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)
            and abs(v) <= BEYOND for v in values):  # type: ignore[attr-defined]
        raise InputError(f"settings key {key} takes {count} numbers, not {values!r}: give mm from "
                         "the plate's lower left corner")
    return tuple(float(v) for v in values)  # type: ignore[attr-defined]


def _lanes(lanes: tuple[LanePlace, ...] | None) -> None:
    if lanes is None:
        return
    if not 1 <= len(lanes) <= 60:
        raise InputError(f"settings key places.lanes takes 1 to 60 lanes, not {len(lanes)}")
    for lane in lanes:
        if lane.width <= 0:
            raise InputError(f"settings key places.lanes: a width of {lane.width:g} must be "
                             "greater than zero")
    if any(b.x - a.x < CLOSEST for a, b in pairwise(lanes)):
        raise InputError("settings key places.lanes: x must rise from left to right, each once")


def _masks(masks: object) -> tuple[tuple[tuple[float, float], ...], ...]:
    wanted = "settings key places.masks takes a list of polygons, each three or more [x, y] in mm"
    if not isinstance(masks, Sequence) or isinstance(masks, str) or len(masks) > MOST_MASKS:
        raise InputError(wanted)
    out = []
    for mask in masks:
        if (not isinstance(mask, Sequence) or isinstance(mask, str)
                or not 3 <= len(mask) <= MOST_POINTS):
            raise InputError(wanted)
        points = [_numbers("places.masks", point, 2) for point in mask]
        out.append(tuple((x, y) for x, y in points))
    return tuple(out)

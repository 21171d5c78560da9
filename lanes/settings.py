"""Every choice of a reading, in one frozen dataclass; `settings_file` reads it from TOML."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

from lanes.about import About
from lanes.errors import InputError
from lanes.lengths import Length, length
from lanes.places import Places
from lanes.setting_values import (
    BACKGROUNDS,
    BASELINE_ORDERS,
    CHANNELS,
    LAMPS,
    LAWS,
    LIGHTS,
    MOST_COMPONENTS,
    MOST_PAGES,
    MOST_PLATES,
    SPOTS,
    TURNS,
    as_float,
    check_lanes,
    check_names,
    check_one_of,
    check_positive,
    check_rising,
    check_transfer,
    check_whole,
    check_words,
    four_corners,
    is_number,
    option_name,
)
from lanes.toml_text import toml_table, toml_value

TABLES = ("lane", "places", "about")  # in TOML, tables of their own


@dataclass(frozen=True)
class LaneNote:
    """What is known of one lane beforehand; None where nothing is.

    Attributes
    ----------
    name : str
        The lane's name.
    role : str or None
        A free word; it stands before the one in `Settings.roles`.
    time : float or None
        When the sample was taken, for `lanes follow`.
    amount : float or None
        How much was applied, for `lanes amount`.
    """

    name: str
    role: str | None = None
    time: float | None = None
    amount: float | None = None


@dataclass(frozen=True)
class Settings:
    """What a person chose for a reading. None means: decide from the plate.

    A length is a number of mm, or text: "120px" counts pixels of the picture as it is seen, "12%"
    is of the plate's height (of its width for what lies across). Heights count upward from the
    plate's lower edge, x from its left edge.

    Attributes
    ----------
    transfer : str
        "auto", "srgb", "linear", or a power such as "2.2": the tone curve, from codes to light.
    turn : int or "auto"
        Quarter turns of the image before reading, in degrees counter-clockwise; "auto" turns a
        plate that surely lies sideways or upside down.
    page : int or None
        Which page of a file that has several, from 1.
    which_plate : int or None
        Which plate of a picture that shows several, from 1, by rows from the upper left.
    corners : tuple of four (x, y) or None
        The plate's corners in pixels of the picture as it is seen (after `turn`), from its upper
        left, in any order.
    whole_image : bool
        Take the picture's own edges as the plate's.
    channel : str
        Which colour channel, or mixture, is read.
    light, law : str
        What lit the plate, and the law from light to signal.
    origin, front : float, str or None
        Height of the origin line and the solvent front; for a trace, their distances.
    lanes : int, tuple of lengths or None
        How many lanes, or the x of each.
    names : tuple of str or None
        The lanes' names from left to right.
    roles : tuple of str or None
        A role for each lane (free words such as "reference").
    lane_width : float, str or None
        Width integrated.
    plate_width, plate_height : float or None
        The plate's size in mm.
    dpi : float or None
        Dots per inch, instead of the file's own.
    background : str
        "layer" (clean layer next to the lane) or a one-dimensional method by name.
    baseline_order : str
        The baseline fitted together with the spots.
    components : int or None
        Components per lane, where the count is known.
    lane : tuple of LaneNote
        What is known of single lanes: in TOML, tables such as `[lane.S1]` with `amount = 2`.
    places : Places
        Where a person put lines and lanes, and what is masked.
    about : About
        Sample, solvent, stain, date, notes and the substances' names.
    spots : str
        Whether spots are "dark" or "light" against the layer, under white light or 254 nm.
    """

    transfer: str = "auto"
    turn: int | str = "auto"
    page: int | None = None
    which_plate: int | None = None
    corners: tuple[tuple[float, float], ...] | None = None
    whole_image: bool = False
    channel: str = "auto"
    light: str = "auto"
    law: str = "auto"
    origin: Length | None = None
    front: Length | None = None
    lanes: int | tuple[Length, ...] | None = None
    names: tuple[str, ...] | None = None
    roles: tuple[str, ...] | None = None
    lane_width: Length | None = None
    plate_width: float | None = None
    plate_height: float | None = None
    dpi: float | None = None
    background: str = "layer"
    baseline_order: str = "auto"
    components: int | None = None
    spots: str = "auto"
    lane: tuple[LaneNote, ...] = ()
    places: Places = dataclasses.field(default_factory=Places)
    about: About = dataclasses.field(default_factory=About)

    def __post_init__(self) -> None:
        for name in ("lanes", "names", "roles"):
            value = getattr(self, name)
            if isinstance(value, Sequence) and not isinstance(value, str | tuple):
                object.__setattr__(self, name, tuple(value))
        self._keep_lengths()
        if isinstance(self.light, str):
            object.__setattr__(self, "light", LAMPS.get(self.light, self.light))
        check_one_of("light", self.light, LIGHTS)
        check_one_of("law", self.law, LAWS)
        check_one_of("channel", self.channel, CHANNELS)
        check_one_of("background", self.background, BACKGROUNDS)
        check_one_of("baseline_order", self.baseline_order, BASELINE_ORDERS)
        check_one_of("turn", self.turn, TURNS)
        check_one_of("spots", self.spots, SPOTS)
        check_transfer(self.transfer)
        for name in ("lane_width", "plate_width", "plate_height", "dpi"):
            check_positive(name, getattr(self, name))
        if self.dpi is not None and (self.plate_width or self.plate_height) is not None:
            size = "--plate-width" if self.plate_width is not None else "--plate-height"
            raise InputError(f"{size} and --dpi each say what a millimetre is: give one")
        check_rising("front", self.origin, self.front)
        if self.page is not None:
            check_whole("page", self.page, 1, MOST_PAGES)
        if self.which_plate is not None:
            check_whole("which_plate", self.which_plate, 1, MOST_PLATES)
        self._check_outline()
        check_lanes(self.lanes)
        check_words("names", self.names)
        check_words("roles", self.roles)
        check_names(self.names)
        if self.components is not None:
            check_whole("components", self.components, 1, MOST_COMPONENTS)
        _check_notes(self.lane)

    def _keep_lengths(self) -> None:
        """Bring every length to the one form it is kept in."""
        for name in ("origin", "front", "lane_width", "plate_width", "plate_height"):
            value = getattr(self, name)
            if value is not None:
                kept = length(option_name(name), value)
                if name.startswith("plate") and isinstance(kept, str):
                    raise InputError(f"{option_name(name)} {kept} gives no scale: give mm")
                object.__setattr__(self, name, kept)
        if isinstance(self.lanes, tuple) and None not in self.lanes:
            kept_lanes = tuple(length("--lanes", x) for x in self.lanes)
            object.__setattr__(self, "lanes", kept_lanes)

    def _check_outline(self) -> None:
        if not isinstance(self.whole_image, bool):
            raise InputError(f"--whole-image {self.whole_image!r}: give true or false, no quotes")
        if self.corners is not None:
            object.__setattr__(self, "corners", four_corners(self.corners))
        ways = {"--corners": self.corners is not None, "--whole-image": self.whole_image,
                "--plate": self.which_plate is not None}
        both = [name for name, is_set in ways.items() if is_set]
        if len(both) > 1:
            raise InputError(f"{both[0]} and {both[1]} each say where the plate is: give one")

    def note(self, name: str) -> LaneNote:
        """Return what is known of the lane called `name`."""
        return next((note for note in self.lane if note.name == name), LaneNote(name))

    def to_toml(self) -> str:
        """Return the settings as TOML; choices left to the program are absent."""
        lines = []
        for field in fields(self):
            value = getattr(self, field.name)
            if value is not None and field.name not in TABLES:
                lines.append(f"{field.name} = {toml_value(_listed(value))}")
        for note in self.lane:
            lines += ["", f"[lane.{json.dumps(note.name, ensure_ascii=False)}]"]
            lines += [f"{key} = {toml_value(value)}" for key, value in _known(note).items()]
        for name in ("places", "about"):
            lines += toml_table(name, getattr(self, name).to_dict())
        return "\n".join(lines) + "\n"

    def to_dict(self) -> dict[str, Any]:
        """Return the settings as plain values for JSON."""
        return {
            f.name: _listed(getattr(self, f.name)) for f in fields(self) if f.name not in TABLES
        } | {"lane": {note.name: _known(note) for note in self.lane},
             "places": self.places.to_dict(), "about": self.about.to_dict()}


def _known(note: LaneNote) -> dict[str, Any]:
    return {f.name: v for f in fields(note)
            if f.name != "name" and (v := getattr(note, f.name)) is not None}


def _check_notes(notes: tuple[LaneNote, ...]) -> None:
    for note in notes:
        if note.role is not None:
            check_words(f"lane.{note.name}.role", (note.role,))
        for key in ("time", "amount"):
            value = getattr(note, key)
            if value is not None and (not is_number(value) or not math.isfinite(as_float(value))
                                      or value < 0):
                raise InputError(f"settings key lane.{note.name}.{key} takes a number from zero "
                                 f"on, not {value!r}")


def _listed(value: Any) -> Any:
    return [_listed(inner) for inner in value] if isinstance(value, tuple) else value

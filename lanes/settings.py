"""Every choice of a reading, in one frozen dataclass that reads and writes TOML."""

from __future__ import annotations

import dataclasses
import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from lanes.about import About, about_from
from lanes.errors import InputError, one_line
from lanes.places import Places, places_from

LIGHTS = ("auto", "white", "254", "366")
LAWS = ("auto", "kubelka-munk", "optical-density", "emission")
CHANNELS = ("auto", "red", "green", "blue", "mean", "luminance", "red+green", "green+blue",
            "red+blue")
BACKGROUNDS = ("layer", "asymmetric", "snip", "polynomial", "none")
BASELINE_ORDERS = ("auto", "none", "constant", "linear", "quadratic", "exponential")
SPOTS = ("auto", "dark", "light")
TURNS = (0, 90, 180, 270)
MOST_LANES = 60


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
    """What a reading was told. None means: decide from the plate.

    Lengths are in mm (in pixels where a plate has no scale), y upward from the plate's lower edge.

    Attributes
    ----------
    transfer : str
        "auto", "srgb", "linear", or a power such as "2.2": how codes map to light.
    turn : int
        Quarter turns of the image before reading, in degrees counter-clockwise.
    channel : str
        Which colour channel, or mixture, is read.
    light, law : str
        What lit the plate, and the law from light to signal.
    origin, front : float or None
        Height of the origin line and the solvent front; for a trace, their distances.
    lanes : int, tuple of float or None
        How many lanes, or the x of each.
    names : tuple of str or None
        The lanes' names from left to right.
    roles : tuple of str or None
        A role for each lane (free words such as "reference").
    lane_width, plate_width, plate_height : float or None
        Widths and the plate's size.
    dpi : float or None
        Dots per inch, instead of the file's own.
    background : str
        "layer" (clean layer beside the lane) or a one-dimensional method by name.
    baseline_order : str
        The low-order term fitted together with the spots.
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
    turn: int = 0
    channel: str = "auto"
    light: str = "auto"
    law: str = "auto"
    origin: float | None = None
    front: float | None = None
    lanes: int | tuple[float, ...] | None = None
    names: tuple[str, ...] | None = None
    roles: tuple[str, ...] | None = None
    lane_width: float | None = None
    plate_width: float | None = None
    plate_height: float | None = None
    dpi: float | None = None
    background: str = "layer"
    baseline_order: str = "auto"
    components: int | None = None
    corners: tuple[tuple[float, float], ...] | None = None
    spots: str = "auto"
    lane: tuple[LaneNote, ...] = ()
    places: Places = dataclasses.field(default_factory=Places)
    about: About = dataclasses.field(default_factory=About)

    def __post_init__(self) -> None:
        for name in ("lanes", "names", "roles"):
            value = getattr(self, name)
            if isinstance(value, Sequence) and not isinstance(value, str | tuple):
                object.__setattr__(self, name, tuple(value))
        _one_of("light", self.light, LIGHTS)
        _one_of("law", self.law, LAWS)
        _one_of("channel", self.channel, CHANNELS)
        _one_of("background", self.background, BACKGROUNDS)
        _one_of("baseline_order", self.baseline_order, BASELINE_ORDERS)
        _one_of("turn", self.turn, TURNS)
        _one_of("spots", self.spots, SPOTS)
        _transfer(self.transfer)
        for name in ("lane_width", "plate_width", "plate_height", "dpi"):
            _positive(name, getattr(self, name))
        for name in ("origin", "front"):
            _finite(name, getattr(self, name))
        if self.origin is not None and self.front is not None and self.front <= self.origin:
            raise InputError(
                f"front {self.front:g} is not above origin {self.origin:g}: heights count from "
                "the plate's lower edge, so give --front greater than --origin"
            )
        _lanes(self.lanes)
        _words("names", self.names)
        _words("roles", self.roles)
        _names(self.names)
        if self.components is not None:
            _whole("components", self.components, 1, 12)
        _notes(self.lane)
        if self.corners is not None:
            kept = tuple((float(x), float(y)) for x, y in self.corners)
            object.__setattr__(self, "corners", kept)

    def note(self, name: str) -> LaneNote:
        """Return what is known of the lane called `name`."""
        return next((note for note in self.lane if note.name == name), LaneNote(name))

    def to_toml(self) -> str:
        """Return the settings as TOML; choices left to the program are absent."""
        lines = []
        for field in fields(self):
            value = getattr(self, field.name)
            if value is not None and field.name not in TABLES:
                if isinstance(value, tuple):
                    value = list(value)
                # JSON's strings, numbers and flat lists are TOML's too.
                lines.append(f"{field.name} = {json.dumps(value, ensure_ascii=False)}")
        for note in self.lane:
            lines += ["", f"[lane.{json.dumps(note.name, ensure_ascii=False)}]"]
            lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}"
                      for key, value in _said(note).items()]
        for name in ("places", "about"):
            lines += _table(name, getattr(self, name).to_dict())
        return "\n".join(lines) + "\n"

    def to_dict(self) -> dict[str, Any]:
        """Return the settings as plain values for JSON."""
        return {
            f.name: _listed(getattr(self, f.name)) for f in fields(self) if f.name not in TABLES
        } | {"lane": {note.name: _said(note) for note in self.lane},
             "places": self.places.to_dict(), "about": self.about.to_dict()}


def _listed(value: Any) -> Any:
    return [_listed(inner) for inner in value] if isinstance(value, tuple) else value


TABLES = ("lane", "places", "about")  # in TOML, tables of their own


def _table(name: str, values: Mapping[str, Any]) -> list[str]:
    """Return a TOML table; a list of tables in it is written as inline tables."""
    if not values:
        return []
    return ["", f"[{name}]", *(f"{key} = {_toml(value)}" for key, value in values.items())]


def _toml(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list) and any(isinstance(inner, Mapping) for inner in value):
        return "[\n" + "".join(f"    {_toml(inner)},\n" for inner in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def from_mapping(values: Mapping[str, Any], start: Settings | None = None) -> Settings:
    """Return `start` (or the defaults) with `values` laid over it.

    Raises
    ------
    InputError
        If a key is unknown or a value is of the wrong kind.
    """
    known = [f.name for f in fields(Settings)]
    for key in values:
        if key not in known:
            raise InputError(f"settings key {key!r} is unknown: the keys are {', '.join(known)}")
    numbers = ("origin", "front", "lane_width", "plate_width", "plate_height", "dpi")
    for key, value in values.items():
        if key in numbers and value is not None and not _is_number(value):
            unit = "dots per inch" if key == "dpi" else "mm"
            raise InputError(f"{key} takes a number, not {value!r}: give {unit}, without quotes")
    clean: dict[str, Any] = {
        k: _as_float(v) if k in numbers and v is not None else v for k, v in values.items()
    }
    if "lane" in clean:
        clean["lane"] = _notes_from(clean["lane"])
    if "places" in clean:
        clean["places"] = places_from(clean["places"])
    if "about" in clean:
        clean["about"] = about_from(clean["about"])
    return replace(start or Settings(), **clean)


def read_settings(path: str | Path) -> Settings:
    """Read settings from a TOML file.

    Raises
    ------
    InputError
        If the file is missing, not TOML, or holds an unknown key.
    """
    name = one_line(Path(path).name.encode("utf-8", "replace").decode())
    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"settings file {name} can't be read: {error.strerror}; give the settings.toml of an "
            "earlier reading"
        ) from None
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"settings file {name} is not TOML: {one_line(error)}; give the settings.toml of an "
            "earlier reading"
        ) from None
    return from_mapping(values)


def _said(note: LaneNote) -> dict[str, Any]:
    return {f.name: v for f in fields(note)
            if f.name != "name" and (v := getattr(note, f.name)) is not None}


def _notes_from(value: object) -> tuple[LaneNote, ...]:
    """Return the notes in a mapping of lane names to mappings, or in a tuple of notes."""
    if isinstance(value, tuple) and all(isinstance(note, LaneNote) for note in value):
        return value
    keys = [f.name for f in fields(LaneNote) if f.name != "name"]
    if not isinstance(value, Mapping) or not all(isinstance(v, Mapping) for v in value.values()):
        raise InputError(
            "settings key lane takes a table for each lane's name: write [lane.NAME] and below it "
            f"{', '.join(keys)}"
        )
    for name, said in value.items():
        for key in said:
            if key not in keys:
                raise InputError(
                    f"settings key lane.{name}.{key} is unknown: the keys are {', '.join(keys)}"
                )
    return tuple(LaneNote(name, **said) for name, said in value.items())


def _notes(notes: tuple[LaneNote, ...]) -> None:
    for note in notes:
        if note.role is not None:
            _words(f"lane.{note.name}.role", (note.role,))
        for key in ("time", "amount"):
            value = getattr(note, key)
            if value is not None and (not _is_number(value) or not math.isfinite(_as_float(value))
                                      or value < 0):
                raise InputError(f"settings key lane.{note.name}.{key} takes a number from zero "
                                 f"on, not {value!r}")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:  # a whole number of hundreds of digits
        return math.inf


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _one_of(name: str, value: object, allowed: Sequence[object]) -> None:
    if value not in allowed or isinstance(value, bool):
        listed = ", ".join(str(a) for a in allowed)
        raise InputError(f"{_option(name)} {value!s} is unknown: give one of {listed}")


def _finite(name: str, value: float | None) -> None:
    if value is None:
        return
    if not _is_number(value) or not math.isfinite(_as_float(value)):
        unit = "dots per inch" if name == "dpi" else "mm"
        raise InputError(f"{_option(name)} {value} is not a number that can be used: give {unit}")
    if abs(value) > 1e5:
        raise InputError(f"{_option(name)} {value:g} is beyond any plate: give mm")


def _positive(name: str, value: float | None) -> None:
    _finite(name, value)
    if value is not None and value <= 0:
        raise InputError(f"{_option(name)} {value:g} must be greater than zero")


def _whole(name: str, value: object, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise InputError(f"{_option(name)} {value!s} must be a whole number, {low} to {high}")


def _transfer(value: object) -> None:
    if value in ("auto", "srgb", "linear"):
        return
    try:
        power = float(str(value))
    except ValueError:
        power = math.nan
    if not 0.2 <= power <= 5.0:
        raise InputError(
            f"--transfer {value!s} is unknown: give auto, srgb, linear or a power from 0.2 to 5"
        )


def _lanes(value: int | tuple[float, ...] | None) -> None:
    if value is None:
        return
    if isinstance(value, tuple):
        if not value or len(value) > MOST_LANES or None in value:
            raise InputError(
                f"--lanes takes a count, or the x of 1 to {MOST_LANES} lanes in mm: got "
                f"{len(value)} of them"
            )
        for x in value:
            _finite("lanes", x)
        if any(b <= a for a, b in pairwise(value)):
            raise InputError("--lanes must rise from left to right, each x once")
        return
    _whole("lanes", value, 1, MOST_LANES)


def _words(option: str, words: object) -> None:
    if words is None:
        return
    if not isinstance(words, tuple) or not words:
        raise InputError(
            f"--{option} takes a list of words, not {words!r}: give one a lane, as in "
            f'{option} = ["a", "b"]'
        )
    for word in words:
        if not isinstance(word, str) or not word.isprintable() or len(word) > 40:
            raise InputError(
                f"--{option}: {word!r} can't be used: give up to 40 printable characters"
            )


def _names(names: tuple[str, ...] | None) -> None:
    if names is None:
        return
    for name in names:
        if not name.strip() or name in (".", "..") or any(c in '/\\:*?"<>|' for c in name):
            raise InputError(
                f"--names: {name!r} can't name a lane: use letters, digits and - _ + . only"
            )
    folded = [name.casefold() for name in names]
    for name in names:
        if folded.count(name.casefold()) > 1:
            raise InputError(f"--names: {name!r} stands twice: each lane needs its own name")


def lane_name(text: str) -> str:
    """Return `text` as a lane's name, for one that comes from a file's name."""
    kept = "".join(c if c.isalnum() or c in "-_+. " else "-" for c in text).strip(" .")
    return kept[:40] or "trace"

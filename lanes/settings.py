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
from lanes.lengths import LONGEST, UNITS, WAYS, Length, length, parts, text
from lanes.places import Places, places_from

LIGHTS = ("auto", "white", "254", "366")
LAWS = ("auto", "kubelka-munk", "optical-density", "emission")
CHANNELS = ("auto", "red", "green", "blue", "mean", "luminance", "red+green", "green+blue",
            "red+blue")
BACKGROUNDS = ("layer", "asymmetric", "snip", "polynomial", "none")
BASELINE_ORDERS = ("auto", "none", "constant", "linear", "quadratic", "exponential")
SPOTS = ("auto", "dark", "light")
TURNS = ("auto", 0, 90, 180, 270)
MOST_LANES = 60
MOST_PLATES = 20  # in one picture
LAMPS = {"365": "366", "254nm": "254", "254 nm": "254", "365nm": "366", "365 nm": "366",
         "366nm": "366", "366 nm": "366"}  # one lamp's line has two names, 365 and 366 nm
# Options whose name is not their key's.
OPTIONS = {"which_plate": "--plate"}


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

    A length is a number of mm, or text: "120px" counts pixels of the picture as it is seen, "12%"
    is of the plate's height (of its width for what lies across). Heights count upward from the
    plate's lower edge, x from its left edge.

    Attributes
    ----------
    transfer : str
        "auto", "srgb", "linear", or a power such as "2.2": how codes map to light.
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
        _rising("front", self.origin, self.front)
        if self.page is not None:
            _whole("page", self.page, 1, 9999)
        if self.which_plate is not None:
            _whole("which_plate", self.which_plate, 1, MOST_PLATES)
        self._outline_given()
        _lanes(self.lanes)
        _words("names", self.names)
        _words("roles", self.roles)
        _names(self.names)
        if self.components is not None:
            _whole("components", self.components, 1, 12)
        _notes(self.lane)

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

    def _outline_given(self) -> None:
        if not isinstance(self.whole_image, bool):
            raise InputError(f"--whole-image {self.whole_image!r}: give true or false, no quotes")
        if self.corners is not None:
            object.__setattr__(self, "corners", _corners(self.corners))
        ways = {"--corners": self.corners is not None, "--whole-image": self.whole_image,
                "--plate": self.which_plate is not None}
        both = [name for name, is_given in ways.items() if is_given]
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
                # JSON's strings, numbers and lists are TOML's too.
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


NUMBERS = ("origin", "front", "lane_width", "plate_width", "plate_height", "dpi")


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
    for key, value in values.items():
        if key not in NUMBERS or value is None or _is_number(value):
            continue
        # Text that gives a unit is a length; a number in quotes is a slip.
        if key == "dpi" or not isinstance(value, str) or not value.endswith(UNITS):
            unit = "dots per inch" if key == "dpi" else f"mm without quotes, or text: {WAYS}"
            raise InputError(f"{key} takes a number, not {value!r}: give {unit}")
    clean: dict[str, Any] = {
        k: _as_float(v) if k in NUMBERS and _is_number(v) else v for k, v in values.items()
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


def option_name(name: str) -> str:
    """Return the option of the command that gives the setting `name`."""
    return OPTIONS.get(name, "--" + name.replace("_", "-"))


def _listed(value: Any) -> Any:
    return [_listed(inner) for inner in value] if isinstance(value, tuple) else value


def _one_of(name: str, value: object, allowed: Sequence[object]) -> None:
    if value not in allowed or isinstance(value, bool):
        listed = ", ".join(str(a) for a in allowed)
        raise InputError(f"{option_name(name)} {value!s} is unknown: give one of {listed}")


def _positive(name: str, value: Length | None) -> None:
    if value is None:
        return
    if name == "dpi" and (not _is_number(value) or not math.isfinite(_as_float(value))  # type: ignore[arg-type]
                          or abs(value) > LONGEST):  # type: ignore[arg-type]
        raise InputError(f"--dpi {value} is not a number that can be used: give dots per inch")
    if parts(value)[0] <= 0:
        raise InputError(f"{option_name(name)} {text(value)} must be greater than zero")


def _rising(upper: str, low: Length | None, high: Length | None) -> None:
    """Refuse a front below the origin, where both are given in one unit."""
    if low is None or high is None or parts(low)[1] != parts(high)[1]:
        return
    if parts(high)[0] <= parts(low)[0]:
        raise InputError(
            f"{upper} {text(high)} is not above origin {text(low)}: heights count from the "
            "plate's lower edge, so give --front greater than --origin"
        )


def _corners(given: object) -> tuple[tuple[float, float], ...]:
    """Return four corners as pairs of floats, whatever kind of sequence they came in."""
    wanted = "--corners takes the x,y of four corners in pixels of the picture"
    if not isinstance(given, Sequence) or isinstance(given, str) or len(given) != 4:
        raise InputError(f"{wanted}: give four pairs, as in --corners 40,30 900,35 905,980 38,970")
    out = []
    for pair in given:
        whole = isinstance(pair, Sequence) and not isinstance(pair, str) and len(pair) == 2
        if not whole or not all(_is_number(v) and abs(_as_float(v)) <= LONGEST for v in pair):
            raise InputError(f"{wanted}: {pair!r} is no such pair; give two numbers, x,y")
        out.append((_as_float(pair[0]), _as_float(pair[1])))
    return tuple(out)


def _whole(name: str, value: object, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise InputError(f"{option_name(name)} {value!s} must be a whole number, {low} to {high}")


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


def _lanes(value: int | tuple[Length, ...] | None) -> None:
    if value is None:
        return
    if isinstance(value, tuple):
        if not value or len(value) > MOST_LANES or None in value:
            raise InputError(
                f"--lanes takes a count, or the x of 1 to {MOST_LANES} lanes: got {len(value)} "
                f"of them; give each as {WAYS}"
            )
        given = [parts(x) for x in value]
        if any(b[1] == a[1] and b[0] <= a[0] for a, b in pairwise(given)):
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

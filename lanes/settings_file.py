"""Settings from a TOML file, or from a mapping of keys to values."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from lanes.about import about_from
from lanes.errors import InputError, one_line
from lanes.lengths import UNITS, WAYS
from lanes.places import places_from
from lanes.setting_values import as_float, is_number
from lanes.settings import LaneNote, Settings

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
        if key not in NUMBERS or value is None or is_number(value):
            continue
        # Text that gives a unit is a length; a number in quotes is a slip.
        if key == "dpi" or not isinstance(value, str) or not value.endswith(UNITS):
            unit = "dots per inch" if key == "dpi" else f"mm without quotes, or text: {WAYS}"
            raise InputError(f"{key} takes a number, not {value!r}: give {unit}")
    clean: dict[str, Any] = {
        k: as_float(v) if k in NUMBERS and is_number(v) else v for k, v in values.items()
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
    if str(path) == "":
        raise InputError("the settings file has no name: give the settings.toml of an earlier "
                         "reading")
    # "." and ".." have no name of their own.
    name = one_line((Path(path).name or str(path)).encode("utf-8", "replace").decode())
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
    for name, note in value.items():
        for key in note:
            if key not in keys:
                raise InputError(
                    f"settings key lane.{name}.{key} is unknown: the keys are {', '.join(keys)}"
                )
    return tuple(LaneNote(name, **note) for name, note in value.items())

"""What a person knows of the plate and the program can't read off it: sample, solvent, names."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from lanes.errors import InputError

LONGEST = 2000  # characters of one entry
LOWEST_RF, HIGHEST_RF = -0.5, 1.5  # what a spot can have, lines drawn wrong included
TEXTS = ("sample", "solvent", "stain", "date", "notes")
NEAR = 0.03  # in Rf: a spot this near carries the substance's name (IUPAC 1993: Rf repeats to 0.02)


@dataclass(frozen=True)
class Substance:
    """A substance's name for the spot of lane `lane` nearest to `rf`."""

    lane: str
    rf: float
    name: str


@dataclass(frozen=True)
class About:
    """What is written beside a reading; it changes no figure. In TOML, the table `[about]`.

    Attributes
    ----------
    sample, solvent, stain, date, notes : str or None
    substances : tuple of Substance
        In TOML, tables `[[about.substances]]` with lane, rf and name.
    """

    sample: str | None = None
    solvent: str | None = None
    stain: str | None = None
    date: str | None = None
    notes: str | None = None
    substances: tuple[Substance, ...] = ()

    def __post_init__(self) -> None:
        for key in TEXTS:
            value = getattr(self, key)
            if value is not None:
                _text(f"about.{key}", value, LONGEST)
        for one in self.substances:
            _text("about.substances.lane", one.lane, 40)
            _text("about.substances.name", one.name, 80)
            number = isinstance(one.rf, int | float) and not isinstance(one.rf, bool)
            if not number or not math.isfinite(one.rf) or not LOWEST_RF <= one.rf <= HIGHEST_RF:
                raise InputError(f"settings key about.substances.rf takes an Rf, not {one.rf!r}")

    def name_at(self, lane: str, rf: float) -> str | None:
        """Return the name given to the spot at `rf` in `lane`; None where there is none."""
        near = [one for one in self.substances if one.lane == lane and abs(one.rf - rf) <= NEAR]
        return min(near, key=lambda one: abs(one.rf - rf)).name if near else None

    def to_dict(self) -> dict[str, Any]:
        """Return what is set, as plain values."""
        out: dict[str, Any] = {key: v for key in TEXTS if (v := getattr(self, key)) is not None}
        if self.substances:
            out["substances"] = [{f.name: getattr(one, f.name) for f in fields(one)}
                                 for one in self.substances]
        return out


def about_from(value: object) -> About:
    """Return what is in a mapping, as TOML gives it.

    Raises
    ------
    InputError
        If a key is unknown or a value is of the wrong kind.
    """
    if isinstance(value, About):
        return value
    known = (*TEXTS, "substances")
    if not isinstance(value, Mapping):
        raise InputError(f"settings key about takes a table of {', '.join(known)}")
    for key in value:
        if key not in known:
            raise InputError(f"settings key about.{key} is unknown: the keys are "
                             f"{', '.join(known)}")
    texts = {key: None if value.get(key) is None else str(value[key]) for key in TEXTS}
    return About(**texts, substances=tuple(_substances(value.get("substances", ()))))


def about_words(entries: Sequence[str], substances: Sequence[str], start: About) -> About:
    """Return `start` with KEY=TEXT and LANE@RF=NAME of the command line laid over it."""
    values = start.to_dict()
    for each in entries:
        key, mark, text = (part.strip() for part in each.partition("="))
        if not mark or key not in TEXTS:
            raise InputError(f"--about {each!r}: give KEY=TEXT, where KEY is one of "
                             f"{', '.join(TEXTS)}")
        values[key] = text
    named = list(values.get("substances", []))
    for each in substances:
        place, mark, name = (part.strip() for part in each.partition("="))
        lane, at, rf = (part.strip() for part in place.rpartition("@"))
        try:
            number = float(rf)
        except ValueError:
            number = math.nan
        if not mark or not at or not lane or not name or math.isnan(number):
            raise InputError(f"--substance {each!r}: give LANE@RF=NAME, as in rxn@0.41=product")
        named.append({"lane": lane, "rf": number, "name": name})
    return about_from({**values, "substances": named})


def _substances(value: object) -> list[Substance]:
    keys = [f.name for f in fields(Substance)]
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise InputError(f"settings key about.substances takes tables of {', '.join(keys)}")
    out = []
    for one in value:
        if isinstance(one, Substance):
            out.append(one)
        elif isinstance(one, Mapping) and sorted(one) == sorted(keys):
            out.append(Substance(**one))
        else:
            raise InputError(f"settings key about.substances takes tables of {', '.join(keys)}, "
                             "all three in each")
    return out


def _text(key: str, value: object, longest: int) -> None:
    whole = isinstance(value, str) and len(value) <= longest
    if not whole or not all(c.isprintable() or c in "\n\t" for c in str(value)):
        raise InputError(f"settings key {key} takes text of up to {longest} printable characters")

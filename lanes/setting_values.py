"""The values a setting may take, and the checks that refuse others in one line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from lanes.errors import InputError
from lanes.lengths import LONGEST, WAYS, Length, number_and_unit, text

LIGHTS = ("auto", "white", "254", "366")
LAWS = ("auto", "kubelka-munk", "optical-density", "emission")
CHANNELS = ("auto", "red", "green", "blue", "mean", "luminance", "red+green", "green+blue",
            "red+blue")
BACKGROUNDS = ("layer", "asymmetric", "snip", "polynomial", "none")
BASELINE_ORDERS = ("auto", "none", "constant", "linear", "quadratic", "exponential")
SPOTS = ("auto", "dark", "light")
TURNS = ("auto", 0, 90, 180, 270)
MOST_LANES = 60    # more can't be resolved on a plate 200 mm wide
MOST_PLATES = 20   # in one picture
MOST_PAGES = 9999  # in one file
MOST_COMPONENTS = 12  # in one lane: more do not fit between origin and front
MOST_CHARACTERS = 40  # of a name or role: what a figure's heading holds
POWERS = (0.2, 5.0)  # of a tone curve: beyond it every photograph is black or white
LAMPS = {"365": "366", "254nm": "254", "254 nm": "254", "365nm": "366", "365 nm": "366",
         "366nm": "366", "366 nm": "366"}  # one lamp's line has two names, 365 and 366 nm
# Options whose name is not their key's.
OPTIONS = {"which_plate": "--plate"}


def option_name(name: str) -> str:
    """Return the option of the command that gives the setting `name`."""
    return OPTIONS.get(name, "--" + name.replace("_", "-"))


def is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:  # a whole number of hundreds of digits
        return math.inf


def check_one_of(name: str, value: object, allowed: Sequence[object]) -> None:
    if value not in allowed or isinstance(value, bool):
        listed = ", ".join(str(a) for a in allowed)
        raise InputError(f"{option_name(name)} {value!s} is unknown: give one of {listed}")


def check_positive(name: str, value: Length | None) -> None:
    if value is None:
        return
    if name == "dpi" and (not is_number(value) or not math.isfinite(as_float(value))  # type: ignore[arg-type]
                          or abs(value) > LONGEST):  # type: ignore[arg-type]
        raise InputError(f"--dpi {value} is not a number that can be used: give dots per inch")
    if number_and_unit(value)[0] <= 0:
        raise InputError(f"{option_name(name)} {text(value)} must be greater than zero")


def check_rising(upper: str, low: Length | None, high: Length | None) -> None:
    """Refuse a front below the origin, where both are given in one unit."""
    if low is None or high is None or number_and_unit(low)[1] != number_and_unit(high)[1]:
        return
    if number_and_unit(high)[0] <= number_and_unit(low)[0]:
        raise InputError(
            f"{upper} {text(high)} is not above origin {text(low)}: heights count from the "
            "plate's lower edge, so give --front greater than --origin"
        )


def four_corners(corners: object) -> tuple[tuple[float, float], ...]:
    """Return four corners as pairs of floats, whatever kind of sequence they came in."""
    wanted = "--corners takes the x,y of four corners in pixels of the picture"
    if not isinstance(corners, Sequence) or isinstance(corners, str) or len(corners) != 4:
        raise InputError(f"{wanted}: give four pairs, as in --corners 40,30 900,35 905,980 38,970")
    out = []
    for pair in corners:
        whole = isinstance(pair, Sequence) and not isinstance(pair, str) and len(pair) == 2
        if not whole or not all(is_number(v) and abs(as_float(v)) <= LONGEST for v in pair):
            raise InputError(f"{wanted}: {pair!r} is no such pair; give two numbers, x,y")
        out.append((as_float(pair[0]), as_float(pair[1])))
    return tuple(out)


def check_whole(name: str, value: object, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise InputError(f"{option_name(name)} {value!s} must be a whole number, {low} to {high}")


def check_transfer(value: object) -> None:
    if value in ("auto", "srgb", "linear"):
        return
    try:
        power = float(str(value))
    except ValueError:
        power = math.nan
    if not POWERS[0] <= power <= POWERS[1]:
        raise InputError(
            f"--transfer {value!s} is unknown: give auto, srgb, linear or a power from 0.2 to 5"
        )


def check_lanes(value: int | tuple[Length, ...] | None) -> None:
    if value is None:
        return
    if isinstance(value, tuple):
        if not value or len(value) > MOST_LANES or None in value:
            raise InputError(
                f"--lanes takes a count, or the x of 1 to {MOST_LANES} lanes: got {len(value)} "
                f"of them; give each as {WAYS}"
            )
        places = [number_and_unit(x) for x in value]
        if any(b[1] == a[1] and b[0] <= a[0] for a, b in pairwise(places)):
            raise InputError("--lanes must rise from left to right, each x once")
        return
    check_whole("lanes", value, 1, MOST_LANES)


def check_words(option: str, words: object) -> None:
    if words is None:
        return
    if not isinstance(words, tuple) or not words:
        raise InputError(
            f"--{option} takes a list of words, not {words!r}: give one a lane, as in "
            f'{option} = ["a", "b"]'
        )
    for word in words:
        if not isinstance(word, str) or not word.isprintable() or len(word) > MOST_CHARACTERS:
            raise InputError(f"--{option}: {word!r} can't be used: give up to {MOST_CHARACTERS} "
                             "printable characters")


def check_names(names: tuple[str, ...] | None) -> None:
    if names is None:
        return
    for name in names:
        if not name.strip() or name in (".", "..") or any(c in '/\\:*?"<>|' for c in name):
            raise InputError(
                f"--names: {name!r} can't name a lane: leave out " r'/ \ : * ? " < > | '
                "and give each more than blanks or dots"
            )
    folded = [name.casefold() for name in names]
    for name in names:
        if folded.count(name.casefold()) > 1:
            raise InputError(f"--names: {name!r} stands twice, capitals or not: each lane needs "
                             "its own name")


def lane_name(text: str) -> str:
    """Return `text` as a lane's name, for one that comes from a file's name."""
    kept = "".join(c if c.isalnum() or c in "-_+. " else "-" for c in text).strip(" .")
    return kept[:MOST_CHARACTERS] or "trace"

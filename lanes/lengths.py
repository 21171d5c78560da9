"""Lengths as a person gives them: millimetres, pixels of the picture, or percent of the plate."""

from __future__ import annotations

import math
import re

from lanes.errors import InputError

# A bare number is millimetres; text carries "px" (pixels of the picture as it is seen) or "%" (of
# the plate's height, or of its width for what counts from its left edge).
Length = float | str

UNITS = ("mm", "px", "%")
WAYS = "10mm, 120px (pixels of the picture) or 12% (of the plate)"
LONGEST = 1e5  # in any unit: beyond every plate and picture
_TEXT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?) ?(mm|px|%)")


def length(option: str, stated: object) -> Length:
    """Return `stated` in the one form it is kept in: a float for millimetres, else "120px", "12%".

    Parameters
    ----------
    option : str
        The option's name with its dashes, for the message.
    stated : object
        A number, or text with a unit.

    Raises
    ------
    InputError
        If it is neither, not finite, or beyond any plate.

    Examples
    --------
    >>> length("--origin", "10 mm"), length("--origin", 10), length("--origin", "12.0%")
    (10.0, 10.0, '12%')
    """
    if isinstance(stated, str):
        found = _TEXT.fullmatch(stated.strip())
        if found is None:
            raise InputError(f"{option} {stated!r} is no length: give {WAYS}")
        value, unit = float(found.group(1)), found.group(2)
    elif isinstance(stated, int | float) and not isinstance(stated, bool):
        try:
            value, unit = float(stated), "mm"
        except OverflowError:  # a whole number of hundreds of digits
            value, unit = math.inf, "mm"
    else:
        raise InputError(f"{option} {stated!r} is no length: give {WAYS}")
    if not math.isfinite(value):
        raise InputError(f"{option} {stated} is not a number that can be used: give {WAYS}")
    if abs(value) > LONGEST:
        raise InputError(f"{option} {value:g} is beyond any plate: give {WAYS}")
    return value if unit == "mm" else f"{value + 0.0!r}".removesuffix(".0") + unit


def number_and_unit(kept: Length) -> tuple[float, str]:
    """Return the number and the unit ("mm", "px" or "%") of a length as `length` keeps it."""
    if not isinstance(kept, str):
        return float(kept), "mm"
    unit = "%" if kept.endswith("%") else "px"
    return float(kept.removesuffix(unit)), unit


def text(kept: Length) -> str:
    """Return a length as it is printed: a bare number for millimetres."""
    return kept if isinstance(kept, str) else f"{kept:g}"


def from_words(option: str, words: str) -> Length:
    """Return the length in an option's words; a number without a unit is millimetres.

    Raises
    ------
    InputError
        If it is no length.
    """
    try:
        return length(option, float(words))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        return length(option, words)

"""Bounds on numbers that are given: beyond them a slip of the pen is likelier than a plate."""

from __future__ import annotations

from collections.abc import Mapping

from lanes.errors import InputError, one_line

LEAST, MOST = 1e-9, 1e9
SPREAD = 1e6  # the largest over the smallest above zero: no plate shows more side by side


def check_sizes(option: str, values: Mapping[str, float], *, spread: bool = True) -> None:
    """Refuse numbers that can't be meant.

    Parameters
    ----------
    option : str
        To be named.
    values : mapping
        Numbers from zero on by what they belong to; zeros are passed over.
    spread : bool
        Whether they are compared with one another too.

    Raises
    ------
    InputError
        If one lies outside 1e-9 to 1e9, or the largest is more than 1e6 times the smallest.
    """
    some = {name: value for name, value in values.items() if value > 0}
    for name, value in some.items():
        if not LEAST <= value <= MOST:
            raise InputError(f"{option}: {value:g} for {one_line(name)} is beyond what can be "
                             "meant: give numbers from 1e-9 to 1e9")
    if spread and some and max(some.values()) > SPREAD * min(some.values()):
        low, high = min(some, key=some.__getitem__), max(some, key=some.__getitem__)
        raise InputError(f"{option}: {some[high]:g} for {one_line(high)} is more than {SPREAD:g} "
                         f"times the {some[low]:g} for {one_line(low)}: look for a slip in one "
                         "of them")

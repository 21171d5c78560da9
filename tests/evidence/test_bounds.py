"""Bounds on what is given: at the bounds taken, beyond them one line."""

from __future__ import annotations

import pytest

from lanes.errors import InputError
from lanes.evidence.bounds import check_sizes


def test_what_can_be_meant_is_taken():
    check_sizes("--x", {})
    check_sizes("--x", {"a": 0.0, "b": 1e-9, "c": 1e-3})
    check_sizes("--x", {"a": 1e9, "b": 1e3})
    check_sizes("--x", {"a": 1e9, "b": 1e-9}, spread=False)


@pytest.mark.parametrize(("values", "words"), [
    ({"a": 9e-10}, "--x: 9e-10 for a is beyond"),
    ({"a": 1.1e9}, "for a is beyond"),
    ({"a": 0.0, "b": 1.0, "c": 1.1e6}, "1.1e.06 for c is more than 1e.06 times the 1 for b"),
])
def test_beyond_it_one_line_names_the_number(values, words):
    with pytest.raises(InputError, match=words) as caught:
        check_sizes("--x", values)
    assert "\n" not in str(caught.value)

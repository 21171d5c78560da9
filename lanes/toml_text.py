"""Plain values as TOML."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def toml_table(name: str, values: Mapping[str, Any]) -> list[str]:
    """Return a TOML table; a list of tables in it is written as inline tables."""
    if not values:
        return []
    return ["", f"[{name}]", *(f"{key} = {toml_value(value)}" for key, value in values.items())]


def toml_value(value: Any) -> str:
    """Return one value as TOML: JSON's strings, numbers and lists are TOML's too."""
    if isinstance(value, Mapping):
        inside = ", ".join(f"{key} = {toml_value(inner)}" for key, inner in value.items())
        return "{ " + inside + " }"
    if isinstance(value, list) and any(isinstance(inner, Mapping) for inner in value):
        return "[\n" + "".join(f"    {toml_value(inner)},\n" for inner in value) + "]"
    return json.dumps(value, ensure_ascii=False)

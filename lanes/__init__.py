"""Reads a scan of a thin-layer plate: Rf, area percent and resolution, with their uncertainty.

The public names are loaded on first use, so that `lanes --help` need not wait for them.
"""

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lanes.errors import InputError, LanesError, LayoutError, OutputError
    from lanes.flags import Flag
    from lanes.measuring import measure
    from lanes.reading import LaneReading, Reading
    from lanes.report.display import show
    from lanes.settings import Settings
    from lanes.settings_file import read_settings
    from lanes.spots.quantities import Pair, Spot

__all__ = [
    "Flag",
    "InputError",
    "LaneReading",
    "LanesError",
    "LayoutError",
    "OutputError",
    "Pair",
    "Reading",
    "Settings",
    "Spot",
    "measure",
    "read_settings",
    "show",
]

__version__ = "0.1.0"

_HOMES = {
    "Flag": "lanes.flags",
    "InputError": "lanes.errors",
    "LaneReading": "lanes.reading",
    "LanesError": "lanes.errors",
    "LayoutError": "lanes.errors",
    "OutputError": "lanes.errors",
    "Pair": "lanes.spots.quantities",
    "Reading": "lanes.reading",
    "Settings": "lanes.settings",
    "Spot": "lanes.spots.quantities",
    "measure": "lanes.measuring",
    "read_settings": "lanes.settings_file",
    "show": "lanes.report.display",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'lanes' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


if "IPython" in sys.modules:  # a notebook shows a reading as the plate and its table
    import_module("lanes.report.display").register()

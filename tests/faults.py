"""What the plate checks may raise of a plate, and what they raised."""

from __future__ import annotations

import lanes

# What this answer can raise, but for the law: that is no fault of the plate's.
NAMES = {
    "front-near-edge", "origin-low", "origin-high", "lines-sloping", "front-curved", "run-short",
    "lane-crowded", "wide", "asymmetric", "streak", "overloaded", "solvent-weak", "solvent-strong",
    "rf-outside", "clipped", "coarse", "compressed", "few-levels", "lamp-uneven", "upside-down",
    "scale-implausible",
}


def raised(reading: lanes.Reading) -> dict[str, list[str]]:
    """Return the faults reported of a plate, by name, with their words."""
    flags = [*reading.flags, *(f for lane in reading.lanes for f in lane.flags),
             *(f for lane in reading.lanes for s in lane.spots for f in s.flags)]
    out: dict[str, list[str]] = {}
    for f in flags:
        if f.name in NAMES:
            out.setdefault(f.name, []).append(f.message)
    return out

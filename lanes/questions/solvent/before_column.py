"""What a plate's Rf mean for a column: its volumes, and the mixture for a wanted Rf."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.questions.solvent.mixture import beyond
from lanes.questions.solvent.retention import Law, column_volumes, fraction_for, rf_of

Floats = NDArray[np.float64]

TARGET_RF = 0.3  # of the wanted substance before a flash column, 0.25 to 0.35 (common practice)


@dataclass(frozen=True)
class Target:
    """The mixture that brings one component to the target Rf, None where none does."""

    component: str
    fraction: float | None
    low: float | None
    high: float | None
    extrapolated: bool | None
    to_next: float | None


@dataclass(frozen=True)
class Volumes:
    """Column volumes 1 / Rf of one component, and those between it and the one before it."""

    component: str
    rf: float
    volumes: float
    to_next: float | None


def target(law: Law, j: int, name: str, rf: float, tried: Floats) -> Target:
    """Return the mixture that brings component `j` to `rf`, and how far the nearest other is."""
    found = fraction_for(law, j, rf)
    if found is None:
        return Target(name, None, None, None, None, None)
    fraction, low, high = found
    there = rf_of(law.slope * np.log10(fraction) + law.intercept)
    others = np.delete(there, j)
    apart = None if not others.size else float(np.abs(1.0 / others - 1.0 / rf).min())
    return Target(name, fraction, low, high, beyond(fraction, tried), apart)


def volumes_of(names: Sequence[str], rf: Sequence[float]) -> tuple[Volumes, ...]:
    """Return column volumes of each, first to leave the column first."""
    order = sorted(range(len(rf)), key=lambda j: -rf[j])
    out = []
    for k, j in enumerate(order):
        after = order[k + 1] if k + 1 < len(order) else None
        apart = None if after is None else column_volumes(rf[after]) - column_volumes(rf[j])
        out.append(Volumes(names[j], rf[j], column_volumes(rf[j]), apart))
    return tuple(out)

"""Each way to explain a spot, fitted by lmfit from where the quick fit ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray

from lanes.evidence.whitened_fits import Limits, fit_tail, fit_uneven_pair
from lanes.evidence.whitened_models import pair_of, tail, uneven
from lanes.evidence.whitened_space import LN_SIGMA_AT, Model, Space
from lanes.spots.criteria import scores

Floats = NDArray[np.float64]

WAYS = {1: "origin", -1: "front"}  # where a tail points to


@dataclass(frozen=True)
class Explanation:
    """A model fitted to the spot: its values, (p,), and the squares that it leaves."""

    model: Model
    values: Floats
    rss: float

    def scores(self, samples: int) -> tuple[float, float]:
        """Return AICc and BIC. Whitened samples are as many as they seem: each counts as one."""
        return scores(samples, self.rss, self.values.size)


def explain(
    model: Model, space: Space, z: Floats, rest: float, start: Floats,
    limits: tuple[Floats, Floats], narrowest: float,
) -> Explanation:
    """Fit `model` to the trace `z`, (1, r), from the values `start`, (p,), within `limits`.

    `rest` is what lies outside `space`, the same for all models; no spot that is listed has a
    sigma below `narrowest`.
    """
    low, high = limits
    at_sigma = LN_SIGMA_AT[start.size]
    low[at_sigma] = max(low[at_sigma], np.log(narrowest))
    free = lmfit.Parameters()
    for k, value in enumerate(np.clip(start, low, high)):
        free.add(f"v{k}", value=float(value), min=float(low[k]), max=float(high[k]))

    def at(params: Any) -> Floats:
        return np.array([[params[f"v{k}"].value for k in range(start.size)]])

    def residual(params: Any) -> Floats:
        return np.asarray(space.reduced(model, at(params))[0][0] - z[0])

    def jacobian(params: Any) -> Floats:
        return np.asarray(space.reduced(model, at(params))[1][0])

    found = lmfit.minimize(residual, free, Dfun=jacobian, col_deriv=True)
    return Explanation(model, at(found.params)[0], float(np.sum(found.residual**2)) + rest)


def tails(
    space: Space, z: Floats, rest: float, single: Floats, limits: Limits, narrowest: float
) -> dict[str, Explanation]:
    """Return the spot as one that tails, either way, from its Gaussian `single`, (3,)."""
    return {
        f"a tail toward the {towards}": explain(
            tail(side), space, z, rest, fit_tail(space, z, single[None], limits, side)[0][0],
            limits.tail(), narrowest)
        for side, towards in WAYS.items()}


def two_uneven(
    space: Space, z: Floats, rest: float, fits: tuple[Floats, Floats], limits: Limits,
    narrowest: float,
) -> Explanation:
    """Return the spot as two skewed or flat ones alike, from its `fits` as one and as two."""
    single, two = fits
    start = fit_uneven_pair(space, z, single[None], two[None], limits)[0][0]
    return explain(pair_of(uneven), space, z, rest, start, limits.uneven_pair(), narrowest)

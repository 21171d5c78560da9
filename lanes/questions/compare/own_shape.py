"""What a spot's own lane shows of its shape beyond the fitted one, and how sure that is elsewhere.

A co-spot of one substance looks as that one's spots do, and real ones are flat, ringed or skewed:
held against the fitted shape alone, a single flat spot looks like two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.reading import LaneReading
from lanes.spots.model import Component
from lanes.spots.shape_doubt import spot_shape
from lanes.spots.shape_terms import ASSUMED, REPEATS, basis

Floats = NDArray[np.float64]

# From lane to lane; the two lanes' own difference counts as much as this (one spot each).
REPEATS_SDS = REPEATS * ASSUMED.sds


@dataclass(frozen=True)
class OwnShape:
    """A spot's shape terms h3 to h6, (4,), and how sure they are, (4, 4).

    `shown` is whether its lane shows them; else they are 0, as unsure as any spot's.
    """

    terms: Floats
    covariance: Floats
    shown: bool = True


FITTED = OwnShape(np.zeros(4), np.zeros((4, 4)))  # a spot of just the fitted shape


def own_shape(reading: LaneReading, i: int) -> OwnShape:
    """Return the shape of spot `i` as its own lane shows it."""
    flat = reading.trace.signal - reading.background
    seen = spot_shape(reading.trace, flat, reading.fit, reading.noise, (i,))
    if seen is None:
        # What tails, or stands beside others, is no surer than any spot.
        sds = np.maximum((reading.fit.shapes or ASSUMED).sds, ASSUMED.sds)
        return OwnShape(np.zeros(4), np.diag(np.square(sds)), False)
    return OwnShape(seen.terms, seen.covariance)


def mixed_covariance(first: OwnShape, second: OwnShape, share: float) -> Floats:
    """Return how unsure the terms of the two in one place are, (4, 4), `share` of it the first's.

    Each as its own lane shows it, and as spots of one plate repeat; where both are known, what
    they differ by beyond noise is a sample of that.
    """
    repeats = np.square(REPEATS_SDS)
    if first.shown and second.shown:
        noise = np.diag(first.covariance + second.covariance)
        apart = np.maximum(np.square(first.terms - second.terms) - noise, 0.0) / 2.0
        repeats = 0.5 * (repeats + apart)
    return np.asarray(share**2 * first.covariance + (1.0 - share) ** 2 * second.covariance
                      + np.diag(repeats))


def beyond_fit(x: Floats, spot: Component, terms: Floats) -> Floats:
    """Return what the terms, (4,), add at `x`, (n,), to a fitted spot."""
    return np.asarray(spot.height * (basis((x - spot.mean) / spot.spread) @ terms))

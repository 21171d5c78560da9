"""A spot that lies bent across its lane, put straight: its strips moved to one place.

A front that smiles, a lane that leans or a crescent sets the two sides of a lane back against its
middle. Every substance of a spot is bent alike, so that the strips' sum is blurred along the
lane by what a parabola across it can undo; one spot stays one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lanes.spots.strip_shape import Strips

Floats = NDArray[np.float64]

# Sigmas by which a lean and a bend each may move the strips at the lane's sides: a quarter of a
# spot's width (common practice: a front that lags more there is a fault of the run).
BEND_SD = 0.5
ROUNDS = 4   # a place is read off to first order
LEAST_SD = 0.01  # sigmas: shapes differ by more from strip to strip
SURE = 9.21  # chi-square of lean and bend at 99 %: below, the strips lie straight


def straightened(strips: Strips) -> tuple[Strips, Floats]:
    """Return the strips, each moved along the lane, and what that does to their sum, (m,)."""
    count = strips.values.shape[1]
    place = np.linspace(-1.0, 1.0, count)
    sigma = float((strips.x[-1] - strips.x[0]) / (strips.z[-1] - strips.z[0]))
    bell = np.exp(-0.5 * strips.z**2)
    design = np.stack([bell, strips.z * bell, (strips.z**2 - 1.0) * bell], axis=1)
    shift, now = np.zeros(count), strips
    for number in range(ROUNDS):
        found, variance = now.amounts(design)
        size = np.maximum(found[0], np.sqrt(variance[0]))
        off, sd = found[1] / size, np.sqrt(variance[1]) / size
        share = np.clip(found[0], 0.0, None)
        if share.sum() <= 0.0:
            return strips, np.zeros(strips.x.size)
        # The whole has the place that it had: lean and bend about the strips' middle.
        columns = np.stack([np.ones(count), place, place**2], axis=1)
        weight = share / share.max() / np.maximum(sd, LEAST_SD) ** 2
        prior = np.diag([0.0, BEND_SD**-2, BEND_SD**-2])
        normal = columns.T @ (columns * weight[:, None]) + prior
        found = np.linalg.solve(normal, columns.T @ (weight * off))
        if number == 0 and found[1:] @ np.linalg.inv(
                np.linalg.inv(normal)[1:, 1:]) @ found[1:] < SURE:
            return strips, np.zeros(strips.x.size)
        bend = columns[:, 1:] @ found[1:]
        shift += bend - share @ bend / share.sum()
        moved = [np.interp(strips.x + by * sigma, strips.x, values)
                 for by, values in zip(shift, strips.values.T, strict=True)]
        now = replace(strips, values=np.stack(moved, axis=1))
    return now, np.asarray((now.values - strips.values).sum(axis=1))

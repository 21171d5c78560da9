"""A lane as a trace: signal integrated across the lane, along its own path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Trace:
    """One lane's signal against distance from the origin.

    Attributes
    ----------
    position : (n,) array
        Distance along the path from the origin line, evenly spaced, in mm.
    signal : (n,) array
        Signal integrated across the lane, in signal x mm.
    usable : (n,) bool array
        False where pencil or another mark hides the layer.
    gain : (n,) array
        Noise of each sample relative to clean layer (the law amplifies noise in dark spots).
    run : float
        Distance from origin to front in mm.
    across : (k,) array or None
        Offsets of the strips from the path in mm.
    strips : (n, k) array or None
        Mean signal of each strip of the lane's width; their weighted sum is `signal`.
    clipped : (n,) array
        Share of the lane's width at each sample that is beyond the scan's range.
    """

    position: Floats
    signal: Floats
    usable: NDArray[np.bool_]
    gain: Floats
    run: float
    across: Floats | None
    strips: Floats | None
    clipped: Floats

    @property
    def pitch(self) -> float:
        """Distance between samples in mm."""
        return float(self.position[1] - self.position[0])

    @property
    def rf(self) -> Floats:
        """Position as a share of the run."""
        return self.position / self.run

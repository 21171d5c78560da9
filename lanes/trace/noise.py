"""Noise of a trace: its size and how far neighbouring samples share it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """Stationary noise of a trace in clean layer.

    Attributes
    ----------
    sd : float
        Standard deviation of one sample, in signal x mm.
    autocorrelation : (m,) array
        Correlation of samples 0, 1, 2, ... apart; its first value is 1.
    pitch : float
        Distance between samples in mm.
    source : str
        "clean layer" or "residuals".
    """

    sd: float
    autocorrelation: Floats
    pitch: float
    source: str

    @property
    def correlation_mm(self) -> float:
        """Integral correlation length in mm: the distance that counts as one sample."""
        return float(self.pitch * (1.0 + 2.0 * self.autocorrelation[1:].sum()))

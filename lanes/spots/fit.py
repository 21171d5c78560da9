"""What was fitted to one trace, and what is asked of it: values, standard deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.spots.model import Component

Floats = NDArray[np.float64]

VALUES = ("centre", "area", "sigma", "tau")  # of each component, in the covariance's order


def index(component: int, value: str) -> int:
    """Return the row of a component's value in a fit's covariance."""
    return len(VALUES) * component + VALUES.index(value)


@dataclass(frozen=True)
class Attempt:
    """One count of components that was tried, with its scores."""

    components: int
    shape: str
    rss: float
    parameters: int
    aicc: float
    bic: float


@dataclass(frozen=True)
class Fit:
    """What was fitted to one trace.

    Attributes
    ----------
    components : tuple of Component
        From origin to front.
    covariance : (p, p) array or None
        Of (centre, area, sigma, tau) of each component in turn, noise's correlation included.
    baseline_order : str
        The kind of baseline that was fitted with the spots.
    baseline, model : (n,) array
        That baseline, and the whole fit with it.
    peaks : (c, n) array
        Each component alone.
    tried : tuple of Attempt
        Every count of components that was considered.
    at_bound : tuple of int
        Components of which a value lay at its limit and was fixed there.
    merged : tuple of pairs
        Neighbours told apart by shape.
    doubt : (p, p) array or None
        What the doubt of the spots' shapes adds to `covariance`; None where none was counted.
    """

    components: tuple[Component, ...]
    covariance: Floats | None
    baseline_order: str
    baseline: Floats
    model: Floats
    peaks: Floats
    r_squared: float | None
    reduced_chi_square: float | None
    aicc: float | None
    bic: float | None
    tried: tuple[Attempt, ...]
    at_bound: tuple[int, ...] = ()
    merged: tuple[tuple[int, int], ...] = ()
    doubt: Floats | None = None

    @property
    def whole_covariance(self) -> Floats | None:
        """`covariance` with the doubt of the shapes."""
        if self.covariance is None or self.doubt is None:
            return self.covariance
        return self.covariance + self.doubt

    def sd(self, component: int, value: str, *, noise_only: bool = False) -> float | None:
        """Return the standard deviation of one value of one component; None where not known.

        Parameters
        ----------
        component : int
        value : str
            One of `VALUES`.
        noise_only : bool
            Leave the doubt of the shapes out.
        """
        covariance = self.covariance if noise_only else self.whole_covariance
        if covariance is None:
            return None
        k = index(component, value)
        return float(np.sqrt(max(float(covariance[k, k]), 0.0)))

    def area_covariance(self, *, noise_only: bool = False) -> Floats | None:
        """Return the (c, c) covariance of the components' areas; None where not known."""
        covariance = self.covariance if noise_only else self.whole_covariance
        if covariance is None:
            return None
        rows = [index(i, "area") for i in range(len(self.components))]
        return np.asarray(covariance[np.ix_(rows, rows)])

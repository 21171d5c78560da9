"""What was fitted to one trace, and what is asked of it: values, standard deviations."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lanes.spots.model import Component
from lanes.spots.shape_terms import ShapeDoubt

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
        Neighbours parted by shape.
    shape_errors : (p, 4c) array or None
        Errors of the values by a unit of each component's every shape term.
    shapes : ShapeDoubt or None
        How far the spots' profiles may depart from Gaussians; None where that was not counted.
    shown : (c, 4) array or None
        Variance of each component's own shape terms, as it shows them; 0 where it shows none.
    refused : tuple of float
        Where several components were not believed, since one misshapen spot could do as well.
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
    shape_errors: Floats | None = None
    shapes: ShapeDoubt | None = None
    shown: Floats | None = None
    refused: tuple[float, ...] = ()

    @property
    def whole_covariance(self) -> Floats | None:
        """`covariance` with the doubt of the shapes."""
        if self.covariance is None or self.shape_errors is None or self.shapes is None:
            return self.covariance
        variances = np.tile(np.square(self.shapes.sds), len(self.components))
        if self.shown is not None:  # one spot may be more unlike a Gaussian than the plate's others
            variances = np.maximum(variances, self.shown.ravel())
        return np.asarray(self.covariance + (self.shape_errors * variances) @ self.shape_errors.T)

    def after(self, earlier: Fit) -> Fit:
        """Return this fit with what an earlier one of the same trace tried kept on record."""
        tried = sorted({*earlier.tried, *self.tried},
                       key=lambda attempt: (attempt.components, attempt.shape, attempt.rss))
        return replace(self, tried=tuple(tried), refused=earlier.refused)

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

    def area_sd_by_others(self, component: int) -> float:
        """Return the standard deviation of a component's area by the others' shapes alone.

        What a strong neighbour departs from a Gaussian by may be all there is of a weak spot.
        """
        if self.shape_errors is None or self.shapes is None:
            return 0.0
        errors = self.shape_errors[index(component, "area")].reshape(len(self.components), -1)
        return float(np.linalg.norm(np.delete(errors * self.shapes.sds, component, axis=0)))

    def area_covariance(self, *, noise_only: bool = False) -> Floats | None:
        """Return the (c, c) covariance of the components' areas; None where not known."""
        covariance = self.covariance if noise_only else self.whole_covariance
        if covariance is None:
            return None
        rows = [index(i, "area") for i in range(len(self.components))]
        return np.asarray(covariance[np.ix_(rows, rows)])

"""The quantities of the trade from fitted components, each with its standard deviation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from lanes.flags import Flag
from lanes.spots.fit import Fit, index
from lanes.spots.model import Component, peak_shape, valley
from lanes.spots.shapes import FWHM
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

# Peak-to-peak of 100 independent samples of Gaussian noise, in standard deviations (computed).
RANGE_OF_100 = 5.02
# Ph. Eur., 11th ed. (2022), 2.2.46 (from memory) prints 1.18 for sqrt(2 ln 2) = 1.17741;
# the printed factor is used.
HALF_HEIGHT_FACTOR = 1.18
# Sigmas and taus from its apex beyond which no tailing spot has 5 % of its height left.
BEYOND_SIGMAS, BEYOND_TAUS = 8.0, 12.0
AT_FIVE_PERCENT = 0.05  # of the height, where symmetry is taken
# Of a width, to either side: central differences, whose rounding and bend are then both small.
DIFFERENCE = 1e-5
PLATE_FACTOR = 8.0 * float(np.log(2.0))


@dataclass(frozen=True)
class Spot:
    """One spot's figures. Standard deviations are None where they could not be had.

    Those named `_sd` count all that is doubted: noise, the spots' shapes, and in area percent law
    and channel; those named `_sd_noise` count the noise alone.

    `position_mm` is the distance from the origin; lengths are None where there is no scale.
    `height` is signal x mm, `area` signal x mm^2. `colour` is the light at its middle as sRGB,
    #rrggbb, and `colour_name` a plain word for it beside the layer; None where there is no colour.
    """

    rf: float
    rf_sd: float | None
    hrf: float
    position_mm: float | None
    area: float
    area_sd: float | None
    area_percent: float
    area_percent_sd: float | None
    height: float
    width_mm: float | None
    sigma_mm: float | None
    asymmetry: float | None
    plate_number: float | None
    signal_to_noise: float | None
    flags: tuple[Flag, ...]
    rf_sd_noise: float | None = None
    area_sd_noise: float | None = None
    area_percent_sd_noise: float | None = None
    colour: str | None = None
    colour_name: str | None = None


@dataclass(frozen=True)
class Pair:
    """Two spots of a lane, `lower` and `upper` their places in the list of spots."""

    lower: int
    upper: int
    delta_rf: float
    resolution: float | None
    resolution_sd: float | None
    valley_to_peak: float | None
    resolution_sd_noise: float | None = None


@lru_cache(maxsize=1024)  # every pair of spots asks for the widths of its two
def width_at(component: Component, share: float) -> tuple[float, float]:
    """Return how far a component reaches before and behind its apex at `share` of its height.

    Returns
    -------
    (front, back) : floats in mm
        Towards the solvent front (leading edge) and towards the origin.
    """
    if component.tau == 0.0:
        half = component.sigma * float(np.sqrt(-2.0 * np.log(share)))
        return half, half
    peak = component.peak()
    level = share * component.height

    def above(d: float) -> float:
        return float(peak_shape(np.array([component.centre + d]), peak)[0][0] - level)

    far = BEYOND_SIGMAS * component.sigma + BEYOND_TAUS * abs(component.tau)
    return float(brentq(above, 0.0, far)), -float(brentq(above, -far, 0.0))


def full_width(component: Component) -> float:
    """Return the full width at half height in mm."""
    return float(sum(width_at(component, 0.5)))


def symmetry(component: Component) -> float:
    """Return As = w0.05 / (2 d), d from the apex to the leading edge at 5 % of the height.

    Ph. Eur., 11th ed. (2022), 2.2.46 (from memory). Above 1 the spot tails towards the origin.
    """
    front, back = width_at(component, AT_FIVE_PERCENT)
    return (front + back) / (2.0 * front)


def plate_number(component: Component) -> float | None:
    """Return N = 8 ln 2 (z / wh)^2, z the spot's own distance from the origin; None at the origin.

    IUPAC, Pure Appl. Chem. 65, 819 (1993); the pharmacopoeias print 5.54 for 8 ln 2.
    """
    wide = full_width(component)
    return PLATE_FACTOR * (component.centre / wide) ** 2 if component.centre > wide else None


def signal_to_noise(component: Component, noise: Noise) -> float | None:
    """Return 2 H / h, h the range that 100 independent samples of the clean layer span.

    Ph. Eur., 11th ed. (2022), 2.2.46 (from memory). The figure depends on the
    window, so it is kept to 100 samples.
    """
    return 2.0 * component.height / (RANGE_OF_100 * noise.sd) if noise.sd > 0 else None


def retardation(
    fit: Fit, i: int, run: float, origin_sd: float, front_sd: float, skew_sd: float = 0.0, *,
    noise_only: bool = False,
) -> tuple[float, float | None]:
    """Return Rf of component `i` and its standard deviation, the lines' included.

    `skew_sd` is that of how much longer, of itself, a length is at the front than at the origin:
    half of it, times Rf (1 - Rf), is what a spot between the lines is out by.

    Rf = b / a, IUPAC, Pure Appl. Chem. 65, 819 (1993), p. 845.
    """
    rf = fit.components[i].centre / run
    sd = fit.sd(i, "centre", noise_only=noise_only)
    if sd is None:
        return rf, None
    lines = ((1.0 - rf) * origin_sd) ** 2 + (rf * front_sd) ** 2
    skew = 0.0 if noise_only else (0.5 * skew_sd * rf * (1.0 - rf) * run) ** 2
    return rf, float(np.sqrt(sd**2 + lines + skew) / run)


def area_percents(fit: Fit, *, noise_only: bool = False) -> tuple[Floats, Floats | None]:
    """Return each component's percent of the summed area, and standard deviations.

    A lone spot is 100 % of what was found: its standard deviation is not a number.
    """
    areas = np.array([c.area for c in fit.components])
    total = float(areas.sum())
    percents = 100.0 * areas / total
    covariance = fit.area_covariance(noise_only=noise_only)
    if covariance is None:
        return percents, None
    slope = (np.eye(areas.size) * total - areas[:, None]) / total**2 * 100.0
    variance = np.einsum("ij,jk,ik->i", slope, covariance, slope)
    sds = np.sqrt(np.maximum(variance, 0.0))
    return percents, np.where(areas.size > 1, sds, np.nan)


def pair(fit: Fit, i: int, j: int, run: float, blur: float = 0.0) -> Pair:
    """Return delta Rf, resolution and valley of components `i` and `j`, `i` the lower.

    `blur` is the standard deviation of what the scan spreads every point over: it widens spots
    by an amount known only roughly, which the resolution's standard deviation takes in whole.

    Resolution is 1.18 (d2 - d1) / (wh1 + wh2) (Ph. Eur., 11th ed. (2022), 2.2.46, from memory). The
    valley is the lowest point of their sum over its lower apex; 1 where there is none, None where
    other spots lie between.
    """
    a, b = fit.components[i], fit.components[j]
    wide = full_width(a) + full_width(b)
    apart = b.centre - a.centre
    resolution = HALF_HEIGHT_FACTOR * apart / wide
    widened = resolution * blur**2 / (a.sigma**2 + b.sigma**2)
    sds = [
        _resolution_sd(fit, covariance, (i, j), resolution, widened)
        for covariance in (fit.whole_covariance, fit.covariance)
    ]
    return Pair(i, j, apart / run, resolution, sds[0], _valley(fit, i, j) if j == i + 1 else None,
                sds[1])


def _resolution_sd(
    fit: Fit, covariance: Floats | None, both: tuple[int, int], resolution: float, widened: float
) -> float | None:
    """Return the standard deviation of two components' resolution, the scan's blur included."""
    if covariance is None:
        return None
    a, b = (fit.components[k] for k in both)
    apart, wide = b.centre - a.centre, full_width(a) + full_width(b)
    slope = np.zeros(len(covariance))
    for k, side in zip(both, (-1.0, 1.0), strict=True):
        slope[index(k, "centre")] = side * resolution / apart
        c = fit.components[k]
        for value, d in (("sigma", (DIFFERENCE * c.sigma, 0.0)),
                         ("tau", (0.0, DIFFERENCE * c.tau))):
            if any(d):
                slope[index(k, value)] = (
                    -resolution / wide * (_width_of(c, *d) - _width_of(c, -d[0], -d[1]))
                    / (2 * sum(d)))
    variance = float(slope @ covariance @ slope)
    return float(np.hypot(np.sqrt(variance), widened)) if variance > 0 else None


def _width_of(c: Component, by_sigma: float, by_tau: float) -> float:
    if c.tau == 0.0:
        return FWHM * (c.sigma + by_sigma)
    sigma, tau = c.sigma + by_sigma, c.tau + by_tau
    return full_width(replace(c.peak(), sigma=sigma, tau=tau).component())


def _valley(fit: Fit, i: int, j: int) -> float:
    return valley(tuple(c.peak() for c in fit.components), fit.components[i].centre,
                  fit.components[j].centre)

"""Calibration: a curve of response against amount, chosen, fitted and tested. Numbers only.

The variance of a standard's response is its own, known, plus a scatter between standards that is
estimated from the fit: v = u^2 + t^2 h^2, h the response itself ("proportional": what is lost or
gained in applying is a share of the spot) or 1 ("constant": the textbook's line). t is
badly determined by three to eight standards. So every interval is averaged over what t may be, by
the standards and a prior flat in log(t^2 + u^2) (Box & Tiao 1973; from memory), with even odds that
there is no scatter where every u is known. With u = 0 the intervals are Student's t.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as snedecor

from lanes.errors import InputError
from lanes.questions.amount.curves import CURVES, LINE, Curve
from lanes.questions.amount.scatter import (
    Near,
    NoFit,
    Scatters,
    inverse,
    levels,
    likeliest,
    scatters,
)
from lanes.rounding import TINY

Floats = NDArray[np.float64]

SCATTERS = ("proportional", "constant")
# A curve must beat the line by this much: models within 2 of the least AICc are as good as it
# (Burnham & Anderson 2002; from memory).
CLEARLY = 2.0
FEWEST = 3          # standards, and different amounts
NO_BEND = 50.0      # K over the largest amount above which no saturation shows
# Scatter that the first turn of the weighting supposes beside a standard's own uncertainty, as a
# share of its response, and the least response it is a share of, of the largest (starts: later
# turns go by the residuals).
FIRST_SCATTER, LEAST_RESPONSE = 0.01, 1e-3
SETTLED = 1e-10     # relative: from turn to turn of the weighting
# Of lmfit's search: the curve's parameters to rounding, since intervals are read off its slopes.
X_TOLERANCE, SQUARES_TOLERANCE = 1e-13, 1e-15
ROUNDED_SQUARE = 1e-24  # of a response squared: what rounding leaves, 12 digits in each factor


@dataclass(frozen=True)
class LackOfFit:
    """F test of a curve's misfit against the scatter of repeated standards (Draper & Smith)."""

    f: float
    df_lack: int
    df_pure: int
    p: float


@dataclass(frozen=True)
class Calibration:
    """A fitted curve.

    Attributes
    ----------
    curve : Curve
    x, y, u : (n,) arrays
        Amounts, responses and the responses' own standard deviations (0: not known apart).
    values : (p,) array
    covariance : (p, p) array
    scatter : float
        Standard deviation between standards beyond their own: relative, or in the response's unit.
    kind : str
        One of `SCATTERS`.
    sd : (n,) array
        Standard deviation of each response under the fit.
    rss : float
        Plain residual sum of squares.
    aicc : float or None
        None where there are too few standards for it.
    lack : LackOfFit or None
        None where no amount repeats.
    scatters : Scatters
    """

    curve: Curve
    x: Floats
    y: Floats
    u: Floats
    values: Floats
    covariance: Floats
    scatter: float
    kind: str
    sd: Floats
    rss: float
    aicc: float | None
    lack: LackOfFit | None
    scatters: Scatters

    def at(self, x: Floats | float) -> Floats:
        """Return the curve's response at amounts `x`."""
        return self.curve.value(self.values, np.atleast_1d(np.asarray(x, float)))

    @property
    def residuals(self) -> Floats:
        """The (n,) responses less the curve."""
        return self.y - self.at(self.x)

    @property
    def sds(self) -> Floats:
        """The parameters' (p,) standard deviations."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), float)


@dataclass(frozen=True)
class Tried:
    """One curve that was tried; `why` says why it could not be taken, None where it could."""

    name: str
    aicc: float | None
    rss: float | None
    why: str | None


def choose(
    x: Floats, y: Floats, u: Floats | None = None, *, curve: str = "auto",
    scatter: str = "proportional",
) -> tuple[Calibration, tuple[Tried, ...]]:
    """Return the calibration and every curve that was tried.

    The line stays unless a curve's AICc is lower by more than 2. AICc = -2 ln L + 2 k + 2 k (k+1) /
    (n-k-1), k counting the scatter (Hurvich & Tsai, Biometrika 76, 297 (1989)); it needs five
    standards for a line. With fewer, the line is taken.

    Parameters
    ----------
    x, y, u : (n,) arrays
        Amounts, responses, and the responses' own standard deviations if known.
    curve : str
        "auto" or one of `CURVES`.
    scatter : str
        One of `SCATTERS`.

    Raises
    ------
    InputError
        If there are fewer than three different amounts, or responses do not rise with them.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if np.unique(x).size < FEWEST:
        raise InputError(
            f"a calibration takes standards of at least {FEWEST} different amounts, and got "
            f"{np.unique(x).size}: give more with --standards"
        )
    if curve != "auto" and curve not in CURVES:
        raise InputError(f"--curve {curve} is unknown: give auto, {', '.join(CURVES)}")
    fits: dict[str, Calibration] = {}
    tried = []
    for name, form in CURVES.items():
        why = None
        try:
            fits[name] = fit(form, x, y, u, scatter)
        except NoFit as error:
            why = str(error)
        done = fits.get(name)
        tried.append(Tried(name, done.aicc if done else None, done.rss if done else None, why))
    reasons = {t.name: t.why for t in tried}
    if curve != "auto":
        if curve not in fits:
            raise InputError(f"--curve {curve}: {reasons[curve]}; give another curve")
        return fits[curve], tuple(tried)
    # What no straight line rises through is no calibration, though a curve may bend through it.
    if LINE.name not in fits:
        raise InputError(
            "the areas do not rise with the amounts: check --standards, and --rf for the spot that "
            "is calibrated"
        )
    scored = {name: f.aicc for name, f in fits.items() if f.aicc is not None}
    best = min(scored, key=scored.__getitem__, default=LINE.name)
    line = scored.get(LINE.name)
    if line is not None and line <= scored[best] + CLEARLY:
        best = LINE.name
    return fits[best], tuple(tried)


def fit(
    curve: Curve, x: Floats, y: Floats, u: Floats | None = None, scatter: str = "proportional",
) -> Calibration:
    """Return `curve` fitted by weighted least squares, its weights from `u` and the scatter.

    The scatter is estimated by restricted likelihood: with `u` zero and scatter "constant" it is
    the residual standard deviation. Curves that are not linear are searched by lmfit.

    Raises
    ------
    NoFit
        If the curve can't be fitted, or does not rise over the standards.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    u = np.zeros_like(y) if u is None else np.asarray(u, float)
    n, p = x.size, len(curve.parameters)
    if np.unique(x).size <= p:
        raise NoFit(f"needs standards of more than {p} different amounts")
    sd = np.where(u > 0, np.hypot(u, FIRST_SCATTER * np.abs(y)),
                  np.maximum(np.abs(y), LEAST_RESPONSE * np.ptp(y)))
    if scatter == "constant":
        sd = np.ones_like(y)
    values = np.zeros(p)
    for turn in range(60):
        before, values = values, _least_squares(curve, x, y, sd, values if turn else None)
        near = _near(curve, values, x, y, u, scatter)
        square = likeliest(near, restricted=True)
        sd = np.sqrt(u**2 + square * near.size**2)
        if np.allclose(values, before, rtol=SETTLED, atol=0.0):
            break
    _must_rise(curve, values, x)
    covariance = inverse(near.slopes / sd[:, None])
    k = p + 1
    aicc = None
    if n - k - 1 > 0:
        best = np.array([likeliest(near, restricted=False)])
        level = levels(near, best, restricted=False)[0][0]
        aicc = float(-2.0 * level + 2.0 * k + 2.0 * k * (k + 1) / (n - k - 1))
    return Calibration(
        curve, x, y, u, values, covariance, math.sqrt(square), scatter, sd,
        float(near.rest @ near.rest), aicc, _lack(x, y, near.rest, sd, p), scatters(near),
    )


def _near(
    curve: Curve, values: Floats, x: Floats, y: Floats, u: Floats, scatter: str
) -> Near:
    fitted = curve.value(values, x)
    size = np.ones_like(x)
    if scatter == "proportional":
        size = np.maximum(np.abs(fitted), LEAST_RESPONSE * np.abs(fitted).max(initial=TINY))
    floor = ROUNDED_SQUARE * float(((y / size) ** 2).max()) + TINY
    return Near(curve.slopes(values, x), y - fitted, u, size, floor)


def _must_rise(curve: Curve, values: Floats, x: Floats) -> None:
    low, high = curve.branch(values)
    if not low <= x.min() < x.max() <= high:
        raise NoFit("does not rise over the standards")
    if curve.name == "saturation" and values[1] > NO_BEND * x.max():
        raise NoFit("no saturation shows")


def _least_squares(curve: Curve, x: Floats, y: Floats, sd: Floats, start: Floats | None) -> Floats:
    """Return the parameters of least weighted squares."""
    if curve.linear:
        slopes = curve.slopes(np.zeros(len(curve.parameters)), x) / sd[:, None]
        scale = np.sqrt((slopes**2).sum(axis=0))
        found = np.linalg.lstsq(slopes / scale, y / sd, rcond=None)[0]
        return np.asarray(found / scale, float)
    if start is None:
        start = curve.start(x, y)
    if start is None:
        rises = float(np.polyfit(x, y, 1)[0]) > 0.0
        raise NoFit("shows nowhere in the rise of the areas" if rises
                    else "does not rise over the standards")
    import lmfit

    # Each parameter in units of its start, so that all are near 1 and stay positive.
    names = curve.parameters
    parameters = lmfit.Parameters()
    for name in names:
        parameters.add(name, value=1.0)
    unit = np.asarray(start, float)

    def values(p: lmfit.Parameters) -> Floats:
        return np.asarray(unit * np.array([p[name].value for name in names]), float)

    with np.errstate(all="ignore"):
        result = lmfit.minimize(
            lambda p: (y - curve.value(values(p), x)) / sd, parameters, method="leastsq",
            Dfun=lambda p: -curve.slopes(values(p), x) * unit / sd[:, None],
            xtol=X_TOLERANCE, ftol=SQUARES_TOLERANCE, gtol=0.0, max_nfev=2000, nan_policy="omit",
        )
    found = values(result.params)
    if not result.success or not np.all(np.isfinite(found)):
        raise NoFit("the search for its parameters did not end")
    if np.any(found * unit <= 0):
        raise NoFit("does not follow the standards")
    return np.asarray(found, float)


def _lack(x: Floats, y: Floats, rest: Floats, sd: Floats, p: int) -> LackOfFit | None:
    """Return the lack-of-fit test, or None where no amount repeats."""
    amounts, which = np.unique(x, return_inverse=True)
    df_pure, df_lack = x.size - amounts.size, amounts.size - p
    if df_pure < 1 or df_lack < 1:
        return None
    w = 1.0 / sd**2
    means = np.bincount(which, w * y) / np.bincount(which, w)
    pure = float((w * (y - means[which]) ** 2).sum())
    lack = float((w * rest**2).sum()) - pure
    if pure <= 0:
        return None
    ratio = max(lack, 0.0) / df_lack / (pure / df_pure)
    return LackOfFit(ratio, df_lack, df_pure, float(snedecor.sf(ratio, df_lack, df_pure)))

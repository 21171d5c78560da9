"""Overlapping spots taken apart: a sum of peaks and a low-order term, fitted with lmfit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lanes.errors import InputError
from lanes.spots import choose
from lanes.spots.criteria import criteria
from lanes.spots.detect import candidates, scales
from lanes.spots.model import DEGREES, Peak, Problem, Solution, joint_term, peak_shape
from lanes.spots.shapes import ROOT_2PI, apex
from lanes.trace.background import background
from lanes.trace.noise import Noise, difference_noise, residual_noise

Floats = NDArray[np.float64]

THRESHOLD = 5.0          # standard deviations: some hundred places of a lane are looked at
NARROWEST, BROADEST = 0.25, 5.0  # sigma of a spot in mm


@dataclass(frozen=True)
class Component:
    """One fitted peak. `centre` is its apex, `sigma` and `tau` its widths, all in mm.

    `height` is at the apex in signal x mm; `area` in signal x mm^2.
    """

    centre: float
    height: float
    sigma: float
    tau: float
    area: float

    @property
    def spread(self) -> float:
        """Its standard deviation, the tail included."""
        return float(np.hypot(self.sigma, self.tau))


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
    joint : str
        The kind of low-order term.
    baseline, model : (n,) array
        The joint low-order term, and the whole fit with it.
    peaks : (c, n) array
        Each component alone.
    tried : tuple of Attempt
        Every count of components that was considered.
    at_bound : tuple of int
        Components of which a value lay at its limit and was fixed there.
    merged : tuple of pairs
        Neighbours told apart by shape.
    """

    components: tuple[Component, ...]
    covariance: Floats | None
    joint: str
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


def deconvolve(
    position: ArrayLike, signal: ArrayLike, *, noise: Noise | None = None,
    gain: ArrayLike | None = None, usable: ArrayLike | None = None, joint: str = "auto",
    components: int | None = None, start: tuple[Peak, ...] | None = None,
    narrowest: float | None = None, broadest: float | None = None,
    threshold: float = THRESHOLD,
) -> Fit:
    """Take a trace apart into spots.

    Places that stand out of the noise start the fit; peaks are added where the residual still
    stands out, split where two of one width serve better than one, let tail where a lone one
    tails, and dropped where they are not significant. An information criterion over the
    effective number of samples decides.

    Parameters
    ----------
    position, signal : (n,) array_like
        Evenly spaced, rising distances and the signal there.
    noise : Noise, optional
        From clean layer. Without it, noise is judged from what the fit leaves, and widths of
        merged neighbours are left free.
    gain, usable : (n,) array_like, optional
        Relative noise, and which samples count.
    joint : str
        "none", "constant", "linear", "quadratic", "exponential", or "auto".
    components : int, optional
        How many there are, where that is known.
    start : tuple of Peak, optional
        Starts, instead of looking for them.
    narrowest, broadest : float, optional
        Limits of sigma; the default suits mm, or the trace's length where noise is unknown.
    threshold : float
        Significance below which nothing is a spot.

    Returns
    -------
    Fit

    Raises
    ------
    InputError
        If the arrays don't fit together or hold what can't be fitted.
    """
    x, y = np.asarray(position, float), np.asarray(signal, float)
    if x.ndim != 1 or x.shape != y.shape or x.size < 8:
        raise InputError(f"position and signal must be rows of one length, 8 or more: got "
                         f"{x.shape} and {y.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or (np.diff(x) <= 0).any():
        raise InputError("position must rise and signal be finite throughout")
    if float(np.ptp(y)) < 1e-100:  # nothing: squares of what is so small vanish
        y = np.zeros_like(y)
    use = np.ones(x.size, bool) if usable is None else np.asarray(usable, bool)
    if use.sum() < 8:
        raise InputError("hardly a sample of this lane can be used: what hides the layer (marks, "
                         "too few grey levels) covers it; scan the plate anew, in full colour")
    g = np.ones(x.size) if gain is None else np.asarray(gain, float)
    pitch = float(np.median(np.diff(x)))
    span = float(x[-1] - x[0])
    low = narrowest if narrowest is not None else (NARROWEST if noise else 2.5 * pitch)
    high = broadest if broadest is not None else (BROADEST if noise else 0.25 * span)
    high = max(high, 2 * low)
    kinds = (joint,) if joint != "auto" else (
        ("linear",) if noise is not None else ("constant", "linear", "quadratic"))
    best: Fit | None = None
    for kind in kinds:
        fit = _one(x, y, g, use, noise, kind, components, start, (low, high), pitch, threshold)
        if best is None or (fit.aicc or 0.0) < (best.aicc or 0.0) - 2.0:
            best = fit
    assert best is not None
    return best


def _one(
    x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise | None,
    kind: str, components: int | None, start: tuple[Peak, ...] | None,
    limits: tuple[float, float], pitch: float, threshold: float,
) -> Fit:
    known = noise is not None
    below = np.zeros_like(y)
    if noise is None:
        if start is None and kind != "none":
            below = background(y, "asymmetric", usable=usable, pitch=None)
        noise = difference_noise((y - below)[usable], pitch)
    full, noise = noise, noise.local
    sd = noise.sd if noise.sd > 0 else max(float(np.ptp(y)), 1e-12) * 1e-6
    shared = max(1.0, noise.correlation_mm / pitch)
    weight = 1.0 / (gain[usable] * sd * np.sqrt(shared))
    problem = Problem(x[usable], y[usable], weight, kind, limits[0], limits[1],
                      choose.WIDTH_PRIOR if known else None)
    low_order = _joint_start(problem, below[usable])
    if start is not None:
        peaks = tuple(start)
    else:
        # Limits taken from the trace's length are wide: at widths near them two spots with a
        # valley look like one. The share keeps to what 3 mm are of a usual run; fits may widen.
        widest = 0.6 if known else 0.15
        seen = candidates(x, y - below, replace(noise, sd=sd), gain, usable,
                          scales(1.6 * limits[0], widest * limits[1]), threshold)
        peaks = tuple(Peak(c.centre, c.area, c.sigma) for c in seen)
    tried: list[Attempt] = []
    if start is not None:
        tailing = frozenset(i for i, p in enumerate(peaks) if p.tau != 0.0)
        solution = choose.settle(problem, peaks, low_order, tailing)
        tried.append(_attempt(problem, solution, shared))
    else:
        search = choose.Search(problem, x, y, gain, usable, replace(noise, sd=sd),
                               full if known else replace(noise, sd=sd), threshold, known, shared)
        solution, history = search.run(peaks, low_order, components)
        tried = [_attempt(problem, s, shared) for s in history]
    solution = _positive(problem, solution)
    return _finish(x, y, gain, usable, full, known, problem, solution, shared, tuple(tried))


def _positive(problem: Problem, solution: Solution) -> Solution:
    """Return the solution without peaks of no area or less: a start, or a count, too many."""
    while not all(p.area > 0 for p in solution.peaks):
        kept = tuple(p for p in solution.peaks if p.area > 0)
        tailing = frozenset(i for i, p in enumerate(kept) if p.tau != 0.0)
        solution = choose.settle(problem, kept, solution.joint, tailing)
    return solution


def _joint_start(problem: Problem, below: Floats) -> Floats:
    """Return a start of the joint term through a first background."""
    u = (problem.x - problem.x[0]) / problem.span
    if problem.joint == "exponential":
        lifted = np.maximum(below, 1e-3 * max(float(np.max(np.abs(below))), 1e-12))
        slope, level = np.polyfit(u, np.log(lifted), 1, w=np.sqrt(lifted))
        return np.array([np.exp(level), -slope])
    degree = DEGREES[problem.joint]
    if degree == 0:
        return np.zeros(0)
    return np.polynomial.polynomial.polyfit(2 * u - 1, below, degree - 1)


def _attempt(problem: Problem, solution: Solution, shared: float) -> Attempt:
    aicc, bic = criteria(problem, solution, shared)
    tails = sum(p.tau != 0.0 for p in solution.peaks)
    shape = "gaussian" if not tails else f"gaussian, {tails} tailing"
    return Attempt(len(solution.peaks), shape, solution.rss, len(solution.names), aicc, bic)


def _finish(
    x: Floats, y: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise, known: bool,
    problem: Problem, solution: Solution, shared: float, tried: tuple[Attempt, ...],
) -> Fit:
    """Evaluate the solution over the whole trace and work out its covariance."""
    order = np.argsort([p.centre for p in solution.peaks], kind="stable")
    shapes = [peak_shape(x, p)[0] for p in solution.peaks]
    baseline = joint_term(problem, x, solution.joint)[0]
    model = baseline + np.sum(shapes, axis=0) if shapes else baseline.copy()
    rest = (y - model)[usable]
    n, k = rest.size, len(solution.names)
    total = float(np.sum((y[usable] - y[usable].mean()) ** 2))
    freedom = max(n - k, 1)
    if not known:
        # Without clean layer the residual is all there is: white unless it says otherwise.
        left = residual_noise(rest, noise.pitch)
        variance = float(rest @ rest) / freedom
        # Steps that are not even turn lags into no distance: there is no autocorrelation to use.
        even = float(np.ptp(np.diff(x))) < 0.05 * noise.pitch
        correlated = even and left.correlation_mm > 1.5 * noise.pitch
        noise = replace(noise, sd=float(np.sqrt(variance)),
                        autocorrelation=left.autocorrelation if correlated else np.ones(1))
    scaled = rest / (gain[usable] * max(noise.local.sd, 1e-300))
    chi = float(scaled @ scaled) / freedom
    covariance = _covariance(x, gain, usable, noise, known, problem, solution, scaled)
    components = []
    for i in order:
        p = solution.peaks[i]
        at = p.centre + (apex(p.sigma, p.tau) if p.tau else 0.0)
        height = (float(peak_shape(np.array([at]), p)[0][0]) if p.tau
                  else p.area / (p.sigma * ROOT_2PI))
        components.append(Component(float(at), height, p.sigma, p.tau, p.area))
    if covariance is not None:
        index = np.concatenate([[4 * i, 4 * i + 1, 4 * i + 2, 4 * i + 3] for i in order]
                               ).astype(int) if len(order) else np.zeros(0, int)
        covariance = covariance[np.ix_(index, index)]
    aicc, bic = criteria(problem, solution, shared)
    place = {int(i): j for j, i in enumerate(order)}
    held = tuple(sorted({place[int(name[1:].split("_")[0])] for name in solution.at_bound
                         if name.startswith("p")}))
    return Fit(
        tuple(components), covariance, problem.joint, baseline, model,
        np.array([shapes[i] for i in order]).reshape(len(order), x.size),
        1.0 - float(rest @ rest) / total if total > 0 else None,
        chi if known else None, aicc, bic, tried, held,
        tuple(sorted((place[i], place[j]) for i, j in solution.merged)),
    )


def _covariance(
    x: Floats, gain: Floats, usable: NDArray[np.bool_], noise: Noise, known: bool,
    problem: Problem, solution: Solution, scaled: Floats,
) -> Floats | None:
    """Return the covariance of (centre, area, sigma, tau) of every peak.

    Weighted least squares under correlated noise C has the covariance
    (J'WJ)^-1 J'W C W J (J'WJ)^-1, with the apex in place of the Gaussian part's mean. Where the
    residual beside a peak exceeds the noise, that peak's part is scaled up by as much.
    """
    count = len(solution.peaks)
    if count == 0 or not solution.names:
        return None
    jw = solution.jacobian.T
    data = jw[: problem.x.size]
    normal = jw.T @ jw
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    hat = normal * scale[:, None] * scale[None, :]
    if not np.isfinite(hat).all() or np.linalg.cond(hat) > 1e12:
        return None
    inverse = np.linalg.inv(hat) * scale[:, None] * scale[None, :]
    weighted = np.zeros((x.size, data.shape[1]))
    weighted[usable] = data * problem.weight[:, None]
    middle = weighted.T @ noise.through(gain, weighted)
    prior = jw[problem.x.size:]
    middle = middle + prior.T @ prior
    free = inverse @ middle @ inverse
    # Carry to all four values of each peak; what was fixed or tied has no row of its own.
    carry = np.zeros((4 * count, len(solution.names)))
    for j, name in enumerate(solution.names):
        if not name.startswith("p"):
            continue
        i, what = int(name[1:].split("_")[0]), name.split("_")[1]
        carry[4 * i + ("centre", "area", "sigma", "tau").index(what), j] = 1.0
    for i, p in enumerate(solution.peaks):
        if p.tau:
            e = 1e-5 * p.sigma
            by_sigma = (apex(p.sigma + e, p.tau) - apex(p.sigma - e, p.tau)) / (2 * e)
            t = 1e-5 * p.tau
            by_tau = (apex(p.sigma, p.tau + t) - apex(p.sigma, p.tau - t)) / (2 * t)
            carry[4 * i] += by_sigma * carry[4 * i + 2] + by_tau * carry[4 * i + 3]
    out = carry @ free @ carry.T
    if known:
        stretch = np.ones(4 * count)
        for i, p in enumerate(solution.peaks):
            near = np.abs(problem.x - p.centre) < 2.0 * (p.sigma + abs(p.tau))
            if near.sum() > 8:
                local = float(np.mean(scaled[near] ** 2))
                stretch[4 * i: 4 * i + 4] = np.sqrt(max(1.0, local))
        out = out * stretch[:, None] * stretch[None, :]
    return np.asarray(out)

"""Unknown, reference and co-spot fitted together with lmfit: what ties them stands as expressions.

The quick fits of `cospot` weigh the evidence over and over; this one is reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray

from lanes.questions.compare.cospot import (
    MOST_RATIO,
    MOST_STRETCH,
    MOST_TILT,
    NARROWEST,
    SHARE_SD,
    STRETCH_SD,
    TILT_SD,
    belonging,
)
from lanes.questions.compare.cospot_window import Window, window_of
from lanes.questions.compare.own_shape import OwnShape, beyond_fit, mixed_covariance, own_shape
from lanes.reading import LaneReading
from lanes.rounding import TINY
from lanes.spots.model import Component, peak_shape

Floats = NDArray[np.float64]

LEAST_SIGMA = 0.2  # of a spot's sigma in its own lane: below it the fit has lost the spot


@dataclass(frozen=True)
class Joint:
    """The joint fit of two spots in their own lanes and in a co-spot lane.

    Attributes
    ----------
    gap : float
        Difference in Rf, unknown less reference, where two are allowed in the co-spot lane.
    gap_sd : float or None
    delta_aicc : float
        AICc of one spot in the co-spot lane less that of two: positive favours two.
    recovered : float
        Area in the co-spot lane over the sum of the two alone.
    share : float
        The unknown's share of it, from 0 to 1.
    """

    gap: float
    gap_sd: float | None
    delta_aicc: float
    recovered: float
    share: float


def joint_fit(
    lanes: tuple[LaneReading, LaneReading, LaneReading], spots: tuple[int, int],
    others: tuple[float, ...], mm: float, shift_sd: float,
) -> Joint | None:
    """Fit one unknown and one reference spot with the co-spot lane, as one spot there and as two.

    The spots keep shape and distance from lane to lane. A lane may shift (`shift_sd`, in Rf), the
    co-spot may be wider, and its amounts may differ from the single lanes', each by what is
    usual.

    Parameters
    ----------
    lanes : (LaneReading, LaneReading, LaneReading)
        Unknown, reference, co-spot.
    spots : (int, int)
        Places of the two spots in their readings.
    others : tuple of float
        Rf of every other spot applied in the co-spot lane.
    mm : float
        Millimetres per plate unit.
    shift_sd : float

    Returns
    -------
    Joint, or None where the lanes can't be used.
    """
    setup = _setup(lanes, spots, others, mm, shift_sd)
    if setup is None:
        return None
    one, two = setup.solved(apart=False), setup.solved(apart=True)
    n = sum(w.x.size - w.nuisance.shape[1] for w in setup.windows) + _PRIORS
    gap = two.params["gap"]
    alone = two.params["u_area"].value + two.params["a_area"].value
    sd = None
    if gap.stderr and np.isfinite(gap.stderr) and n > two.nvarys:
        # lmfit scales by the residual; known noise is not made smaller by a lucky one.
        sd = float(gap.stderr) * max(1.0, 1.0 / np.sqrt(max(two.redchi, TINY)))
    return Joint(float(gap.value), sd, _aicc(one, n) - _aicc(two, n),
                 float(two.params["c_total"].value / alone),
                 float(two.params["c_share"].value))


_PRIORS = 5  # terms that the residual holds beside the samples


def _aicc(found: Any, n: int) -> float:
    k = found.nvarys
    return float(found.chisqr + 2 * k + 2 * k * (k + 1) / max(n - k - 1, 1))


def _setup(
    lanes: tuple[LaneReading, LaneReading, LaneReading], spots: tuple[int, int],
    others: tuple[float, ...], mm: float, shift_sd: float,
) -> _Setup | None:
    """Return what is fitted, or None where a lane's window can't be had."""
    rfs = tuple(lane.spots[i].rf for lane, i in zip(lanes, spots, strict=False))
    group = belonging(lanes[2], rfs[0], rfs[1], others)
    if not group:
        return None
    more = 0.5 * abs(rfs[0] - rfs[1]) * lanes[2].trace.run
    parts = tuple(lane.fit.components[i] for lane, i in zip(lanes, spots, strict=False))
    shapes = own_shape(lanes[0], spots[0]), own_shape(lanes[1], spots[1])
    windows = [window_of(lanes[0], (spots[0],), mm), window_of(lanes[1], (spots[1],), mm),
               window_of(lanes[2], group, mm, more)]
    known = tuple(w for w in windows if w is not None)
    if len(known) < len(windows):
        return None
    mixed = [lanes[2].fit.components[i] for i in group]
    total = sum(c.area for c in mixed)
    centre = sum(c.area * c.centre for c in mixed) / total
    share = parts[0].area / (parts[0].area + parts[1].area)
    doubts = (shapes[0].covariance, shapes[1].covariance, mixed_covariance(*shapes, share))
    at = (*((c.centre, c.spread, c.area) for c in parts),
          (centre, max(c.spread for c in parts), total))
    known = tuple(w.unsure(*where, doubt)
                  for w, where, doubt in zip(known, at, doubts, strict=True))
    whites = tuple(w.space(NARROWEST * min(c.sigma for c in parts)).whole for w in known)
    return _Setup(known, whites, tuple(lane.trace.run for lane in lanes), rfs, parts, shapes,
                  total, shift_sd)


@dataclass(frozen=True)
class _Setup:
    """The three windows of unknown (u), reference (a) and co-spot lane (c), ready to be fitted."""

    windows: tuple[Window, ...]
    whites: tuple[Floats, ...]
    runs: tuple[float, ...]
    rfs: tuple[float, ...]
    parts: tuple[Component, ...]
    shapes: tuple[OwnShape, ...]
    total: float
    shift_sd: float

    def solved(self, apart: bool) -> Any:
        """Return lmfit's result with the two spots `apart` by a free gap, or by none."""
        return lmfit.minimize(self._residual, self._start(apart), max_nfev=2000)

    def _curve(self, lane: int, spot: int, v: dict[str, float], name: str) -> Floats:
        """Return spot `spot` in lane `lane`, by the parameters that begin with `name`."""
        sigma, run = v[f"{name}_sigma"], self.runs[lane]
        tail = self.parts[spot].tau / self.parts[spot].sigma
        area = v[f"{name}_area"]
        height = self.parts[spot].height / self.parts[spot].area * self.parts[spot].sigma
        c = Component(v[f"{name}_rf"] * run, area * height / sigma, sigma, tail * sigma, area)
        x = self.windows[lane].x
        return peak_shape(x, c.peak())[0] + beyond_fit(x, c, self.shapes[spot].terms)

    def _residual(self, parameters: lmfit.Parameters) -> Floats:
        v: dict[str, float] = parameters.valuesdict()
        models = [self._curve(0, 0, v, "u"), self._curve(1, 1, v, "a"),
                  self._curve(2, 0, v, "cu") + self._curve(2, 1, v, "ca")]
        shift = np.sqrt(2.0) * self.shift_sd
        priors = [v["a_shift"] / shift, v["c_shift"] / shift, v["c_stretch"] / STRETCH_SD,
                  v["c_tilt"] / TILT_SD, v["c_ratio"] / SHARE_SD]
        return np.concatenate([
            *(white @ (w.y - m)
              for white, w, m in zip(self.whites, self.windows, models, strict=True)),
            priors])

    def _start(self, apart: bool) -> lmfit.Parameters:
        (u, a), (u_rf, a_rf) = self.parts, self.rfs
        p = lmfit.Parameters()
        p.add("u_rf", u_rf)
        p.add("u_area", u.area, min=0.0)
        p.add("u_sigma", u.sigma, min=LEAST_SIGMA * u.sigma)
        p.add("a_area", a.area, min=0.0)
        p.add("a_sigma", a.sigma, min=LEAST_SIGMA * a.sigma)
        p.add("gap", u_rf - a_rf if apart else 0.0, vary=apart)
        p.add("a_shift", 0.0 if apart else a_rf - u_rf)
        p.add("c_shift", 0.0)
        p.add("c_stretch", 0.0, min=-MOST_STRETCH, max=MOST_STRETCH)
        p.add("c_tilt", 0.0, min=-MOST_TILT, max=MOST_TILT)
        p.add("c_total", self.total, min=0.0)
        p.add("c_ratio", 0.0, min=-MOST_RATIO, max=MOST_RATIO)
        p.add("a_rf", expr="u_rf - gap + a_shift")
        p.add("c_share", expr="1 / (1 + a_area / max(u_area, 1e-300) * exp(-c_ratio))")
        p.add("cu_rf", expr="u_rf + c_shift")
        p.add("ca_rf", expr="u_rf + c_shift - gap")
        p.add("cu_area", expr="c_total * c_share")
        p.add("ca_area", expr="c_total * (1 - c_share)")
        p.add("cu_sigma", expr="u_sigma * exp(c_stretch + c_tilt)")
        p.add("ca_sigma", expr="a_sigma * exp(c_stretch - c_tilt)")
        return p

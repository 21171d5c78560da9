"""Unknown, reference and co-spot fitted together with lmfit: what ties them stands as expressions.

The quick fits of `cospot` weigh the evidence over and over; this one is reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray

from lanes.questions.compare.cospot import SHARE_SD, TILT_SD, belonging
from lanes.questions.compare.cospot_window import Window, window_of
from lanes.reading import LaneReading
from lanes.spots.choose import WIDTH_PRIOR
from lanes.spots.model import Component, peak_shape

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Joint:
    """The joint fit of two spots in their own lanes and in a co-spot lane.

    Attributes
    ----------
    gap : float
        Difference in Rf, unknown less reference, where two are allowed in the co-spot lane.
    gap_sd : float or None
    delta_aicc : float
        AICc of one spot in the co-spot lane less that of two: positive speaks for two.
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
    rfs = [lane.spots[i].rf for lane, i in zip(lanes, spots, strict=False)]
    group = belonging(lanes[2], rfs[0], rfs[1], others)
    if not group:
        return None
    more = 0.5 * abs(rfs[0] - rfs[1]) * lanes[2].trace.run
    windows = [window_of(lanes[0], (spots[0],), mm), window_of(lanes[1], (spots[1],), mm),
               window_of(lanes[2], group, mm, more)]
    if any(window is None for window in windows):
        return None
    known: list[Window] = [w for w in windows if w is not None]
    parts = [lane.fit.components[i] for lane, i in zip(lanes, spots, strict=False)]
    whites = [w.space(0.6 * min(c.sigma for c in parts)).whole for w in known]
    runs = [lane.trace.run for lane in lanes]
    taus = [c.tau / c.sigma for c in parts]
    total = sum(lanes[2].fit.components[i].area for i in group)

    def curve(x: Floats, rf: float, run: float, area: float, sigma: float, tail: float) -> Floats:
        apex_at = Component(rf * run, 0.0, sigma, tail * sigma, area)
        return peak_shape(x, apex_at.peak())[0]

    def residual(parameters: lmfit.Parameters) -> Floats:
        v: dict[str, float] = parameters.valuesdict()
        models = [
            curve(known[0].x, v["u_rf"], runs[0], v["u_area"], v["u_sigma"], taus[0]),
            curve(known[1].x, v["a_rf"], runs[1], v["a_area"], v["a_sigma"], taus[1]),
            curve(known[2].x, v["cu_rf"], runs[2], v["cu_area"], v["cu_sigma"], taus[0])
            + curve(known[2].x, v["ca_rf"], runs[2], v["ca_area"], v["ca_sigma"], taus[1]),
        ]
        priors = [
            v["a_shift"] / (np.sqrt(2.0) * shift_sd), v["c_shift"] / (np.sqrt(2.0) * shift_sd),
            v["c_stretch"] / WIDTH_PRIOR, v["c_tilt"] / TILT_SD, v["c_ratio"] / SHARE_SD,
        ]
        return np.concatenate([
            *(white @ (w.y - m) for white, w, m in zip(whites, known, models, strict=True)),
            priors])

    def solved(apart: bool) -> Any:
        p = lmfit.Parameters()
        p.add("u_rf", rfs[0])
        p.add("u_area", parts[0].area, min=0.0)
        p.add("u_sigma", parts[0].sigma, min=0.2 * parts[0].sigma)
        p.add("a_area", parts[1].area, min=0.0)
        p.add("a_sigma", parts[1].sigma, min=0.2 * parts[1].sigma)
        p.add("gap", rfs[0] - rfs[1] if apart else 0.0, vary=apart)
        p.add("a_shift", 0.0 if apart else rfs[1] - rfs[0])
        p.add("c_shift", 0.0)
        p.add("c_stretch", 0.0, min=-0.5, max=0.5)
        p.add("c_tilt", 0.0, min=-0.3, max=0.3)
        p.add("c_total", total, min=0.0)
        p.add("c_ratio", 0.0, min=-3.0, max=3.0)
        p.add("a_rf", expr="u_rf - gap + a_shift")
        p.add("c_share", expr="1 / (1 + a_area / max(u_area, 1e-300) * exp(-c_ratio))")
        p.add("cu_rf", expr="u_rf + c_shift")
        p.add("ca_rf", expr="u_rf + c_shift - gap")
        p.add("cu_area", expr="c_total * c_share")
        p.add("ca_area", expr="c_total * (1 - c_share)")
        p.add("cu_sigma", expr="u_sigma * exp(c_stretch + c_tilt)")
        p.add("ca_sigma", expr="a_sigma * exp(c_stretch - c_tilt)")
        return lmfit.minimize(residual, p, max_nfev=2000)

    one, two = solved(False), solved(True)
    n = sum(w.x.size - w.nuisance.shape[1] for w in known) + 5
    count = two.nvarys

    def aicc(found: Any) -> float:
        k = found.nvarys
        return float(found.chisqr + 2 * k + 2 * k * (k + 1) / max(n - k - 1, 1))

    gap = two.params["gap"]
    alone = two.params["u_area"].value + two.params["a_area"].value
    sd = None
    if gap.stderr and np.isfinite(gap.stderr) and n > count:
        # lmfit scales by the residual; known noise is not made smaller by a lucky one.
        sd = float(gap.stderr) * max(1.0, 1.0 / np.sqrt(max(two.redchi, 1e-12)))
    return Joint(float(gap.value), sd, aicc(one) - aicc(two),
                 float(two.params["c_total"].value / alone),
                 float(two.params["c_share"].value))

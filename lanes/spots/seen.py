"""Weak spots that were seen on the plate: what two dimensions show, a trace need only confirm.

A trace is a sum across the lane: it keeps the layer's waves and loses what parts a round spot from
them. A spot that stood out of the layer before any lane was drawn is believed where its trace
agrees, though it would not stand out in the trace alone.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.model import Peak
from lanes.spots.shape_terms import ShapeDoubt
from lanes.spots.shapes import ROOT_2PI
from lanes.spots.transverse import BROADEST_MM, NARROWEST_MM, stands_out
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

# A weak spot's width as seen on the plate and as fitted to its trace: each is known to a fifth at
# five standard deviations (Cramer-Rao), and a wave of the layer fitted instead is wider.
LIKE = 0.5  # ln of their ratio
# The plate has shown the spot, against all places where noise might; its trace has only to show
# an area above nothing at the one place: 95 %, to one side. Where the plate shows more or less than
# is asked of it, the trace has to show as much less or more: the sum of both is held to one limit
# (Stouffer's; from memory).
CONFIRMED = 1.645
# Standard deviations of what stronger neighbours' shapes may leave in a spot's place, below which
# it is as likely that (a choice).
LIKELY = 1.0
APART = 2.0  # spreads of each: from a resolution of 1 on, spots share next to nothing


class SeenPlace(NamedTuple):
    """Where the plate shows a spot: its place and sigma along the lane, in the trace's unit.

    `excess` is what it stands out by beyond the limit, in standard deviations of the layer's noise;
    less than nothing where it may not stand out at all.
    """

    position: float
    sigma: float
    excess: float = 0.0

    @property
    def asked(self) -> float:
        """Standard deviations of area that the trace has to show there."""
        return max(0.0, CONFIRMED - self.excess)


def add_seen(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, places: tuple[SeenPlace, ...], *,
    mm: float, baseline_order: str = "auto", shapes: ShapeDoubt | None = None,
) -> Fit:
    """Return `fit` with the spots at `places` that the trace agrees to.

    Parameters
    ----------
    trace : Trace
    flat : (n,) array
        Its signal less the background.
    fit : Fit
    noise : Noise
    places : tuple of SeenPlace
        Where spots were seen that `fit` lacks, the surest first.
    mm : float
        Millimetres per unit of length.
    baseline_order : str
    shapes : ShapeDoubt, optional
    """
    for place in places:
        position, sigma, _ = place
        i = int(np.argmin(np.abs(trace.position - position)))
        if not trace.usable[i]:
            continue
        near = np.abs(trace.position - position) < sigma
        height = float(np.mean((flat - fit.model)[near & trace.usable]))
        if height <= 0.0:
            continue
        start = (*(c.peak() for c in fit.components), Peak(position, height * sigma * ROOT_2PI,
                                                          sigma))
        trial = deconvolve(trace.position, flat, noise=noise, gain=trace.gain, usable=trace.usable,
                           baseline_order=baseline_order, start=start,
                           narrowest=NARROWEST_MM / mm, broadest=BROADEST_MM / mm, shapes=shapes)
        if _confirmed(trial, len(start), place):
            fit = trial.after(fit)
    return fit


def only_confirmed(
    trace: Trace, flat: Floats, fit: Fit, noise: Noise, places: tuple[SeenPlace, ...] = (), *,
    mm: float, baseline_order: str = "auto", shapes: ShapeDoubt | None = None,
) -> Fit:
    """Return `fit` without what stands by itself and has no area above nothing, 95 % to one side.

    A spot is detected against the noise of layer that is seen; what it hides is known less well,
    and with that counted its area may be anything. Of spots that overlap the areas are doubtful
    since they share, and do not show whether there are two: those are kept. So is what stands
    far out of the noise, and whose area is doubtful since its shape fits badly; but not what the
    shapes of stronger spots beside it may leave. Parameters are those of `add_seen`.
    """
    while True:
        doubtful: list[tuple[float, int]] = []
        for i, c in enumerate(fit.components):
            sd, by_others = fit.sd(i, "area", noise_only=True), fit.area_sd_by_others(i)
            alone = all(abs(c.mean - o.mean) > APART * (c.spread + o.spread)
                        for o in fit.components if o is not c)
            asked = min((p.asked for p in places if abs(c.centre - p.position) < p.sigma),
                        default=CONFIRMED)
            if sd is not None and alone and (c.area < min(asked, LIKELY) * by_others or (
                    c.area < asked * sd and not stands_out(trace, flat, fit, noise, i))):
                doubtful.append((c.area / max(sd, by_others), i))
        if not doubtful:
            return fit
        out = min(doubtful)[1]
        start = tuple(c.peak() for i, c in enumerate(fit.components) if i != out)
        fit = deconvolve(trace.position, flat, noise=noise, gain=trace.gain, usable=trace.usable,
                         baseline_order=baseline_order, start=start,
                         narrowest=NARROWEST_MM / mm, broadest=BROADEST_MM / mm, shapes=shapes,
                         ).after(fit)


def _confirmed(trial: Fit, count: int, place: SeenPlace) -> bool:
    """Return whether `trial` holds a spot there, as wide as it was seen, and lost none for it."""
    if len(trial.components) != count:
        return False
    position, sigma, _ = place
    i = int(np.argmin([abs(c.centre - position) for c in trial.components]))
    c, sd = trial.components[i], trial.sd(i, "area", noise_only=True)
    return bool(sd is not None and c.area > place.asked * sd and abs(c.centre - position) < sigma
                and abs(np.log(c.spread / sigma)) < LIKE)

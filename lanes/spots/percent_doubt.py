"""How area percents move with what is assumed of the light: the law, the layer's reflectance.

The fitted spots, spread over the lane's width as they were found, say how dark each place is;
that light is turned to signal by another law, and where spots overlap it is shared among them as
before. A law is bent, so what a spot is made of counts too: by how much the turned samples exceed
the turned fit under a spot, its area does. Nothing is fitted again: the answer of `lanes purity`
is, and differs by little.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanes.plate.signal import kubelka_munk, optical_density, reflectance
from lanes.spots.fit import Fit
from lanes.spots.transverse import profiles
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

# Either law is used for what absorbs (common practice); emission has one.
OTHER = {"kubelka-munk": "optical-density", "optical-density": "kubelka-munk"}
# Of the clean layer's reflectance, as a share: white layers reflect 0.8 to 0.9 (common practice),
# and a scan's white is set by its maker.
LAYER_SD = 0.03
# Times its fit that a spot's samples may add up to and still show how uneven it is; beyond, a weak
# one stands on what the layer does (a factor that no spot above detection reaches).
FOLLOWED = 2.0


def percent_doubts(trace: Trace, fit: Fit, law: str, reference: float) -> Floats | None:
    """Return by how much each area percent is doubted for what is assumed, one row a reason.

    The other law in common use lies at two standard deviations: a 95 % interval reaches it.

    Parameters
    ----------
    trace : Trace
    fit : Fit
    law : str
        By which the signal was made.
    reference : float
        The clean layer's reflectance.

    Returns
    -------
    (k, c) array of standard deviations with their signs, or None where nothing can be said.
    """
    if law not in OTHER or len(fit.components) < 2:
        return None
    now = percents_under(trace, fit, law, law, reference)
    other = percents_under(trace, fit, law, OTHER[law], reference)
    if now is None or other is None:
        return None
    rows = [0.5 * (other - now)]
    if law == "kubelka-munk":
        moved = percents_under(trace, fit, law, law, reference, reference * (1.0 - LAYER_SD))
        if moved is not None:
            rows.append(moved - now)
    return np.array(rows)


def percents_under(
    trace: Trace, fit: Fit, law: str, other: str, reference: float, moved: float | None = None
) -> Floats | None:
    """Return each spot's area percent had the light been turned to signal by the law `other`.

    Parameters
    ----------
    moved : float, optional
        The layer's reflectance by which it is turned, where not `reference`.

    Returns
    -------
    (c,) array, or None for a trace without strips or of no spots.
    """
    shares = profiles(trace, fit)
    if shares is None or trace.across is None:
        return None
    layer = reference if moved is None else moved
    step = float(trace.across[1] - trace.across[0])
    shares = np.clip(shares, 0.0, None) / step
    parts = fit.peaks[:, :, None] * shares[:, None, :]  # (spots, samples, strips)
    total = parts.sum(axis=0)
    turned = _turned(total, law, other, reference, layer)
    slope = np.divide(turned, total, out=np.zeros_like(total), where=total > 1e-9 * total.max())
    areas = (parts * slope).sum(axis=(1, 2))
    if trace.sheet is not None:
        seen = trace.sheet.values.astype(float)
        before = _excess(trace, fit, seen, total)
        after = _excess(trace, fit, _turned(seen, law, other, reference, layer), turned)
        followed = (before > 1.0 / FOLLOWED) & (before < FOLLOWED) & (after > 0.0)
        areas *= np.divide(after, before, out=np.ones_like(areas), where=followed)
    return np.asarray(100.0 * areas / areas.sum())


def _excess(trace: Trace, fit: Fit, seen: Floats, modelled: Floats) -> Floats:
    """Return how many times the signal `modelled` under each spot is seen there, (c,)."""
    weight = fit.peaks[:, trace.usable]
    under = weight @ modelled[trace.usable].mean(axis=1)
    return np.asarray(np.divide(weight @ seen[trace.usable].mean(axis=1), under,
                                out=np.zeros_like(under), where=under > 0.0))


def _turned(values: Floats, law: str, other: str, reference: float, moved: float) -> Floats:
    """Return signal by `law` as signal by `other`, the layer's reflectance taken as `moved`."""
    share = (10.0 ** -values if law == "optical-density"
             else reflectance(values + float(kubelka_munk(reference))) / reference)
    share = np.clip(share, 1e-3, None)
    if other == "optical-density":
        return optical_density(share)
    return kubelka_munk(np.clip(moved * share, 0.004, 1.2)) - float(kubelka_munk(moved))

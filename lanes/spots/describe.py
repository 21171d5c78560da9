"""A fit as spots and pairs, with the remarks each deserves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lanes.flags import Flag, flag
from lanes.rounding import rounded_down
from lanes.spots.fit import Fit
from lanes.spots.law_doubt import LawDoubt
from lanes.spots.model import Component
from lanes.spots.quantities import (
    Pair,
    Spot,
    area_percents,
    full_width,
    pair,
    plate_number,
    retardation,
    signal_to_noise,
    symmetry,
)
from lanes.spots.transverse import profiles
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

TAILS = 1.25      # symmetry from which a spot is flagged as tailing
WEAK = 10.0       # area over its standard deviation
PENCILLED_MM = 2.5  # from the origin line or the front
# Reduced chi-square: of 70 lanes drawn with care one in a hundred exceeds 1.9 (measured).
POOR = 2.0
EDGE_SHARE = 0.06  # of a spot's signal in the outermost strip
# Area over its standard deviation from which its share there is known well enough to be remarked
# on.
EDGE_SURE = 20.0
# Of a lane's width at one place, and of the places along its run: what is hidden by pencil or dust
# and is remarked on. Choices: a speck of 0.2 mm on a lane of 7 mm hides 0.03, and one is no news.
HIDDEN, HIDDEN_RUN = 0.02, 0.002
CLIPPED = 0.1      # share of a spot's middle at the end of the scan's range that is remarked on
# Of the lower apex: a valley no deeper than this is none, by the rounding of a grid of 800 places.
NO_VALLEY = 0.999


def describe(
    trace: Trace, fit: Fit, noise: Noise, origin_sd: float, front_sd: float, scaled: bool,
    mm: float, law: LawDoubt | None = None, skew_sd: float = 0.0,
) -> tuple[tuple[Spot, ...], tuple[Pair, ...], tuple[Flag, ...]]:
    """Return the spots, the neighbouring pairs and the lane's own flags.

    Parameters
    ----------
    trace, fit, noise
    origin_sd, front_sd : float
        Standard deviations of the two lines' heights, in plate units.
    scaled : bool
        Whether lengths are in mm; else they are given as None.
    mm : float
        Millimetres per plate unit.
    law : LawDoubt, optional
        How far area percents and resolutions hang on the law and the layer.
    skew_sd : float
        Standard deviation of how much longer a length is at the front than at the origin.
    """
    count = len(fit.components)
    if count == 0:
        nothing = flag("no-spot", "nothing stands out of its trace's noise as a spot does")
        return (), (), (nothing,)
    percents, percent_sds = area_percents(fit)
    if percent_sds is not None and law is not None:
        percent_sds = np.hypot(law.noise * percent_sds,
                               np.sqrt(np.square(law.percents).sum(axis=0)))
    percent_noise = area_percents(fit, noise_only=True)[1]
    shares = profiles(trace, fit)
    spots = tuple(
        _spot(trace, fit, i, noise, None if shares is None else shares[i], scaled,
              (origin_sd, front_sd, skew_sd),
              (float(percents[i]), _known(percent_sds, i), _known(percent_noise, i)))
        for i in range(count))
    pairs = tuple(_pair(trace, fit, i, law) for i in range(count - 1))
    return spots, pairs, _lane_remarks(trace, fit, mm)


def _spot(
    trace: Trace, fit: Fit, i: int, noise: Noise, share: Floats | None, scaled: bool,
    line_sds: tuple[float, float, float], percents: tuple[float, float | None, float | None],
) -> Spot:
    """Return spot `i`; `percents` are its share, that one's standard deviation and its noise."""
    c = fit.components[i]
    percent, percent_sd, percent_noise = percents
    rf, rf_sd = retardation(fit, i, trace.run, *line_sds)
    area_sd = fit.sd(i, "area", noise_only=True) or None
    wide = full_width(c)
    return Spot(
        rf=float(rf), rf_sd=rf_sd, hrf=100.0 * float(rf),
        position_mm=c.centre if scaled else None, area=c.area,
        area_sd=fit.sd(i, "area") or None, area_percent=percent, area_percent_sd=percent_sd,
        height=c.height,
        width_mm=wide if scaled else None, sigma_mm=c.sigma if scaled else None,
        asymmetry=symmetry(c), plate_number=plate_number(c),
        signal_to_noise=signal_to_noise(c, noise.local),
        flags=_remarks(trace, fit, i, wide, area_sd, share),
        rf_sd_noise=retardation(fit, i, trace.run, *line_sds[:2], noise_only=True)[1],
        area_sd_noise=area_sd, area_percent_sd_noise=percent_noise,
    )


def _lane_remarks(trace: Trace, fit: Fit, mm: float) -> tuple[Flag, ...]:
    """Return the remarks on a lane that holds spots."""
    out: list[Flag] = []
    chi = fit.reduced_chi_square
    if chi is not None and chi > POOR:
        out.append(flag("fit-poor", f"the residual has {np.sqrt(chi):.1f} times the noise: "
                        "a spot's shape is not the fitted one, or something small was "
                        f"not separated{_might_be_two(trace, fit)}"))
    clear = PENCILLED_MM / mm  # ticks and lines are looked for there, and are no news
    inside = (trace.position > clear) & (trace.position < trace.run - clear) & trace.usable
    if (trace.thin[inside] > HIDDEN).mean() > HIDDEN_RUN:
        share = float((trace.thin[inside] > HIDDEN).mean())
        out.append(flag("thin-matter", "pencil, dust or scratches cover "
                        f"{100 * share:.1f} % of the run"))
    return tuple(out)


def _might_be_two(trace: Trace, fit: Fit) -> str:
    """Return where one misshapen spot was believed rather than two, as the end of a sentence."""
    at = sorted({f"{c.centre / trace.run:.2f}" for c in fit.components
                 if any(abs(place - c.mean) < c.spread for place in fit.refused)})
    if not at:
        return ""
    return (f"; at Rf {', '.join(at)} two spots fit better, but so does one misshapen spot: "
            "lanes shoulder asks which")


def _pair(trace: Trace, fit: Fit, i: int, law: LawDoubt | None) -> Pair:
    """Return spot `i` and the next, the law's doubt of their widths counted in the resolution."""
    found = pair(fit, i, i + 1, trace.run, trace.blur)
    if law is None or found.resolution is None or found.resolution_sd is None:
        return found
    wide = full_width(fit.components[i]), full_width(fit.components[i + 1])
    by = found.resolution * law.resolution_sd(i, i + 1, wide)
    if not np.isfinite(by):
        return found
    return replace(found, resolution_sd=float(np.hypot(found.resolution_sd, by)))


def _known(values: Floats | None, i: int) -> float | None:
    return None if values is None or not np.isfinite(values[i]) else float(values[i])


def _remarks(
    trace: Trace, fit: Fit, i: int, wide: float, area_sd: float | None,
    share: Floats | None,
) -> tuple[Flag, ...]:
    c: Component = fit.components[i]
    out = []
    if area_sd is None:
        out.append(flag("no-uncertainty", "the fit does not fix this spot on its own"))
    elif c.area < WEAK * area_sd:
        out.append(flag("weak", f"its area is {rounded_down(c.area / area_sd)} times its standard "
                                "deviation by noise; ten times or more is wanted"))
    for a, b in fit.merged:
        if i in (a, b) and _no_valley(fit, a, b):
            out.append(flag("merged", "no valley towards its neighbour"))
            break
    if symmetry(c) > TAILS or symmetry(c) < 2.0 - TAILS:
        out.append(flag("tailing", f"symmetry {symmetry(c):.2f}"))
    if c.centre < 0.5 * wide:
        out.append(flag("at-origin", "within half its width of the origin line"
                        if c.centre > -0.5 * wide else
                        "below the origin line, where nothing runs: dirt, or a line misread"))
    if c.centre > trace.run - 0.5 * wide:
        out.append(flag("at-front", "within half its width of the solvent front"
                        if c.centre < trace.run + 0.5 * wide else
                        "beyond the solvent front, where nothing runs: dirt, or a line misread"))
    if i in fit.at_bound:
        out.append(flag("at-bound", "its width ended at a limit"))
    near = np.abs(trace.position - c.centre) < 0.5 * wide
    if near.any() and float(trace.clipped[near].max()) > CLIPPED:
        out.append(flag("clipped", "its middle is beyond the scan's range"))
    if share is not None and area_sd is not None and c.area > EDGE_SURE * area_sd:
        edge = float(max(share[0], share[-1]))
        if edge > EDGE_SHARE:
            out.append(flag("window-short", f"{100 * edge:.0f} % of it lies in the outermost "
                            "ninth of the lane"))
    return tuple(out)


def _no_valley(fit: Fit, i: int, j: int) -> bool:
    depth = pair(fit, i, j, 1.0).valley_to_peak
    return depth is not None and depth > NO_VALLEY

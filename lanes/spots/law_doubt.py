"""How area percents and widths move with what is assumed of the light: the law, the layer.

The fitted spots, spread over the lane's width as they were found, give how dark each place is;
that light is turned to signal by another law, and where spots overlap it is shared among them as
before. A law is bent, so what a spot is made of counts too: by how much the turned samples exceed
the turned fit under a spot, its area does. Nothing is fitted again: the answer of `lanes purity`
is, and differs by little.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lanes.plate.signal import (
    LEAST_R,
    LEAST_RATIO,
    MOST_R,
    USUAL_LAYER,
    kubelka_munk,
    optical_density,
    reflectance,
)
from lanes.same import Same
from lanes.spots.fit import Fit
from lanes.spots.transverse import profiles
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]

# Either law is used for what absorbs (common practice); emission has one, and falls short of it.
OTHER = {"kubelka-munk": "optical-density", "optical-density": "kubelka-munk"}
# Of the clean layer's reflectance, as a share: white layers reflect 0.8 to 0.9 (common practice),
# and a scan's white is set by its maker.
LAYER_SD = 0.03
DARKEST_LAYER = 0.1  # reflectance: on a darker layer no dark spot is read
# Of the glow of a lane's brightest sample, what may be lost in the spot itself. Of an absorbance A
# of the lamp's light, (1 - 10^-A) / (A ln 10) glows: 0.8 at A = 0.2 (Beer and Lambert's law; that
# spots the eye sees well have 0.1 to 0.2 and more is common practice).
GLOW_LOST, SELF_ABSORBED = "glow lost", 0.2
# Times its fit that a spot's samples may add up to and still show how uneven it is; beyond, a weak
# one stands on what the layer does (a factor that no spot above detection reaches).
FOLLOWED = 2.0
# Of a lane's largest signal: where there is less, nothing is turned and no slope is taken.
NO_SIGNAL = 1e-9
NO_SHARE = 1e-6    # percent squared: so that a lane of all but one spot divides by nothing
NO_GLOW = 1e-12    # signal: so that nothing is divided by 0
# Of the way to the one other choice as good, as a standard deviation. Either may hold, and what is
# true then lies at the other with even chance; or laws scatter about the middle of the two in use,
# which are a standard deviation from it, and the truth may lie beyond either: both ways the mean
# square of its distance from the one that was taken is half of their distance squared.
AS_GOOD = 1.0 / float(np.sqrt(2.0))
# Of the way to the most that may be, where anything up to it is as likely (a rectangular
# distribution; JCGM 100:2008, 4.3.7, from memory).
UP_TO = 1.0 / float(np.sqrt(3.0))


@dataclass(frozen=True)
class LawDoubt:
    """By how much figures are doubted for the law, one row a reason, with their signs.

    Attributes
    ----------
    percents : (k, c) array
        Standard deviations of each area percent.
    widths : (k, c) array
        Of ln of each spot's width at half height.
    noise : (c,) array
        Times as large as by the law in use the noise of each area percent may be: what a law
        presses together it presses together with its noise.
    """

    percents: Floats
    widths: Floats
    noise: Floats

    def resolution_sd(self, i: int, j: int, wide: tuple[float, float]) -> float:
        """Return the relative standard deviation of two spots' resolution, their widths `wide`."""
        moved = (wide[0] * self.widths[:, i] + wide[1] * self.widths[:, j]) / sum(wide)
        return float(np.sqrt(np.sum(np.square(moved))))


def law_doubt(
    trace: Trace, fit: Fit, law: str, reference: float, as_read: float | None = None
) -> LawDoubt | None:
    """Return how far area percents and widths hang on what is assumed of the light.

    Parameters
    ----------
    trace : Trace
    fit : Fit
    law : str
        By which the signal was made.
    reference : float
        The clean layer's reflectance, as it is taken.
    as_read : float, optional
        As the picture has it, where that is another one: exposed short, or stained.

    Returns
    -------
    LawDoubt, or None where nothing is known of it.
    """
    if len(fit.components) < 2:
        return None
    now = spots_under(trace, fit, law, law, reference)
    if now is None:
        return None
    shares = _percents(now)
    reasons = [(choice.by, moved) for choice in choices(law, reference, as_read)
               if (moved := spots_under(trace, fit, law, choice.law, reference, choice.layer))
               is not None]
    return LawDoubt(
        np.array([by * (_percents(s) - shares) for by, s in reasons]),
        np.array([by * np.log(_half_widths(trace, s) / _half_widths(trace, now))
                  for by, s in reasons]),
        np.max([np.ones(len(shares)), *(_spread_of(_percents(s)) / _spread_of(shares)
                                        for _, s in reasons)], axis=0))


def _spread_of(percents: Floats) -> Floats:
    """Return how much a percent moves with ln of its spot's area."""
    return np.asarray(np.maximum(percents * (100.0 - percents), NO_SHARE))


@dataclass(frozen=True)
class Choice:
    """Another way from light to signal.

    Attributes
    ----------
    why : str
        "law", "layer" (its reflectance is known to so much) or "exposure" (a layer that reads
        dark is stained, or exposed short).
    by : float
        Of the way there, what is a standard deviation.
    law : str
    layer : float
        The clean layer's reflectance.
    """

    why: str
    by: float
    law: str
    layer: float


def choices(law: str, reference: float, as_read: float | None = None) -> tuple[Choice, ...]:
    """Return what could as well be assumed of the light; parameters are those of `law_doubt`."""
    other = Choice("law", AS_GOOD if law in OTHER else UP_TO, OTHER.get(law, GLOW_LOST), reference)
    if law != "kubelka-munk":
        return (other,)
    layer = Choice("layer", 1.0, law, reference * (1.0 - LAYER_SD))
    # A layer that reads darker than a white one is stained, and reflects so much, or exposed
    # short, and reflects as a white one does: the picture does not show which.
    read = reference if as_read is None else as_read
    if read >= USUAL_LAYER * (1.0 - LAYER_SD):
        return (other, layer)
    rival = USUAL_LAYER if read == reference else max(read, DARKEST_LAYER)
    return (other, layer, Choice("exposure", AS_GOOD, law, rival))


def percents_under(
    trace: Trace, fit: Fit, law: str, other: str, reference: float
) -> Floats | None:
    """Return each spot's area percent, (c,), had the light been turned by the law `other`."""
    found = spots_under(trace, fit, law, other, reference)
    return None if found is None else _percents(found)


def limit_under(
    trace: Trace, fit: Fit, law: str, other: str, reference: float, area: float, sigma: float
) -> float | None:
    """Return the area percent that one spot more would be, had the light been turned by `other`.

    A law bends a heavy spot and a small one apart, so that a spot of a percent by one law may be
    several by another.

    Parameters
    ----------
    area, sigma : float
        The spot's, by the plate's law; it is round.
    """
    now = spots_under(trace, fit, law, law, reference)
    turned = spots_under(trace, fit, law, other, reference)
    if now is None or turned is None or not area > 0.0:
        return None
    height = area / (2.0 * np.pi * sigma**2)
    slope = float(
        _turned(np.array([height]), law, other, reference, reference, height)[0]) / height
    total = sum(c.area for c in fit.components) * float(turned.sum() / now.sum())
    return 100.0 * area * slope / (total + area * slope)


def _percents(spots: Floats) -> Floats:
    areas = spots.sum(axis=1)
    return np.asarray(100.0 * areas / areas.sum())


def _half_widths(trace: Trace, spots: Floats) -> Floats:
    """Return the full width at half height of each of `spots`, (c, n)."""
    x, out = trace.position, []
    for spot in spots:
        top = int(np.argmax(spot))
        half = 0.5 * spot[top]
        low = np.nonzero(spot[:top + 1] < half)[0]
        high = np.nonzero(spot[top:] < half)[0]
        if not low.size or not high.size:
            out.append(np.nan)  # cut off by the lane's end
            continue
        i, j = int(low[-1]), top + int(high[0])
        out.append(np.interp(-half, -spot[j - 1:j + 1], x[j - 1:j + 1])
                   - np.interp(half, spot[i:i + 2], x[i:i + 2]))
    return np.array(out, float)


def spots_under(
    trace: Trace, fit: Fit, law: str, other: str, reference: float, moved: float | None = None,
    brightest: float | None = None,
) -> Floats | None:
    """Return each spot along the lane, (c, n), had the light been turned by the law `other`.

    Parameters
    ----------
    moved : float, optional
        The layer's reflectance by which it is turned, where not `reference`.
    brightest : float, optional
        The signal at which the most of a glow is lost, where not the lane's own largest.

    Returns
    -------
    (c, n) array, or None for a trace without strips or of no spots.
    """
    lane = _spread(Same(trace), Same(fit))
    if lane is None:
        return None
    spread, total = lane
    layer = reference if moved is None else moved
    top = float(total.max(initial=0.0)) if brightest is None else brightest
    turned = _turned(total, law, other, reference, layer, top)
    slope = np.divide(turned, total, out=np.zeros_like(total),
                      where=total > NO_SIGNAL * total.max())
    spots: Floats = np.einsum("csk,sk->cs", spread, slope)
    if trace.sheet is not None:
        seen = trace.sheet.values.astype(float)
        before = _excess(trace, fit, seen, total)
        after = _excess(trace, fit, _turned(seen, law, other, reference, layer, top), turned)
        followed = (before > 1.0 / FOLLOWED) & (before < FOLLOWED) & (after > 0.0)
        spots *= np.divide(after, before, out=np.ones(len(spots)), where=followed)[:, None]
    return spots


@lru_cache(maxsize=1)  # a lane is turned by several laws in turn
def _spread(same_trace: Same[Trace], same_fit: Same[Fit]) -> tuple[Floats, Floats] | None:
    """Return the fitted signal in each strip, by spot (c, n, k) and in all (n, k).

    None for a trace without strips or of no spots.
    """
    trace, fit = same_trace.value, same_fit.value
    shares = profiles(trace, fit)
    if shares is None or trace.across is None:
        return None
    step = float(trace.across[1] - trace.across[0])
    shares = np.clip(shares, 0.0, None) / step
    spread = fit.peaks[:, :, None] * shares[:, None, :]
    return spread, spread.sum(axis=0)


def _excess(trace: Trace, fit: Fit, seen: Floats, modelled: Floats) -> Floats:
    """Return how many times the signal `modelled` under each spot is seen there, (c,)."""
    weight = fit.peaks[:, trace.usable]
    under = weight @ modelled[trace.usable].mean(axis=1)
    return np.asarray(np.divide(weight @ seen[trace.usable].mean(axis=1), under,
                                out=np.zeros_like(under), where=under > 0.0))


def peak_signal(trace: Trace, fit: Fit) -> float:
    """Return the largest fitted signal in any strip of a lane; 0 where nothing is known of it."""
    lane = _spread(Same(trace), Same(fit))
    return 0.0 if lane is None else float(lane[1].max(initial=0.0))


def _turned(
    values: Floats, law: str, other: str, reference: float, moved: float, top: float
) -> Floats:
    """Return signal by `law` as signal by `other`, the layer's reflectance taken as `moved`."""
    if law == "emission":
        lost = SELF_ABSORBED / (1.0 - SELF_ABSORBED) if other == GLOW_LOST and top > 0.0 else 0.0
        return np.asarray(values * (1.0 + lost * np.clip(values, 0.0, None) / max(top, NO_GLOW)))
    share = (10.0 ** -values if law == "optical-density"
             # Grain may be brighter than any layer: no light above all of it comes back.
             else reflectance(np.maximum(values + float(kubelka_munk(reference)), 0.0)) / reference)
    share = np.clip(share, LEAST_RATIO, None)
    if other == "optical-density":
        return optical_density(share)
    return kubelka_munk(np.clip(moved * share, LEAST_R, MOST_R)) - float(kubelka_munk(moved))

"""Which solvent mixture to take, and which to try next, by the retention law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanes.questions.solvent.retention import (
    LEAST_FRACTION,
    LN10,
    TO_LOG_K,
    WINDOW,
    Law,
    Map,
    Widths,
    predict,
    rf_of,
)
from lanes.rounding import ROUNDING
from lanes.spots.quantities import HALF_HEIGHT_FACTOR

Floats = NDArray[np.float64]

BEYOND = 2.0  # by what factor the mixtures looked at reach past those tried
STEPS = 201
NEARLY = 0.01  # Rf: as good as the nearest to the window
AS_GOOD = 1.03  # in standard deviation
BEST_RF = 1.0 / 3.0
SEEN = (0.05, 0.95)  # of Rf: nearer to a line is no place to look for spots
# From which another assignment advises another mixture: ln of the fraction, and resolution of the
# worst pair, as such and as a share of it (choices: what a chemist would act on).
OTHER_FRACTION, OTHER_RESOLUTION = 0.1, 0.2
MUCH = 1.2  # times the resolution: worth leaving the window for


@dataclass(frozen=True)
class Recommended:
    """The mixture to take. Attributes are a `Map`'s, at one fraction; None where unknown.

    `outside` is how far the predicted Rf farthest from the window lies outside it (0 within).
    """

    fraction: float
    extrapolated: bool
    rf: tuple[float, ...]
    rf_low: tuple[float, ...]
    rf_high: tuple[float, ...]
    pair: tuple[int, int] | None
    worst_resolution: float | None
    worst_low: float | None
    worst_high: float | None
    probability: float | None
    outside: float


@dataclass(frozen=True)
class NextTry:
    """The mixture that would teach most.

    `sd_now` and `sd_then` are standard deviations of the worst pair's resolution (of the Rf of a
    lone component) by the law at the recommended mixture, before and after such a plate.
    """

    fraction: float
    extrapolated: bool
    sd_now: float
    sd_then: float


def allowed(tried: Floats) -> Floats:
    """Return the fractions looked at, evenly in log X: half the least tried to twice the most."""
    low = max(LEAST_FRACTION, float(tried.min()) / BEYOND)
    high = min(1.0, float(tried.max()) * BEYOND)
    return np.asarray(np.geomspace(low, high, STEPS))


def measurable(low: float, high: float) -> Floats:
    """Return the fractions from `low` to `high` as one measures them out.

    In steps of a percent from thirty on, of half a percent from five, of a thousandth below.
    """
    steps = np.concatenate([np.arange(1, 50) / 1000, np.arange(10, 60) / 200,
                            np.arange(30, 101) / 100])
    held = steps[(steps >= low - ROUNDING) & (steps <= high + ROUNDING)]
    return held if held.size else np.array([low])


def beyond(fraction: float, tried: Floats) -> bool:
    """Return whether `fraction` lies outside those tried."""
    return not float(tried.min()) - ROUNDING <= fraction <= float(tried.max()) + ROUNDING


def recommend(chart: Map, law: Law, widths: Widths, tried: Floats) -> Recommended:
    """Return the mixture that resolves the worst pair best, of those with every Rf in the window.

    Where none brings every Rf in, those that come as near as can be are compared. A lone
    component is brought to Rf 1/3. One outside those tried must do surely better than any inside:
    its whole 95 % interval above what that one is expected to reach.
    """
    fine = predict(law, widths, measurable(chart.fraction[0], chart.fraction[-1]))
    outside = _outside(fine.rf)
    open_to = outside <= outside.min() + (NEARLY if outside.min() > 0 else 0.0)
    goal = -np.abs(fine.rf[:, 0] - BEST_RF) if fine.mean is None else fine.mean
    best = at(_best(fine.fraction, goal, open_to), law, widths, tried)
    inside = open_to & ~np.array([beyond(float(x), tried) for x in fine.fraction])
    if best.extrapolated and inside.any() and float(np.ptp(tried)) > 0.0:
        near = at(_best(fine.fraction, goal, inside), law, widths, tried)
        low, reached = best.worst_low, near.worst_resolution
        if low is not None and reached is not None and low <= reached:
            return near
    return best


def _best(fractions: Floats, goal: Floats, among: NDArray[np.bool_]) -> float:
    return float(fractions[int(np.argmax(np.where(among, goal, -np.inf)))])


def unconfined(chart: Map, law: Law, widths: Widths, tried: Floats) -> Recommended | None:
    """Return the mixture that resolves the worst pair best, wherever in the window Rf lie or not.

    None with one component. Rf below 0.05 or above 0.95 is no place to look for spots.
    """
    if chart.mean is None:
        return None
    fine = predict(law, widths, measurable(chart.fraction[0], chart.fraction[-1]))
    seen = (fine.rf.min(axis=1) >= SEEN[0]) & (fine.rf.max(axis=1) <= SEEN[1])
    if fine.mean is None or not seen.any():
        return None
    return at(_best(fine.fraction, fine.mean, seen), law, widths, tried)


def _outside(rf: Floats) -> Floats:
    low = np.maximum(WINDOW[0] - rf, 0.0).max(axis=1)
    return np.asarray(np.maximum(low, np.maximum(rf - WINDOW[1], 0.0).max(axis=1)))


def at(fraction: float, law: Law, widths: Widths, tried: Floats) -> Recommended:
    """Return what one mixture should show."""
    one = predict(law, widths, np.array([fraction]))

    def only(values: Floats | None) -> float | None:
        return None if values is None else float(values[0])

    rf, low, high = (tuple(row[0].tolist()) for row in (one.rf, one.low, one.high))
    return Recommended(
        fraction, beyond(fraction, tried), rf, low, high,
        None if one.pair is None else (int(one.pair[0, 0]), int(one.pair[0, 1])),
        only(one.resolution), only(one.worst_low), only(one.worst_high), only(one.probability),
        float(_outside(one.rf)[0]),
    )


def changes(chosen: Recommended, own: Recommended, here: Recommended) -> bool:
    """Return whether another assignment would advise another mixture, or expect another result."""
    if abs(np.log(own.fraction / chosen.fraction)) > OTHER_FRACTION:
        return True
    a, b = chosen.worst_resolution, here.worst_resolution
    return a is not None and b is not None and abs(a - b) > OTHER_RESOLUTION * max(1.0, a)


def better_outside(chosen: Recommended, free: Recommended | None) -> Recommended | None:
    """Return `free`, found wherever Rf lie, where it separates the worst pair much better."""
    if free is None or free.worst_resolution is None or chosen.worst_resolution is None:
        return None
    return free if free.worst_resolution > MUCH * chosen.worst_resolution else None


def next_try(
    chosen: Recommended, chart: Map, law: Law, widths: Widths, tried: Floats, rf_sd: float
) -> NextTry:
    """Return the mixture whose plate would narrow the prediction at `chosen` most.

    The law is linear in its parameters, so their covariance after one more plate is known
    beforehand; a plate counts where every predicted Rf is between 0.05 and 0.95.
    """
    size = law.slope.size
    rf = np.array(chosen.rf)
    by_line = -rf * (1.0 - rf) * LN10  # dRf / d log k
    gradient = np.zeros(2 * size)
    row = np.array([np.log10(chosen.fraction), 1.0])
    scale = 1.0
    if chosen.pair is None:
        gradient[:2] = by_line[0] * row
    else:
        i, j = chosen.pair
        wide = widths.of(rf)
        scale = HALF_HEIGHT_FACTOR / float(wide[i] + wide[j])
        gradient[2 * i:2 * i + 2] = by_line[i] * row
        gradient[2 * j:2 * j + 2] = -by_line[j] * row
    fractions = measurable(chart.fraction[0], chart.fraction[-1])
    now = float(gradient @ law.covariance @ gradient)
    left = {}
    for fraction in (chosen.fraction, *fractions.tolist()):
        there = rf_of(law.slope * np.log10(fraction) + law.intercept)
        if there.min() < SEEN[0] or there.max() > SEEN[1]:
            continue
        sd = np.hypot(law.spot_sd, rf_sd) / (there * (1.0 - there) * LN10)
        noise = np.diag(sd**2) + (law.plate_sd * TO_LOG_K) ** 2
        design = np.kron(np.eye(size), [np.log10(fraction), 1.0])
        seen = design @ law.covariance
        gain = np.linalg.solve(seen @ design.T + noise, seen @ gradient)
        left[fraction] = max(now - float((seen @ gradient) @ gain), 0.0)
    best = min(left, key=lambda f: left[f], default=chosen.fraction)
    # The recommended mixture itself will be run anyway: take it where it teaches nearly as much.
    if left.get(chosen.fraction, np.inf) <= AS_GOOD**2 * left.get(best, now):
        best = chosen.fraction
    return NextTry(best, beyond(best, tried), scale * float(np.sqrt(now)),
                   scale * float(np.sqrt(left.get(best, now))))

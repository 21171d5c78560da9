"""A fit of the search for the number of components: lmfit's own, without its bookkeeping.

A search fits a lane some ten to a hundred times, and most of such a fit's time goes to
parameters as objects. The same minimiser from the same start, with the same change of variables
for the limits (lmfit's, after MINUIT), ends at the same place. What is reported is fitted once
more by lmfit: `reported`.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import leastsq

from lanes.spots.model import Peak, PeakSum, Problem, Solution, Start
from lanes.spots.solve import MOST_EVALUATIONS, STILL, UPRIGHT, solve_from

Floats = NDArray[np.float64]


class _Enough(Exception):
    """More evaluations were asked for than a fit may take."""


def remembered(found: Callable[[Floats], Floats]) -> Callable[[Floats], Floats]:
    """Return the function that keeps what it found last: MINPACK asks twice at one place."""
    last = [b"", np.empty(0)]

    def at(place: Floats) -> Floats:
        here = place.tobytes()
        if here != last[0]:
            last[:] = here, found(place)
        return np.asarray(last[1])

    return at


def solve_quickly(
    problem: Problem, peaks: tuple[Peak, ...], baseline: Floats | None = None,
    tailing: frozenset[int] = frozenset(), fixed: dict[str, float] | None = None,
    share: bool = False,
) -> Solution:
    """Return what `solve.solve` comes to. Parameters are those of `model.Start`."""
    start = Start(peaks, baseline, tailing, fixed or {}, share)
    total = PeakSum(problem, start)
    if not total.free.size:
        return total.solution(total.start, start)
    free = total.free
    low, room = total.low[free], (total.high - total.low)[free]
    bound = np.flatnonzero(np.isfinite(room))
    low, room, high = low[bound], room[bound], total.high[free][bound]
    half, at = room / 2.0, free[bound]
    count, last = -2, np.empty(0)  # the two looks by which shapes are checked do not count

    @remembered
    def values(inner: Floats) -> Floats:
        out = total.start.copy()
        out[free] = inner
        out[at] = np.minimum(low + (np.sin(inner[bound]) + 1.0) * half, high)
        for k, owner in total.owner.items():
            out[k] = out[owner]
        return out

    @remembered
    def rest(inner: Floats) -> Floats:
        return total.residual(values(inner))

    def residual(inner: Floats) -> Floats:
        nonlocal count, last
        count, last = count + 1, inner.copy()
        if count > MOST_EVALUATIONS:
            raise _Enough
        return rest(inner)

    @remembered
    def jacobian(inner: Floats) -> Floats:
        slope = np.ones(inner.size)
        slope[bound] = np.cos(inner[bound]) * half
        return total.jacobian(values(inner)) * slope[:, None]

    first = total.start[free]
    first[bound] = np.arcsin(2.0 * (first[bound] - low) / room - 1.0)
    with np.errstate(all="ignore"):
        with suppress(_Enough):
            last = leastsq(residual, first, Dfun=jacobian, col_deriv=True, full_output=True,
                           ftol=STILL, xtol=STILL, gtol=UPRIGHT, maxfev=2 * MOST_EVALUATIONS)[0]
        # A peak that left the trace moves nothing: from it MINPACK may step to no number at all.
        if not np.isfinite(last).all():
            last = first
        return total.solution(values(last), start)


def reported(problem: Problem, solution: Solution) -> Solution:
    """Return the search's `solution` as lmfit finds it from the same start.

    What the search held at a limit stays named there.
    """
    if solution.start is None:
        return solution
    return replace(solve_from(problem, solution.start), at_bound=solution.at_bound)

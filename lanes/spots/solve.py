"""The fit that is reported: peaks and a baseline, by lmfit."""

from __future__ import annotations

from typing import Any

import lmfit
import numpy as np
from numpy.typing import NDArray

from lanes.spots.model import Peak, PeakSum, Problem, Solution, Start

Floats = NDArray[np.float64]

MOST_EVALUATIONS = 200  # a fit that has not settled by then is of what is no spot
STILL = 1e-10     # of squares and values: a step that changes them by less is the last
UPRIGHT = 1e-12   # cosine between residual and slopes, from which a fit is at its end


def solve(
    problem: Problem, peaks: tuple[Peak, ...], baseline: Floats | None = None,
    tailing: frozenset[int] = frozenset(), fixed: dict[str, float] | None = None,
    share: bool = False,
) -> Solution:
    """Fit `peaks` to `problem` from where they stand, with lmfit.

    Parameters are those of `Start`.
    """
    return solve_from(problem, Start(peaks, baseline, tailing, fixed or {}, share))


def solve_from(problem: Problem, start: Start) -> Solution:
    """Fit `problem` with lmfit from `start`: what every fit that is reported comes from."""
    total = PeakSum(problem, start)
    if not total.free.size:
        return total.solution(total.start, start)
    parameters = lmfit.Parameters()
    free = set(total.free.tolist())
    for k, name in enumerate(total.names):
        if k in total.owner:
            parameters.add(name, expr=total.names[total.owner[k]])
        else:
            parameters.add(name, total.start[k], vary=k in free, min=total.low[k],
                           max=total.high[k])

    def values(of: lmfit.Parameters) -> Floats:
        return np.array(list(of.valuesdict().values()))

    minimizer = lmfit.Minimizer(lambda p: total.residual(values(p)), parameters, calc_covar=False)
    outcome: Any = minimizer.leastsq(
        Dfun=lambda p: total.jacobian(values(p)), col_deriv=1, max_nfev=MOST_EVALUATIONS,
        ftol=STILL, xtol=STILL, gtol=UPRIGHT,
    )
    return total.solution(values(outcome.params), start)

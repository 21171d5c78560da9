"""How much a fit is worth: information criteria over the effective number of samples."""

from __future__ import annotations

import numpy as np

from lanes.rounding import TINY
from lanes.spots.model import Problem, Solution

FEWEST = 3.0  # samples that a criterion counts by: where noise is shared over nearly all of a trace


def criteria(problem: Problem, solution: Solution, shared: float) -> tuple[float, float]:
    """Return AICc and BIC over the effective number of samples.

    AICc = N ln(RSS/N) + 2k + 2k(k+1)/(N-k-1) (Hurvich & Tsai, Biometrika 76, 297 (1989));
    BIC = N ln(RSS/N) + k ln N (Schwarz, Ann. Stat. 6, 461 (1978); from memory). N counts samples
    by the noise's correlation length, since neighbours share their noise.
    """
    return scores(problem.x.size / shared, solution.rss, len(solution.names))


def scores(samples: float, rss: float, values: int) -> tuple[float, float]:
    """Return AICc and BIC of a fit of so many `values` that leaves `rss` of so many `samples`."""
    n, k = max(samples, FEWEST), values
    base = n * float(np.log(max(rss, TINY) / n))
    small = 2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else float("inf")
    return base + 2.0 * k + small, base + k * float(np.log(n))

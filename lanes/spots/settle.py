"""One fit of a search, brought to rest: values at their limits held there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lanes.spots.model import Peak, Problem, Solution, located, merged_pairs
from lanes.spots.search_fit import solve_quickly

Floats = NDArray[np.float64]


def settle(
    problem: Problem, peaks: tuple[Peak, ...], baseline: Floats, tailing: frozenset[int],
    share: bool = False,
) -> Solution:
    """Fit, and where a value ends at its limit hold it there and fit again without it.

    A tail that ends at its shortest is none, and no value at a limit.
    """
    order = np.argsort([p.centre for p in peaks], kind="stable")
    peaks = tuple(peaks[i] for i in order)
    tailing = frozenset(int(np.nonzero(order == i)[0][0]) for i in tailing)
    solution = solve_quickly(problem, peaks, baseline, tailing, share=share)
    held: dict[str, float] = {}
    for _ in range(5):
        # A centre at its limit is a start that was far off: let it go on from there.
        moving = any(n.endswith("centre") for n in solution.at_bound)
        # Widths found on the way can show that neighbours merge after all, or don't.
        moving |= merged_pairs(solution.peaks) != solution.merged
        stuck = [] if moving else list(solution.at_bound)
        if not stuck and not moving:
            break
        peaks = solution.peaks
        for name in stuck:
            which = located(name)
            assert which is not None
            i, value = which
            if value == "tau" and abs(peaks[i].tau) < peaks[i].sigma:
                # The shortest tail there is: none.
                peaks = (*peaks[:i], replace(peaks[i], tau=0.0), *peaks[i + 1:])
            else:
                held[name] = float(getattr(peaks[i], value))
        again = solve_quickly(problem, peaks, solution.baseline,
                              frozenset(i for i, p in enumerate(peaks) if p.tau), held, share)
        solution = replace(again, at_bound=tuple(sorted(set(again.at_bound) | set(held))))
        if stuck:
            break
    return solution

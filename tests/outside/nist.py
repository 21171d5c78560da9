"""Reader of the certified fits in fixtures/nist."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FOLDER = Path(__file__).parents[2] / "fixtures" / "nist"
NAMES = ("Gauss1", "Gauss2", "Gauss3", "Eckerle4", "Misra1a", "Chwirut1", "MGH09")


@dataclass(frozen=True)
class Nist:
    """One data set of n points with the certified fit of its p parameters b1, b2, ...

    Attributes
    ----------
    x, y : (n,) array
    starts : (2, p) array
        Starting values, far from and near the solution.
    values, sds : (p,) array
        Certified parameters and their standard deviations.
    rss : float
        Certified residual sum of squares.
    """

    x: Floats
    y: Floats
    starts: Floats
    values: Floats
    sds: Floats
    rss: float


def load(name: str) -> Nist:
    """Return the data set `name`, one of `NAMES`.

    Raises
    ------
    ValueError
        If the file holds another number of points or parameters than it states.
    """
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    text = "\n".join(lines)
    # The head says where the data stand: "Data (lines 61 to 310)".
    first, last = _numbers(r"Data +\(lines +(\d+) +to +(\d+)\)", text)
    y, x = np.array([line.split() for line in lines[int(first) - 1 : int(last)]], float).T
    rows = re.findall(r"^ *b\d+ *=(.+)$", text, re.MULTILINE)
    table = np.array([row.split() for row in rows], float).T
    (rss,) = _numbers(r"Residual Sum of Squares: +(\S+)", text)
    (points,) = _numbers(r"Number of Observations: +(\d+)", text)
    (free,) = _numbers(r"Degrees of Freedom: +(\d+)", text)
    if x.size != points or table.shape != (4, points - free):
        raise ValueError(f"{name}: {x.size} points, table {table.shape}: not what the file states")
    return Nist(x=x, y=y, starts=table[:2], values=table[2], sds=table[3], rss=rss)


def _numbers(pattern: str, text: str) -> tuple[float, ...]:
    found = re.search(pattern, text)
    if found is None:
        raise ValueError(f"nothing matches {pattern}")
    return tuple(float(group) for group in found.groups())

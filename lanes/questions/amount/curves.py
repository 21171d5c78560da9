"""The curves a spot's area may follow as the amount grows: each with slopes, start and inverse."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Curve:
    """One form of area against amount.

    Attributes
    ----------
    name, formula : str
    parameters : tuple of str
    value : callable
        `value(p, x)`, parameters and (n,) amounts to (n,) areas.
    slopes : callable
        `slopes(p, x)`, the (n, p) derivatives by the parameters.
    steepness : callable
        `steepness(p, x)`, the derivative by one amount.
    inverse : callable
        `inverse(p, y)`, the amount with that area on the rising branch, or None.
    branch : callable
        `branch(p)`, the least and the largest amount between which the curve rises.
    start : callable
        `start(x, y)`, where a search for the parameters starts; None where there is no place.
    linear : bool
        Whether it is linear in its parameters: then no search is needed.
    """

    name: str
    formula: str
    parameters: tuple[str, ...]
    value: Callable[[Floats, Floats], Floats]
    slopes: Callable[[Floats, Floats], Floats]
    steepness: Callable[[Floats, float], float]
    inverse: Callable[[Floats, float], float | None]
    branch: Callable[[Floats], tuple[float, float]]
    start: Callable[[Floats, Floats], Floats | None]
    linear: bool = False


def _powers(count: int) -> Callable[[Floats, Floats], Floats]:
    return lambda p, x: np.stack([x**k for k in range(count)], axis=1)


def _polynomial(p: Floats, x: Floats) -> Floats:
    return np.asarray(np.polynomial.polynomial.polyval(x, p), float)


def _zeros(count: int) -> Callable[[Floats, Floats], Floats]:
    return lambda x, y: np.zeros(count)


def _rising_all_along(p: Floats) -> tuple[float, float]:
    return (0.0, math.inf)


LINE = Curve(
    "line", "area = a + b x", ("a", "b"), _polynomial, _powers(2),
    lambda p, x: float(p[1]),
    lambda p, y: float((y - p[0]) / p[1]) if p[1] > 0 else None,
    lambda p: (-math.inf, math.inf) if p[1] > 0 else (math.inf, -math.inf),
    _zeros(2), linear=True,
)


def _parabola_inverse(p: Floats, y: float) -> float | None:
    a, b, c = (float(v) for v in p)
    inside = b * b - 4 * c * (a - y)
    if inside < 0:
        return None
    # The root where the slope, b + 2 c x, is the positive square root; written so that it stays
    # finite as the bend goes to nothing.
    bottom = b + math.sqrt(inside)
    if bottom > 0:
        return 2.0 * (y - a) / bottom
    return (math.sqrt(inside) - b) / (2.0 * c) if c else None


def _parabola_branch(p: Floats) -> tuple[float, float]:
    b, c = float(p[1]), float(p[2])
    if c == 0:
        return (-math.inf, math.inf) if b > 0 else (math.inf, -math.inf)
    apex = -b / (2.0 * c)
    return (-math.inf, apex) if c < 0 else (apex, math.inf)


QUADRATIC = Curve(
    "quadratic", "area = a + b x + c x²", ("a", "b", "c"), _polynomial, _powers(3),
    lambda p, x: float(p[1] + 2.0 * p[2] * x), _parabola_inverse, _parabola_branch,
    _zeros(3), linear=True,
)


def _power_slopes(p: Floats, x: Floats) -> Floats:
    shape = x ** p[1]
    logs = np.log(np.where(x > 0, x, 1.0))
    return np.stack([shape, p[0] * shape * logs], axis=1)


def _power_start(x: Floats, y: Floats) -> Floats | None:
    some = (x > 0) & (y > 0)
    if np.unique(x[some]).size < 2:
        return None
    b, a = np.polyfit(np.log(x[some]), np.log(y[some]), 1)
    return np.array([math.exp(float(a)), float(b)]) if b > 0 else None


POWER = Curve(
    "power", "area = a x^b", ("a", "b"),
    lambda p, x: np.asarray(p[0] * x ** p[1], float), _power_slopes,
    lambda p, x: float(p[0] * p[1] * x ** (p[1] - 1.0)) if x > 0 else math.nan,
    lambda p, y: float((y / p[0]) ** (1.0 / p[1])) if y >= 0 else None,
    _rising_all_along, _power_start,
)


def _saturation_start(x: Floats, y: Floats) -> Floats | None:
    # x / y = K / Vm + x / Vm (Hanes 1932): a straight line, good enough to start from.
    some = (x > 0) & (y > 0)
    if np.unique(x[some]).size < 2:
        return None
    slope, height = np.polyfit(x[some], x[some] / y[some], 1, w=y[some])
    return np.array([1.0 / slope, height / slope]) if slope > 0 and height > 0 else None


SATURATION = Curve(
    "saturation", "area = Vm x / (K + x)", ("Vm", "K"),
    lambda p, x: np.asarray(p[0] * x / (p[1] + x), float),
    lambda p, x: np.stack([x / (p[1] + x), -p[0] * x / (p[1] + x) ** 2], axis=1),
    lambda p, x: float(p[0] * p[1] / (p[1] + x) ** 2),
    lambda p, y: float(p[1] * y / (p[0] - y)) if 0 <= y < p[0] else None,
    _rising_all_along, _saturation_start,
)

CURVES = {curve.name: curve for curve in (LINE, QUADRATIC, POWER, SATURATION)}

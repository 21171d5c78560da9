"""The certified fits agree with their own data, so that what is checked against them stands.

Source: NIST StRD, nonlinear regression (fixtures/nist/README.md); models as printed in each file.
"""

from __future__ import annotations

import numpy as np
import pytest
from nist import NAMES, load


def gauss(b, x):
    return (
        b[0] * np.exp(-b[1] * x)
        + b[2] * np.exp(-(((x - b[3]) / b[4]) ** 2))
        + b[5] * np.exp(-(((x - b[6]) / b[7]) ** 2))
    )


MODELS = {
    "Gauss1": gauss,
    "Gauss2": gauss,
    "Gauss3": gauss,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Chwirut1": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
}


def slopes(model, b, x):
    """Return the (n, p) derivatives by the parameters, to machine precision: a complex step."""
    columns = []
    for k, value in enumerate(b):
        moved = b.astype(complex)
        moved[k] += 1e-30j * value
        columns.append(model(moved, x).imag / (1e-30 * value))
    return np.array(columns).T


each = pytest.mark.parametrize("name", NAMES)


@each
def test_certified_parameters_give_certified_rss(name):
    data = load(name)
    residual = data.y - MODELS[name](data.values, data.x)
    assert np.sum(residual**2) == pytest.approx(data.rss, rel=1e-9, abs=0)


@each
def test_certified_sds_follow_from_the_slopes(name):
    data = load(name)
    jacobian = slopes(MODELS[name], data.values, data.x)
    variance = data.rss / (data.x.size - data.values.size)
    size = np.abs(data.values)  # scaled, as the parameters differ by orders of magnitude
    inverse = np.linalg.inv((jacobian * size).T @ (jacobian * size))
    found = size * np.sqrt(variance * np.diag(inverse))
    np.testing.assert_allclose(found, data.sds, rtol=1e-9)


@each
def test_certified_parameters_are_the_minimum(name):
    data = load(name)
    residual = data.y - MODELS[name](data.values, data.x)
    jacobian = slopes(MODELS[name], data.values, data.x)
    step = np.linalg.lstsq(jacobian * data.sds, residual, rcond=None)[0]
    assert np.abs(step).max() < 1e-7  # of a standard deviation
    far = [np.sum((data.y - MODELS[name](start, data.x)) ** 2) for start in data.starts]
    assert min(far) > data.rss


# The numbers as published, typed apart from the files (Rust, NIST 1996): a spoilt copy is seen.
@pytest.mark.parametrize(
    ("name", "b4", "sd4", "b7", "sd7", "rss"),
    [
        ("Gauss1", 67.481111276, 0.10460593412, 178.99805021, 0.12436988217, 1315.8222432),
        ("Gauss2", 107.03095519, 0.15006798316, 153.27010194, 0.19466674341, 1247.5282092),
        ("Gauss3", 111.63619459, 0.35317859757, 147.76164251, 0.40488183351, 1244.4846360),
    ],
)
def test_files_hold_the_published_numbers(name, b4, sd4, b7, sd7, rss):
    data = load(name)
    assert data.x.size == 250
    assert data.starts.shape == (2, 8)
    assert (data.values[3], data.sds[3], data.values[6], data.sds[6]) == (b4, sd4, b7, sd7)
    assert data.rss == rss

"""The matrix that whitens a residual: held against the covariance that it undoes."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.spots.model import BLOCK, Peak, Problem
from lanes.spots.shape_terms import ASSUMED
from lanes.spots.whitening import FLOOR, MISFIT, whitening
from lanes.trace.noise import Noise

PITCH, SIGMA = 0.1, 1.2
RNG = np.random.default_rng(5)


@pytest.mark.parametrize("count", [60, 2 * BLOCK + 44])
def test_it_undoes_the_covariance_of_its_parts(count: int) -> None:
    x = PITCH * np.delete(np.arange(count + 3), [7, 8, 30])  # some samples are not used
    noise = Noise(0.02, 0.6 ** np.arange(40), PITCH, "clean layer")
    gain = 1.0 + 0.3 * np.exp(-np.square(x - 3.0))
    peak = Peak(3.0, 2.0, SIGMA)
    height = peak.component().height * np.exp(-0.5 * np.square((x - 3.0) / SIGMA))
    distance = np.abs(x[:, None] - x)
    steps = np.rint(distance / PITCH)
    expected = (np.where(steps < 40, 0.6 ** steps, 0.0) * np.outer(gain, gain) * 0.02**2
                + MISFIT**2 * np.outer(height, height) * np.exp(-0.5 * np.square(distance / SIGMA))
                + ASSUMED.covariance((x - 3.0) / SIGMA, peak.component().height)
                + np.diag(np.square(FLOOR * 0.01 * gain)))
    root = whitening(x, (peak,), SIGMA, gain, noise, 0.01, ASSUMED)
    assert not np.triu(root, 1).any()
    np.testing.assert_allclose(root @ expected @ root.T, np.eye(count), atol=1e-8)


@pytest.mark.parametrize("triangular", [False, True])
def test_rows_are_weighed_in_blocks_as_they_would_be_at_once(triangular: bool) -> None:
    n = 2 * BLOCK + 44
    matrix = RNG.normal(size=(n, n))
    matrix = np.tril(matrix) if triangular else matrix
    problem = Problem(np.arange(n) * PITCH, np.zeros(n), np.ones(n), "none", 0.1, 2.0, None,
                      matrix, triangular)
    for shape in ((n,), (3, n)):
        rows = RNG.normal(size=shape)
        np.testing.assert_allclose(problem.weigh(rows), rows @ matrix.T, atol=1e-12)

"""Medians and quantiles: held against numpy's own, to the last bit."""

import numpy as np
import pytest

from lanes.quantiles import about_median, median, quantile

RNG = np.random.default_rng(3)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1,), (2,), (7,), (40, 25), (301, 33)])
def test_they_are_numpy_s_own(kind: type[np.floating], shape: tuple[int, ...]) -> None:
    values = RNG.normal(size=shape).astype(kind)
    for held in (values, np.round(values, 1)):  # with ties
        kept = held.copy()
        assert median(held) == np.median(held)
        assert median(held).dtype == kind
        for share in (0.0, 0.0228, 0.5, 0.8, 0.9772, 1.0):
            assert quantile(held, share) == np.quantile(held, share)
        np.testing.assert_array_equal(held, kept)
        flat = held.ravel()
        rest = flat - np.median(flat)
        assert about_median(flat, 0.0228) == (
            np.median(flat), np.median(np.abs(rest)), np.quantile(rest, 0.0228),
            np.quantile(rest, 1.0 - 0.0228))
        np.testing.assert_array_equal(held, kept)


def test_of_nothing_there_is_none() -> None:
    assert np.isnan(median(np.zeros(0)))

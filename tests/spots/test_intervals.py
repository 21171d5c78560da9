"""The stated 95 % interval of merged spots of unlike width holds what was put in."""

from __future__ import annotations

import numpy as np

from lanes.spots.deconvolve import deconvolve
from lanes.spots.model import Peak, peak_shape
from lanes.spots.quantities import area_percents, pair
from lanes.trace.noise import Noise

X = np.arange(-2.0, 77.0, 0.15)
SD = 0.004
NOISE = Noise(SD, 0.6 ** np.arange(30), 0.15, "clean layer")


def test_merged_spots_whose_widths_differ() -> None:
    """Resolution 0.6 to 0.9, widths that differ by 20 to 30 % either way, the lesser 15 to 50 %.

    0.95 of 60 are 57; 52 or fewer happen once in 30 at that rate (binomial law).
    """
    rng = np.random.default_rng(11)
    root = np.linalg.cholesky(NOISE.covariance(np.ones(X.size)) + 1e-12 * np.eye(X.size))
    held = np.zeros(2, int)
    count = 60
    for _ in range(count):
        ratio = float(np.exp(rng.choice([-1, 1]) * rng.uniform(np.log(1.2), np.log(1.3))))
        resolution, minor = float(rng.uniform(0.6, 0.9)), float(rng.uniform(0.15, 0.5))
        apart = resolution * 2.3548 * (1.0 + ratio) / 1.18
        true = (Peak(40.0, 3.0 * (1.0 - minor), 1.0), Peak(40.0 + apart, 3.0 * minor, ratio))
        y = np.sum([peak_shape(X, p)[0] for p in true], axis=0) + root @ rng.normal(size=X.size)
        fit = deconvolve(X, y, noise=NOISE)
        assert len(fit.components) == 2
        percents, sds = area_percents(fit)
        found = pair(fit, 0, 1, 75.0)
        assert sds is not None
        assert found.resolution is not None
        assert found.resolution_sd is not None
        held[0] += abs(percents[0] - 100.0 * (1.0 - minor)) < 1.96 * sds[0]
        held[1] += abs(found.resolution - resolution) < 1.96 * found.resolution_sd
    assert (held > 52).all(), held

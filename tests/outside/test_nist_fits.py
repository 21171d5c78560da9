"""Certified fits, redone by this project's own deconvolution: values, uncertainties and residual.

Source: NIST Statistical Reference Datasets, nonlinear regression (Rust, NIST 1996), in
fixtures/nist. Gauss1 to Gauss3: two Gaussians, apart, blended and strongly blended, on a decaying
exponential. Eckerle4: one measured line. Numbers marked 'computed' were worked out from them.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from nist import load

from lanes.measuring import measure
from lanes.spots.deconvolve import deconvolve
from lanes.spots.fit import Fit
from lanes.spots.model import Peak
from lanes.spots.quantities import HALF_HEIGHT_FACTOR, area_percents, pair

ROOT_2PI = np.sqrt(2 * np.pi)
# The files print y = ... + b3 exp(-(x-b4)^2/b5^2) + ...: sigma = b5 / sqrt 2, area = b3 sigma
# sqrt(2 pi). Where each of height, place and width stands among b1 to b8:
GAUSSIANS = (slice(2, 5), slice(5, 8))
VALUE, SD = 1e-7, 1e-7  # relative; measured: 9.4e-9 and 6.9e-9 at most


def peaks(b):
    out = []
    for part in GAUSSIANS:
        height, centre, width = b[part]
        sigma = width / np.sqrt(2)
        out.append(Peak(float(centre), float(height * sigma * ROOT_2PI), float(sigma)))
    return tuple(out)


@cache
def two(name: str, how: str) -> Fit:
    data = load(name)
    if how == "neither start nor count":
        return deconvolve(data.x, data.y, baseline_order="exponential")
    if how == "count":
        return deconvolve(data.x, data.y, baseline_order="exponential", components=2)
    start = peaks(data.starts[("far start", "near start").index(how)])
    return deconvolve(data.x, data.y, baseline_order="exponential", start=start)


def rss(data, fit):
    return float(np.sum((data.y - fit.model) ** 2))


names = pytest.mark.parametrize("name", ["Gauss1", "Gauss2", "Gauss3"])
ways = pytest.mark.parametrize(
    "how", ["far start", "near start", "count", "neither start nor count"])


@names
@ways
def test_certified_values_come_out(name, how):
    """Gauss3 has no valley, and must come out as two without being asked to."""
    data = load(name)
    fit = two(name, how)
    assert len(fit.components) == 2
    assert rss(data, fit) == pytest.approx(data.rss, rel=1e-9, abs=0)
    for c, truth, part in zip(fit.components, peaks(data.values), GAUSSIANS, strict=True):
        assert c.tau == 0
        assert c.centre == pytest.approx(truth.centre, rel=VALUE)
        assert c.sigma == pytest.approx(truth.sigma, rel=VALUE)
        assert c.area == pytest.approx(truth.area, rel=VALUE)
        assert c.height == pytest.approx(data.values[part][0], rel=VALUE)
    b1, b2 = data.values[:2]
    np.testing.assert_allclose(fit.baseline, b1 * np.exp(-b2 * data.x), rtol=1e-7)


@names
@ways
def test_certified_standard_deviations_come_out(name, how):
    """Centre and sigma straight from the covariance; height = area / (sigma sqrt(2 pi)) by it."""
    data = load(name)
    fit = two(name, how)
    for i, part in enumerate(GAUSSIANS):
        height_sd, centre_sd, width_sd = data.sds[part]
        own = fit.covariance[4 * i : 4 * i + 3, 4 * i : 4 * i + 3]
        c = fit.components[i]
        slope = np.array([0, c.height / c.area, -c.height / c.sigma])
        assert np.sqrt(own[0, 0]) == pytest.approx(centre_sd, rel=SD)
        assert np.sqrt(own[2, 2]) == pytest.approx(width_sd / np.sqrt(2), rel=SD)
        assert np.sqrt(slope @ own @ slope) == pytest.approx(height_sd, rel=SD)


# Computed from the certified values, sums and all, apart from this project.
@pytest.mark.parametrize(
    ("name", "resolution", "percent"),
    [("Gauss1", 1.899229, 63.7103), ("Gauss2", 0.758528, 63.0670), ("Gauss3", 0.594492, 61.8102)],
)
def test_resolution_and_area_percent(name, resolution, percent):
    """Rs = 2 (d2 - d1) / (wb1 + wb2) with wb = 4 sigma (IUPAC, Pure Appl. Chem. 65, 819 (1993)).

    The half-height form prints 1.18 for sqrt(2 ln 2): taken back here to compare.
    """
    fit = two(name, "neither start nor count")
    found = pair(fit, 0, 1, 1.0)
    exact = np.sqrt(2 * np.log(2))
    assert found.resolution * exact / HALF_HEIGHT_FACTOR == pytest.approx(resolution, abs=1e-6)
    percents, sds = area_percents(fit)
    assert percents == pytest.approx([percent, 100 - percent], abs=1e-4)
    # Two shares of one sum: uncertain by the same.
    assert sds[0] == pytest.approx(sds[1])
    assert 0 < sds[0] < 2


@pytest.mark.parametrize(
    ("name", "one"), [("Gauss1", 81284.23), ("Gauss2", 32195.81), ("Gauss3", 10694.80)])
def test_one_gaussian_fits_as_badly_as_it_must(name, one):
    """The least residual of one Gaussian and the exponential (computed, from many starts)."""
    data = load(name)
    fit = deconvolve(data.x, data.y, baseline_order="exponential", components=1)
    assert len(fit.components) == 1
    assert rss(data, fit) == pytest.approx(one, abs=0.006)


def line(b):
    # y = b1/b2 exp(-0.5 ((x-b3)/b2)^2): the area is b1 sqrt(2 pi), sigma is b2.
    return (Peak(float(b[2]), float(b[0] * ROOT_2PI), float(b[1])),)


@pytest.mark.parametrize("how", ["far start", "near start", "count", "neither"])
def test_measured_line(how):
    """Eckerle4, a real transmittance line: one, though its residual is far from noise.

    The far start stands on the last sample, and reaches the line by way of a sigma above a
    quarter of the trace, where the limit is by default.
    """
    data = load("Eckerle4")
    options = {
        "far start": {"start": line(data.starts[0]), "broadest": float(np.ptp(data.x))},
        "near start": {"start": line(data.starts[1])},
        "count": {"components": 1},
        "neither": {},
    }
    fit = deconvolve(data.x, data.y, baseline_order="none", **options[how])
    assert len(fit.components) == 1
    c = fit.components[0]
    b1, b2, b3 = data.values
    assert rss(data, fit) == pytest.approx(data.rss, rel=1e-9, abs=0)
    assert (c.centre, c.sigma, c.area) == pytest.approx((b3, b2, b1 * ROOT_2PI), rel=VALUE)
    sds = np.sqrt(np.diag(fit.covariance))
    s1, s2, s3 = data.sds
    assert sds[:3] == pytest.approx([s3, s1 * ROOT_2PI, s2], rel=SD)


@names
def test_the_whole_job_on_a_certified_trace(tmp_path, name):
    """The same data as a file of two columns, an Rf made of the certified centre."""
    data = load(name)
    path = tmp_path / "trace.csv"
    np.savetxt(path, np.column_stack([data.x, data.y]), delimiter=",", fmt="%.17g")
    reading = measure(path, origin=data.x[0], front=data.x[-1], baseline_order="exponential")
    (lane,) = reading.lanes
    run = data.x[-1] - data.x[0]
    assert len(lane.spots) == 2
    for spot, part in zip(lane.spots, GAUSSIANS, strict=True):
        height, centre, _ = data.values[part]
        assert spot.rf == pytest.approx((centre - data.x[0]) / run, rel=VALUE)
        assert spot.rf_sd_noise == pytest.approx(data.sds[part][1] / run, rel=SD)
        assert spot.height == pytest.approx(height, rel=VALUE)

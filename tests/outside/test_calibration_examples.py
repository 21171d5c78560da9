"""Calibrations worked in print, redone: lines, Fieller's limits, curves, lack of fit."""

from __future__ import annotations

import numpy as np
import pytest
from nist import load
from scipy.stats import f_oneway, linregress
from scipy.stats import t as student

from lanes.questions.amount.calibration import choose, fit
from lanes.questions.amount.curves import CURVES, LINE, QUADRATIC, SATURATION, Curve
from lanes.questions.amount.inverse import amount_of, bands, limits

# Harvey, Analytical Chemistry 2.1, chapter 5, problem 8.
HARVEY = np.array([[15.4, 30.4, 44.9, 59.0, 72.7, 86.0], [4.8, 11.4, 18.2, 26.6, 32.3, 37.7]])
# Fluorescein in pg/mL and fluorescence: Miller & Miller, Statistics and Chemometrics for
# Analytical Chemistry, chapter 5 (from memory).
FLUORESCEIN = np.array([[0, 2, 4, 6, 8, 10, 12], [2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7]])
# Puromycin, treated: ppm and counts/min/min. Bates & Watts, Nonlinear Regression Analysis (1988),
# table A1.3 (from memory: the residual sum of squares in print shows that it is right).
PUROMYCIN = np.array([
    [0.02, 0.02, 0.06, 0.06, 0.11, 0.11, 0.22, 0.22, 0.56, 0.56, 1.10, 1.10],
    [76, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200]])


def plain(curve, data):
    return fit(curve, data[0], data[1], scatter="constant")


def test_harvey_line():
    line = plain(LINE, HARVEY)
    assert line.values == pytest.approx([-2.68978, 0.477103], abs=5e-6)
    assert line.scatter == pytest.approx(0.754953, abs=5e-6)


def test_fluorescein_line_and_limits():
    line = plain(LINE, FLUORESCEIN)
    assert line.values == pytest.approx([1.517857, 1.930357], abs=1e-6)
    assert line.scatter == pytest.approx(0.432848, abs=1e-6)
    found = limits(line)
    # ICH Q2(R1), 2005 (edition from memory): 3.3 sigma / S and 10 sigma / S, sigma the residual
    # standard deviation.
    assert found.detection == pytest.approx(0.739965, abs=1e-6)
    assert found.quantitation == pytest.approx(2.24232, abs=1e-5)


def test_fluorescein_inverse_prediction():
    found = amount_of(plain(LINE, FLUORESCEIN), 13.5)
    assert found.value == pytest.approx(6.20722, abs=5e-6)
    assert found.sd == pytest.approx(0.239754, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((5.59061, 6.82506), abs=5e-6)


@pytest.mark.parametrize("data", [HARVEY, FLUORESCEIN])
@pytest.mark.parametrize("m", [1, 2, 5])
@pytest.mark.parametrize("where", [0.1, 0.5, 0.9])
def test_fieller_in_closed_form(data, m, where):
    """Fieller, J. R. Stat. Soc. B 16, 175 (1954); the form of Draper & Smith, section 3.2.

    xbar + (D +- (t s/b) sqrt(D^2/Sxx + (1-g)(1/m + 1/n))) / (1-g), D = (y0 - ybar)/b.
    """
    x, y = data
    line = linregress(x, y)
    n, sxx = x.size, ((x - x.mean()) ** 2).sum()
    s = np.sqrt(((y - line.intercept - line.slope * x) ** 2).sum() / (n - 2))
    t = student.ppf(0.975, n - 2)
    g = (t * s / line.slope) ** 2 / sxx
    y0 = y.min() + where * np.ptp(y)
    offset = (y0 - y.mean()) / line.slope
    half = t * s / line.slope * np.sqrt(offset**2 / sxx + (1 - g) * (1 / m + 1 / n))
    found = amount_of(plain(LINE, data), [y0] * m)
    assert found.high == pytest.approx(x.mean() + (offset + half) / (1 - g), rel=1e-4)
    assert found.low == pytest.approx(x.mean() + (offset - half) / (1 - g), rel=1e-4, abs=1e-3)
    # Eurachem/CITAC CG 4, QUAM:2012, appendix E.3 (edition from memory):
    # s(x0) = (s/b) sqrt(1/m + 1/n + (y0-ybar)^2/(b^2 Sxx)).
    first = s / line.slope * np.sqrt(1 / m + 1 / n + offset**2 / sxx)
    assert found.sd == pytest.approx(first, rel=1e-6)


def test_quam_a5():
    """Cadmium release, Eurachem/CITAC CG 4, QUAM:2012, example A5 (from memory):
    u(c0) = 0.018 mg/L.

    s 0.005486, b 0.2410, 15 standards at 5 amounts with mean 0.5 and Sxx 1.2, 2 spots at 0.26.
    """
    x = np.repeat([0.1, 0.3, 0.5, 0.7, 0.9], 3)
    assert ((x - 0.5) ** 2).sum() == pytest.approx(1.2)
    # Residuals at right angles to the line, of the size that is printed.
    rest = np.tile([1.0, 0.0, -1.0], 5)
    rest *= 0.005486 * np.sqrt(13 / (rest**2).sum())
    line = fit(LINE, x, 0.0087 + 0.2410 * x + rest, scatter="constant")
    assert line.scatter == pytest.approx(0.005486, rel=1e-6)
    y0 = 0.0087 + 0.2410 * 0.26
    assert amount_of(line, [y0, y0]).sd == pytest.approx(0.018, abs=5e-4)


def test_no_finite_interval_where_g_is_one_or_more():
    x = np.array([1.0, 2.0, 3.0, 4.0])
    y = np.array([1.0, 3.0, 1.2, 3.1])
    line = linregress(x, y)
    assert (student.ppf(0.975, 2) * line.stderr / line.slope) ** 2 > 1
    found = amount_of(plain(LINE, np.array([x, y])), 2.0)
    assert not found.bounded
    assert (found.low, found.high) == (None, None)
    assert found.value is not None


def test_puromycin_saturation():
    """Bates & Watts (1988), section 2.2: theta1 212.7 (6.947), theta2 0.06412 (0.00828)."""
    curve = plain(SATURATION, PUROMYCIN)
    assert curve.rss == pytest.approx(1195.449, abs=5e-4)
    assert curve.values == pytest.approx([212.6837, 0.0641213], rel=1e-6)
    assert curve.sds == pytest.approx([6.9472, 0.0082810], rel=1e-5)


def test_puromycin_is_taken_for_what_it_is():
    chosen, tried = choose(*PUROMYCIN, scatter="constant")
    assert chosen.curve.name == "saturation"
    assert [t.name for t in tried] == list(CURVES)
    assert amount_of(chosen, 230.0).value is None
    assert amount_of(chosen, 205.0).high is None


def test_aicc_follows_from_the_residuals():
    """N ln(RSS/N) + 2k + 2k(k+1)/(N-k-1), up to what all curves share (Hurvich & Tsai 1989)."""
    def aicc(rss, p):
        n, k = PUROMYCIN.shape[1], p + 1
        return n * np.log(rss / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)

    one, two = plain(LINE, PUROMYCIN), plain(SATURATION, PUROMYCIN)
    assert one.aicc - two.aicc == pytest.approx(aicc(one.rss, 2) - aicc(two.rss, 2), abs=1e-6)


@pytest.mark.parametrize("curve", [LINE, SATURATION])
def test_lack_of_fit_is_what_groups_leave(curve):
    """The pure error is what scipy's one-way analysis of variance has within its groups."""
    x, y = PUROMYCIN
    groups = [y[x == v] for v in np.unique(x)]
    between = sum(g.size * (g.mean() - y.mean()) ** 2 for g in groups)
    f = f_oneway(*groups).statistic
    pure = between / (len(groups) - 1) / f  # within, per degree of freedom
    found = plain(curve, PUROMYCIN)
    lack = (found.rss - pure * (x.size - len(groups))) / (len(groups) - 2)
    assert found.lack.f == pytest.approx(lack / pure, rel=1e-5)
    assert (found.lack.df_lack, found.lack.df_pure) == (4, 6)
    assert (found.lack.p < 0.01) == (curve is LINE)


def test_quadratic_is_that_of_polyfit():
    x, y = FLUORESCEIN
    values, covariance = np.polyfit(x, y, 2, cov="unscaled")
    found = plain(QUADRATIC, FLUORESCEIN)
    s = np.sqrt(found.rss / (x.size - 3))
    assert found.values == pytest.approx(values[::-1], rel=1e-9)
    assert found.sds == pytest.approx(s * np.sqrt(np.diag(covariance))[::-1], rel=1e-6)


def test_weighted_line_is_that_of_lmfit():
    from lmfit.models import LinearModel

    x, y = FLUORESCEIN
    u = 0.1 + 0.02 * y
    found = fit(LINE, x, y, u, scatter="constant")
    sd = np.hypot(u, found.scatter)
    result = LinearModel().fit(y, x=x, weights=1 / sd, scale_covar=False)
    assert found.values == pytest.approx(
        [result.params["intercept"].value, result.params["slope"].value], rel=1e-6)
    assert found.sds == pytest.approx(
        [result.params["intercept"].stderr, result.params["slope"].stderr], rel=1e-5)


def test_bands_are_the_textbook_s():
    x = FLUORESCEIN[0]
    line = plain(LINE, FLUORESCEIN)
    t, sxx = student.ppf(0.975, 5), ((x - x.mean()) ** 2).sum()
    at = np.array([0.0, 3.0, 11.0])
    inside = 1 / 7 + (at - x.mean()) ** 2 / sxx
    confidence, prediction = bands(line, at)
    assert confidence == pytest.approx(t * line.scatter * np.sqrt(inside), rel=1e-4)
    assert prediction == pytest.approx(t * line.scatter * np.sqrt(1 + inside), rel=1e-4)


def _certified(value, slopes, start):
    count = start.size
    return Curve("certified", "", tuple(f"b{k + 1}" for k in range(count)), value, slopes,
                 lambda p, x: 1.0, lambda p, y: None, lambda p: (-np.inf, np.inf),
                 lambda x, y: start)


def _misra(b, x):
    return b[0] * (1 - np.exp(-b[1] * x))


def _chwirut(b, x):
    return np.exp(-b[0] * x) / (b[1] + b[2] * x)


def _by_complex_step(value):
    def slopes(b, x):
        out = []
        for k in range(b.size):
            moved = b.astype(complex)
            moved[k] += 1e-30j * b[k]
            out.append(value(moved, x).imag / (1e-30 * b[k]))
        return np.array(out).T
    return slopes


def _ratio(b, x):
    return b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3])


@pytest.mark.parametrize(
    ("name", "value"), [("Misra1a", _misra), ("Chwirut1", _chwirut), ("MGH09", _ratio)])
@pytest.mark.parametrize("which", [0, 1])
def test_the_engine_redoes_certified_fits(name, value, which):
    """NIST StRD (fixtures/nist): other curves than ours, the same search and uncertainties."""
    data = load(name)
    curve = _certified(value, _by_complex_step(value), data.starts[which])
    found = fit(curve, data.x, data.y, scatter="constant")
    assert found.rss == pytest.approx(data.rss, rel=1e-9)
    assert found.values == pytest.approx(data.values, rel=1e-6)
    assert found.sds == pytest.approx(data.sds, rel=1e-6)

"""What every background method keeps to, and how well each one does on drawn traces."""

from __future__ import annotations

import functools
import re

import numpy as np
import pytest

from lanes.errors import InputError
from lanes.setting_values import BACKGROUNDS
from lanes.trace.background import METHODS, SHORTEST, background

PITCH = 25.4 / 300
every = pytest.mark.parametrize("method", METHODS)
fitted = pytest.mark.parametrize("method", [m for m in METHODS if m != "none"])


def gaussian(x, centre, fwhm, height=1.0):
    return height * np.exp(-4 * np.log(2) * ((x - centre) / fwhm) ** 2)


def trace(n=900, seed=3):
    """Three spots, two of them touching, on a slope that decays, with noise."""
    x = (np.arange(n) + 0.5) * PITCH
    spots = gaussian(x, 20, 2) + gaussian(x, 45, 3, 0.6) + gaussian(x, 49, 3, 0.4)
    noise = np.random.default_rng(seed).normal(0, 0.01, n)
    return spots + 0.3 + 0.2 * np.exp(-x / 30) + noise


def test_methods_are_those_of_the_settings():
    assert set(METHODS) == set(BACKGROUNDS) - {"layer"}


@every
def test_list_is_as_good_as_array(method):
    y = trace()
    found = background(y.tolist(), method, pitch=PITCH)
    assert found.dtype == np.float64
    assert found.shape == y.shape
    np.testing.assert_array_equal(found, background(y, method, pitch=PITCH))


@every
def test_integers_are_as_good_as_floats(method):
    y = np.round(1000 * trace()).astype(np.int32)
    np.testing.assert_array_equal(background(y, method), background(y.astype(float), method))


@every
@pytest.mark.parametrize("n", [900, 901, 317])
def test_reversed_axis_gives_reversed_answer(method, n):
    y = trace(n)
    usable = np.ones(n, bool)
    usable[40:60] = False
    forth = background(y, method, usable=usable, pitch=PITCH)
    back = background(y[::-1], method, usable=usable[::-1], pitch=PITCH)
    np.testing.assert_allclose(back[::-1], forth, rtol=0, atol=1e-9)


@every
def test_arguments_are_left_untouched_and_answer_repeats(method):
    y = trace()
    usable = np.ones(y.size, bool)
    usable[100:120] = False
    kept = y.copy(), usable.copy()
    y.flags.writeable = usable.flags.writeable = False
    first = background(y, method, usable=usable, pitch=PITCH)
    second = background(y, method, usable=usable, pitch=PITCH)
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(y, kept[0])
    np.testing.assert_array_equal(usable, kept[1])
    assert first.flags.writeable


@every
@pytest.mark.parametrize("factor", [3e-7, 3.0, 7e5])
def test_scaled_signal_scales_background(method, factor):
    y = trace()
    expected = factor * background(y, method, pitch=PITCH)
    found = background(factor * y, method, pitch=PITCH)
    np.testing.assert_allclose(found, expected, rtol=1e-8, atol=0)


@fitted
@pytest.mark.parametrize("added", [-2.0, 0.5, 100.0])
def test_added_constant_is_background(method, added):
    y = trace()
    expected = background(y, method, pitch=PITCH) + added
    np.testing.assert_allclose(background(y + added, method, pitch=PITCH), expected, atol=1e-8)


@every
def test_nothing_has_no_background(method):
    np.testing.assert_array_equal(background(np.zeros(300), method, pitch=PITCH), np.zeros(300))


@fitted
@pytest.mark.parametrize("value", [0.3, -1e-12, 1e9])
@pytest.mark.parametrize("n", [SHORTEST, 9, 600])
def test_level_trace_is_all_background(method, value, n):
    found = background(np.full(n, value), method, pitch=PITCH)
    np.testing.assert_allclose(found, value, rtol=1e-12)


@fitted
def test_straight_line_is_all_background(method):
    y = np.linspace(-0.2, 0.7, 700)
    # A cell cuts its outermost samples in parts and takes each part for level: an eighth of a
    # step at most.
    atol = (y[1] - y[0]) / 8
    np.testing.assert_allclose(background(y, method, pitch=PITCH), y, rtol=0, atol=atol)


def test_none_is_zero():
    np.testing.assert_array_equal(background(trace(), "none"), np.zeros(900))


@every
@pytest.mark.parametrize("pitch", [None, 1e-300, 1e-6, 0.3, 5.0, 1e300])
@pytest.mark.parametrize("n", [SHORTEST, 10, 1200])
def test_any_length_and_pitch_gives_finite_values(method, pitch, n):
    y = np.random.default_rng(5).normal(0, 1, n)
    usable = np.ones(n, bool)
    if n > 100:
        usable[50:60] = False
    found = background(y, method, pitch=pitch, usable=usable)
    assert np.isfinite(found).all()
    # A cubic through ten samples of noise, three of them left out, swings to 2.4 times the noise.
    assert np.abs(found).max() <= 3 * np.abs(y).max()


# The same plate at other resolutions.


def scans(length=96.0, seed=8):
    """One plate's trace, and its background, at 200, 300 and 600 dots per inch."""
    n = 12 * round(length / 25.4 * 1200 / 12)
    x = (np.arange(n) + 0.5) * 25.4 / 1200
    under = 0.2 + 0.3 * np.exp(-x / 25)
    fine = under + gaussian(x, 30, 1.5) + gaussian(x, 60, 3.5, 0.5)
    fine += np.random.default_rng(seed).normal(0, 0.02, n)
    for dpi in (200, 300, 600):
        few = fine.reshape(-1, 1200 // dpi).mean(1)
        yield 25.4 / dpi, few, under.reshape(-1, 1200 // dpi).mean(1)


# Greatest differences measured with this and seven other seeds: 0.0007, 0.0053 and 0.0005, where
# spots are 1 high and noise is 0.01 a sample at 300 dpi. "snip" leaves the ends their noise.
@pytest.mark.parametrize(
    ("method", "bound"), [("asymmetric", 0.001), ("snip", 0.006), ("polynomial", 0.001)]
)
def test_background_does_not_depend_on_resolution(method, bound):
    found = []
    for pitch, y, under in scans():
        x = (np.arange(y.size) + 0.5) * pitch
        excess = background(y, method, pitch=pitch) - under
        found.append(np.interp(np.arange(0.5, 95.5, 0.5), x, excess))
    assert np.ptp(found, axis=0).max() < bound


@fitted
def test_unknown_pitch_stands_for_a_run_of_80_mm(method):
    y = trace()
    known = background(y, method, pitch=80 / y.size)
    np.testing.assert_allclose(background(y, method), known, atol=1e-12)


# Samples that are not usable.


@fitted
@pytest.mark.parametrize("mark", [5.0, -5.0, 1e6])
@pytest.mark.parametrize("where", [slice(0, 12), slice(300, 320), slice(888, 900)])
def test_what_is_not_usable_does_not_matter(method, mark, where):
    y = trace()
    usable = np.ones(y.size, bool)
    usable[where] = False
    clean = background(y, method, usable=usable, pitch=PITCH)
    y[where] += mark
    marked = background(y, method, usable=usable, pitch=PITCH)
    # Looser for the great mark: it takes digits from its neighbours where all are scaled alike.
    np.testing.assert_allclose(marked, clean, atol=1e-13 * max(1e3, abs(mark)) * 10)


# Greatest differences measured with this and six other seeds: 0.002, 0.021 and 0.0013.
@pytest.mark.parametrize(
    ("method", "bound"), [("asymmetric", 0.003), ("snip", 0.025), ("polynomial", 0.002)]
)
@pytest.mark.parametrize("where", [slice(0, 12), slice(300, 320), slice(888, 900)])
def test_background_bridges_what_is_not_usable(method, bound, where):
    y = trace()
    whole = background(y, method, pitch=PITCH)
    usable = np.ones(y.size, bool)
    usable[where] = False
    y[where] = -3.0
    bridged = background(y, method, usable=usable, pitch=PITCH)
    assert np.abs(bridged - whole).max() < bound
    assert np.abs(background(y, method, pitch=PITCH) - whole).max() > 0.2


# What is refused, and in what words.


@every
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_values_not_finite_are_refused(method, bad):
    y = trace()
    y[17] = bad
    with pytest.raises(InputError, match=r"signal is -?(nan|inf) at sample 17: give finite"):
        background(y, method)


@every
@pytest.mark.parametrize("n", [0, 1, SHORTEST - 1])
def test_too_short_is_refused(method, n):
    with pytest.raises(InputError, match=f"signal has {n} samples: a background needs 8 or more"):
        background(np.ones(n), method)


@pytest.mark.parametrize(
    ("signal", "words"),
    [
        (np.ones((20, 2)), "shape (20, 2): give one dimension"),
        (3.0, "shape (): give one dimension"),
        ([[1, 2], [3]], "signal is ragged: give one number a sample"),
        (["a"] * 20, "give real numbers"),
        ([1j] * 20, "complex128 values: give real numbers"),
        ([None] * 20, "object values: give real numbers"),
    ],
)
@every
def test_what_is_no_trace_is_refused(method, signal, words):
    with pytest.raises(InputError, match=re.escape(words)) as caught:
        background(signal, method)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("method", ["layer", "Snip", "", None, 3])
def test_unknown_method_is_refused_with_the_names(method):
    with pytest.raises(InputError, match="give one of asymmetric, snip, polynomial, none"):
        background(trace(), method)


@every
@pytest.mark.parametrize("pitch", [0.0, -0.1, np.nan, np.inf, "0.1"])
def test_pitch_must_be_a_length(method, pitch):
    with pytest.raises(InputError, match="can't be used: give the distance between samples"):
        background(trace(), method, pitch=pitch)


@every
@pytest.mark.parametrize("usable", [[True] * 5, [1.0] * 900, np.ones((900, 1), bool)])
def test_usable_must_be_true_or_false_a_sample(method, usable):
    with pytest.raises(InputError, match="give True or False for each of the 900 samples"):
        background(trace(), method, usable=usable)


@fitted
@pytest.mark.parametrize("left", [0, 10])
def test_too_little_usable_is_refused(method, left):
    usable = np.zeros(900, bool)
    usable[:left] = True
    with pytest.raises(InputError, match=f"usable leaves {left} of 900 samples"):
        background(trace(), method, usable=usable, pitch=PITCH)


# How well it does: the error of the area between the spot and the background found.

SHAPES = {
    "constant": lambda u: np.full_like(u, 0.5),
    "rising": lambda u: 0.5 * u,
    "falling": lambda u: 0.5 * (1 - u),
    "sagging": lambda u: 0.5 * (2 * u - 1) ** 2,
    "bulging": lambda u: 2 * u * (1 - u),
    "decaying": lambda u: 0.5 * np.exp(-4 * u),
    "decaying fast": lambda u: 0.5 * np.exp(-8 * u),
}
SPOTS = ((1.0, 0.6), (1.5, 5.0), (2.0, 1.0), (3.0, 2.0), (4.0, 0.8))  # width and height
NOISE = 0.01  # signal to noise from 60 to 500

# The greatest and the mean error in percent that a group of shapes may show. The greatest measured
# with this seed and three others: 2.31, 2.82, 5.15; 2.97, 3.52, 7.39; 2.68, 4.61, 9.43. The noise
# under the weakest spot alone is worth 0.8 (one standard deviation).
PLAIN = ("constant", "rising", "falling", "sagging", "bulging")
BOUNDS = [
    ("asymmetric", PLAIN, 2.5, 0.4),
    ("asymmetric", ("decaying",), 3.0, 0.4),
    ("asymmetric", ("decaying fast",), 5.5, 0.8),
    ("snip", PLAIN, 3.0, 0.6),
    ("snip", ("decaying",), 4.0, 0.5),
    ("snip", ("decaying fast",), 8.0, 0.5),
    ("polynomial", PLAIN, 3.0, 0.4),
    ("polynomial", ("decaying",), 5.0, 0.8),
    ("polynomial", ("decaying fast",), 10.0, 1.5),
]


@functools.cache
def area_errors(method, seed=20):
    """Return relative errors of area over drawn lanes, each with one spot far from the ends."""
    rng = np.random.default_rng(seed)
    errors = {}
    for name, shape in SHAPES.items():
        for length in (50.0, 80.0, 150.0):
            n = round(length / PITCH)
            x = (np.arange(n) + 0.5) * PITCH
            for fwhm, height in SPOTS:
                for place in (0.25, 0.5, 0.75):
                    y = shape(x / length) + gaussian(x, place * length, fwhm, height)
                    y += rng.normal(0, NOISE, n)
                    rest = y - background(y, method, pitch=PITCH)
                    area = rest[np.abs(x - place * length) < 1.5 * fwhm].sum() * PITCH
                    true = height * fwhm * np.sqrt(np.pi / np.log(2)) / 2
                    errors.setdefault(name, []).append(area / true - 1)
    return {name: np.array(values) for name, values in errors.items()}


@pytest.mark.parametrize(("method", "shapes", "greatest", "mean"), BOUNDS)
def test_area_of_a_lone_spot(method, shapes, greatest, mean):
    errors = area_errors(method)
    for shape in shapes:
        assert 100 * np.abs(errors[shape]).max() < greatest
        assert abs(100 * errors[shape].mean()) < mean


def test_those_bounds_can_be_missed():
    for errors in area_errors("none").values():
        assert 100 * np.abs(errors).max() > 30


def crowded_lanes(seed=30, lanes=42):
    """Draw lanes of four to eight spots of any height, many of them overlapping."""
    rng = np.random.default_rng(seed)
    shapes = list(SHAPES.values())
    for lane in range(lanes):
        length = (60.0, 80.0, 120.0)[lane % 3]
        n = round(length / PITCH)
        x = (np.arange(n) + 0.5) * PITCH
        count = rng.integers(4, 9)
        spots = sum(
            gaussian(x, rng.uniform(0.08, 0.92) * length, rng.uniform(1.5, 4), rng.uniform(0.1, 1))
            for _ in range(count)
        )
        under = shapes[lane % len(shapes)](x / length)
        yield spots, under, spots + under + rng.normal(0, NOISE, n)


def crowd_errors(method, seed=30):
    """Return the share of all spots' area that the background takes or leaves, a lane."""
    found = []
    for spots, under, y in crowded_lanes(seed):
        there = spots > NOISE
        rest = under - background(y, method, pitch=PITCH)
        found.append(rest[there].sum() / spots.sum())
    return np.array(found)


# Percent, root mean square over lanes and the worst lane. Measured with this seed and three others:
# at most 1.46 and 5.62; 3.03 and 7.31; 6.75 and 25.3. The background is found too high on average.
@pytest.mark.parametrize(
    ("method", "typical", "worst"),
    [("asymmetric", 1.6, 6.0), ("snip", 3.2, 8.0), ("polynomial", 7.0, 27.0)],
)
def test_area_in_a_crowded_lane(method, typical, worst):
    errors = 100 * crowd_errors(method)
    assert np.sqrt(np.mean(errors**2)) < typical
    assert np.abs(errors).max() < worst

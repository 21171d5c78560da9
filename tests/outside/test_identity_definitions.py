"""What identity on a plate is: the co-spot rule, relative retardation, equivalence.

- USP <621>, Chromatography, text before 2022 (edition from memory), thin-layer chromatography,
  identification: sample and reference are one if their spots agree in colour and Rf, and a mixture
  of both, run in one lane, yields a single spot.
- IUPAC, Nomenclature for Chromatography, Pure Appl. Chem. 65, 819 (1993), planar chromatography:
  relative retardation is the Rf of a component over the Rf of a standard.
- Two equal Gaussians merge into one maximum up to a separation of 2 sigma: Schilling, Watkins &
  Watkins, Am. Stat. 56, 223 (2002). Maxima alone would call such a co-spot single.
- Two one-sided tests at 5 % are a 90 % interval within the margin: Schuirmann,
  J. Pharmacokinet. Biopharm. 15, 657 (1987) (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import find_peaks
from scipy.stats import t

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.measuring import prepare
from lanes.questions.compare.answer import answer
from lanes.questions.compare.cospot import make_cospot
from lanes.questions.compare.identity import LEVEL, MARGIN, Difference, judge
from lanes.questions.compare.other_plate import Carried, relative
from lanes.reading import LaneReading
from lanes.settings import Settings
from lanes.spots.deconvolve import deconvolve
from lanes.spots.describe import describe
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

RUN, SIGMA = 75.0, 0.9
NAMES = ("U", "A", "C")
RED, BLUE = (0.1, 1.0, 0.4), (1.0, 0.4, 0.1)


def usp(folder, apart=0.0, colour=RED, mode="rgb"):
    """Return the verdict on a plate of unknown, reference and their mixture."""
    own = SpotSpec(0.45, 0.8, width=2.1, colour=RED)
    other = SpotSpec(0.45 + apart, 0.8, width=2.1, colour=colour)
    lanes = ((own,), (other,), (own, other))
    spec = PlateSpec(width=40, height=72, front=65, dpi=150, seed=6, mode=mode, lanes=tuple(
        LaneSpec(x, spots, name=name)
        for x, spots, name in zip((9, 20, 31), lanes, NAMES, strict=True)))
    save(draw(spec), folder / "plate.png")
    plate = prepare(folder / "plate.png", Settings(light="white", names=NAMES))
    (pair,) = answer(plate, unknown="U", references=("A",), cospots={"C": ("U", "A")}).pairs
    return pair


def test_colour_rf_and_a_single_mixed_spot_agree(tmp_path):
    pair = usp(tmp_path)
    assert pair.verdict == "same"
    assert pair.reasons == ("Rf agrees", "the co-spot is single", "the colour agrees")


def test_a_mixed_spot_that_is_not_single_is_two(tmp_path):
    pair = usp(tmp_path, apart=0.03, mode="grey")
    assert pair.verdict == "different"
    assert "the co-spot shows two" in pair.reasons


def test_another_colour_is_another_substance(tmp_path):
    pair = usp(tmp_path, colour=BLUE)
    assert pair.verdict == "different"
    assert pair.reasons == ("the colour differs",)


@pytest.mark.parametrize(("rf", "standard", "expected"), [
    (0.30, 0.60, 0.5), (0.42, 0.60, 0.7), (0.66, 0.60, 1.1), (0.25, 0.75, 1 / 3),
])
def test_relative_retardation(rf, standard, expected):
    assert relative(rf, Carried("S", standard, 0.5)) == pytest.approx(expected)


def test_relative_retardation_carries_an_rf_to_the_first_plate():
    carried = Carried("S", 0.60, 0.48)
    # 0.36 / 0.48 = 0.75 of the standard there is 0.45 of 0.60 here.
    assert 0.36 * carried.scale == pytest.approx(0.45)
    assert relative(0.36 * carried.scale, carried) == pytest.approx(0.36 / 0.48)


def lane(rfs, name, seed):
    noise = Noise(0.004, np.exp(-np.arange(30) / 3.0), 0.127, "clean layer")
    x = np.arange(-2.0, 77.0, noise.pitch)
    y = sum((np.exp(-0.5 * ((x - rf * RUN) / SIGMA) ** 2) for rf in rfs), np.zeros_like(x))
    kernel = np.exp(-np.arange(60) / 3.0)
    white = np.random.default_rng(seed).standard_normal(x.size + 59)
    y = y + 0.004 * np.convolve(white, kernel / np.linalg.norm(kernel), "valid")
    none = np.zeros(x.size)
    trace = Trace(x, y, np.abs(x) > 0.4, np.ones(x.size), RUN, None, None, none, none)
    fit = deconvolve(x, y, noise=noise, usable=trace.usable, baseline_order="linear")
    spots, pairs, flags = describe(trace, fit, noise, 0.0, 0.0, True, 1.0)
    return LaneReading(name, None, None, None, RUN, spots, pairs, 0.02, fit, noise, trace, none,
                       flags)


def test_a_pair_that_shows_one_maximum_is_still_two():
    """1.7 sigma apart, below the 2 sigma at which a second maximum appears."""
    apart = 1.7 * SIGMA / RUN
    own, reference = lane([0.45], "U", 1), lane([0.45 + apart], "A", 2)
    mixed = lane([0.45, 0.45 + apart], "C", 3)
    near = np.abs(mixed.trace.rf - 0.46) < 0.03
    assert len(find_peaks(mixed.trace.signal[near], prominence=0.05)[0]) == 1
    found = make_cospot(mixed, (own.fit.components[0], own.spots[0].rf),
                        (reference.fit.components[0], reference.spots[0].rf), [], 1.0)
    # The lanes' Rf are made worthless: the co-spot counts alone.
    judged = judge(Difference(0.0, 0.5, 1e6), [found], np.random.default_rng(1), 100)
    assert judged.verdict == "different"
    assert judged.cospots[0].verdict == "two"


@pytest.mark.parametrize("degrees", [6.0, 12.0, 40.0])
def test_same_is_two_one_sided_tests_at_five_percent(degrees):
    """Where the margin is 0.02 the largest difference called none has p = 0.05 against it."""
    sd = 0.0062
    seen = Difference(0.0, sd, degrees)
    assert seen.resolvable > MARGIN

    def same(value):
        judged = judge(Difference(value, sd, degrees), (), np.random.default_rng(1))
        return 0.5 if judged.verdict == "same" else -0.5

    edge = brentq(same, 0.0, MARGIN)
    against_upper = t.sf((MARGIN - edge) / sd, degrees)
    assert against_upper == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize("degrees", [6.0, 12.0, 40.0])
def test_the_resolvable_difference_is_students_power(degrees):
    """Common form of the least detectable difference: both quantiles of Student's t, added."""
    seen = Difference(0.0, 0.005, degrees)
    expected = 0.005 * (t.ppf(1 - LEVEL / 2, degrees) + t.ppf(0.95, degrees))
    assert seen.resolvable == pytest.approx(expected)

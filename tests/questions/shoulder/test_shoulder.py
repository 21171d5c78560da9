"""One component or two: the statistics, the answers on drawn plates, the command."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import lmfit
import numpy as np
import pytest
from scipy.stats import kstest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.evidence import whitened_fits as fits
from lanes.evidence import whitened_models as models
from lanes.evidence.noise_covariance import noise_covariance
from lanes.measuring import prepare, read_lane
from lanes.questions.shoulder import answer as module
from lanes.questions.shoulder import page
from lanes.questions.shoulder.answer import Shoulder, decide, judge, judge_trace
from lanes.questions.shoulder.as_two import marks_of
from lanes.questions.shoulder.case import Case, area_shares, make_case
from lanes.questions.shoulder.explanations import tails
from lanes.questions.shoulder.page import render_shoulder, sentence
from lanes.questions.shoulder.result import Component
from lanes.questions.shoulder.weigh import (
    RESOLUTIONS,
    Detectable,
    Evidence,
    detectable,
    noncentrality,
    ratio,
)
from lanes.questions.shoulder.window import kept_one, pick
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.spots.criteria import criteria
from lanes.spots.model import Peak, Problem
from lanes.spots.shape_terms import ASSUMED, basis
from lanes.spots.shapes import FWHM
from lanes.spots.solve import solve
from lanes.trace.noise import Noise

sys.path.insert(0, str(Path(__file__).parents[2] / "outside"))
from nist import load

pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["lane", "rf", "verdict", "p_value", "delta_aicc", "delta_bic", "components",
        "alternatives", "colour", "evidence", "detectable", "flags"]


def pair(rf, resolution, share, one=None, other=None):
    width = 1.5 + 1.2 * rf
    apart = resolution * 2 * width / 1.18 / 75.0
    return (SpotSpec(rf, 1 - share, width=width, colour=one),
            SpotSpec(rf + apart, share, width=width, colour=other))


# A disc with a blurred rim as its chord's length has it.
DISC_Z = np.arange(0.0, 5.0, 0.05)
DISC = np.exp(-((DISC_Z / 1.6) ** 4))
RED, BLUE = (1.0, 0.3, 0.1), (0.1, 0.6, 1.0)
LANES = {
    "single": (SpotSpec(0.4, 1.0),),
    "pair": pair(0.4, 0.6, 0.25),
    "tail": (SpotSpec(0.4, 1.0, tail=0.9),),
    "coloured": pair(0.4, 0.5, 0.3, RED, BLUE),
    "red": (SpotSpec(0.4, 1.0, colour=RED),),
    "blank": (),
    "apart": (SpotSpec(0.25, 0.5), SpotSpec(0.7, 1.0)),
}


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("shoulder") / "plate.png"
    lanes = tuple(LaneSpec(10.0 + 13.0 * i, spots) for i, spots in enumerate(LANES.values()))
    save(draw(PlateSpec(width=98.0, lanes=lanes, dpi=150, seed=3)), path)
    return path


@pytest.fixture(scope="module")
def plate(file: Path) -> Plate:
    return prepare(file, Settings(light="white", names=tuple(LANES), lanes=7))


@pytest.fixture(scope="module")
def readings(plate: Plate) -> tuple[LaneReading, ...]:
    return tuple(read_lane(plate, lane) for lane in plate.layout.lanes)


@pytest.fixture(scope="module")
def answers(plate, readings) -> dict[str, Shoulder]:
    dyed = ("single", "coloured", "red")
    return {name: judge(readings, name, plate=plate if name in dyed else None, bootstraps=99)
            for name in LANES if name != "blank"}


def case_of(readings, name) -> Case:
    reading = next(r for r in readings if r.name == name)
    return make_case(reading, pick(reading, None), 1.0)


@pytest.mark.parametrize(("model", "p"), [
    (models.one, [3.0, -0.2, 2.0]),
    (models.two, [2.0, 1.7, -0.2, 2.0, 0.7]),
    (models.tail(1), [3.0, -0.2, 0.8, 2.0]),
    (models.tail(-1), [3.0, -0.2, 0.05, 2.0]),
    (models.measured(np.array([1.0, 0, 0, 0.05, -0.02, 0.01, 0.003])), [3.0, -0.2, 2.0]),
    (models.stretched(DISC_Z, DISC), [3.0, -0.2, 2.0]),
    (models.pair_of(models.stretched(DISC_Z, DISC)), [2.0, 1.7, -0.2, 2.0, 0.7]),
    (models.pair_of(models.uneven), [2.0, 1.7, 0.3, -0.2, 1.1, 2.0, 0.7]),
])
def test_derivatives_against_differences(model, p):
    x = np.linspace(-3, 9, 60)
    p = np.array([p])
    by = model(x, p)[1][0]
    for k in range(p.shape[1]):
        step = np.zeros_like(p)
        step[0, k] = 1e-6
        numeric = (model(x, p + step)[0] - model(x, p - step)[0])[0] / 2e-6
        np.testing.assert_allclose(by[k], numeric, atol=2e-8)


def test_marks_of_an_uneven_spot_are_those_of_its_curve():
    """Without skew a Gaussian's; with it, those of the curve drawn finely."""
    apex, sigma = models.uneven_marks(np.array([[3.0, 0.0, -0.2, 1.0, 2.0],
                                                [3.0, 0.4, -0.2, 0.9, 2.0]]))
    assert (apex[0], sigma[0]) == pytest.approx((3.0, np.exp(-0.2)), rel=1e-5)
    x = np.linspace(-3, 9, 120_001)
    curve = models.uneven(x, np.array([[3.0, 0.4, -0.2, 0.9, 2.0]]))[0][0]
    over = x[curve >= 0.5 * curve.max()]
    assert apex[1] == pytest.approx(x[np.argmax(curve)], abs=1e-3)
    assert sigma[1] == pytest.approx((over[-1] - over[0]) / FWHM, abs=1e-3)


def test_quick_fits_are_those_of_lmfit(readings):
    """The same minimum by two programs: batched Levenberg-Marquardt here, MINPACK in lmfit."""
    for name in ("single", "pair", "tail"):
        case = case_of(readings, name)
        guess = case.single[None, :]
        each, space, z = case.each, case.space, case.z
        quick = [
            (case.one, fits.fit_single(each, space, z, guess, case.limits)[1]),
            (tails(space, z, case.rest, case.single, case.limits, 0.01)[
                "a tail toward the origin"], fits.fit_tail(space, z, guess, case.limits, 1)[1]),
        ]
        if name != "single":
            # Of one spot the second may shrink or leave: there is no one minimum to agree on.
            quick.append((case.two, fits.fit_two(space, z, guess, case.limits, each)[1]))
        for found, rss in quick:
            assert float(rss[0]) + case.rest == pytest.approx(found.rss, rel=2e-3, abs=0.02), name


def test_covariance_is_one_and_follows_the_noise():
    lags = np.arange(60) * 0.08
    known = 0.3 * np.exp(-lags / 0.15) + 0.7 * np.exp(-0.5 * (lags / 2.0) ** 2)
    noise = Noise(0.01, known, 0.08, "clean layer")
    found = noise_covariance(noise, np.ones(200)) / 0.01**2
    assert np.linalg.eigvalsh(found)[0] > 0
    np.testing.assert_allclose(found[0, 1:60], known[1:], atol=0.01)


def test_p_values_are_uniform_under_the_null(readings):
    """Single spots drawn with the plate's noise, each with a bootstrap of its own."""
    case = case_of(readings, "single")
    rng = np.random.default_rng(5)
    size, p = case.space.reduce.shape[0], []
    mean = case.space.reduced(case.each, case.single[None, :])[0][0]
    for _ in range(30):
        drawn = replace(case, z=(mean + rng.standard_normal(size))[None, :],
                        rest=float(rng.chisquare(case.space.freedom - size)))
        p.append(ratio(drawn, 99, rng).p_value)
    assert kstest(p, "uniform").pvalue > 0.01


def test_detectable_is_detected_95_times_of_100(readings):
    """The noncentrality's promise against brute force."""
    case = case_of(readings, "single")
    rng = np.random.default_rng(6)
    found = ratio(case, 400, rng)
    threshold = float(np.quantile(found.null, 0.95))
    curve = {d.resolution: d.percent for d in detectable(case, threshold, 1.0)}
    c, ln_sigma, area = case.single
    for resolution in (0.5, 0.8, 1.2):
        q = curve[resolution] / 100
        gap = resolution * 2 * FWHM * case.half_width / 1.18
        truths = np.array([
            (c, gap, ln_sigma, (1 - q) * area, q * area),
            (c - gap * np.exp(ln_sigma), gap, ln_sigma, q * area, (1 - q) * area)])
        worse = truths[int(np.argmin(noncentrality(case, truths)))]
        mean = case.space.reduced(models.pair_of(case.each), worse[None, :])[0][0]
        z = mean + rng.standard_normal((200, mean.size))
        p, one = fits.fit_single(case.each, case.space, z, case.single, case.limits)
        two = fits.fit_two(case.space, z, p, case.limits, case.each)[1]
        power = np.mean(one - two > threshold)
        assert 0.88 <= power <= 0.995, resolution


def test_criteria_are_those_of_lmfit():
    """lmfit defines AIC = N ln(chi2/N) + 2k and BIC = N ln(chi2/N) + k ln N, as here."""
    rng = np.random.default_rng(1)
    x = np.linspace(0, 10, 80)
    y = 3 * np.exp(-0.5 * (x - 5) ** 2) + 0.1 * rng.standard_normal(80)
    problem = Problem(x, y, np.full(80, 10.0), "none", 0.3, 5.0, None)
    solution = solve(problem, (Peak(5.0, 7.0, 1.0),))
    aicc, bic = criteria(problem, solution, 1.0)
    model = lmfit.models.GaussianModel()
    theirs = model.fit(y, x=x, weights=10.0, amplitude=7.0, center=5.0, sigma=1.0)
    k = 3
    assert bic == pytest.approx(theirs.bic, abs=1e-4)
    assert aicc - 2 * k * (k + 1) / (80 - k - 1) == pytest.approx(theirs.aic, abs=1e-4)


@pytest.mark.parametrize(("name", "verdict"), [
    ("single", "one"), ("pair", "two"), ("tail", "one"), ("coloured", "two"), ("red", "one"),
    ("apart", "one"),
])
def test_drawn_spots(answers, name, verdict):
    assert answers[name].verdict == verdict


def test_pair_comes_out_with_its_values(answers):
    a, b = answers["pair"].components
    truth = LANES["pair"]
    for found, true, percent in ((a, truth[0], 75), (b, truth[1], 25)):
        assert abs(found.rf - true.rf) < 4 * found.rf_sd
        assert abs(found.area_percent - percent) < 4 * found.area_percent_sd
        assert found.area_percent_sd < 3
    assert answers["pair"].pair.resolution == pytest.approx(0.6, abs=0.03)
    assert answers["pair"].delta_bic > 20
    assert answers["single"].delta_bic < 0


def test_what_either_may_be_misshapen_by_is_in_the_intervals_of_a_pair(readings):
    """Each shape term of each spot moves the fit: the root of the squares of all is what it may."""
    case = case_of(readings, "pair")
    p, x = case.two.values, case.all_x[case.usable]
    jac = case.space.reduced(case.two.model, p[None])[1][0].T
    moved = []
    for apex, area, sigma, _ in marks_of(p, case.half_width)[0].reshape(2, 4):
        z, height = (x - apex) / sigma, area / (sigma * np.sqrt(2 * np.pi))
        for term, sd in zip(basis(z).T, case.doubt.sds, strict=True):
            data = np.zeros(len(jac))
            data[:len(case.space.reduce)] = case.space.reduce @ (case.rough * height * sd * term)
            moved.append(np.linalg.lstsq(jac, data, rcond=None)[0])
    rfs, rf_sds, _, percent_sds, _ = area_shares(case, (0.0, 0.0))
    by = np.array(moved)
    share = 100 * (by[:, 4] * p[3] - by[:, 3] * p[4]) / (p[3] + p[4]) ** 2
    # What is finer, and noise, are there besides; matrices of this kind are inverted to 1 %.
    assert 0.99 * np.hypot.reduce(by[:, 0]) < rf_sds[0] * case.run
    assert 0.99 * np.hypot.reduce(share) < percent_sds[0]
    assert 0 < rfs[0] < rfs[1]


def test_colour_is_seen(answers):
    assert answers["coloured"].colour < 0.01
    assert answers["red"].colour > 0.05
    assert answers["single"].colour > 0.05


def test_detectable_falls_with_resolution(answers):
    found = answers["single"].detectable
    assert [d.resolution for d in found] == list(RESOLUTIONS)
    # Close by, a misshapen single spot could look like any second component: over 50 %.
    shares = [np.inf if d.percent is None else d.percent for d in found]
    assert shares[:6] == sorted(shares[:6], reverse=True)
    assert shares[0] > 2 * shares[5]
    assert 0.1 < shares[5] < 15


def test_a_measured_shape_is_held_against_two(plate, readings):
    answer = judge(readings, "pair", plate=None, shape_from="tail", bootstraps=99)
    assert answer.verdict == "two"
    # No one hump follows its shoulder: tails and skewed spots, which are humps, are not asked.
    assert list(answer.against) == ["one spot of any shape", "the shape of lane tail"]
    assert [a.name for a in answer.alternatives][-1] == "the shape of lane tail"
    answer = judge(readings, "pair", plate=None, shape_from="single", bootstraps=99)
    assert answer.against["the shape of lane single"][0] < 0.05
    # A tailing spot has not the shape of one that does not tail: a tail explains it, two do not.
    answer = judge(readings, "tail", plate=None, shape_from="single", bootstraps=99)
    assert answer.verdict == "one"
    assert answer.against["the shape of lane single"][0] < 0.05 <= answer.against["a tail"][0]


def test_a_named_shape_settles_what_the_profile_across_leaves_open():
    """Resolution 0.5, one to three: no more than a longer spot, until a lane shows one spot's."""
    drawn = Path(__file__).parents[3] / "fixtures" / "shoulder.png"
    plate = prepare(drawn, Settings(names=("pair", "tail", "single"), light="white"))
    readings = tuple(read_lane(plate, lane) for lane in plate.layout.lanes)
    alone = judge(readings, "pair", plate=plate, bootstraps=99)
    assert alone.verdict == "cannot tell"
    assert "--shape-from" in " ".join(alone.settle)
    named = judge(readings, "pair", plate=plate, shape_from="single", bootstraps=99)
    assert named.verdict == "two"
    small = min(named.components, key=lambda c: c.area_percent)  # drawn as 0.4 beside 1.2
    assert abs(small.area_percent - 25.0) < 2.0 * small.area_percent_sd
    # That lane's spot is Gaussian, and is known to be: it makes no shape more doubtful.
    unnamed = min(alone.components, key=lambda c: c.area_percent)
    assert small.area_percent_sd < 1.2 * unnamed.area_percent_sd
    assert judge(readings, "single", plate=plate, shape_from="tail", bootstraps=99).verdict == "one"
    tail = judge(readings, "tail", plate=plate, shape_from="single", bootstraps=99)
    assert tail.verdict == "cannot tell"



def test_the_same_seed_gives_the_same_answer(readings):
    first, again = (judge(readings, "tail", bootstraps=99, seed=4) for _ in range(2))
    first, again = (render_shoulder(answer, "p.png", Settings()) for answer in (first, again))
    assert first.json() == again.json()
    assert first.html() == again.html()
    assert first.figure == again.figure


def evidence(p=0.001, percent=3.0, **against):
    rivals = {name.replace("_", " "): pair for name, pair in against.items()}
    return Evidence(20.0, 6.0, p, rivals, 1.0, (Detectable(0.6, percent),))


@pytest.mark.parametrize(("found", "wide", "coloured", "doubtful", "verdict"), [
    (evidence(p=0.4), False, False, False, "one"),
    (evidence(p=0.4), True, False, False, "cannot tell"),
    (evidence(p=0.4), False, True, False, "cannot tell"),
    (evidence(p=0.4, percent=None), False, False, False, "cannot tell"),
    (evidence(a_tail=(0.01, 0.5)), False, False, False, "two"),
    (evidence(a_tail=(0.01, 0.5)), False, False, True, "cannot tell"),
    (evidence(a_tail=(0.4, 0.01)), False, False, False, "one"),
    (evidence(a_tail=(0.4, 0.5)), False, False, False, "cannot tell"),
    (evidence(a_tail=(0.4, 0.5)), False, True, False, "two"),
    (evidence(a_tail=(0.01, 0.5), shape=(0.3, 0.4)), False, False, False, "cannot tell"),
    (evidence(a_tail=(0.01, 0.5), shape=(0.3, 0.01)), False, False, False, "one"),
])
def test_verdicts(found, wide, coloured, doubtful, verdict):
    assert decide(found, wide, coloured, doubtful)[0] == verdict


def test_two_of_any_shape_need_not_be_alike_to_the_noise():
    """Their own bound is on what they leave; what the reading kept as one was a hump."""
    sure = evidence(one_spot_of_any_shape=(1e-6, 1e-6))
    assert decide(sure, False, False)[0] == "two"
    assert decide(sure, False, False, kept_one=True)[0] == "two"
    assert decide(replace(sure, scale=4.1), False, False)[0] == "cannot tell"
    assert decide(replace(sure, share=0.03), False, False)[0] == "cannot tell"
    assert decide(sure, False, False, overload="clipped")[0] == "cannot tell"


def test_two_close_in_an_uneven_spot_are_not_distinguished_from_it():
    close = replace(evidence(a_tail=(0.01, 0.5)), resolution=0.5, uneven=True)
    assert decide(close, False, False)[0] == "cannot tell"
    assert decide(replace(close, uneven=False), False, False)[0] == "two"
    assert decide(replace(close, resolution=0.7), False, False)[0] == "two"
    hump = replace(evidence(one_spot_of_any_shape=(1e-6, 0.5)), resolution=0.6, uneven=True)
    assert decide(hump, False, False)[0] == "cannot tell"
    assert decide(replace(hump, uneven=False), False, False)[0] == "two"


def test_two_must_fit_and_one_must_not_be_long():
    neither = evidence(a_tail=(0.01, 0.5), one_skewed_or_flat_spot=(0.01, 0.01))
    assert decide(neither, False, False)[0] == "cannot tell"
    fits = evidence(a_tail=(0.01, 0.5), one_skewed_or_flat_spot=(0.01, 0.03))
    assert decide(fits, False, False)[0] == "two"
    assert decide(replace(fits, share=0.03), False, False)[0] == "cannot tell"
    assert decide(replace(fits, share=0.03, resolution=1.6), False, False)[0] == "two"
    tailed = evidence(a_tail=(0.4, 0.01))
    assert decide(tailed, False, False)[0] == "one"
    verdict, reasons = decide(tailed, False, False, long=True)
    assert verdict == "cannot tell"
    assert "longer" in reasons[0]


def test_what_the_reading_kept_as_one_is_not_called_two(readings):
    found = evidence(a_tail=(0.01, 0.5))
    assert decide(found, False, False, kept_one=True)[0] == "cannot tell"
    assert decide(found, False, True, kept_one=True)[0] == "two"  # its colour changes
    single = next(r for r in readings if r.name == "single")
    c = single.fit.components[0]

    def refused(*places):
        return replace(single, fit=replace(single.fit, refused=places))

    def taught(worse):
        doubt = replace(ASSUMED, sds=worse * ASSUMED.sds)
        found = refused(c.mean + 0.5 * c.spread)
        return replace(found, fit=replace(found.fit, shapes=doubt))

    assert kept_one(taught(1.0), (0,))
    assert not kept_one(taught(3.0), (0,))  # by a plate of pairs
    assert not kept_one(refused(), (0,))
    assert not kept_one(refused(c.mean + 3.0 * c.spread), (0,))  # another spot's
    assert not kept_one(refused(c.mean), (0, 1))


def test_what_drags_a_streak_has_no_shape_to_be_judged_by(readings, plate, monkeypatch):
    single = next(r for r in readings if r.name == "single")
    c = single.fit.components[0]
    monkeypatch.setattr(module, "spot_remarks", lambda *_: [[(), ()]])

    def reason(times, alike=False):
        behind = replace(c, centre=c.centre - 3.0 * c.sigma, sigma=times * c.sigma, tau=0.0)
        both = replace(single, spots=(*single.spots[:1], *single.spots[:1]),
                       fit=replace(single.fit, components=(behind, c)))
        return module._unheld((both,), both, (0, 1), plate, alike)

    assert "streak" in (reason(4.0) or "")
    assert reason(1.3) is None
    assert reason(4.0, alike=True) is None


def test_certified_traces():
    """NIST StRD, nonlinear regression: Gauss3 is drawn from two Gaussians that merge; Eckerle4 is
    one measured line, its residual far from noise."""
    data = load("Gauss3")
    answer = judge_trace(data.x, data.y, baseline_order="exponential", bootstraps=99)
    assert answer.verdict == "two"
    assert answer.p_value == pytest.approx(0.01)
    # From the certified values: the smaller has 38.2 % (two widths; here they share one).
    assert answer.pair_percent == pytest.approx(38.2, abs=8)
    data = load("Eckerle4")
    assert judge_trace(data.x, data.y, baseline_order="none", bootstraps=99).verdict != "two"


def test_words(answers):
    assert sentence(answers["pair"]).startswith("Two components, at Rf 0.")
    text = sentence(answers["single"])
    assert "no second component detected" in text
    assert "would have been seen" in text
    for answer in answers.values():
        rendered = render_shoulder(answer, "plate.png", Settings())
        html = rendered.html().decode("utf-8")
        assert " pure" not in html.lower()
        # The picture's own letters may spell anything.
        words = re.sub(r"base64,[^\"]*", "", html)
        assert "http" not in words.replace("http-equiv", "")
        assert rendered.figure.startswith(b"\x89PNG")
        values = json.loads(rendered.json())
        assert list(values) == ["schema", *KEYS]
        assert (values["colour"] is None) == (answer.colour is None)
        assert len(values["components"]) == len(answer.components)


def test_open_questions_say_what_would_settle_them(readings):
    faint = next(r for r in readings if r.name == "tail")
    answer = judge((faint,), "tail", bootstraps=99)
    assert (answer.settle == ()) == (answer.verdict != "cannot tell")
    blind = replace(faint, noise=replace(faint.noise, sd=60 * faint.noise.sd))
    answer = judge((blind,), "tail", bootstraps=99)
    assert answer.verdict == "cannot tell"
    assert any("another solvent" in step for step in answer.settle)
    assert any("co-spot" in step for step in answer.settle)
    assert sentence(answer).startswith("Cannot tell: ")


@pytest.mark.parametrize(("options", "words"), [
    ({"lane": "9"}, "--lane 9: there is no such lane; the lanes are single, pair, tail"),
    ({}, "several lanes are on the plate: give --lane NAME; the lanes are single, pair, tail"),
    ({"lane": ""}, "--lane '' is empty: give a lane's name; the lanes are single, pair"),
    ({"lane": "blank"}, "lane blank has no spot to ask about"),
    ({"lane": "apart", "rf": 0.5}, "no spot at Rf 0.5: its spots are at 0.25, 0.70"),
    ({"lane": "apart", "rf": float("nan")}, "--rf nan"),
    ({"lane": "tail", "shape_from": "x"}, "--shape-from x: there is no such lane"),
    ({"lane": "tail", "shape_from": "tail"}, "is the lane in question"),
])
def test_bad_input(readings, options, words):
    with pytest.raises(InputError) as error:
        judge(readings, bootstraps=99, **options)
    assert words in str(error.value)


def test_rf_chooses_the_spot(readings):
    assert judge(readings, "apart", rf=0.26, bootstraps=99).rf == pytest.approx(0.25, abs=0.01)
    assert judge(readings, "apart", bootstraps=99).rf == pytest.approx(0.70, abs=0.01)


def test_command(file, tmp_path, capsys):
    common = ["shoulder", str(file), "--light", "white", "--lanes", "7", "--bootstraps", "99"]
    out = tmp_path / "answer"
    assert main([*common, "--lane", "2", "--out", str(out)]) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith("Two components, ")
    assert shown.err == ""
    assert sorted(p.name for p in out.iterdir()) == [
        "settings.toml", "shoulder.html", "shoulder.json", "shoulder.png", "written.json"]
    for wrong in (["--lane", "2", "--bootstraps", "3"], ["--lane", "2", "--out", str(out)],
                  ["--lane", "2", "--seed", "-1"], []):
        assert main([*common, *wrong]) == 2
        error = capsys.readouterr().err
        assert error.startswith("lanes: ")
        assert error.count("\n") == 1


def test_command_on_a_trace(tmp_path, capsys):
    x = np.arange(0, 75, 0.1)
    rng = np.random.default_rng(0)
    y = sum(a * np.exp(-0.5 * ((x - c) / 0.9) ** 2) for c, a in ((30, 1.0), (32.2, 0.4)))
    path = tmp_path / "trace.csv"
    np.savetxt(path, np.stack([x, y + 0.01 * rng.standard_normal(x.size)], axis=1), delimiter=",")
    assert main(["shoulder", str(path), "--origin", "0", "--front", "74",
                 "--bootstraps", "99"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("Two components, ")
    assert "noise-from-residuals" in shown


def test_an_interval_reads_as_one():
    parts = (Component(0.4494, 0.0004, 80.0, 0.1), Component(0.47, 0.004, 20.0, 0.1))
    answer = SimpleNamespace(components=parts, other_percent=None)
    assert page._rf_range(answer, 0) == "0.449 (0.449 to 0.450)"
    assert page._rf_range(answer, 1) == "0.47 (0.46 to 0.48)"
    assert page._with_range(20.0, 19.8, 20.2, 0) == "20.0 (19.8 to 20.2)"
    assert page._with_range(20.0, 18.2, 21.8, 0) == "20 (18 to 22)"
    assert page._with_range(20.0, None, None, 0) == "20 (? to ?)"

"""The retention law over several plates: what the intervals mean, and what is recommended."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lanes.questions.solvent.mixture import (
    allowed,
    at,
    beyond,
    measurable,
    next_try,
    recommend,
    unconfined,
)
from lanes.questions.solvent.one_plate import one_plate
from lanes.questions.solvent.retention import (
    LN10,
    PLATE_SD,
    RfPoint,
    Widths,
    fit,
    fit_widths,
    fraction_for,
    predict,
    rf_of,
)

TRIED = np.array([0.15, 0.25, 0.4])
SLOPES = np.array([-1.2, -1.5, -1.7])
AT_QUARTER = np.array([0.4, 0.1, -0.2])  # log k at X 0.25
WIDTHS = Widths(0.02, 0.016, np.ones(3), 0.05)


def true_rf(fraction, slopes=SLOPES, middle=AT_QUARTER):
    return rf_of(slopes * np.log10(fraction / 0.25) + middle)


def series(rng=None, tried=TRIED, plate_sd=0.0, spot_sd=0.0, slopes=SLOPES, middle=AT_QUARTER):
    out = []
    for p, fraction in enumerate(tried):
        log_k = slopes * np.log10(fraction / 0.25) + middle
        if rng is not None:
            log_k = log_k + rng.normal(0, plate_sd) / (0.25 * LN10)
        rf = rf_of(log_k)
        if rng is not None:
            rf = rf + rng.normal(0, spot_sd, rf.size)
        out += [RfPoint(j, p, float(fraction), float(r), 0.0005) for j, r in enumerate(rf)]
    return out


@pytest.fixture(scope="module")
def law():
    return fit(series(), 3)


def test_the_covariance_is_that_of_repeated_series():
    """With scatter as large as the default, estimates spread as the covariance says."""
    rng = np.random.default_rng(3)
    laws = [fit(series(rng, plate_sd=0.015, spot_sd=0.005), 3) for _ in range(60)]
    stated = np.mean([law.covariance for law in laws], axis=0)
    slopes = np.array([law.slope for law in laws])
    spread = np.std(slopes, axis=0)
    assert spread == pytest.approx(np.sqrt(np.diag(stated)[0::2]), rel=0.35)
    # A plate shifts all its spots together: differences of slopes are known better by far.
    apart = np.std(slopes[:, 0] - slopes[:, 1])
    own = np.sqrt(stated[0, 0] + stated[2, 2] - 2 * stated[0, 2])
    assert apart == pytest.approx(own, rel=0.35)
    assert apart < 0.75 * spread[0]


def test_scatter_is_learnt_from_repeats_and_third_fractions():
    rng = np.random.default_rng(5)
    two = fit(series(tried=TRIED[:2]), 3)
    assert not two.estimated
    assert two.misfit is None
    assert two.plate_sd == pytest.approx(PLATE_SD, rel=1e-6)
    calm = fit(series(), 3)
    many = np.repeat(TRIED, 3)
    quiet, loud = (fit(series(rng, many, plate_sd=s, spot_sd=s / 3), 3) for s in (0.004, 0.03))
    assert calm.estimated
    assert calm.plate_sd < PLATE_SD
    assert calm.spot_sd < two.spot_sd
    assert quiet.plate_sd < PLATE_SD < loud.plate_sd


def test_draws_are_those_of_the_law(law):
    drawn = law.draws.reshape(len(law.draws), -1)
    assert drawn.mean(axis=0)[0::2] == pytest.approx(law.slope, abs=0.02)
    assert np.cov(drawn.T).diagonal() == pytest.approx(np.diag(law.covariance), rel=0.15)
    again = fit(series(), 3)
    np.testing.assert_array_equal(again.draws, law.draws)


def test_lines_that_are_none_are_noticed():
    bent = [replace(p, rf=p.rf + (0.08 if p.plate == 1 and p.component == 1 else 0.0))
            for p in series()]
    assert fit(bent, 3).misfit < 0.001
    assert fit(series(), 3).misfit > 0.01
    assert fit(series(), 3).widened == 1.0 < fit(bent, 3).widened


def test_the_share_for_an_rf_is_held_where_lines_are_bent():
    """Log k with a term in (log X)^2 for two of three: 0.82 of the intervals held it before."""
    rng, held, bend = np.random.default_rng(2), [], np.array([0.8, 0.0, 0.8])
    at = np.geomspace(0.1, 0.45, 500)
    true = rf_of(SLOPES * np.log10(at / 0.25)[:, None] + AT_QUARTER
                 + bend * np.log10(at / 0.25)[:, None] ** 2)
    for seed in range(15):
        points = series(rng, np.array([0.1, 0.25, 0.45]), 0.008, 0.003)
        bent = fit([replace(p, rf=float(rf_of(np.log10(1.0 / p.rf - 1.0) + bend[p.component]
                                              * np.log10(p.fraction / 0.25) ** 2)))
                    for p in points], 3, seed)
        assert bent.misfit < 0.01
        for j in range(3):
            for rf in (0.3, 0.45, 0.6):
                if true[0, j] < rf < true[-1, j]:
                    low, high = fraction_for(bent, j, rf)[1:]
                    held.append(low < float(np.interp(rf, true[:, j], at)) < high)
    assert np.mean(held) > 0.92


def test_a_component_of_one_fraction_gets_the_usual_slope():
    some = [p for p in series() if p.component < 2 or p.plate == 1]
    law = fit(some, 3)
    assert law.assumed == (False, False, True)
    assert law.slope[2] == pytest.approx(-1.5, abs=1e-6)
    assert law.slope_sd()[2] == pytest.approx(0.5, rel=0.05)
    assert law.slope[:2] == pytest.approx(SLOPES[:2], abs=0.02)


def test_prediction_grows_less_sure_outside_what_was_tried(law):
    chart = predict(law, WIDTHS, np.array([0.08, 0.25, 0.8]))
    assert chart.rf[1] == pytest.approx(true_rf(0.25), abs=1e-6)
    in_log_k = np.diff(np.log10(1 / np.stack([chart.high, chart.low]) - 1), axis=0)[0]
    assert (in_log_k[0] > in_log_k[1]).all()
    assert (in_log_k[2] > in_log_k[1]).all()


def test_intervals_hold_another_plate():
    """Over many series with usual scatter, 95 % intervals hold about 95 % of the next plate's Rf.

    The bounds are those of the binomial at 0.95 with 360 trials, and the scatter's own spread.
    """
    rng, held = np.random.default_rng(7), []
    for _ in range(120):
        plate_sd, spot_sd = rng.uniform(0.01, 0.02), rng.uniform(0.003, 0.008)
        law = fit(series(rng, plate_sd=plate_sd, spot_sd=spot_sd), 3)
        chart = predict(law, WIDTHS, np.array([0.3]))
        shift = rng.normal(0, plate_sd) / (0.25 * LN10)
        log_k = SLOPES * np.log10(0.3 / 0.25) + AT_QUARTER + shift
        new = rf_of(log_k) + rng.normal(0, spot_sd, 3)
        held += list((chart.low[0] <= new) & (new <= chart.high[0]))
    assert 0.90 <= np.mean(held) <= 0.99


def test_resolution_by_hand(law):
    """1.18 dRf / (w1 + w2) of the nearest two, full widths at half height over the run."""
    chart = predict(law, replace(WIDTHS, sd=1e-9), np.array([0.25]))
    rf = true_rf(0.25)
    wide = 0.02 + 0.016 * rf
    by_hand = 1.18 * np.diff(rf) / (wide[1:] + wide[:-1])
    assert chart.resolution[0] == pytest.approx(by_hand.min(), rel=0.03)
    assert tuple(chart.pair[0]) == (int(np.argmin(by_hand)), int(np.argmin(by_hand)) + 1)
    assert chart.worst_low[0] < chart.resolution[0] < chart.worst_high[0]


def test_where_two_cross_nothing_is_resolved():
    slopes, middle = np.array([-1.0, -1.9]), np.array([0.1, 0.1])
    law = fit(series(slopes=slopes, middle=middle), 2)
    widths = Widths(0.02, 0.016, np.ones(2), 0.05)
    chart = predict(law, widths, np.array([0.15, 0.25, 0.4]))
    assert chart.resolution[1] < 0.3 < 1.0 < min(chart.resolution[0], chart.resolution[2])
    assert chart.probability[1] == 0.0


def test_the_recommended_mixture_is_the_best_within_the_window(law):
    fractions = allowed(TRIED)
    best = recommend(predict(law, WIDTHS, fractions), law, WIDTHS, TRIED)
    rf = [true_rf(f) for f in fractions]

    def worst(r):
        w = 0.02 + 0.016 * r
        return float(np.min(1.18 * np.diff(r) / (w[1:] + w[:-1])))

    inside = [worst(r) for r in rf if r.min() >= 0.2 and r.max() <= 0.8]
    assert best.outside == 0.0
    assert min(best.rf) >= 0.2
    assert max(best.rf) <= 0.8
    assert worst(true_rf(best.fraction)) >= 0.97 * max(inside)
    assert best.worst_low < best.worst_resolution < best.worst_high


@pytest.mark.parametrize(("slopes", "far"), [((-1.0, -1.9), True), ((-1.2, -1.5), False)])
def test_a_mixture_beyond_those_tried_must_do_surely_better(slopes, far):
    """Two that cross at X 0.25 part beyond those tried: by much, or by no more than doubt."""
    law = fit(series(slopes=np.array(slopes), middle=np.array([0.1, 0.1])), 2)
    widths = Widths(0.02, 0.016, np.ones(2), 0.05)
    chart = predict(law, widths, allowed(TRIED))
    best = recommend(chart, law, widths, TRIED)
    assert best.extrapolated == far
    window = (chart.rf.min(axis=1) >= 0.2) & (chart.rf.max(axis=1) <= 0.8)
    assert far or float(chart.mean[window].max()) > best.worst_resolution + 0.2


def test_where_no_mixture_fits_the_window_the_nearest_is_taken():
    middle = np.array([1.1, 0.1, -0.9])
    law = fit(series(middle=middle), 3)
    best = recommend(predict(law, WIDTHS, allowed(TRIED)), law, WIDTHS, TRIED)
    rfs = [true_rf(f, middle=middle) for f in allowed(TRIED)]
    least = min(max(0.2 - r.min(), r.max() - 0.8) for r in rfs)
    assert least > 0.0
    assert best.outside == pytest.approx(least, abs=0.02)


def test_a_better_mixture_outside_the_window_is_found():
    """Two that cross at X 0.25 and a fast one: where the first two part, the third leaves 0.8."""
    slopes, middle = np.array([-1.0, -1.9, -1.5]), np.array([0.0, 0.0, -0.5])
    law = fit(series(slopes=slopes, middle=middle), 3)
    chart = predict(law, WIDTHS, allowed(TRIED))
    inside = recommend(chart, law, WIDTHS, TRIED)
    free = unconfined(chart, law, WIDTHS, TRIED)
    assert inside.outside == 0.0
    assert free.worst_resolution >= inside.worst_resolution - 0.05
    far = true_rf(free.fraction, slopes, middle)
    assert free.outside == pytest.approx(max(0.2 - far.min(), far.max() - 0.8, 0.0), abs=0.01)


def test_a_lone_component_is_brought_to_a_third():
    law = fit(series(slopes=SLOPES[:1], middle=AT_QUARTER[:1]), 1)
    widths = Widths(0.02, 0.016, np.ones(1), 0.05)
    best = recommend(predict(law, widths, allowed(TRIED)), law, widths, TRIED)
    assert best.rf[0] == pytest.approx(1 / 3, abs=0.01)
    assert (best.pair, best.worst_resolution, best.probability) == (None, None, None)
    assert next_try(best, predict(law, widths, allowed(TRIED)), law, widths, TRIED,
                    0.001).sd_then > 0


def test_the_probability_is_how_often_the_next_plate_is_resolved():
    """A pair near Rs 1.5: over repeated series the stated mean is near what comes."""
    rng = np.random.default_rng(11)
    slopes, middle = np.array([-1.4, -1.5]), np.array([0.1, -0.015])
    widths = Widths(0.02, 0.016, np.ones(2), 0.05)
    stated, came = [], []
    for _ in range(80):
        law = fit(series(rng, plate_sd=0.015, spot_sd=0.005, slopes=slopes, middle=middle), 2)
        stated.append(at(0.3, law, widths, TRIED).probability)
        new = true_rf(0.3, slopes, middle) + rng.normal(0, 0.005, 2)
        w = (0.02 + 0.016 * new) * np.exp(rng.normal(0, 0.05, 2))
        came.append(1.18 * abs(new[1] - new[0]) / w.sum() >= 1.5)
    assert 0.1 < np.mean(came) < 0.9
    assert np.mean(stated) == pytest.approx(np.mean(came), abs=0.15)


def test_the_next_mixture_is_what_a_further_plate_would_teach():
    """The stated gain against the law fitted with that plate; and no other plate gains more."""
    two = TRIED[:2]
    law = fit(series(tried=two), 3)
    chart = predict(law, WIDTHS, allowed(two))
    best = at(0.3, law, WIDTHS, two)
    result = next_try(best, chart, law, WIDTHS, two, 0.0005)
    assert result.sd_then < result.sd_now

    def sd_of(law, fraction=0.3):
        rf, pair = np.array(best.rf), best.pair
        by_line = -rf * (1 - rf) * LN10
        g = np.zeros(6)
        for sign, j in zip((1, -1), pair, strict=True):
            g[2 * j:2 * j + 2] = sign * by_line[j] * np.array([np.log10(fraction), 1.0])
        w = WIDTHS.of(rf)
        return 1.18 * np.sqrt(g @ law.covariance @ g) / (w[pair[0]] + w[pair[1]])

    assert sd_of(law) == pytest.approx(result.sd_now, rel=1e-6)
    thens = {f: sd_of(fit(series(tried=[*two, f]), 3)) for f in (0.1, 0.2, result.fraction, 0.45)}
    # A third mixture also shows the scatter: the fit may become surer than was promised.
    assert thens[result.fraction] < result.sd_then * 1.02
    assert thens[result.fraction] <= 1.06 * min(thens.values())


def test_the_target_lies_within_its_limits(law):
    fraction, low, high = fraction_for(law, 1, 0.3)
    assert true_rf(fraction)[1] == pytest.approx(0.3, abs=1e-6)
    assert low < fraction < high < 1.0


def test_a_slope_that_may_be_none_gives_no_target():
    """Two plates on which the spot hardly moves: no fraction for Rf 0.3 can be given."""
    rf = (0.62, 0.63)
    points = [RfPoint(0, p, f, r, 0.002) for p, (f, r) in enumerate(zip((0.15, 0.3), rf,
                                                                      strict=True))]
    law = fit(points, 1)
    assert law.slope[0] < 0.0
    assert fraction_for(law, 0, 0.3) is None


def test_widths_follow_a_line_and_each_component():
    rf = np.tile([0.2, 0.4, 0.7], 3)
    who = np.repeat([0, 1, 2], 3)
    factor = np.array([1.0, 1.0, 1.3])
    wide = (0.02 + 0.016 * rf) * factor[who]
    found = fit_widths(who.tolist(), rf.tolist(), wide.tolist(), 3)
    at_half = found.of(np.full(3, 0.5))
    assert at_half[2] / at_half[0] == pytest.approx(1.3, rel=0.1)
    assert at_half[0] == pytest.approx(0.028, rel=0.06)
    plain = fit_widths([0, 1], [0.3, 0.35], [0.02, 0.024], 2)
    assert plain.by == 0.0


def test_fractions_are_such_as_one_can_measure_out():
    steps = measurable(0.0374, 0.2)
    assert steps[:2] == pytest.approx([0.038, 0.039])
    assert {0.05, 0.055, 0.095, 0.1, 0.11, 0.2} <= {round(float(f), 4) for f in steps}
    assert measurable(0.1234, 0.1236) == pytest.approx([0.1234])
    assert allowed(np.array([0.3, 0.7]))[[0, -1]] == pytest.approx([0.15, 1.0])
    assert beyond(0.14, TRIED)
    assert not beyond(0.15, TRIED)


@pytest.mark.parametrize(("rf", "direction"), [
    ([0.1, 0.15], "stronger"), ([0.7, 0.9], "weaker"), ([0.3, 0.4], "keep"), ([0.1], "stronger"),
])
def test_one_plate_says_which_way(rf, direction):
    one = one_plate(0.3, rf, [0.03] * len(rf), 0.3)
    assert one.direction == direction
    if direction == "stronger":
        assert 0.3 < one.change.low < one.change.high <= 1.0
    if direction == "weaker":
        assert one.change.low < one.change.high < 0.3
    assert min(one.rf_then) >= 0.2 - 1e-9
    assert max(one.rf_then) <= 0.8 + 1e-9
    assert one_plate(None, rf, [0.03] * len(rf), 0.3).change.low is None


def test_one_plate_keeps_every_spot_in_the_window():
    """The pair at Rf 0.6 and 0.7 would go to 1/3; the one at 0.3 may not fall below 0.2."""
    one = one_plate(0.3, [0.3, 0.6, 0.7], [0.03] * 3, 0.3)
    assert one.pair == (1, 2)
    assert one.rf_then[0] == pytest.approx(0.2)
    assert one.wanted_k < 2.0


def test_the_law_widens_all_spots_at_once_and_the_resolution_with_them():
    """As far as another law would have it, which scatter from spot to spot averages out."""
    law = fit([RfPoint(j, p, x, float(rf_of(np.array(-1.2 * np.log10(x) - 0.8 - 0.25 * j))), 0.002)
               for p, x in enumerate((0.1, 0.2, 0.4)) for j in range(2)], 2)
    plain = Widths(0.02, 0.016, np.ones(2), 0.05)
    here = np.array([0.2])
    alone, both = (predict(law, w, here) for w in (plain, replace(plain, law_sd=0.15)))
    spread = [np.log(m.worst_high / m.worst_low)[0] / (2 * 1.96) for m in (alone, both)]
    assert spread[1] == pytest.approx(np.hypot(spread[0], 0.15), rel=0.05)
    assert both.rf == pytest.approx(alone.rf)

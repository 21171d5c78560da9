"""The co-spot lane's evidence, on curves whose two spots stand a known distance apart."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from lanes.questions.compare.cospot import PeakShape, belonging, make_cospot, shape_of
from lanes.questions.compare.cospot_joint import joint_fit
from lanes.questions.compare.identity import WITHIN_SD, Difference, judge
from lanes.questions.compare.own_shape import FITTED, OwnShape, mixed_covariance, own_shape
from lanes.reading import LaneReading
from lanes.spots.deconvolve import deconvolve
from lanes.spots.describe import describe
from lanes.spots.model import Component, Peak, peak_shape
from lanes.spots.shape_terms import ASSUMED
from lanes.spots.shapes import apex
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

RUN, SIGMA = 75.0, 0.9
NOISE = Noise(0.01, np.exp(-np.arange(30) / 3.0), 0.127, "clean layer")
QUIET = {"sd": 0.002, "components": 1}  # and each lane asked for one spot


def gaussian(x, centre, area, sigma):
    return peak_shape(x, Peak(centre, area, sigma))[0]


def flat(x, centre, area, sigma):
    """Return an even profile with a flat top: a generalised Gaussian of exponent 3."""
    curve = np.exp(-0.5 * np.abs((x - centre) / (1.25 * sigma)) ** 3)
    return area * curve / (np.sum(curve) * (x[1] - x[0]))


def lane(spots, name, seed=1, sd=0.01, profile=gaussian, components=None):
    """Return the reading of a trace with spots (Rf, area, sigma) under correlated noise."""
    x = np.arange(-2.0, 77.0, NOISE.pitch)
    y = sum((profile(x, rf * RUN, area, sigma) for rf, area, sigma in spots), np.zeros_like(x))
    white = np.random.default_rng(seed).standard_normal(x.size + 60)
    kernel = np.exp(-np.arange(60) / 3.0)
    coloured = np.convolve(white, kernel / np.linalg.norm(kernel), "valid")[: x.size]
    none = np.zeros(x.size)
    trace = Trace(x, y + sd * coloured, np.abs(x) > 0.4, np.ones(x.size), RUN, None, None, none,
                  none)
    noise = replace(NOISE, sd=sd)
    fit = deconvolve(x, trace.signal, noise=noise, usable=trace.usable, baseline_order="linear",
                     components=components)
    described, pairs, more = describe(trace, fit, noise, 0.0, 0.0, True, 1.0)
    return LaneReading(name, None, None, None, RUN, described, pairs, 0.05, fit, noise, trace, none,
                       more)


def three(delta, seed=1, amounts=(1.0, 1.0), **how):
    """Return unknown, reference and co-spot readings of spots `delta` apart in Rf."""
    a, b = amounts
    mixed = ([(0.45, a + b, SIGMA)] if delta == 0
             else [(0.45, a, SIGMA), (0.45 - delta, b, SIGMA)])
    return (lane([(0.45, a, SIGMA)], "U", seed, **how),
            lane([(0.45 - delta, b, SIGMA)], "A", seed + 50, **how),
            lane(mixed, "C", seed + 100, **how))


def evidence(delta, seed=1, others=(), shaped=False, **how):
    own, reference, mixed = three(delta, seed, **how)
    shapes = tuple(own_shape(r, 0) if shaped else FITTED for r in (own, reference))
    return make_cospot(mixed, (own.fit.components[0], own.spots[0].rf),
                       (reference.fit.components[0], reference.spots[0].rf), others, 1.0,
                       shapes=shapes)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_single_flat_spot_is_two_only_where_its_own_lanes_are_not_asked(seed):
    """Held against even Gaussians a flat spot looks like two; its own lanes show it flat too."""
    how = {"seed": seed, "profile": flat, "amounts": (3.0, 2.0), **QUIET}
    verdicts = [judge(Difference(0.0, 0.005, 12.0), [evidence(0.0, shaped=shaped, **how)],
                      np.random.default_rng(seed), 60) for shaped in (False, True)]
    assert [v.verdict for v in verdicts] == ["different", "same"]
    assert [v.cospots[0].verdict for v in verdicts] == ["two", "one"]


def test_two_flat_spots_are_still_two():
    found = evidence(0.025, shaped=True, profile=flat, amounts=(3.0, 2.0), **QUIET)
    judged = judge(Difference(0.025, 0.006, 12.0), [found], np.random.default_rng(1), 60)
    assert judged.verdict == "different"
    assert judged.low < 0.025 < judged.high


def test_the_joint_fit_of_one_flat_substance_needs_no_second():
    lanes = three(0.0, profile=flat, amounts=(3.0, 2.0), **QUIET)
    assert joint_fit(lanes, (0, 0), (), 1.0, 0.004).delta_aicc < 2.0


def test_what_two_lanes_differ_by_makes_shapes_unsure():
    seen = [OwnShape(np.array([0.0, h4, 0.0, 0.0]), np.eye(4) * 1e-6) for h4 in (-0.06, 0.06)]
    apart, alike = (np.diag(mixed_covariance(seen[0], other, 0.5)) for other in (seen[1], seen[0]))
    assert apart[1] > 6.0 * alike[1]
    np.testing.assert_allclose(np.delete(apart, 1), np.delete(alike, 1))
    unseen = OwnShape(np.zeros(4), np.diag(np.square(ASSUMED.sds)), shown=False)
    assert (np.diag(mixed_covariance(unseen, unseen, 0.5)) > alike).all()


def test_a_shape_is_its_component_and_its_slopes_are_right():
    tau = 0.7
    c = Component(0.0, 1.0, 0.9, tau, 2.0)
    x = np.linspace(-4, 4, 81)
    shape = shape_of(c)
    place, stretch = np.array([0.3]), np.array([0.1])
    value, by_place, by_stretch = shape(x, place, stretch)
    s = np.exp(0.1)
    mean = 0.3 - apex(0.9 * s, tau * s)
    np.testing.assert_allclose(value[0], peak_shape(x, Peak(mean, 1.0, 0.9 * s, tau * s))[0],
                               atol=1e-4)
    for k, by in ((0, by_place), (1, by_stretch)):
        e = np.array([1e-4])
        up = shape(x, place + e * (k == 0), stretch + e * (k == 1))[0]
        down = shape(x, place - e * (k == 0), stretch - e * (k == 1))[0]
        np.testing.assert_allclose(by, (up - down) / 2e-4, atol=2e-3)
    assert isinstance(shape, PeakShape)


def test_the_models_derivatives_are_those_of_its_values():
    found = evidence(0.015)
    x = found.space.x
    p = np.array([[33.0, 0.05, 2.0, 0.3, 0.02, 0.8]])
    by = found.model(x, p)[1]
    for k in range(5):
        e = np.zeros((1, 6))
        e[0, k] = 1e-4
        slope = (found.model(x, p + e)[0] - found.model(x, p - e)[0]) / 2e-4
        np.testing.assert_allclose(by[:, k], slope, atol=3e-3)


@pytest.mark.parametrize("delta", [0.02, 0.03, -0.025])
def test_two_well_apart_are_placed(delta):
    at = np.arange(-0.05, 0.0501, 0.001)
    best = abs(at[np.argmin(evidence(delta).deviance(at))])
    assert best == pytest.approx(abs(delta), abs=0.003)


def test_deviance_of_one_spot_rises_with_the_distance_asked():
    dev = evidence(0.0).deviance(np.array([0.0, 0.01, 0.015, 0.02, 0.03]))
    assert dev[1] < dev[2] < dev[3] < dev[4]
    assert dev[3] - dev[0] > 15.0


def test_a_small_partner_is_weak_evidence():
    at = np.array([0.0, 0.015])
    small, equal = (np.diff(evidence(0.0, amounts=pair).deviance(at))[0]
                    for pair in ((4.0, 0.2), (1.0, 1.0)))
    assert small < 0.3 * equal


def test_drawn_single_spots_are_called_two_as_often_as_stated():
    """The bootstrap's null against lanes made apart from it, each with its own noise."""
    judged = []
    for seed in range(14):
        found = evidence(0.0, seed)
        identity = judge(Difference(0.0, 0.05, 1e6), [found], np.random.default_rng(seed), 50)
        judged.append(identity.p_value)
    # Binomial, 14 at 0.05: four or more once in 250 times.
    assert np.sum(np.array(judged) < 0.05) <= 3
    assert np.median(judged) > 0.2


def test_evidence_of_lanes_and_of_the_co_spot_adds_up():
    rng = np.random.default_rng(1)
    seen = Difference(0.006, 0.008, 12.0)
    alone = judge(seen, (), rng)
    one, two = judge(seen, [evidence(0.0)], rng), judge(seen, [evidence(0.02)], rng)
    assert (alone.verdict, one.verdict, two.verdict) == ("cannot tell", "same", "different")
    assert one.resolvable < seen.resolvable
    assert one.high - one.low < alone.high - alone.low
    assert (one.cospots[0].verdict, two.cospots[0].verdict) == ("one", "two")
    assert two.cospots[0].p_value < 0.01


def test_what_another_spot_covers_is_not_asked():
    assert evidence(0.02, others=[0.44]) is None
    assert evidence(0.02, others=[0.6]) is not None


def test_components_belong_to_the_nearest_of_what_was_applied():
    mixed = lane([(0.3, 1.0, SIGMA), (0.45, 1.0, SIGMA), (0.55, 1.0, SIGMA)], "C")
    assert belonging(mixed, 0.45, 0.46, [0.3, 0.55]) == (1,)
    assert belonging(mixed, 0.80, 0.81, [0.3, 0.45, 0.55]) == ()


@pytest.mark.parametrize("delta", [0.0, 0.02, 0.035])
def test_the_joint_fit_finds_gap_amounts_and_count(delta):
    lanes = three(delta)
    found = joint_fit(lanes, (0, 0), (), 1.0, 0.004)
    assert abs(found.gap) == pytest.approx(delta, abs=0.006 if delta == 0 else 0.0015)
    assert found.recovered == pytest.approx(1.0, abs=0.06)
    assert found.share == pytest.approx(0.5, abs=0.08)
    assert (found.delta_aicc > 10.0) == (delta > 0)


@pytest.mark.parametrize("delta", [0.0175, -0.0225, 0.028])
def test_estimate_and_interval_are_of_one_piece_and_hold_the_truth(delta):
    """A co-spot that shows two clearly places them to a fraction of what the lanes' Rf do."""
    seen = Difference(delta + 0.004, 0.0057, 12.0)
    judged = judge(seen, [evidence(delta)], np.random.default_rng(2), 50)
    assert judged.low < delta < judged.high
    assert judged.value == pytest.approx(0.5 * (judged.low + judged.high))
    assert judged.high - judged.low == pytest.approx(2.0 * norm.ppf(0.95) * judged.sd)
    assert abs(judged.value - delta) < 2.0 * judged.sd
    # No narrower than how two substances in one lane repeat, and the lanes' Rf, lead to; both
    # weigh by the inverse of their variances.
    assert judged.sd > 0.95 / np.hypot(1.0 / WITHIN_SD, 1.0 / seen.sd)
    assert judged.sd < 0.5 * seen.sd

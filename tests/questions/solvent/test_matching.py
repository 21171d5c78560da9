"""Which spot is which: orders that change, spots that meet, and doubt that is shown."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.questions.solvent.matching import SpotTraits, log_k, log_k_sd, match


def plate(fraction, slopes, middle, shares, colours=None, breadths=None):
    """Return a plate's spots in order of Rf, and which substance each is."""
    rf = 1 / (1 + 10 ** (np.array(slopes) * np.log10(fraction / 0.25) + np.array(middle)))
    order = np.argsort(rf)
    spots = [SpotTraits(float(rf[j]), 0.001, 0.025, shares[j], 0.02,
                  0.0 if breadths is None else breadths[j],
                  None if colours is None else colours[j], 0.01) for j in order]
    return spots, [int(j) for j in order]


def named(matching, orders):
    """Return each component's substance on every plate: rows agree where the match is right."""
    return [[None if s is None else orders[p][s] for s in spots]
            for p, spots in enumerate(matching.spots)]


FRACTIONS = (0.15, 0.25, 0.4)


def test_an_order_that_changes_is_followed_by_area():
    """Substances 0 and 1 cross between the mixtures; their areas are two to one."""
    made = [plate(f, (-1.0, -1.9, -1.5), (0.05, 0.05, -0.4), (0.5, 0.25, 0.25))
            for f in (0.15, 0.2, 0.4)]
    orders = [order for _, order in made]
    assert orders[0] != orders[2]  # they do cross
    first, *_ = match([spots for spots, _ in made], (0.15, 0.2, 0.4))
    rows = named(first, orders)
    assert rows[0] == rows[1] == rows[2]
    assert first.probability > 0.8


def test_an_order_that_stays_is_certain():
    made = [plate(f, (-1.4, -1.5, -1.6), (0.5, 0.0, -0.5), (0.5, 0.3, 0.2)) for f in FRACTIONS]
    (first, *_) = match([spots for spots, _ in made], FRACTIONS)
    assert first.spots == ((0, 1, 2),) * 3
    assert first.probability > 0.99


def test_two_alike_that_nearly_meet_leave_two_ways():
    """Equal shares on either side of a crossing: only the slopes can decide."""
    made = [plate(f, (-1.35, -1.65), (0.0, 0.0), (0.5, 0.5)) for f in (0.2, 0.31)]
    found = match([spots for spots, _ in made], (0.2, 0.31))
    assert len(found) == 2
    assert found[1].probability > 0.1
    assert sum(m.probability for m in found) == pytest.approx(1.0, abs=0.02)
    assert {m.spots for m in found} == {((0, 1), (0, 1)), ((0, 1), (1, 0))}


@pytest.mark.parametrize("what", ["colours", "breadths"])
def test_colour_and_width_match_what_areas_do_not(what):
    more = {"colours": [(0.6, 0.2, 0.2), (0.2, 0.2, 0.6)], "breadths": [0.4, -0.4]}
    two = (0.2, 0.31)
    plain = [plate(f, (-1.35, -1.65), (0.0, 0.0), (0.5, 0.5)) for f in two]
    made = [plate(f, (-1.35, -1.65), (0.0, 0.0), (0.5, 0.5), **{what: more[what]}) for f in two]
    before = match([spots for spots, _ in plain], two)
    after = match([spots for spots, _ in made], two)
    rows = named(after[0], [order for _, order in made])
    assert rows[0] == rows[1]
    assert after[0].probability > max(0.9, before[0].probability)


def test_areas_of_other_lights_are_not_compared():
    crossing = [plate(f, (-1.35, -1.65), (0.0, 0.0), (0.8, 0.2)) for f in (0.2, 0.31)]
    spots = [s for s, _ in crossing]
    by_area = match(spots, (0.2, 0.31))
    without = match(spots, (0.2, 0.31), areas=False)
    assert by_area[0].probability > 0.95
    assert without[0].probability < 0.95


def test_substances_that_run_together_share_a_spot():
    apart, order = plate(0.15, (-1.0, -1.9, -1.5), (0.0, 0.0, -0.6), (0.5, 0.25, 0.25))
    there, _ = plate(0.25, (-1.0, -1.9, -1.5), (0.0, 0.0, -0.6), (0.5, 0.25, 0.25))
    together = [SpotTraits(0.5, 0.001, 0.027, 0.75, 0.02, 0.0), there[2]]
    first, *_ = match([apart, together], (0.15, 0.25))
    assert order[0] == 1  # substance 1 lies lowest on the first plate
    assert first.reference == 0
    assert first.spots == ((0, 1, 2), (0, 0, 1))
    assert [first.shared(1, j) for j in range(3)] == [True, True, False]
    assert not first.shared(0, 0)


def test_a_substance_that_is_gone_is_unseen():
    """Without its area anywhere, and no spot where it could lie: the third shows nowhere."""
    full, _ = plate(0.2, (-1.5, -1.5, -1.5), (0.6, 0.1, -0.5), (0.4, 0.35, 0.25))
    rest, _ = plate(0.25, (-1.5, -1.5, -1.5), (0.6, 0.1, -0.5), (0.4, 0.35, 0.25))
    rest = [SpotTraits(s.rf, s.rf_sd, s.width, share, s.share_sd, 0.0)
            for s, share in zip(rest[:2], (0.4 / 0.75, 0.35 / 0.75), strict=True)]
    first, *_ = match([full, rest], (0.2, 0.25))
    assert first.spots[1] == (0, 1, None)


def test_rf_rises_with_the_stronger_solvent():
    """Each spot goes up with the fraction, whichever plate comes first."""
    low, high = ([SpotTraits(rf, 0.001, 0.025, 0.5, 0.02, 0.0) for rf in places]
                 for places in ((0.2, 0.4), (0.42, 0.65)))
    for plates, fractions in (([low, high], (0.2, 0.4)), ([high, low], (0.4, 0.2))):
        first, *_ = match(plates, fractions)
        assert first.spots == ((0, 1), (0, 1))
        assert first.probability > 0.95


def test_repeats_of_one_fraction_are_the_same_spots():
    made = [plate(0.25, (-1.5, -1.5), (0.3, -0.3), (0.6, 0.4))[0] for _ in range(3)]
    first, *_ = match(made, (0.25,) * 3)
    assert first.spots == ((0, 1),) * 3


def test_seven_spots_on_three_plates_end_soon():
    middle = np.linspace(0.8, -0.8, 7)
    made = [plate(f, [-1.5] * 7, middle, [1 / 7] * 7)[0] for f in FRACTIONS]
    first, *_ = match(made, FRACTIONS)
    assert first.spots == (tuple(range(7)),) * 3


def test_one_plate_is_matched_with_itself():
    (only,) = match([plate(0.25, (-1.5, -1.4), (0.1, -0.1), (0.5, 0.5))[0]], (0.25,))
    assert only.spots == ((0, 1),)
    assert only.probability == pytest.approx(1.0)


def test_the_deviation_of_log_k():
    """First-order propagation against a simulation."""
    rng = np.random.default_rng(0)
    drawn = [log_k(r) for r in 0.3 + 0.004 * rng.standard_normal(20_000)]
    assert log_k_sd(0.3, 0.004) == pytest.approx(np.std(drawn), rel=0.03)

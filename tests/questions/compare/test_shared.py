"""Which spots are known to be of one substance, whatever the answer."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from lanes.flags import flag
from lanes.questions.compare.shared import fit_sd, shared
from lanes.spots.fit import Fit

NONE = np.zeros(0)


def lane(name, rfs, sd=0.03, lines=()):
    spots = tuple(SimpleNamespace(rf=rf, flags=(flag("at-origin", ""),) if k in lines else ())
                  for k, rf in enumerate(rfs))
    covariance = np.eye(4 * len(rfs)) * sd**2
    return SimpleNamespace(name=name, spots=spots, trace=SimpleNamespace(run=75.0),
                           fit=Fit((), covariance, "none", NONE, NONE, NONE, None, None, None, None,
                                   ()))


def test_the_fits_part_leaves_the_lines_out():
    assert fit_sd(lane("U", [0.4]), 0) == pytest.approx(0.03 / 75.0)
    bare = lane("U", [0.4])
    bare.fit = replace(bare.fit, covariance=None)
    assert fit_sd(bare, 0) is None


def test_a_co_spot_shares_what_no_other_part_has_near():
    own, reference = lane("U", [0.2, 0.5, 0.8]), lane("A", [0.51])
    mixed = lane("C", [0.203, 0.505, 0.798])
    (group,) = shared({"C": [own, reference]}, {"C": mixed}, [])
    assert [d for d, _ in group] == pytest.approx([0.003, -0.002])
    assert group[0][1] == pytest.approx(2 * (0.03 / 75.0) ** 2)


def test_spots_on_the_lines_and_far_ones_are_not_matched():
    own, reference = lane("U", [0.0, 0.5], lines=(0,)), lane("A", [0.9])
    assert shared({"C": [own, reference]}, {"C": lane("C", [0.001, 0.55])}, []) == []


def test_three_other_lanes_with_a_spot_at_one_place_share_it():
    rest = [lane("1", [0.300]), lane("2", [0.304]), lane("3", [0.298]), lane("4", [0.7])]
    (group,) = shared({}, {}, rest)
    assert [d for d, _ in group] == pytest.approx([-0.004])
    assert shared({}, {}, rest[:2]) == []

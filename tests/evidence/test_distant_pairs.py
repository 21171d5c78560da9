"""Where a small second spot is looked for far from one that fits."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from lanes.evidence.whitened_fits import _SMALL, _best_second

RNG = np.random.default_rng(2)
SECOND, SLOPES = RNG.normal(size=(1, 40)), RNG.normal(size=(1, 3, 40))
SPACE = SimpleNamespace(width=None)
SPACE.without_width = lambda: SPACE
SPACE.reduced = lambda _model, _place: (SECOND, SLOPES)


@pytest.mark.parametrize(("area", "left", "share"), [
    (4.0, 1.0, 0.25), (0.0, 1.0, _SMALL[2]), (-1e-9, 1e9, _SMALL[2]), (4.0, -1.0, _SMALL[1]),
], ids=["a share", "no area", "a fit that ran away", "nothing is left"])
def test_a_seconds_share_stays_within_its_limits(area: float, left: float, share: float) -> None:
    single = np.array([[20.0, 0.0, area]])
    _, shares = _best_second(SPACE, single, left * SECOND, SLOPES, 1.0, None)
    assert shares[0] == pytest.approx(share, rel=0.05)

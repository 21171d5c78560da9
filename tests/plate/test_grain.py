"""Pictures with and without grain."""

from __future__ import annotations

import numpy as np
import pytest

from lanes.plate.grain import without_grain

STAIRS = np.round(np.linspace(240.0, 220.0, 90))[:, None] * np.ones((1, 60)) / 255.0


@pytest.mark.parametrize("colours", [0, 1, 3])
def test_a_lamp_in_whole_codes_has_none_and_a_scan_has(colours: int) -> None:
    drawn = STAIRS if not colours else np.stack([STAIRS] * colours, axis=2)
    assert without_grain(drawn)
    assert without_grain(drawn.swapaxes(0, 1))
    scan = np.round(255.0 * drawn + np.random.default_rng(2).normal(0, 1.0, drawn.shape)) / 255.0
    assert not without_grain(scan)


def test_it_is_looked_at_only_where_asked_and_where_there_is_something() -> None:
    image, seen = STAIRS.copy(), np.ones(STAIRS.shape, bool)
    image[:70] += np.random.default_rng(2).normal(0, 0.01, (70, 60))
    assert not without_grain(image)
    seen[:70] = False
    assert without_grain(image, seen)
    assert not without_grain(image, np.zeros(STAIRS.shape, bool))

"""What the studies share when a small part of one runs among the other tests."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest
import score
from second_hand import studies

from lanes.draw import Drawing, PlateSpec

DPI = 120.0  # plates read in half the time of 200, and well enough for what a few can show


@pytest.fixture
def coarse(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw the plates of a study in small at `DPI`: what is asked of them needs no finer."""
    def coarser(module: ModuleType) -> None:
        draw = module.draw

        def drawn(spec: PlateSpec) -> Drawing:
            made: Drawing = draw(replace(spec, dpi=min(spec.dpi, DPI)))
            return made

        monkeypatch.setattr(module, "draw", drawn)

    for module in {request.module, score}:
        if hasattr(module, "draw"):
            coarser(module)
    monkeypatch.setattr(studies, "DPI", DPI)

"""The README's flags are the registry's, and its code runs."""

from __future__ import annotations

import re
from pathlib import Path

from lanes import flags

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_flags_are_the_registry() -> None:
    """The table between the marks is printed by `python -m lanes.flags`."""
    found = re.search(r"<!-- flags -->\n(.*)<!-- /flags -->", README, re.S)
    assert found is not None
    assert flags.table() in found.group(1)


def test_the_python_example_runs(monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    code = re.search(r"((?:    .*\n)*    import lanes\n(?:    .*\n)+)", README)
    assert code is not None
    monkeypatch.chdir(ROOT)
    exec("\n".join(line[4:] for line in code.group(1).splitlines()), {})
    printed = [list(map(float, line.split())) for line in capsys.readouterr().out.splitlines()]
    assert len(printed) == 4
    assert all(0.0 < sd < 0.01 for _, sd, _ in printed)
    assert abs(sum(percent for *_, percent in printed) - 100.0) < 1e-6


def test_the_table_shown_is_what_the_demo_reads() -> None:
    """Rf and area percent of lane rxn, as printed in the README, from a fresh reading."""
    import lanes

    shown = re.findall(r"^    rxn +\d +([\d.]+) ± [\d.]+ +([\d.]+) ±", README, re.M)
    reading = lanes.measure(ROOT / "fixtures" / "demo.png", names=("SM", "co", "rxn", "prod"))
    found = reading.lane("rxn").spots
    assert len(shown) == len(found) == 4
    for (rf, percent), spot in zip(shown, found, strict=True):
        assert abs(float(rf) - spot.rf) < 2e-4
        assert abs(float(percent) - spot.area_percent) < 0.1

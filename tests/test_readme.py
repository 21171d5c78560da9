"""The README's flags are the registry's, and its code runs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from lanes import flags
from lanes.cli import COMMANDS, main

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


def examples() -> list[str]:
    section = README.partition("## Examples")[2].partition("On yours:")[0]
    return re.findall(r"^    lanes (.+)$", section, re.M)


@pytest.mark.parametrize("line", examples())
def test_the_examples_run(line: str, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.chdir(ROOT)
    assert main(shlex.split(line)) == 0
    printed, error = capsys.readouterr()
    assert error == ""
    assert len(printed.splitlines()) > 4


def test_every_question_has_an_example_and_every_picture_is_there() -> None:
    asked = {line.split()[0] for line in examples()}
    assert asked == set(COMMANDS) - {"draw"}
    shown = re.findall(r"\]\((fixtures/[^)]+)\)", README)
    assert len(shown) == len(asked)
    assert all((ROOT / path).is_file() for path in shown)


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

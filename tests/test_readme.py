"""The README's flags are the registry's, and its code runs."""

from __future__ import annotations

import json
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
def test_the_examples_run(  # type: ignore[no-untyped-def]
    line: str, monkeypatch, capsys, tmp_path: Path
) -> None:
    """Each writes its page and picture, and its record has the keys that the README lists."""
    monkeypatch.chdir(ROOT)
    name = line.split()[0]
    out = tmp_path / "out"
    assert main([*shlex.split(line), "--json", "--out", str(out)]) == 0
    printed, error = capsys.readouterr()
    assert error == ""
    found = json.loads(printed)
    if name == "measure":
        assert f"`{', '.join(found)}`" in " ".join(
            README.replace("[]", "").partition("own are those")[2].split())
        return
    assert {p.name for p in out.iterdir()} == {
        f"{name}.json", f"{name}.png", f"{name}.html", "settings.toml", "written.json"}
    shown = re.search(rf"^\| `{name}\.json` \| (.+) \|$", README, re.M)
    assert shown is not None
    assert ["schema", *_outer(shown.group(1)), "flags"] == list(found)


def _outer(keys: str) -> list[str]:
    """Return the keys outside every bracket."""
    while "(" in keys:
        keys = re.sub(r"\([^()]*\)", "", keys)
    return keys.replace("[]", "").split(", ")


def test_every_question_has_an_example_and_every_picture_is_there() -> None:
    asked = {line.split()[0] for line in examples()}
    assert asked == set(COMMANDS) - {"draw"}
    shown = re.findall(r"\]\((fixtures/[^)]+)\)", README)
    assert len(shown) == len(asked)
    assert all((ROOT / path).is_file() for path in shown)


def test_the_table_shown_is_what_the_demo_reads() -> None:
    """Rf and area percent of lane rxn, as printed in the README, from a fresh reading."""
    import lanes

    shown = re.findall(r"^    rxn +\d +([\d.]+) +([\d.]+) ±", README, re.M)
    reading = lanes.measure(ROOT / "fixtures" / "demo.png", names=("SM", "co", "rxn", "prod"))
    found = reading.lane("rxn").spots
    assert len(shown) == len(found) == 4
    for (rf, percent), spot in zip(shown, found, strict=True):
        assert abs(float(rf) - spot.rf) < 6e-3
        assert abs(float(percent) - spot.area_percent) < 0.1

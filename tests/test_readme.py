"""The README's flags are the registry's, and its code runs."""

from __future__ import annotations

import csv
import json
import re
import shlex
from pathlib import Path

import pytest

from lanes import flags, measure
from lanes.cli import main
from lanes.commands.keys import described, parsed
from lanes.questions import QUESTIONS
from lanes.report.tables import traces_csv

pytestmark = pytest.mark.usefixtures("located_once")
ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_flags_are_the_registry() -> None:
    """What stands between the marks is what `lanes.flags.listed` returns."""
    found = re.search(r"<!-- flags -->\n(.*)<!-- /flags -->", README, re.S)
    assert found is not None
    assert flags.listed() in found.group(1)


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


@pytest.mark.usefixtures("few_trials")
@pytest.mark.parametrize("line", examples())
def test_the_examples_run(  # type: ignore[no-untyped-def]
    line: str, monkeypatch, capsys, tmp_path: Path
) -> None:
    """Each writes its page and picture, and its record has the keys that `lanes explain` lists."""
    monkeypatch.chdir(ROOT)
    name = line.split()[0]
    out = tmp_path / "out"
    assert main([*shlex.split(line), "--json", "--out", str(out)]) == 0
    printed, error = capsys.readouterr()
    assert error == ""
    found = json.loads(printed)
    listed = described("results" if name == "measure" else name)
    assert list(found) == list(parsed(listed))
    if name == "measure":
        return
    assert {p.name for p in out.iterdir()} == {
        f"{name}.json", f"{name}.png", f"{name}.html", "settings.toml", "written.json"}


def test_every_question_has_an_example_and_every_picture_is_there() -> None:
    asked = {line.split()[0] for line in examples()}
    assert asked == {"measure", *QUESTIONS}
    shown = re.findall(r"\]\((fixtures/[^)]+)\)", README)
    assert len(shown) == len(asked) + 1  # and how to photograph a plate
    assert all((ROOT / path).is_file() for path in shown)


def as_printed(text: str, value: float) -> bool:
    """Whether `text` is `value` rounded to its digits, a tenth of the last one let pass."""
    return abs(float(text) - value) < 0.6 * 10.0 ** -len(text.partition(".")[2])


def test_the_table_shown_is_what_the_demo_reads() -> None:
    """Every figure of lane rxn, as printed in the README, from a fresh reading."""
    import lanes

    number = r"([\d.]+)"
    shown = re.findall(rf"^    rxn +\d +{number} +{number} ± {number} \({number}\)"
                       rf"(?: +{number} ± {number}(?: \({number}\))?)? +{number}", README, re.M)
    reading = lanes.measure(ROOT / "fixtures" / "demo.png", names=("SM", "co", "rxn", "prod"))
    found = reading.lane("rxn")
    assert len(shown) == len(found.spots) == 4
    pairs = [p for p in found.pairs if p.upper == p.lower + 1]
    for i, (rf, percent, sd, noise, apart, apart_sd, apart_noise, height) in enumerate(shown):
        spot = found.spots[i]
        assert as_printed(rf, spot.rf)
        assert as_printed(percent, spot.area_percent)
        assert as_printed(sd, spot.area_percent_sd)
        assert as_printed(noise, spot.area_percent_sd_noise)
        assert as_printed(height, spot.signal_to_noise)
        if apart:
            assert as_printed(apart, pairs[i].resolution)
            assert as_printed(apart_sd, pairs[i].resolution_sd)
        if apart_noise:
            assert as_printed(apart_noise, pairs[i].resolution_sd_noise)


def test_what_the_commands_write_is_left_out_of_the_repository() -> None:
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    written = re.findall(r"^    .*lanes .*--out (\S+)", README, re.M)
    assert len(written) >= 2
    for name in written:
        assert f"/{name}" in ignored or f"/{name}/" in ignored, name


def test_the_details_begin_after_two_screens() -> None:
    """A screen is 45 lines of text (a choice); a picture's height is not counted."""
    assert len(README.partition("## Examples")[0].splitlines()) <= 90


def test_a_lane_of_traces_csv_is_a_trace(tmp_path: Path, capsys) -> None:  # type: ignore[no-untyped-def]
    reading = measure(ROOT / "fixtures" / "demo.png", light="254", picture=False)
    rows = list(csv.DictReader(traces_csv(reading).decode("utf-8").splitlines()))
    lane = reading.lanes[2]
    path = tmp_path / "lane.csv"
    path.write_text("".join(f"{row['position_mm']},{row['signal']}\n" for row in rows
                            if row["lane"] == lane.name), encoding="utf-8")
    again = measure(path, origin=0.0, front=lane.run_mm)
    found = [spot.rf for spot in again.lanes[0].spots]
    assert all(min(abs(rf - spot.rf) for rf in found) < 0.005 for spot in lane.spots[1:])

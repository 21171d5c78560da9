"""What every question keeps: its files, its keys, the same bytes twice, and clean refusals.

A question is one folder and one line in `lanes.questions.QUESTIONS`; all that stands here is asked
of each in that list, through the command, on small drawn plates.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from lanes.cli import COMMANDS, main
from lanes.commands.keys import KEYS, described, parsed
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.questions import QUESTIONS

# Four lanes: a substance that falls while another grows.
COURSE = {"a": (2.0, 0.0), "b": (1.2, 0.8), "c": (0.7, 1.2), "d": (0.4, 1.6)}
ASKED = {
    "shoulder": ["plate.png", "--lane", "d", "--bootstraps", "99"],
    "purity": ["plate.png", "--lane", "b", "--limit-lane", "a=50"],
    "compare": ["plate.png", "--unknown", "c", "--reference", "a", "--cospot", "c+a=b"],
    "follow": ["plate.png", "--times", "0,5,10,20"],
    "fractions": ["plate.png", "--target", "0.3", "--purity", "50"],
    "amount": ["plate.png", "--standards", "a=2,b=1.2,c=0.7", "--rf", "0.3", "--unit", "ug"],
    "solvent": ["plate.png=15%", "stronger.png=30%", "--lane", "b", "--strong", "ethyl acetate"],
}
FILES = ["{}.html", "{}.json", "{}.png", "settings.toml", "written.json"]
pytestmark = pytest.mark.usefixtures("few_trials", "located_once")
COMMON = ["--light", "white", "--names", "a,b,c,d"]


@pytest.fixture(scope="module")
def plates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of two plates of one mixture in two solvents."""
    folder = tmp_path_factory.mktemp("plates")
    for file, (first, second), seed in (("plate.png", (0.3, 0.6), 3),
                                        ("stronger.png", (0.5, 0.75), 4)):
        lanes = tuple(
            LaneSpec(8.0 + 12 * i, name=name, spots=tuple(
                SpotSpec(rf, amount, width=2.4)
                for rf, amount in ((first, falls), (second, grows)) if amount))
            for i, (name, (falls, grows)) in enumerate(COURSE.items()))
        save(draw(PlateSpec(width=52, height=70, origin=8, front=62, dpi=120, seed=seed,
                            mode="grey", lanes=lanes)), folder / file)
    return folder


Answers = dict[str, tuple[Path, str]]


@pytest.fixture(scope="module")
def answers() -> Answers:
    """Return a cache of each question's folder and the JSON it printed."""
    return {}


@pytest.fixture
def asked(
    answers: Answers, plates: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str], tmp_path_factory: pytest.TempPathFactory,
) -> Any:
    monkeypatch.chdir(plates)

    def ask(name: str) -> tuple[Path, str]:
        if name not in answers:
            out = tmp_path_factory.mktemp(name) / "out"
            assert main([name, *ASKED[name], *COMMON, "--json", "--out", str(out)]) == 0
            printed, error = capsys.readouterr()
            assert error == ""
            answers[name] = (out, printed)
        return answers[name]

    return ask


each = pytest.mark.parametrize("name", QUESTIONS)


def test_the_registry_is_the_folders_and_the_commands() -> None:
    here = Path(__file__).parents[2] / "lanes" / "questions"
    folders = {path.parent.name for path in here.glob("*/command.py")}
    assert set(QUESTIONS) == folders == set(ASKED) == set(KEYS) - {"results"}
    assert list(COMMANDS)[1:1 + len(QUESTIONS)] == list(QUESTIONS)
    for name in QUESTIONS:
        for file in ("answer", "page", "figure", "command"):
            assert (here / name / f"{file}.py").is_file(), name


@each
def test_the_folder_holds_its_files(name: str, asked: Any) -> None:
    out, _ = asked(name)
    assert sorted(p.name for p in out.iterdir()) == sorted(f.format(name) for f in FILES)
    listed = json.loads((out / "written.json").read_bytes())["files"]
    assert set(listed) == {p.name for p in out.iterdir()} - {"written.json"}
    assert (out / f"{name}.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@each
def test_the_record_has_the_keys_that_are_listed(name: str, asked: Any) -> None:
    out, printed = asked(name)
    assert (out / f"{name}.json").read_text(encoding="utf-8") == printed
    values = json.loads(printed)
    assert values["schema"] == 1
    assert list(values) == list(parsed(described(name)))
    seen = compare(values, parsed(described(name)), name)
    assert seen > len(values) / 2  # an answer of nothing but nulls would prove little


def compare(value: Any, keys: Any, where: str) -> int:
    """Hold the keys of `value` against those listed; return how many places were compared."""
    if keys is None or value is None:
        return 1
    if isinstance(value, list):
        return sum((compare(one, keys, f"{where}[]") for one in value), 0)
    assert set(value) == set(keys), where
    return sum((compare(value[key], inside, f"{where}.{key}") for key, inside in keys.items()), 0)


@each
def test_the_same_question_gives_the_same_bytes(
    name: str, asked: Any, plates: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also where the plates are named by their whole paths, which no file may hold."""
    out, _ = asked(name)
    whole = [str(plates / word) if ".png" in word else word for word in ASKED[name]]
    assert main([name, *whole, *COMMON, "--out", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().err == ""
    for path in (tmp_path / "out").iterdir():
        assert path.read_bytes() == (out / path.name).read_bytes(), path.name
        assert str(plates).encode() not in path.read_bytes()
        assert str(tmp_path).encode() not in path.read_bytes()


@each
def test_a_refusal_leaves_nothing(
    name: str, plates: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(plates)
    before = sorted(plates.iterdir())
    missing = [word.replace("plate.png", "none.png") for word in ASKED[name]]
    for words in (missing, [*ASKED[name], "--names", "a,b,c"], [*ASKED[name], "--light", "dark"]):
        assert main([name, *COMMON, *words, "--out", "out"]) == 2
        printed, error = capsys.readouterr()
        assert printed == ""
        assert error.startswith("lanes: ")
        assert len(error.splitlines()) == 1
        if "plate-unread.png" in error:  # the plate as far as it was found, to mend it by
            left = {path.name for path in Path("out").iterdir()}
            assert left == {"plate-unread.png", "written.json"}
            shutil.rmtree("out")
        assert sorted(plates.iterdir()) == before


@each
def test_a_folder_that_is_there_is_refused_before_any_work(
    name: str, plates: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(plates)
    monkeypatch.setattr("lanes.measuring.read_for", None)  # any reading would fail on it
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_bytes(b"mine")
    assert main([name, *ASKED[name], "--out", str(tmp_path / "out")]) == 2
    assert "--force" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["notes.txt"]

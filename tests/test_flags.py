"""The registry of remarks: whole, in plain words, and the only source of flags."""

from __future__ import annotations

import ast
import re
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

import lanes
from lanes.cli import main
from lanes.flags import REGISTRY, Flag, flag, listed

SOURCES = sorted(Path(lanes.__file__).parent.rglob("*.py"))


def raised() -> dict[str, str]:
    """Return every flag name the code gives to `flag`, with the file that does."""
    found = {}
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
                    and node.func.id == "flag" and isinstance(node.args[0], ast.Constant)):
                found[node.args[0].value] = path.name
    return found


@pytest.mark.parametrize("name", list(REGISTRY))
def test_each_kind_says_what_it_means_and_what_to_do(name: str) -> None:
    kind = REGISTRY[name]
    assert kind.name == name
    assert name == name.lower()
    assert " " not in name
    for text in (kind.meaning, kind.remedy):
        assert len(text) > 10
        assert text == text.strip()
        assert not text.endswith(".")
        assert "|" not in text  # it would break the table
        assert len(text.splitlines()) == 1


def test_a_flag_carries_name_and_message() -> None:
    found = flag("weak", "its area is 7 standard deviations")
    assert found == Flag("weak", "its area is 7 standard deviations")
    with pytest.raises(FrozenInstanceError):
        found.name = "wide"  # type: ignore[misc]


def test_an_unregistered_flag_is_a_defect() -> None:
    with pytest.raises(KeyError):
        flag("nice", "what a plate")


def test_the_list_names_each_once() -> None:
    assert re.findall(r"`([a-z-]+)`", listed()) == list(REGISTRY)


@pytest.mark.parametrize("name", list(REGISTRY))
def test_each_is_explained_by_name(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", name]) == 0
    text = " ".join(capsys.readouterr().out.split())
    kind = REGISTRY[name]
    assert text == f"{name}: {kind.meaning}. What to do: {kind.remedy}."


def test_all_are_explained_without_a_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for kind in REGISTRY.values():
        assert f"{kind.name}: {kind.meaning}. What to do: {kind.remedy}." in text


def test_the_keys_of_a_file_are_listed_and_an_unknown_word_is_refused(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["explain", "reading/purity.json"]) == 0
    by_path = capsys.readouterr().out
    assert main(["explain", "purity.json"]) == 0
    assert by_path.startswith("schema, lane, main(rf")
    assert capsys.readouterr().out.startswith("schema, lane, main(rf, area_percent, low, high), ")
    assert main(["explain", "nothing"]) == 2
    error = capsys.readouterr().err
    assert error.startswith("lanes: nothing is called 'nothing': lanes explain lists every remark")
    assert len(error.splitlines()) == 1


def test_every_flag_the_code_raises_is_registered() -> None:
    names = raised()
    assert len(names) > 10  # the search itself works
    unknown = {name: file for name, file in names.items() if name not in REGISTRY}
    assert unknown == {}


def test_options_named_in_a_remedy_exist(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["measure", "--help"])
    assert stopped.value.code == 0
    known = set(re.findall(r"--[a-z-]+", capsys.readouterr().out))
    assert "--origin" in known
    for kind in REGISTRY.values():
        assert set(re.findall(r"--[a-z-]+", kind.remedy)) <= known, kind.name

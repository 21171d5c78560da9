"""Settings: what is refused and how, and that they come back from TOML as they went."""

from __future__ import annotations

import math
import tomllib
from dataclasses import FrozenInstanceError, fields, replace
from pathlib import Path
from typing import Any

import pytest

from lanes.about import About
from lanes.errors import InputError
from lanes.places import Places
from lanes.setting_values import BACKGROUNDS, BASELINE_ORDERS, CHANNELS, LAWS, LIGHTS, TURNS
from lanes.settings import LaneNote, Settings
from lanes.settings_file import from_mapping, read_settings

FULL = Settings(
    transfer="2.2", turn=90, channel="green", light="254", law="optical-density", origin=8.5,
    front=80.25, lanes=(10.0, 20.5, 31.0), names=("a", "β-2", "c+d"),
    roles=("reference", "", "say \"what\""), lane_width=6.0, plate_width=100.0,
    plate_height=200.0, background="snip", baseline_order="linear", components=3,
)


def refused(**values: Any) -> str:
    with pytest.raises(InputError) as caught:
        from_mapping(values)
    text = str(caught.value)
    assert len(text.splitlines()) == 1
    return text


def read(tmp_path: Path, text: str | bytes) -> Settings:
    path = tmp_path / "settings.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_settings(path)


# There and back


@pytest.mark.parametrize("settings", [Settings(), FULL, Settings(lanes=5, roles=("x",)),
                                      Settings(dpi=600.0)])
def test_settings_come_back_from_toml(tmp_path: Path, settings: Settings) -> None:
    assert read(tmp_path, settings.to_toml()) == settings


@pytest.mark.parametrize("size", ["plate_width", "plate_height"])
def test_one_scale_at_a_time(size: str) -> None:
    message = f"--{size.replace('_', '-')} and --dpi each say what a millimetre is: give one"
    assert refused(**{size: 100.0, "dpi": 600.0}) == message
    with pytest.raises(InputError):  # on top of a settings file's
        from_mapping({size: 100.0}, Settings(dpi=600.0))


def test_choices_left_to_the_program_are_absent_from_toml() -> None:
    assert set(tomllib.loads(Settings().to_toml())) == {
        f.name for f in fields(Settings)
        if getattr(Settings(), f.name) not in (None, (), Places(), About())
    }
    assert "origin" not in Settings().to_toml()


def test_all_keys_stand_in_the_dictionary() -> None:
    values = FULL.to_dict()
    assert list(values) == [f.name for f in fields(Settings)]
    assert values["lanes"] == [10.0, 20.5, 31.0]
    assert from_mapping(values) == FULL
    assert Settings().to_dict()["origin"] is None


NOTED = """\
light = "254"

[lane."S 1"]
role = "standard"
amount = 0.5

[lane.rxn]
time = 15
"""


def test_what_is_known_of_single_lanes(tmp_path: Path) -> None:
    (tmp_path / "plate.toml").write_text(NOTED, encoding="utf-8")
    settings = read_settings(tmp_path / "plate.toml")
    assert settings.note("S 1") == LaneNote("S 1", role="standard", amount=0.5)
    assert settings.note("rxn").time == 15
    assert settings.note("other") == LaneNote("other")
    assert from_mapping(tomllib.loads(settings.to_toml())) == settings
    assert from_mapping(settings.to_dict()) == settings


@pytest.mark.parametrize(("text", "words"), [
    ("lane = 3", "takes a table"),
    ("[lane]\nS1 = 2", "takes a table"),
    ("[lane.S1]\ndose = 2", "lane.S1.dose is unknown: the keys are role, time, amount"),
    ("[lane.S1]\ntime = -1", "lane.S1.time takes a number from zero on"),
    ("[lane.S1]\namount = 'x'", "lane.S1.amount takes a number"),
    ("[lane.S1]\nrole = 3", "lane.S1.role"),
])
def test_notes_that_can_not_be_used(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "plate.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as raised:
        read_settings(tmp_path / "plate.toml")
    assert words in str(raised.value)


def test_values_are_laid_over_a_start_which_stays_as_it_was() -> None:
    start = Settings(light="254", origin=8)
    assert from_mapping({"origin": 9, "front": 80}, start) == replace(start, origin=9.0, front=80.0)
    assert start.origin == 8
    assert from_mapping({"origin": None}, start).origin is None


def test_settings_are_frozen_and_hashable() -> None:
    with pytest.raises(FrozenInstanceError):
        FULL.turn = 0  # type: ignore[misc]
    assert hash(FULL) == hash(replace(FULL))


def test_lists_become_tuples_and_whole_numbers_floats() -> None:
    settings = from_mapping({"lanes": [1, 2], "names": ["a", "b"], "origin": 8})
    assert settings.lanes == (1, 2)
    assert settings.names == ("a", "b")
    assert isinstance(settings.origin, float)


# Choices


@pytest.mark.parametrize(
    ("name", "allowed"),
    [("light", LIGHTS), ("law", LAWS), ("channel", CHANNELS), ("background", BACKGROUNDS),
     ("baseline_order", BASELINE_ORDERS), ("turn", TURNS)],
)
def test_choices(name: str, allowed: tuple[Any, ...]) -> None:
    for value in allowed:
        assert getattr(from_mapping({name: value}), name) == value
    for wrong in ("", "purple", 5, True, None, ["auto"]):
        text = refused(**{name: wrong})
        assert f"--{name.replace('_', '-')} " in text
        for value in allowed:
            assert str(value) in text


@pytest.mark.parametrize("value", ["auto", "srgb", "linear", "2.2", "0.2", "5", 1.8])
def test_transfers(value: Any) -> None:
    assert from_mapping({"transfer": value}).transfer == value


@pytest.mark.parametrize("value", ["", "gamma", "0.1", "6", "nan", "inf", "-2", True, [2.2]])
def test_no_transfers(value: Any) -> None:
    assert "give auto, srgb, linear or a power" in refused(transfer=value)


# Numbers


NUMBERS = ("origin", "front", "lane_width", "plate_width", "plate_height", "dpi")


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e6, -1e6, 10**400])
def test_numbers_that_can_not_be_used(name: str, value: float) -> None:
    assert "--" + name.replace("_", "-") in refused(**{name: value})


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("value", ["8", True, [8], {"mm": 8}])
def test_what_is_no_number(name: str, value: Any) -> None:
    assert f"{name} takes a number" in refused(**{name: value})


@pytest.mark.parametrize("name", NUMBERS[2:])
@pytest.mark.parametrize("value", [0, -1, -0.0])
def test_sizes_must_be_positive(name: str, value: float) -> None:
    assert "must be greater than zero" in refused(**{name: value})


@pytest.mark.parametrize(("origin", "front"), [(80, 8), (8, 8)])
def test_the_front_lies_above_the_origin(origin: float, front: float) -> None:
    assert "give --front greater than --origin" in refused(origin=origin, front=front)


@pytest.mark.parametrize("value", [0, -1, 13, 2.0, "3", True, math.nan, [1]])
def test_components_are_a_small_whole_number(value: Any) -> None:
    assert "--components" in refused(components=value)
    assert "1 to 12" in refused(components=value)


# Lanes and names


@pytest.mark.parametrize(
    "value",
    [0, -3, 61, 10**9, 2.5, True, "3", {"n": 3}, [], [3, 2], [3, 3], [1, math.nan], ["a"], [True],
     [1, None], [1e9], list(range(61))],
)
def test_no_lanes(value: Any) -> None:
    assert "--lanes" in refused(lanes=value)


@pytest.mark.parametrize(
    "name",
    ["", " ", ".", "..", "a/b", "a\\b", "../x", "/etc/x", "C:x", "a*", "a?", 'a"b', "a<b", "a>b",
     "a|b", "a\nb", "a\0b", "a\x7fb", "a\u2028b", "\udcff", "x" * 41, 5, None, True],
)
def test_no_names(name: Any) -> None:
    assert "--names" in refused(names=[name])


@pytest.mark.parametrize("name", ["a", "S 1", "β", "x" * 40, ".x", "a-b_c+d.e", "名前"])
def test_names(name: str) -> None:
    assert from_mapping({"names": [name]}).names == (name,)


@pytest.mark.parametrize("names", [["a", "a"], ["S1", "s1"], ["ß", "SS"]])
def test_names_stand_once_whatever_their_case(names: list[str]) -> None:
    # Two lanes' pictures must not be one file on a disk that ignores case.
    assert "stands twice" in refused(names=names)


@pytest.mark.parametrize("option", ["names", "roles"])
@pytest.mark.parametrize("value", ["abc", 5, {"a": 1}, [], ["a", 5], ["a\nb"], ["x" * 41]])
def test_words_come_as_a_list(option: str, value: Any) -> None:
    assert f"--{option}" in refused(**{option: value})


# Files


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("orgin = 8\n", "settings key 'orgin' is unknown"), ("origin = '8'\n", "takes a number"),
        ("lanes = 'three'\n", "--lanes"), ("names = 'abc'\n", "--names"),
        ("light = 254\n", "--light 254 is unknown"), ("[origin]\n", "takes a number"),
        ("origin = nan\n", "--origin nan"), ("dpi = " + "9" * 500, "--dpi"),
        ("dpi = " + "9" * 5000, "is not TOML"), ("x", "is not TOML"),
        ("\xff\xfe".encode("latin-1"), "is not TOML"), ("a = 1\na = 2\n", "is not TOML"),
        ("a = " + "[" * 5000, "is not TOML"),
    ],
    ids=["unknown key", "text for a number", "text for lanes", "text for names", "number for text",
         "table", "nan", "huge", "too huge", "not TOML", "binary", "twice", "deep"],
)
def test_a_settings_file_that_can_not_be_used(
    tmp_path: Path, text: str | bytes, says: str
) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert says in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_no_settings_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"lost\.toml can't be read: No such file"):
        read_settings(tmp_path / "lost.toml")
    with pytest.raises(InputError, match="can't be read: Is a directory"):
        read_settings(tmp_path)


def test_an_unknown_key_is_answered_with_those_there_are() -> None:
    text = refused(colour="red")
    for f in fields(Settings):
        assert f.name in text

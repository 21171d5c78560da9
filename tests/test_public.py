"""The public face: an explicit list, loaded on first use."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

import lanes

PUBLIC = [
    "Flag", "InputError", "LaneReading", "LanesError", "LayoutError", "OutputError", "Pair",
    "Reading", "Settings", "Spot", "measure", "read_settings", "show",
]
HEAVY = ("numpy", "scipy", "PIL", "matplotlib", "lmfit")


def loaded_by(code: str) -> list[str]:
    """Return which heavy libraries a fresh interpreter has loaded after `code`."""
    asked = f"import sys, json; {code}; print(json.dumps([m for m in {HEAVY} if m in sys.modules]))"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    found: list[str] = json.loads(done.stdout.splitlines()[-1])
    return found


def test_the_list_is_explicit_and_whole() -> None:
    assert lanes.__all__ == PUBLIC
    for name in PUBLIC:
        assert getattr(lanes, name).__name__ == name
    assert set(PUBLIC) <= set(dir(lanes))


def test_what_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="module 'lanes' has no attribute 'Lens'"):
        lanes.Lens  # noqa: B018


def test_every_public_name_explains_itself() -> None:
    for name in PUBLIC:
        assert (getattr(lanes, name).__doc__ or "").strip().split("\n")[0].rstrip(), name


def test_errors_have_one_root() -> None:
    for name in ("InputError", "LayoutError", "OutputError"):
        assert issubclass(getattr(lanes, name), lanes.LanesError)
    assert issubclass(lanes.InputError, ValueError)
    assert issubclass(lanes.OutputError, OSError)


@pytest.mark.parametrize(
    "code",
    ["import lanes", "import lanes.cli", "from lanes import Settings, InputError, read_settings",
     "import lanes.cli; lanes.cli.main(['--version'])",
     "import lanes.cli; lanes.cli.main(['measure', '--lanes', 'x', 'plate.png'])"],
    ids=["package", "command", "settings", "version", "refusal"],
)
def test_nothing_heavy_is_loaded_before_it_is_needed(code: str) -> None:
    assert loaded_by(code) == []


SOURCES = Path(lanes.__file__).parent.parent


def imported(path: Path) -> set[str]:
    """Return the full names of all that a source file imports."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            home = node.module or ""
            subs = {f"{home}.{alias.name}" for alias in node.names}
            found = {sub for sub in subs if (SOURCES / f"{sub.replace('.', '/')}.py").is_file()}
            names |= found if found == subs else {home, *found}
    return names


# From the first stage to the last: a module may know those of its own rank and before, never after.
ORDER = (
    ("errors", "flags", "confidence", "lengths", "quantiles", "rounding", "same"),
    ("about", "places", "setting_values", "toml_text"),
    ("settings",),
    ("settings_file",),
    ("scan",),
    ("plate",),
    ("trace",),
    ("spots",),
    ("reading",),
    ("checks",),
    ("measuring",),
    ("evidence",),
    ("options", "report"),
    ("questions",),
    ("many", "page"),
    ("commands",),
    ("cli",),
    ("start",),
    ("__main__",),
)
RANK = {name: rank for rank, names in enumerate(ORDER) for name in names}
BESIDE = ("draw",)  # a model of its own: it knows of errors, and nothing but its command of it
DRAWS = ("report", "questions", "many")  # may import matplotlib
HOUSE = Path(lanes.__file__).parent


def modules() -> dict[str, set[str]]:
    """Return every module of the package by its dotted name, with all that it imports."""
    out = {}
    for path in sorted(HOUSE.rglob("*.py")):
        parts = path.relative_to(HOUSE.parent).with_suffix("").parts
        out[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = imported(path)
    return out


def home(module: str) -> str:
    """Return the folder, or top-level module, that a dotted name belongs to."""
    return module.split(".")[1] if "." in module else ""


def test_every_folder_has_its_place_in_the_order() -> None:
    assert {home(name) for name in modules()} - {""} == set(RANK) | set(BESIDE)


def test_imports_run_one_way() -> None:
    for name, known in modules().items():
        for other in known:
            if not other.startswith("lanes.") or home(name) == "":
                continue
            if home(name) in BESIDE:
                assert home(other) in (home(name), "errors"), f"{name} imports {other}"
            elif home(other) in BESIDE:
                assert home(name) == "commands", f"{name} imports {other}"
            else:
                assert RANK[home(other)] <= RANK[home(name)], f"{name} imports {other}"


def test_no_question_knows_the_inside_of_another() -> None:
    for name, known in modules().items():
        if not name.startswith("lanes.questions."):
            continue
        own = ".".join(name.split(".")[:3])
        for other in known:
            if other.startswith("lanes.questions."):
                assert other.startswith(own), f"{name} imports {other}"


def test_only_what_is_drawn_knows_matplotlib() -> None:
    for name, known in modules().items():
        if any(other.split(".")[0] == "matplotlib" for other in known):
            assert home(name) in DRAWS, name


def test_no_module_imports_itself_round_a_corner() -> None:
    graph = modules()
    seen: dict[str, int] = {}

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert seen.get(name) != 1, " -> ".join((*trail, name))
        if name in seen:
            return
        seen[name] = 1
        for other in sorted(graph[name]):
            if other in graph and other != name and other != "lanes":
                visit(other, (*trail, name))
        seen[name] = 2

    for name in graph:
        visit(name, ())


def test_measuring_opens_no_window() -> None:
    # The fitting library looks whether matplotlib is there; nothing draws with it.
    asked = "from lanes import measure, Spot; import sys; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_the_command_keeps_to_one_thread_unless_asked() -> None:
    asked = ("import os, lanes.cli; lanes.cli.main(['--version']); "
             "print(os.environ['OPENBLAS_NUM_THREADS'])")
    bare = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    for given, found in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")):
        done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True,
                              check=True, env={**bare, **given})
        assert done.stdout.splitlines()[-1] == found


def test_the_version_is_that_of_the_package() -> None:
    assert lanes.__version__ == version("lanes")
    done = subprocess.run([sys.executable, "-m", "lanes", "--version"], capture_output=True,
                          text=True, check=True)
    assert done.stdout == f"lanes {lanes.__version__}\n"


def test_help_is_there_for_every_command() -> None:
    for words in ([], ["--help"], ["measure", "--help"], ["draw", "--help"]):
        done = subprocess.run([sys.executable, "-m", "lanes", *words], capture_output=True,
                              text=True, check=True, env={**os.environ, "COLUMNS": "80"})
        assert done.stdout.startswith("usage: lanes")
        assert done.stderr == ""
        assert max(map(len, done.stdout.splitlines())) <= 100


def test_types_are_shipped() -> None:
    assert (Path(lanes.__file__).parent / "py.typed").is_file()

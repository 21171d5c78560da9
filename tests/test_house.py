"""The house stays small-roomed and in plain words: sizes of files and functions, and names."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

import lanes

HOUSE = Path(lanes.__file__).parent
TESTS = Path(__file__).parent
LONGEST_FUNCTION, LONGEST_FILE = 70, 420  # lines
LONG_FILES: set[str] = set()
STANDARD = {"checks/colours.py hue"}  # of hue, saturation and value, where it is the right word
# Sizes and shades of pictures stand where they are used, as do those of the drawn plates' recipes.
PICTURES = ("figure.py", "report/figures.py", "report/canvas.py", "report/strips.py",
            "report/unread.py", "report/lane_figure.py", "many/chart.py")
DRAWN = "draw/"
DIALECT = re.compile(
    r"(^|_)(taken_apart|take_apart|genuine|hue|company|speakers|mates|told|tell|tells|said|"
    r"away|foretold|low_order|speak|speaks)(_|$)",
    re.I)


def sources() -> Iterator[tuple[str, str]]:
    for path in sorted(HOUSE.rglob("*.py")):
        yield path.relative_to(HOUSE).as_posix(), path.read_text(encoding="utf-8")


@cache
def nodes() -> dict[str, list[ast.AST]]:
    """Return what every module, and every test, is made of."""
    tests = ((f"tests/{path.relative_to(TESTS).as_posix()}", path.read_text(encoding="utf-8"))
             for path in sorted(TESTS.rglob("*.py")))
    return {name: list(ast.walk(ast.parse(text))) for name, text in (*sources(), *tests)}


def test_functions_are_short() -> None:
    long = {f"{name} {node.name}" for name, found in nodes().items() for node in found
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and not name.startswith("tests/")
            and (node.end_lineno or 0) - node.lineno >= LONGEST_FUNCTION}
    assert not long


def test_files_are_short() -> None:
    long = {name for name, text in sources() if len(text.splitlines()) > LONGEST_FILE}
    assert long <= LONG_FILES


def test_names_are_standard_english() -> None:
    found = {f"{name} {word}" for name, parts in nodes().items() for node in parts
             for word in (getattr(node, "id", None), getattr(node, "attr", None),
                          getattr(node, "arg", None), getattr(node, "name", None))
             if isinstance(word, str) and DIALECT.search(word)}
    assert found <= STANDARD


def test_the_median_absolute_deviation_has_one_factor() -> None:
    assert [name for name, text in sources() if re.search(r"\b1\.48", text)] == ["confidence.py"]


PLAIN = (0.0, 0.5, 1.0, 2.0, 100.0)  # 100 of a percent; 10 too, as what is raised to a power


def bare_floats(nodes: Sequence[ast.AST]) -> list[str]:
    """Return the floats of a module that stand neither in a constant's own line nor as a default.
    """
    module = nodes[0]
    assert isinstance(module, ast.Module)
    named: list[ast.AST] = [node for node in module.body
                            if isinstance(node, ast.Assign | ast.AnnAssign)]
    for node in nodes:
        if isinstance(node, ast.arguments):
            named += [each for each in (*node.defaults, *node.kw_defaults) if each is not None]
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
            named += [node.left] if getattr(node.left, "value", None) == 10.0 else []
    ours = {id(part) for node in named for part in ast.walk(node)}
    return [f"line {node.lineno}: {node.value}" for node in nodes
            if isinstance(node, ast.Constant) and isinstance(node.value, float)
            and id(node) not in ours and node.value not in PLAIN]


def test_a_bare_float_is_seen() -> None:
    text = "A = 0.3  # of what\ndef f(x: float = 0.7) -> float:\n    return 10.0**x + 0.5 * x + {}"
    found = [bare_floats(list(ast.walk(ast.parse(text.format(last))))) for last in ("A", "0.3")]
    assert found == [[], ["line 3: 0.3"]]


def test_choices_have_a_name_and_a_place() -> None:
    """What a stage goes by stands at its module's head; measures of pictures are none of it."""
    found = {name: bare for name, parts in nodes().items()
             if not name.startswith(("tests/", DRAWN)) and not name.endswith(PICTURES)
             and (bare := bare_floats(parts))}
    assert found == {}


def test_developers_names_modules_that_there_are() -> None:
    text = (HOUSE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    there = {path.stem for path in HOUSE.rglob("*.py")} | {
        path.name for path in HOUSE.rglob("*") if path.is_dir()}
    named = []
    for row in re.findall(r"^\| `(\w+)/` \| (.*) \|$", text, re.M):
        folder = HOUSE / row[0]
        named += [(row[0], name) for name in re.findall(r"`([a-z_]+)`", row[1])
                  if not ((folder / f"{name}.py").exists() or (folder / name).is_dir())]
    # A question's own modules, and what a command or a file of results is called.
    assert [(folder, name) for folder, name in named if name not in there] == []
    for place, module in re.findall(r"`(\w+)/(\w+)(?:\.py)?`", text):
        if (HOUSE / place).is_dir():
            assert (HOUSE / place / f"{module}.py").exists(), f"{place}/{module}"
    for names, file in re.findall(r"`(\w+)`\)? in `([\w/]+\.py)`", text):
        assert re.search(rf"\b{names}\b", (HOUSE / file).read_text(encoding="utf-8")), names


def test_every_file_stands_in_the_guide() -> None:
    """In the row of its folder, or of its question; what stands beside the folders, anywhere."""
    guide = (TESTS.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| `(\w+)[/`](.*)\|$", guide, re.M))
    every_question = ("answer", "page", "figure", "command")
    missing = []
    for name, _ in sources():
        *folders, stem = Path(name).with_suffix("").parts
        if stem.startswith("__") or (folders[:-1] and stem in every_question):
            continue
        listed = re.findall(r"`([\w*]+)(?:\.py)?`", rows[folders[-1]] if folders else guide)
        if not any(fnmatchcase(stem, one) for one in listed):
            missing.append(name)
    assert not missing

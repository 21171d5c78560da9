"""Which plates the arguments mean, and into which folders they go."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from lanes.errors import InputError
from lanes.many.find import find_plates, folder_name, left_out, natural
from lanes.many.plan import plan
from lanes.settings import Settings


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def test_files_and_folders_each_plate_once(tmp_path: Path) -> None:
    scans = tmp_path / "scans"
    touch(*(scans / n for n in ("p10.png", "p2.TIF", ".hidden.png", "notes.txt", "a.webp")))
    (scans / "folder.png").mkdir()
    given = [str(scans / "p10.png"), str(scans), str(tmp_path / "missing.png")]
    found = find_plates(given)
    assert [p.name for p in found] == ["p10.png", "a.webp", "p2.TIF", "missing.png"]
    os.symlink(scans / "a.webp", tmp_path / "again.png")
    assert len(find_plates([*given, str(tmp_path / "again.png")])) == 4


def test_what_a_folder_leaves_out_is_counted(tmp_path: Path) -> None:
    touch(*(tmp_path / n for n in ("p.png", "t.csv", "U.CSV", "notes.txt", ".hidden", "sub/p.png",
                                   "out/index.html")))
    assert left_out(tmp_path, tmp_path / "out") == {"folder": 1, "CSV file": 2, "other file": 1}
    assert not any(left_out(tmp_path / "sub", tmp_path / "out").values())


def test_given_twice_and_empty_are_refused(tmp_path: Path) -> None:
    touch(tmp_path / "a" / "p.png")
    (tmp_path / "b").mkdir()
    with pytest.raises(InputError, match="is given twice: give each file and folder once"):
        find_plates([str(tmp_path / "a"), str(tmp_path / "a") + "/"])
    with pytest.raises(InputError, match="holds no image"):
        find_plates([str(tmp_path / "b")])


@pytest.mark.parametrize(("name", "folder"), [
    ("p.png", "p"), ("day 1.2.tif", "day 1.2"), ("a:b.png", "a-b"), ("....png", "plate"),
    ("x" * 60 + ".png", "x" * 40),
])
def test_folder_names(name: str, folder: str) -> None:
    assert folder_name(Path(name)) == folder


def test_natural_order_is_total() -> None:
    names = ["b", "p2", "P2", "p10", "p02", "10", "9", "p"]
    assert sorted(names, key=natural) == ["9", "10", "b", "p", "P2", "p02", "p2", "p10"]


def test_two_plates_of_one_name_go_to_two_folders(tmp_path: Path) -> None:
    paths = [tmp_path / n for n in ("a/p.png", "b/p.png", "c/P.tif", "plates.csv.png")]
    touch(*paths)
    out = tmp_path / "out"
    out.mkdir()
    todo = plan(out, paths, Settings(), figures=True).todo
    # A folder called plates.csv would stand where the table goes.
    assert [folder for _, folder in todo] == ["p", "p-2", "P-3", "plates.csv-2"]

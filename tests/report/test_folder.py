"""The folder of results: whole or not at all, and no one else's work harmed."""

import errno
import hashlib
import json
import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import invented
import numpy as np
import pytest

from lanes.errors import OutputError
from lanes.report import folder
from lanes.report.folder import RECORD, refuse_existing, write_folder
from lanes.report.write import write_reading

FILES = {"results.json": b'{"schema": 1}\n', "settings.toml": b"turn = 0\n", "a.csv": b"1\n"}


def contents(path):
    """Return all that stands in `path` but the list of what was written."""
    return {entry.name: entry.read_bytes() for entry in path.iterdir() if entry.name != RECORD}


def refused(out, files=FILES, **options):
    """Return the refusal's text, having checked that it is one line and that nothing was left."""
    before = sorted(out.parent.iterdir()) if out.parent.is_dir() else None
    with pytest.raises(OutputError) as caught:
        write_folder(out, files, **options)
    assert "\n" not in str(caught.value)
    assert before is None or sorted(out.parent.iterdir()) == before
    return str(caught.value)


def test_writes_bytes_and_functions(tmp_path):
    write_folder(tmp_path / "out", {**FILES, "late.txt": lambda: b"later"})
    assert contents(tmp_path / "out") == {**FILES, "late.txt": b"later"}
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]


def test_has_the_usual_permissions(tmp_path):
    write_folder(tmp_path / "out", FILES)
    (tmp_path / "plain").mkdir()
    modes = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("out", "plain")]
    assert modes[0] == modes[1]


@pytest.mark.parametrize("kind", ["folder", "file", "dangling link"])
def test_refuses_what_exists(tmp_path, kind):
    out = tmp_path / "out"
    if kind == "folder":
        out.mkdir()
        (out / "notes.txt").write_bytes(b"x")
    elif kind == "file":
        out.write_bytes(b"x")
    else:
        out.symlink_to(tmp_path / "nowhere")
    says = "is a file" if kind == "file" else "is not a folder of results"
    for force in (False, True):  # no advice that would be refused in its turn
        assert says in refused(out, force=force)


def test_force_replaces_its_own_folder(tmp_path):
    out = tmp_path / "out"
    write_folder(out, {**FILES, "lane-old.png": b"old"})
    write_folder(out, {**FILES, "a.csv": b"2\n"}, force=True)
    assert contents(out) == {**FILES, "a.csv": b"2\n"}
    assert list(tmp_path.iterdir()) == [out]


def test_force_on_nothing_writes(tmp_path):
    write_folder(tmp_path / "out", FILES, force=True)
    assert contents(tmp_path / "out") == FILES


@pytest.mark.parametrize(
    "there",
    [
        {"results.json": b'{"schema": 1}', "settings.toml": b""},
        {RECORD: b""},
        {RECORD: b"\xff not json"},
        {RECORD: b'["files"]'},
        {RECORD: b'{"files": ["a.csv"]}'},
        {RECORD: b'{"schema": 1}'},
    ],
)
def test_force_spares_a_folder_that_is_not_its_own(tmp_path, there):
    out = tmp_path / "out"
    out.mkdir()
    for name, data in there.items():
        (out / name).write_bytes(data)
    assert "won't replace it" in refused(out, force=True)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == there


def test_force_spares_what_others_put_there(tmp_path):
    out = tmp_path / "out"
    write_folder(out, FILES)
    (out / "scan.png").write_bytes(b"the only copy")
    assert "'scan.png'" in refused(out, force=True)
    (out / "scan.png").unlink()
    (out / "lane-x.png").mkdir()
    assert "'lane-x.png'" in refused(out, force=True)
    (out / "lane-x.png").rmdir()
    (out / ".notes").write_bytes(b"mine")
    assert "'.notes'" in refused(out, force=True)
    (out / ".notes").unlink()
    (out / "lane-mine.png").write_bytes(b"a name like the program's own")
    assert "'lane-mine.png'" in refused(out, force=True)
    (out / "lane-mine.png").unlink()
    (out / ".DS_Store").write_bytes(b"of a file manager")
    write_folder(out, FILES, force=True)
    assert contents(out) == {**FILES, ".DS_Store": b"of a file manager"}


def test_force_spares_what_was_changed(tmp_path):
    out = tmp_path / "out"
    write_folder(out, FILES)
    (out / "settings.toml").write_bytes(b"turn = 90  # by hand\n")
    assert "'settings.toml', changed since it was written" in refused(out, force=True)
    assert contents(out)["settings.toml"] == b"turn = 90  # by hand\n"
    (out / "settings.toml").unlink()
    (out / "settings.toml").symlink_to(tmp_path / "elsewhere")
    assert "'settings.toml'" in refused(out, force=True)


def test_a_source_in_the_folder_is_refused(tmp_path):
    """Even one that the program itself wrote, such as the picture of the plate."""
    out = tmp_path / "out"
    write_folder(out, {**FILES, "plate.png": b"a picture"})
    with pytest.raises(OutputError, match=r"plate\.png lies in the folder"):
        refuse_existing(out, True, [out / "plate.png"])
    refuse_existing(out, True, [tmp_path / "plate.png"])


@pytest.mark.parametrize("swap", [True, False])
def test_what_comes_in_while_it_is_written_is_kept(tmp_path, monkeypatch, swap):
    out = tmp_path / "out"
    write_folder(out, FILES)
    if not swap:
        monkeypatch.setattr(folder, "_exchange", lambda new, old: False)

    def meanwhile():
        (out / "scan.png").write_bytes(b"the only copy")
        return b"later"

    write_folder(out, {**FILES, "late.txt": meanwhile}, force=True)
    assert contents(out) == {**FILES, "late.txt": b"later", "scan.png": b"the only copy"}
    assert list(tmp_path.iterdir()) == [out]


def test_the_list_of_what_was_written(tmp_path):
    write_folder(tmp_path / "out", FILES)
    listed = json.loads((tmp_path / "out" / RECORD).read_bytes())
    assert listed == {"schema": 1, "files": {
        name: hashlib.sha256(data).hexdigest() for name, data in FILES.items()}}


def test_force_spares_a_link_to_its_own_folder(tmp_path):
    write_folder(tmp_path / "real", FILES)
    out = tmp_path / "out"
    out.symlink_to(tmp_path / "real")
    assert "won't replace it" in refused(out, force=True)
    assert contents(tmp_path / "real") == FILES


def test_parent_missing(tmp_path):
    assert "does not exist" in refused(tmp_path / "no" / "out")
    (tmp_path / "file").write_bytes(b"")
    assert "file is a file" in refused(tmp_path / "file" / "out")


@pytest.mark.parametrize("force", [False, True])
def test_disk_full(tmp_path, monkeypatch, force):
    out = tmp_path / "out"
    if force:
        write_folder(out, FILES)
    write = Path.write_bytes

    def full(self, data):
        if self.name == "a.csv":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    assert "No space left on device" in refused(out, force=force)
    assert out.exists() == force
    if force:
        assert contents(out) == FILES


def test_parent_unwritable(tmp_path, monkeypatch):
    def deny(self, *args, **options):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "mkdir", deny)
    assert "Permission denied" in refused(tmp_path / "out")


def test_the_old_folder_comes_back_if_the_new_one_cannot_take_its_place(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_folder(out, FILES)
    rename = os.rename

    def fail(source, target):
        if str(source).endswith("-new"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        rename(source, target)

    monkeypatch.setattr(folder, "_exchange", lambda new, old: False)  # as where there is none
    monkeypatch.setattr(os, "rename", fail)
    assert os.strerror(errno.EIO) in refused(out, {**FILES, "a.csv": b"2\n"}, force=True)
    assert contents(out) == FILES


@pytest.mark.parametrize("force", [False, True])
@pytest.mark.parametrize("error", [KeyboardInterrupt, ZeroDivisionError])
def test_an_interruption_leaves_nothing_behind(tmp_path, force, error):
    out = tmp_path / "out"
    if force:
        write_folder(out, FILES)

    def interrupt():
        raise error

    with pytest.raises(error):
        write_folder(out, {"b.txt": b"", "c.txt": interrupt, **FILES}, force)
    assert list(tmp_path.iterdir()) == ([out] if force else [])
    if force:
        assert contents(out) == FILES


ENDLESS = """
import sys
from lanes.report.folder import write_folder
for i in range(10**9):
    mark = str(i).encode()
    write_folder(sys.argv[1], {"results.json": b'{"schema": 1}', "settings.toml": mark,
                               **{f"lane-{k}.png": mark * 2000 for k in range(20)}}, force=True)
    print(flush=True)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs an exchange in one step")
@pytest.mark.parametrize("seed", range(12))
def test_a_kill_leaves_the_old_folder_or_the_new(tmp_path, seed):
    out = tmp_path / "out"
    writer = subprocess.Popen([sys.executable, "-c", ENDLESS, str(out)], stdout=subprocess.PIPE)
    writer.stdout.readline()
    time.sleep(np.random.default_rng(seed).uniform(0.0, 0.05))
    writer.send_signal(signal.SIGKILL)
    writer.communicate()
    mark = (out / "settings.toml").read_bytes()
    assert mark.isdigit()
    whole = {"results.json": b'{"schema": 1}', "settings.toml": mark,
             **{f"lane-{k}.png": mark * 2000 for k in range(20)}}
    assert contents(out) == whole


def test_one_that_appears_meanwhile_is_not_replaced(tmp_path):
    out = tmp_path / "out"

    def meanwhile():
        write_folder(out, FILES)
        return b""

    with pytest.raises(OutputError):
        write_folder(out, {"b.txt": meanwhile})
    assert contents(out) == FILES


@pytest.mark.parametrize("name", ["", "..", "a/b", "/etc/x", RECORD])
def test_only_plain_names(tmp_path, name):
    with pytest.raises(ValueError, match="plain file name"):
        write_folder(tmp_path / "out", {name: b""})
    assert not list(tmp_path.iterdir())


def test_refusal_before_any_work(tmp_path):
    refuse_existing(tmp_path / "out")
    (tmp_path / "out").mkdir()
    refuse_existing(tmp_path / "out")  # made for the results, and filled
    (tmp_path / "out" / "notes.txt").write_bytes(b"x")
    with pytest.raises(OutputError, match="--force"):
        refuse_existing(tmp_path / "out", force=False)


@pytest.mark.parametrize("figures", [True, False])
def test_a_reading_becomes_its_folder(tmp_path, figures):
    out = tmp_path / "out"
    reading = invented.unscaled()
    write_reading(reading, out, figures=figures)
    names = {"results.json", "spots.csv", "pairs.csv", "traces.csv", "settings.toml", "report.html"}
    if figures:
        names |= {"plate.png", "lane-a.png", "lane-b.png"}
    first = contents(out)
    assert set(first) == names
    assert json.loads(first["results.json"])["schema"] == 1
    write_reading(reading, out, figures=figures, force=True)
    assert contents(out) == first
    with pytest.raises(OutputError, match="--force"):
        write_reading(reading, out, figures=figures)

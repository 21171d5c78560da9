"""Many plates through the command: folders, table, index, record, and taking up again."""

from __future__ import annotations

import csv
import errno
import json
import multiprocessing
import os
import re
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from plates import LINES, Here, content, plate, started, trace, until

from lanes.cli import main
from lanes.many import local
from lanes.many.ledger import done_in
from lanes.many.local import LocalWorkers
from lanes.many.work import Outcome, Work
from lanes.settings import Settings

Refused = Callable[..., str]


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Start no processes: for tests of what is written and kept, not of who reads."""
    monkeypatch.setattr("lanes.many.run.LocalWorkers", Here)


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of three plates, one that is no image, and a copy of the first."""
    folder = tmp_path_factory.mktemp("many") / "scans"
    for seed in range(3):
        plate(folder / f"p{seed + 9}.png", seed)
    (folder / "p12.png").write_bytes((folder / "p9.png").read_bytes())
    (folder / "broken.png").write_bytes(b"no image")
    return folder


@pytest.fixture(scope="module")
def read(scans: Path) -> Path:
    """Return the folder that all of `scans` were read to."""
    out = scans.parent / "out"
    assert main(["measure", str(scans), "--light", "254", "--names", "S,=U", "--out", str(out)]
                ) == 1
    return out


def test_a_plate_that_fails_is_a_line(read: Path) -> None:
    values = json.loads((read / "plates.json").read_bytes())
    assert [p["folder"] for p in values["plates"]] == ["p9", "p10", "p11", "p12"]
    assert [p["copy_of"] for p in values["plates"]] == [None, None, None, "p9"]
    assert all((p["lanes"], p["spots"]) == (2, 4) for p in values["plates"])
    assert [(f["folder"], f["file"]) for f in values["failed"]] == [("broken", "broken.png")]
    assert "not an image this program knows: give PNG" in values["failed"][0]["error"]


def test_each_plate_has_the_folder_it_would_have_alone(read: Path, scans: Path) -> None:
    alone = read.parent / "alone"
    assert main(["measure", str(scans / "p10.png"), "--light", "254", "--names", "S,=U", "--out",
                 str(alone)]) == 0
    files = content(read / "p10")
    own = content(alone)
    assert {*files} - {*own} == {"work.json", "thumbnail.jpg"}
    del own["written.json"]  # the list of the others
    assert {name: files[name] for name in own} == own


def test_the_table_holds_every_spot(read: Path) -> None:
    with (read / "plates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["plate"], r["spot"]) for r in rows[:5]] == [
        ("p9", "1"), ("p9", "2"), ("p9", "3"), ("p9", "1"), ("p10", "1")]
    assert len({(r["plate"], r["lane"], r["spot"]) for r in rows}) == len(rows) == 16
    results = json.loads((read / "p11" / "results.json").read_bytes())
    first = next(r for r in rows if r["plate"] == "p11")
    assert float(first["rf"]) == results["lanes"][0]["spots"][0]["rf"]
    assert float(first["area_sd"]) == results["lanes"][0]["spots"][0]["area_sd"]


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value or "" for name, value in attrs if name in ("href", "src")]


def test_the_index_loads_nothing_from_outside(read: Path) -> None:
    page = (read / "index.html").read_text(encoding="utf-8")
    links = _Links()
    links.feed(page)
    pictures = [link for link in links.found if link.startswith("data:image/")]
    assert len(pictures) == 5  # four thumbnails and the control chart
    others = [link for link in links.found if link not in pictures]
    assert all((read / link).is_file() for link in others)
    assert {"plates.csv", "control-chart.csv", "p9/report.html"} <= set(others)
    assert not re.search(r"url\(|@import|<script|<link", page)
    assert "the same scan as p9" in page
    assert "not an image this program knows" in page
    assert "law-matters" in page
    assert "not validated for release, clinical or forensic decisions" in page


def test_what_repeats_is_charted_and_a_copy_counts_once(read: Path) -> None:
    with (read / "control-chart.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {(r["lane"], r["substance"]) for r in rows} == {
        ("S", "1"), ("S", "2"), ("S", "3"), ("'=U", "1")}
    assert [r["plate"] for r in rows if r["lane"] == "'=U"] == ["p9", "p10", "p11"]
    for row in rows:
        if row["lane"] == "S" and row["substance"] == "2":
            assert abs(float(row["rf"]) - 0.5) < 0.01
    assert (read / "control-chart.png").read_bytes().startswith(b"\x89PNG")


def test_what_is_done_is_not_done_again(
    read: Path, scans: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = content(read)
    asked: list[str] = []
    usual = LocalWorkers.run

    def run(self: LocalWorkers, works: list[Work]) -> Any:
        asked.extend(Path(work.path).name for work in works)
        return usual(self, works)

    monkeypatch.setattr(LocalWorkers, "run", run)
    words = ["measure", str(scans), "--light", "254", "--names", "S,=U", "--out", str(read)]
    assert main(words) == 1
    assert asked == ["broken.png"]
    assert content(read) == before
    assert "4 plates done before" in capsys.readouterr().err
    # Other settings are another reading, which only --force may put in its place.
    assert main([*words, "--law", "kubelka-munk"]) == 2
    assert content(read) == before
    line = capsys.readouterr().err
    assert "holds a reading by other settings" in line
    assert "--force" in line


def test_json_and_one_worker(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [str(trace(tmp_path / f"{n}.csv", seed=n)) for n in (1, 2)]
    out = tmp_path / "out"
    assert main(["measure", *paths, *LINES, "--out", str(out), "--workers", "1", "--json"]) == 0
    printed, stderr = capsys.readouterr()
    assert json.loads(printed) == json.loads((out / "plates.json").read_bytes())
    assert "2 of 2 plates done" in stderr
    assert not (out / "control-chart.csv").exists()


@pytest.mark.usefixtures("here")
def test_added_to_day_by_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is read later joins what is there, as if all had been read at once."""
    paths = [str(trace(tmp_path / f"day{n}.csv", 30 + 0.1 * n, n)) for n in range(4)]
    options = (*LINES, "--names", "S", "--out")
    assert main(["measure", *paths, *options, str(tmp_path / "whole")]) == 0
    for some in (paths[2:], paths[:2]):
        assert main(["measure", *some, *options, str(tmp_path / "out")]) == 0
    assert content(tmp_path / "out") == content(tmp_path / "whole")
    capsys.readouterr()
    # One name, another scan: it may be a new scan of the same plate.
    other = trace(tmp_path / "other" / "day1.csv", seed=9)
    assert main(["measure", paths[0], str(other), *options, str(tmp_path / "out")]) == 2
    assert "of another scan" in capsys.readouterr().err


@pytest.mark.usefixtures("here")
def test_two_plates_of_one_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [str(trace(tmp_path / place / "p.csv", seed=n)) for n, place in enumerate("abc")]
    out = tmp_path / "out"
    words = ["measure", *paths, *LINES, "--out", str(out)]
    assert main(words) == 0
    assert "b/p.csv goes to folder p-2" in capsys.readouterr().err
    assert [done.folder for done in done_in(out)] == ["p", "p-2", "p-3"]
    before = content(out)
    assert main([words[0], *reversed(paths), *LINES, "--out", str(out)]) == 0
    assert content(out) == before  # each is known by its bytes, whatever the order


@pytest.mark.usefixtures("here")
def test_force_replaces_and_a_changed_folder_is_not_believed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [str(trace(tmp_path / f"{n}.csv", seed=n)) for n in (1, 2)]
    out = tmp_path / "out"
    words = ["measure", *paths, *LINES, "--out", str(out)]
    assert main(words) == 0
    before = content(out)
    (out / "1" / "spots.csv").unlink()
    assert main(words) == 2
    assert main([*words, "--force"]) == 0
    assert content(out) == before
    Path(paths[1]).write_text("nothing", encoding="utf-8")
    assert main([*words, "--force"]) == 1
    assert not (out / "2").exists()  # its scan can no longer be read
    (out / "1" / "mine.txt").write_text("notes", encoding="utf-8")
    (out / "1" / "spots.csv").unlink()
    capsys.readouterr()
    assert main([*words, "--force"]) == 2
    assert "'mine.txt', not written here, which --force would delete" in capsys.readouterr().err


# Stopped in the middle


def ended(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2][1] == "Z"
    except OSError:
        return True


def children(pid: int) -> list[int]:
    found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True,
                           check=False)
    return [int(line) for line in found.stdout.split()]


def test_killed_at_any_moment_leaves_whole_folders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [trace(tmp_path / f"t{n}.csv", 20 + n, n) for n in range(16)]
    with monkeypatch.context() as patch:
        patch.setattr("lanes.many.run.LocalWorkers", Here)
        assert main(["measure", *map(str, paths), *LINES, "--out", str(tmp_path / "whole")]) == 0
    words = ("measure", *paths, *LINES, "--out", "out", "--workers", "2")
    out = tmp_path / "out"
    times: dict[str, int] = {}
    for kill in range(2):
        run = started(*words, cwd=tmp_path)
        until(lambda k=kill: out.is_dir() and len(done_in(out)) > 4 * k + 2)
        workers = children(run.pid)
        os.kill(run.pid, signal.SIGKILL)
        run.communicate()
        assert workers
        until(lambda w=workers: all(map(ended, w)), 30)  # none is left behind
        folders = [p for p in out.iterdir() if p.is_dir() and not p.name.startswith(".")]
        assert {p.name for p in folders} == {d.folder for d in done_in(out)}
        # Nothing that was done is done again.
        assert all((out / name).stat().st_ctime_ns == then for name, then in times.items())
        times = {p.name: p.stat().st_ctime_ns for p in folders}
        (out / f".lanes-{kill:012x}-new").mkdir()
    # Who reads the rest is no matter of the folder's.
    capsys.readouterr()
    with monkeypatch.context() as patch:
        patch.setattr("lanes.many.run.LocalWorkers", Here)
        assert main([*map(str, words[:-4]), "--out", str(out)]) == 0
    assert f"{len(times)} plates done before" in capsys.readouterr().err
    assert all((out / name).stat().st_ctime_ns == then for name, then in times.items())
    assert content(out) == content(tmp_path / "whole")
    assert [p.name for p in out.iterdir() if p.name.startswith(".")] == [".lanes-lock"]


@pytest.mark.parametrize("again_s", [None, 0.002, 0.05])
def test_stopped_from_the_keyboard(tmp_path: Path, again_s: float | None) -> None:
    paths = [trace(tmp_path / f"t{n}.csv", 20 + n, n) for n in range(60)]
    run = started("measure", *paths, *LINES, "--out", "out", "--workers", "2", cwd=tmp_path)
    until(lambda: (tmp_path / "out").is_dir() and len(done_in(tmp_path / "out")) > 1)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does: to the workers too
    if again_s is not None:
        time.sleep(again_s)
        with suppress(ProcessLookupError):
            os.killpg(run.pid, signal.SIGINT)
    _, stderr = run.communicate(timeout=60)
    assert run.returncode == 130
    assert stderr.splitlines()[-1] == "lanes: stopped; nothing is half-written"
    assert all(line.startswith("lanes: ") for line in stderr.splitlines())


def test_a_worker_that_is_to_end_sends_no_part_of_a_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The parent would wait for the rest for ever: it ends while it reads, or has sent all."""
    reading, ended, sent = threading.Event(), threading.Event(), threading.Event()

    def slowly(work: Work) -> Outcome:
        reading.set()
        ended.wait()
        return Outcome({}, None)

    def exit_at_once(code: int) -> None:
        ended.set()

    monkeypatch.setattr(local, "read_plate", slowly)
    monkeypatch.setattr(local.os, "_exit", exit_at_once)
    monkeypatch.setattr(local, "_ending", threading.Event())
    monkeypatch.setattr(local, "_reading", threading.Lock())
    work = Work(str(tmp_path / "p.csv"), Settings(), False)
    threading.Thread(target=lambda: (local._read(work), sent.set()), daemon=True).start()
    assert reading.wait(10)
    mine, its = multiprocessing.Pipe(duplex=False)
    its.close()
    local._end_with(mine)
    mine.close()
    assert ended.is_set()
    assert not sent.wait(0.2)


def test_a_plate_that_takes_its_process_with_it_fails_alone(tmp_path: Path) -> None:
    paths = [trace(tmp_path / f"t{n}.csv", 20 + n, n) for n in range(5)]
    works = [Work(str(path), Settings(origin=0, front=75), False) for path in paths]
    killer = Work(str(tmp_path / "killer.csv"), _Deadly(), False)  # type: ignore[arg-type]
    with LocalWorkers(2) as workers:
        found = dict(workers.run([*works[:2], killer, *works[2:]]))
    assert len(found) == 6
    assert all(found[work].error is None for work in works)
    assert "was ended from outside" in str(found[killer].error)


class _Deadly:
    """What ends the process that unpacks it, as a machine short of memory does."""

    def __reduce__(self) -> tuple[Any, tuple[int]]:
        return os._exit, (9,)


@pytest.mark.usefixtures("here")
def test_what_is_left_out_of_a_folder_is_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scans = tmp_path / "scans"
    (scans / "day 1").mkdir(parents=True)
    (scans / "broken.png").write_bytes(b"no image")
    trace(scans / "a.csv")
    command = ["measure", str(scans), "--out", str(scans / "out")]
    for _ in range(2):  # the second time, the results themselves are no news
        assert main(command) == 1
        assert capsys.readouterr().err.splitlines()[0] == (
            f"lanes: left out of {scans}: 1 folder, 1 CSV file; what is to be read is given by its "
            "own name")


# Bad input


def test_options_that_can_not_be(refused: Refused, tmp_path: Path) -> None:
    trace(tmp_path / "a.csv")
    trace(tmp_path / "b.csv")
    (tmp_path / "empty").mkdir()
    two = ("measure", "a.csv", "b.csv", *LINES)
    for workers in ("0", "-1", "abc", "1.5", "9999"):
        assert "whole number, 1 to 1024" in refused(*two, "--out", "o", "--workers", workers)
    assert "--out DIR" in refused(*two)
    assert "--out" in refused(*two, "--out", "")
    assert "a.csv is given twice" in refused("measure", "a.csv", "./a.csv", *LINES, "--out", "o")
    assert "empty is given twice" in refused("measure", "empty", "empty", "--out", "o")
    assert "holds no image" in refused("measure", "empty", "--out", "o")
    assert "its results need a folder: give --out DIR" in refused("measure", "empty", "--watch")
    assert "--watch takes folders" in refused("measure", "a.csv", "--watch", "--out", "o")
    assert "is given twice" in refused("measure", "empty", "empty", "--watch", "--out", "o")
    assert "does not exist: make it" in refused(*two, "--out", "no/o")
    assert "is a file, and nothing goes inside it" in refused(*two, "--out", "a.csv/o")
    assert "is no folder" in refused(*two, "--out", "a.csv")
    assert "holds other things" in refused(*two, "--out", ".")
    assert "--workers is about many" in refused("measure", "a.csv", *LINES, "--workers", "2")
    assert "give --cluster" in refused(*two, "--out", "o", "--shared-path")


def test_a_folder_of_results_is_no_folder_of_scans(
    refused: Refused, tmp_path: Path, read: Path
) -> None:
    assert "is a folder of results" in refused("measure", read, "--out", "o")


@pytest.mark.usefixtures("here")
def test_another_run_at_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fcntl = pytest.importorskip("fcntl")
    paths = [str(trace(tmp_path / f"{n}.csv", seed=n)) for n in (1, 2)]
    words = ["measure", *paths, *LINES, "--out", str(tmp_path / "out")]
    assert main(words) == 0
    capsys.readouterr()
    with (tmp_path / "out" / ".lanes-lock").open("wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert main(words) == 2
    assert "another run is at work in" in capsys.readouterr().err


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("after", [0, 1, 3, 9])
def test_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], after: int
) -> None:
    paths = [str(trace(tmp_path / f"{n}.csv", seed=n)) for n in (1, 2)]
    usual, count = Path.write_bytes, [0]

    def write(self: Path, data: bytes) -> int:
        count[0] += 1
        if count[0] > after:
            usual(self, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return usual(self, data)

    words = ["measure", *paths, *LINES, "--out", str(tmp_path / "out"), "--workers", "1"]
    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_bytes", write)
        assert main(words) == 2
    lines = capsys.readouterr().err.splitlines()
    assert sum("No space left on device" in line for line in lines) == 1
    assert "make room and run the same command again" in lines[-1]
    out = tmp_path / "out"
    if after == 0:
        assert not out.exists()
    elif out.exists():
        names = {p.name for p in out.iterdir()} - {".lanes-lock", "plates.json", "plates.csv"}
        assert names == {done.folder for done in done_in(out)}
    assert main(words) == 0
    assert [done.folder for done in done_in(out)] == ["1", "2"]


# Watching


def test_watching_reads_what_is_dropped(tmp_path: Path) -> None:
    scans, out = tmp_path / "scans", tmp_path / "out"
    plate(scans / "a.png", 1)
    data = plate(tmp_path / "b.png", 2).read_bytes()
    run = started("measure", scans, "--watch", "--light", "254", "--no-figures", "--out", out,
                  "--workers", "1", cwd=tmp_path)
    try:
        until(lambda: out.is_dir() and [d.folder for d in done_in(out)] == ["a"])
        with (scans / "b.png").open("wb") as file:  # dropped slowly
            for part in range(4):
                file.write(data[part * len(data) // 4 : (part + 1) * len(data) // 4])
                file.flush()
                time.sleep(0.3)
        (scans / "c.png").write_bytes(b"no image")
        until(lambda: b'"file": "b.png"' in (out / "plates.json").read_bytes()
              and b'"file": "c.png"' in (out / "plates.json").read_bytes())
        (scans / "c.png").write_bytes(data)  # mended
        until(lambda: [d.folder for d in done_in(out)] == ["a", "b", "c"])
        until(lambda: b'"failed": []' in (out / "plates.json").read_bytes())
    finally:
        os.killpg(run.pid, signal.SIGINT)
    printed, stderr = run.communicate(timeout=60)
    assert run.returncode == 0
    assert "3 plates, 12 spots" in printed
    assert "Traceback" not in stderr
    assert "stop with Ctrl-C" in stderr

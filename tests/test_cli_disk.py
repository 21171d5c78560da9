"""What the command writes is there whole or not at all: full disks, pipes, interruptions."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import lanes
from lanes.cli import main

Refused = Callable[..., str]
LINES = ("--origin", "0", "--front", "75")


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


# The folder of results

OUT = ("--out", "out", "--no-figures")


def written(trace: Path, *words: str) -> None:
    assert main(["measure", str(trace), *LINES, *OUT, *words]) == 0


def test_a_folder_that_exists(
    refused: Refused, tmp_path: Path, trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.tex").write_text("ten years", encoding="utf-8")
    for force in ((), ("--force",)):
        text = refused("measure", trace, *LINES, *OUT, *force)
        assert "is not a folder of results, so --force won't replace it: give another --out" in text
    assert (tmp_path / "out" / "thesis.tex").read_text(encoding="utf-8") == "ten years"
    (tmp_path / "file").write_bytes(b"x")
    for force in ((), ("--force",)):
        text = refused("measure", trace, *LINES, "--out", "file", *force)
        assert "is a file, and results are a folder: give another --out" in text


def test_an_empty_folder_is_filled(
    refused: Refused, tmp_path: Path, trace: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / ".DS_Store").write_bytes(b"seen")
    written(trace)
    capsys.readouterr()
    assert (out / "results.json").is_file()
    assert (out / ".DS_Store").read_bytes() == b"seen"
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")  # a shell would be left in a folder that is gone
    text = refused("measure", trace, *LINES, "--out", ".")
    assert "is the folder you are in: give one inside it with --out" in text
    assert (tmp_path / "here").is_dir()
    (tmp_path / "link").symlink_to(tmp_path / "here")
    text = refused("measure", trace, *LINES, "--out", tmp_path / "link")
    assert "is not a folder of results" in text


def test_force_replaces_its_own_folder_only(
    refused: Refused, tmp_path: Path, trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(trace)
    first = snapshot(tmp_path / "out")
    capsys.readouterr()
    assert "exists" in refused("measure", trace, *LINES, *OUT)
    written(trace, "--force")
    capsys.readouterr()
    assert snapshot(tmp_path / "out") == first  # the same scan and settings, the same bytes
    (tmp_path / "out" / "notes.txt").write_text("mine", encoding="utf-8")
    assert "'notes.txt'" in refused("measure", trace, *LINES, *OUT, "--force")


def test_force_never_deletes_what_is_read(
    refused: Refused, tmp_path: Path, trace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(trace)
    capsys.readouterr()
    inside = tmp_path / "out" / "lane-mine.csv"
    inside.write_bytes(trace.read_bytes())
    for where in (inside, "out/../out/lane-mine.csv"):
        assert "lies in the folder" in refused("measure", where, *LINES, *OUT, "--force")
    (tmp_path / "link").symlink_to(tmp_path / "out")
    through = Path("link") / "lane-mine.csv"
    assert "lies in the folder" in refused("measure", through, *LINES, *OUT, "--force")


def test_a_folder_within_no_folder(refused: Refused, trace: Path) -> None:
    assert "does not exist: make it" in refused("measure", trace, *LINES, "--out", "no/out")
    text = refused("measure", trace, *LINES, "--out", "trace.csv/out")
    assert "trace.csv is a file, and nothing goes inside it: give another --out" in text


def test_the_folder_is_looked_at_before_any_work(
    refused: Refused, tmp_path: Path, trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*words: Any, **choices: Any) -> None:
        raise AssertionError("measured for nothing")

    monkeypatch.setattr("lanes.measuring.measure", never)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.tex").write_text("ten years", encoding="utf-8")
    assert refused("measure", trace, *LINES, *OUT)


def failing(number: int, after: int = 0) -> Callable[..., Any]:
    """Return a stand-in for writing bytes that fails with `number` after so many files."""
    usual, count = Path.write_bytes, [0]

    def write(self: Path, data: bytes) -> int:
        count[0] += 1
        if count[0] > after:
            # A disk does not fill up between files: half of this one is there.
            usual(self, data[: len(data) // 2])
            raise OSError(number, os.strerror(number))
        return usual(self, data)

    return write


@pytest.mark.parametrize("after", [0, 1, 3, 5])
@pytest.mark.parametrize("force", [False, True])
def test_a_full_disk(
    refused: Refused, trace: Path, monkeypatch: pytest.MonkeyPatch, after: int, force: bool,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if force:
        written(trace)
        capsys.readouterr()
    monkeypatch.setattr(Path, "write_bytes", failing(errno.ENOSPC, after))
    text = refused("measure", trace, *LINES, *OUT, *(["--force"] if force else []))
    assert "No space left on device" in text
    assert "give another --out" in text


def test_a_folder_that_can_not_be_written(
    refused: Refused, trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The superuser may write anywhere, so the refusal is played.
    def deny(self: Path, *words: Any, **choices: Any) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self))

    monkeypatch.setattr(Path, "mkdir", deny)
    text = refused("measure", trace, *LINES, *OUT)
    assert "Permission denied" in text
    assert "give another --out" in text


@pytest.mark.parametrize("after", [0, 3])
@pytest.mark.parametrize("force", [False, True])
def test_stopped_while_writing(
    refused: Refused, trace: Path, monkeypatch: pytest.MonkeyPatch, after: int, force: bool,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if force:
        written(trace)
        capsys.readouterr()
    usual, count = Path.write_bytes, [0]

    def stop(self: Path, data: bytes) -> int:
        count[0] += 1
        if count[0] > after:
            raise KeyboardInterrupt
        return usual(self, data)

    monkeypatch.setattr(Path, "write_bytes", stop)
    text = refused("measure", trace, *LINES, *OUT, *(["--force"] if force else []), code=130)
    assert text == "stopped; nothing is half-written"


@pytest.mark.parametrize("stage", ["read_trace", "deconvolve", "describe"])
def test_stopped_while_measuring(
    refused: Refused, trace: Path, monkeypatch: pytest.MonkeyPatch, stage: str
) -> None:
    def stop(*words: Any, **choices: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(f"lanes.measuring.{stage}", stop)
    refused("measure", trace, *LINES, *OUT, code=130)


def test_stopped_while_modules_are_loaded(tmp_path: Path) -> None:
    slow = "import sys, time; print('loading', flush=True); time.sleep(60)"
    (tmp_path / "argparse.py").write_text(slow, encoding="utf-8")  # the first that is loaded
    path = os.pathsep.join([str(tmp_path), str(Path(lanes.__file__).parent.parent)])
    with subprocess.Popen([sys.executable, "-P", "-m", "lanes", "--help"], text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          env={**os.environ, "PYTHONPATH": path}) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "loading\n"
        run.send_signal(signal.SIGINT)
        assert run.communicate(timeout=60) == ("", "lanes: stopped; nothing is half-written\n")
    assert run.returncode == 130


# Standard output


def test_a_pipe_closed_early_is_no_error(trace: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as closed:
        done = subprocess.run([sys.executable, "-m", "lanes", "measure", str(trace), *LINES],
                              stdout=closed, stderr=subprocess.PIPE, text=True, check=False,
                              timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_terminal_that_lacks_a_character_shows_another(trace: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "lanes", "measure", str(trace), *LINES], capture_output=True,
        text=True, check=False, timeout=60, env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "?" in done.stdout


def test_a_full_disk_behind_standard_output(
    trace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(sys, "stdout", Full())
    assert main(["measure", str(trace), *LINES]) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert "No space left on device: check the disk" in err


def test_standard_output_other_than_a_terminal_will_do(
    trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = io.StringIO()
    monkeypatch.setattr(sys, "stdout", kept)
    assert main(["measure", str(trace), *LINES]) == 0
    assert "0.39" in kept.getvalue() or "0.40" in kept.getvalue()

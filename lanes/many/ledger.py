"""The folder of all plates: whose it is, what is done in it, and what a killed run left."""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from lanes.errors import OutputError, one_line
from lanes.many.find import natural, shown
from lanes.many.work import RECORD, SCHEMA
from lanes.report.folder import refuse_existing, refuse_parent, write_folder

PLATES_JSON, PLATES_CSV, INDEX = "plates.json", "plates.csv", "index.html"
CHART_CSV, CHART_PNG = "control-chart.csv", "control-chart.png"
OWN_FILES = (PLATES_JSON, PLATES_CSV, INDEX, CHART_CSV, CHART_PNG)
_LOCK = ".lanes-lock"
# What lanes.report.folder and `write_file` name what is not yet whole.
_LEFTOVER = re.compile(r"\.lanes-[0-9a-f]{12}-(new|old)")
_AGAIN = "make room and run the same command again: what is done is not done again"


@dataclass(frozen=True)
class Done:
    """A plate that was read: its folder's name, and what its record says."""

    folder: str
    file: str
    sha256: str
    key: str


@contextmanager
def opened(out: str | Path) -> Iterator[Path]:
    """Make `out`, or take up the one an earlier run made, for this run alone.

    Raises
    ------
    OutputError
        If it holds something else, can't be written, or another run is at work in it.
    """
    path = Path(out).absolute()
    refuse_other(path)
    made = not path.exists()
    with ExitStack() as stack:
        try:
            path.mkdir(exist_ok=True)
            lock = stack.enter_context((path / _LOCK).open("wb"))
        except OSError as error:
            raise _failed(path, error) from None
        if made:
            stack.callback(_drop_empty, path)
        _lock(lock, path)
        _clean(path)
        if not (path / PLATES_JSON).exists():
            write_file(path, PLATES_JSON, b'{"schema": 1, "plates": [], "failed": []}\n')
        yield path


def _drop_empty(path: Path) -> None:
    """Remove the folder of a run that wrote nothing into it."""
    if path.is_dir() and set(os.listdir(path)) <= {_LOCK, PLATES_JSON}:
        shutil.rmtree(path, ignore_errors=True)


def refuse_other(out: str | Path) -> None:
    """Raise OutputError where `out` can't be the folder of many plates."""
    path = Path(out).absolute()
    refuse_parent(path.parent, "give another --out")
    if not os.path.lexists(path):
        return
    if not path.is_dir():
        raise OutputError(f"{shown(path)} exists and is no folder: give another --out")
    names = {name for name in os.listdir(path)
             if name != _LOCK and not _LEFTOVER.fullmatch(name)}
    if names and not is_own(path):
        raise OutputError(f"{shown(path)} holds other things than plates read together: give "
                          "another --out")


def is_own(path: Path) -> bool:
    """Return whether an earlier run over many plates made the folder `path`."""
    values = _record(path / PLATES_JSON)
    return "schema" in values and "plates" in values


def _lock(lock: IO[bytes], path: Path) -> None:
    """Hold `lock` until it is closed; the system lets go of it however the run ends."""
    try:
        import fcntl
    except ImportError:  # a system without such locks: two runs at once are the user's to avoid
        return
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise OutputError(f"another run is at work in {shown(path)}: wait for it, or give another "
                          "--out") from None
    except OSError:  # a file system without locks
        return


def _clean(path: Path) -> None:
    """Remove what a run that was killed had not finished: the lock says that none is at work."""
    for entry in path.iterdir():
        if _LEFTOVER.fullmatch(entry.name):
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
            else:
                entry.unlink(missing_ok=True)


def done_in(out: Path) -> list[Done]:
    """Return the plates that stand whole in `out`, in natural order of their folders."""
    with os.scandir(out) as entries:
        names = [e.name for e in entries if e.is_dir(follow_symlinks=False)]
    return [done for name in sorted(names, key=natural) if (done := _done(out / name))]


def _done(folder: Path) -> Done | None:
    values = _record(folder / RECORD)
    sizes = values.get("bytes")
    if values.get("schema") != SCHEMA or not isinstance(sizes, dict):
        return None
    try:
        # A file that someone removed, or a power cut left short, is made again.
        if any((folder / name).stat().st_size != size for name, size in sizes.items()):
            return None
        return Done(folder.name, str(values["file"]), str(values["sha256"]), str(values["key"]))
    except (OSError, KeyError):
        return None


def _record(path: Path) -> dict[str, Any]:
    try:
        values = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return values if isinstance(values, dict) else {}


def refuse_folder(out: Path, folder: str, source: Path, force: bool) -> None:
    """Raise OutputError where the plate folder `folder` of `source` can't be made or replaced."""
    path = out / folder
    if os.path.lexists(path) and not force and (path / RECORD).is_file():
        raise OutputError(
            f"{shown(path)} holds a reading by other settings or another version, of another scan, "
            "or one that was changed: give --force to replace it, or another --out"
        )
    refuse_existing(path, force, [source])


def write_plate(out: Path, folder: str, files: Mapping[str, bytes], force: bool) -> None:
    """Write one plate's folder, whole or not at all.

    Raises
    ------
    OutputError
        If it can't be written; what is done before stays.
    """
    try:
        write_folder(out / folder, files, force)
    except OutputError as error:
        raise OutputError(f"{str(error).partition('; give another')[0]}; {_AGAIN}") from None


def write_file(out: Path, name: str, data: bytes) -> None:
    """Write one of the files over all plates, whole or not at all."""
    new = out / f".lanes-{secrets.token_hex(6)}-new"
    try:
        new.write_bytes(data)
        os.replace(new, out / name)
    except OSError as error:
        raise _failed(out / name, error) from None
    finally:
        new.unlink(missing_ok=True)


def drop_file(out: Path, name: str) -> None:
    """Remove one of the files over all plates, where it no longer says anything."""
    (out / name).unlink(missing_ok=True)


def drop_plate(out: Path, folder: str) -> None:
    """Remove the folder of a plate whose scan can no longer be read."""
    old = out / f".lanes-{secrets.token_hex(6)}-old"
    os.rename(out / folder, old)
    shutil.rmtree(old, ignore_errors=True)


def _failed(path: Path, error: OSError) -> OutputError:
    return OutputError(f"can't write {shown(path)}: {one_line(error.strerror or error)}; {_AGAIN}")

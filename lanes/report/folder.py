"""A folder of results that is there whole, or not at all, and holds a list of what was written.

`written.json` names each file with its SHA-256: only what stands there, and is still what was
written, is ever replaced.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Mapping
from hashlib import sha256
from pathlib import Path

from lanes.errors import OutputError, one_line

Content = bytes | Callable[[], bytes]

RECORD = "written.json"
# The picture of a plate that could not be read. Alone in a folder it is no result: whatever is
# written there next replaces it.
UNREAD = "plate-unread.png"
# What file managers leave in a folder that was looked at. It is carried over, not deleted.
_LEFTOVERS = (".DS_Store", ".directory", "Thumbs.db", "desktop.ini")


def write_folder(
    path: str | Path, files: Mapping[str, Content], force: bool = False
) -> None:
    """Write `files` as the folder `path`, with `written.json` beside them.

    They are written under a temporary name beside `path`, which is renamed when all are there;
    whatever goes wrong before that, an interruption included, leaves nothing behind.

    Parameters
    ----------
    path : str or Path
        The folder to make. Its parent must exist.
    files : mapping
        Plain file names to their bytes, or to functions called for them one after another.
    force : bool
        Replace `path` where it is a folder of this program's own making, with every file as it
        was written and nothing that someone else put there. An empty folder needs no force.

    Raises
    ------
    OutputError
        If `path` exists and may not be replaced, or can't be written.
    """
    for name in files:
        if name != os.path.basename(name) or name in ("", ".", "..", RECORD):
            raise ValueError(f"{name!r} is not a plain file name")
    path = Path(path).absolute()
    try:
        refuse_existing(path, force)
        _write(path, files, force or _bare(path) or _only_unread(path))
    except OutputError:
        raise
    except OSError as error:
        cause = one_line(error.strerror or error)
        raise OutputError(f"can't write {path}: {cause}; give another --out") from None


def refuse_existing(
    path: str | Path, force: bool = False, sources: Iterable[str | Path] = ()
) -> None:
    """Raise OutputError where the folder `path` can't be made, before any work is done.

    `sources` are the files that are read: none may lie in a folder that is replaced.
    """
    path = Path(path).absolute()
    refuse_parent(path.parent, "give another --out")
    if not os.path.lexists(path):
        return
    if _bare(path):
        if path.samefile(os.curdir):  # a new folder takes its place, and a shell would not follow
            raise OutputError(f"{path} is the folder you are in: give one inside it with --out")
        return
    written = _written(path)
    if written is None:
        if path.is_file():
            raise OutputError(f"{path} is a file, and results are a folder: give another --out")
        raise OutputError(
            f"{path} is not a folder of results, so --force won't replace it: give another --out"
        )
    inside = path.resolve()
    for source in sources:
        if inside in Path(source).resolve().parents:
            raise OutputError(
                f"{source} lies in the folder that would be replaced: give another --out"
            )
    if not force and not _only_unread(path):
        raise OutputError(f"{path} exists: give another --out, or --force to replace it")
    for entry in sorted(path.iterdir()):
        if not (_as_written(entry, written) or _leftover(entry)):
            what = "changed since it was written" if entry.name in written else "not written here"
            raise OutputError(
                f"{path} holds {entry.name!r}, {what}, which --force would delete: "
                "move it, or give another --out"
            )


def refuse_parent(folder: Path, mend: str) -> None:
    """Raise OutputError where nothing can be made in `folder`; `mend` is what else to do."""
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputError(f"{folder} is a file, and nothing goes inside it: {mend}")
    if not folder.is_dir():
        raise OutputError(f"folder {folder} does not exist: make it, or {mend}")


def _bare(path: Path) -> bool:
    """Return whether `path` is a folder with nothing in it: one that was made for the results."""
    return path.is_dir() and not path.is_symlink() and all(map(_leftover, path.iterdir()))


def _only_unread(path: Path) -> bool:
    """Return whether `path` holds nothing but the picture of a plate that was not read."""
    written = _written(path) or {}
    return set(written) == {UNREAD, RECORD} and all(
        _as_written(entry, written) or _leftover(entry) for entry in path.iterdir())


def _written(path: Path) -> dict[str, str] | None:
    """Return the hash of each file that was written to `path`; None where it is not ours."""
    if path.is_symlink() or not path.is_dir():
        return None
    try:
        data = (path / RECORD).read_bytes()
        files = json.loads(data)["files"]
        return {**{str(name): str(mark) for name, mark in files.items()}, RECORD: _mark(data)}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None


def _as_written(entry: Path, written: Mapping[str, str]) -> bool:
    if entry.is_symlink() or not entry.is_file() or entry.name not in written:
        return False
    return _mark(entry.read_bytes()) == written[entry.name]


def _leftover(entry: Path) -> bool:
    return entry.name in _LEFTOVERS and entry.is_file() and not entry.is_symlink()


def _mark(data: bytes) -> str:
    return sha256(data).hexdigest()


def _exchange(new: Path, old: Path) -> bool:
    """Swap two folders in one step, where the system can: then even a kill leaves one whole.

    Linux has renameat2(2) for it (kernel 3.15, glibc 2.28); elsewhere two renames must do.
    """
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    here = -100  # AT_FDCWD: paths as they are
    done: int = rename(here, os.fsencode(new), here, os.fsencode(old), ctypes.c_uint(2))
    return done == 0


def _write(path: Path, files: Mapping[str, Content], force: bool) -> None:
    mark = secrets.token_hex(6)
    new, old = (path.parent / f".lanes-{mark}-{kind}" for kind in ("new", "old"))
    before: dict[str, str] = {}
    try:
        new.mkdir()
        marks = {}
        for name, content in files.items():
            data = content if isinstance(content, bytes) else content()
            (new / name).write_bytes(data)
            marks[name] = _mark(data)
        record = json.dumps({"schema": 1, "files": marks}, ensure_ascii=False, indent=1) + "\n"
        (new / RECORD).write_bytes(record.encode("utf-8", "surrogatepass"))
        if force and os.path.lexists(path):
            before = _written(path) or {}
            for entry in filter(_leftover, path.iterdir()):
                shutil.copy2(entry, new / entry.name)
            if _exchange(new, path):
                os.rename(new, old)
                return
            os.rename(path, old)
        os.rename(new, path)
    finally:
        # The old folder comes back if the new one did not take its place.
        if old.exists() and not path.exists():
            os.rename(old, path)
        shutil.rmtree(new, ignore_errors=True)
        if old.exists():
            _clear(old, path, before)


def _clear(old: Path, path: Path, written: Mapping[str, str]) -> None:
    """Delete what was written to the folder replaced; what came in meanwhile moves to the new."""
    for entry in list(old.iterdir()):
        if _as_written(entry, written) or (_leftover(entry) and (path / entry.name).exists()):
            entry.unlink()
        elif not os.path.lexists(path / entry.name):
            os.rename(entry, path / entry.name)
    with contextlib.suppress(OSError):  # what could not move stays there
        old.rmdir()

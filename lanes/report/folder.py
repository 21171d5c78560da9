"""A folder of results that is there whole, or not at all."""

from __future__ import annotations

import ctypes
import json
import os
import re
import secrets
import shutil
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from lanes.errors import OutputError, one_line

Content = bytes | Callable[[], bytes]

ANSWERS = ("shoulder", "purity", "compare", "follow", "fractions", "amount", "solvent")
_OWN = re.compile(
    r"results\.json|settings\.toml|(spots|pairs|traces)\.csv|plate\.png|lane-.*\.png|report\.html"
    rf"|({'|'.join(ANSWERS)})\.(json|png|html)"
    r"|\..*|Thumbs\.db",  # what file managers leave behind is no one's work
    re.DOTALL,
)


def write_folder(
    path: str | Path, files: Mapping[str, Content], force: bool = False
) -> None:
    """Write `files` as the folder `path`.

    They are written under a temporary name beside `path`, which is renamed when all are there;
    whatever goes wrong before that, an interruption included, leaves nothing behind.

    Parameters
    ----------
    path : str or Path
        The folder to make. Its parent must exist.
    files : mapping
        Plain file names to their bytes, or to functions called for them one after another.
    force : bool
        Replace `path` where it is a folder of this program's own making: one with its
        record as JSON and settings.toml, and nothing that someone else put there.

    Raises
    ------
    OutputError
        If `path` exists and may not be replaced, or can't be written.
    """
    for name in files:
        if name != os.path.basename(name) or name in ("", ".", ".."):
            raise ValueError(f"{name!r} is not a plain file name")
    path = Path(path).absolute()
    try:
        refuse_existing(path, files, force)
        _write(path, files, force)
    except OutputError:
        raise
    except OSError as error:
        cause = one_line(error.strerror or error)
        raise OutputError(f"can't write {path}: {cause}; give another --out") from None


def refuse_existing(
    path: str | Path, files: Collection[str] = (), force: bool = False
) -> None:
    """Raise OutputError where the folder `path` can't be made, before any work is done.

    Parameters are those of `write_folder`.
    """
    path = Path(path).absolute()
    if not path.parent.is_dir():
        raise OutputError(f"folder {path.parent} does not exist: make it, or give another --out")
    if not os.path.lexists(path):
        return
    if not force:
        raise OutputError(f"{path} exists: give another --out, or --force to replace it")
    if not _own(path):
        raise OutputError(
            f"{path} is not a folder of results, so --force won't replace it: give another --out"
        )
    for entry in sorted(path.iterdir()):
        known = entry.name in files or _OWN.fullmatch(entry.name)
        if not known or (entry.is_dir() and not entry.is_symlink()):
            raise OutputError(
                f"{path} also holds {entry.name!r}, which --force would delete: "
                "move it, or give another --out"
            )


def _own(path: Path) -> bool:
    if path.is_symlink() or not path.is_dir() or not (path / "settings.toml").is_file():
        return False
    return any(_record(path / f"{name}.json") for name in ("results", *ANSWERS))


def _record(path: Path) -> bool:
    try:
        values = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return False
    return isinstance(values, dict) and "schema" in values


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
    try:
        new.mkdir()
        for name, content in files.items():
            (new / name).write_bytes(content if isinstance(content, bytes) else content())
        if force and os.path.lexists(path):
            if _exchange(new, path):
                return
            os.rename(path, old)
        os.rename(new, path)
    finally:
        # The old folder comes back if the new one did not take its place.
        if old.exists() and not path.exists():
            os.rename(old, path)
        shutil.rmtree(new, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)

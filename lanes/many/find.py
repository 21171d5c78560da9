"""Which plates the arguments mean, and a folder's name for each."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from lanes.errors import InputError, one_line
from lanes.setting_values import lane_name

IMAGES = (".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp", ".webp")


def shown(path: str | Path) -> str:
    """Return a path for a message: one line of text, whatever its bytes."""
    return one_line(os.fspath(path).encode("utf-8", "replace").decode())


def natural(text: str) -> tuple[object, ...]:
    """Return a key that sorts plate 2 before plate 10, and is the same on every machine.

    >>> sorted(["p10", "p2", "P1"], key=natural)
    ['P1', 'p2', 'p10']
    """
    parts = re.split(r"(\d+)", text.casefold())
    return tuple(int(p) if i % 2 else p for i, p in enumerate(parts)), text


def _inside(folder: Path) -> dict[str, str]:
    """Return the kind of everything right in `folder` by its name; what is hidden is left alone.

    The kind is a file's ending in small letters, "/" for a folder.

    Raises
    ------
    InputError
        If the folder can't be read.
    """
    try:
        with os.scandir(folder) as entries:
            return {entry.name: "/" if entry.is_dir() else Path(entry.name).suffix.lower()
                    for entry in entries if not entry.name.startswith(".")}
    except OSError as error:
        raise InputError(f"folder {shown(folder)} can't be read: {error.strerror}; check the path"
                         ) from None


def images_in(folder: Path) -> list[Path]:
    """Return the images right in `folder`, in natural order."""
    good = [name for name, kind in _inside(folder).items() if kind in IMAGES]
    return [folder / name for name in sorted(good, key=natural)]


def left_out(folder: Path, out: Path) -> dict[str, int]:
    """Return what in `folder`, but for `out`, is not read with it: how many of each kind."""
    kinds = [kind for name, kind in _inside(folder).items()
             if os.path.realpath(folder / name) != os.path.realpath(out)]
    known = {"folder": kinds.count("/"), "CSV file": kinds.count(".csv")}
    read = sum(kind in IMAGES for kind in kinds)
    return known | {"other file": len(kinds) - read - sum(known.values())}


def find_plates(sources: Sequence[str]) -> list[Path]:
    """Return every plate that `sources` (files and folders) means, each once, in the order given.

    A file that does not exist is among them: it fails when it is read, as a line of its own.

    Raises
    ------
    InputError
        If something is given twice, or a folder holds no image.
    """
    refuse_twice(sources)
    found: dict[str, Path] = {}
    for text in sources:
        path = Path(text)
        if path.is_dir():
            inside = images_in(path)
            if not inside:
                raise InputError(f"folder {shown(text)} holds no image (PNG, TIFF, JPEG, BMP, "
                                 "WebP): give another folder, and traces by their own names")
        else:
            inside = [path]
        for each in inside:
            found.setdefault(os.path.realpath(each), each)
    return list(found.values())


def refuse_twice(sources: Iterable[str]) -> None:
    """Raise InputError where a file or folder stands twice among the arguments."""
    places: set[str] = set()
    for text in sources:
        place = os.path.realpath(text)
        if place in places:
            raise InputError(f"{shown(text)} is given twice: give each file and folder once")
        places.add(place)


def folder_name(path: Path) -> str:
    """Return the name of a plate's folder: its file's name without the ending."""
    return lane_name(path.stem) if path.stem.strip(" .") else "plate"


def numbered(name: str, count: int) -> str:
    """Return `name`, or with a number from the second of that name on."""
    return name if count == 1 else f"{name}-{count}"

"""Images dropped into folders, each once it is whole."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from lanes.errors import InputError
from lanes.many.find import images_in, refuse_twice, shown

# A second between looks. A file is whole when it was not empty and did not change between two of
# them: scanners and copying programs write without longer pauses (common practice).
POLL = 1.0


def folders_of(sources: Sequence[str]) -> list[Path]:
    """Return the folders to watch.

    Raises
    ------
    InputError
        If one is none, or is given twice.
    """
    refuse_twice(sources)
    for text in sources:
        if not Path(text).is_dir():
            raise InputError(f"--watch takes folders, and {shown(text)} is none: give the folder "
                             "that scans are dropped into")
    return [Path(text) for text in sources]


def settled(
    folders: Sequence[Path], sleep: Callable[[float], None] = time.sleep
) -> Iterator[list[Path]]:
    """Yield again and again, after each look, the images that are new or changed, and whole.

    Parameters
    ----------
    folders : sequence of Path
    sleep : callable
        Waits between two looks.
    """
    before: dict[Path, tuple[int, int]] = {}
    handed_out: dict[Path, tuple[int, int]] = {}
    while True:
        now = {path: state for folder in folders for path in images_in(folder)
               if (state := _state(path)) is not None}
        ready = [path for path, state in now.items()
                 if before.get(path) == state and handed_out.get(path) != state]
        for path in ready:
            handed_out[path] = now[path]
        before = now
        yield ready
        sleep(POLL)


def _state(path: Path) -> tuple[int, int] | None:
    """Return size and time of change; None for what is empty or has gone meanwhile."""
    try:
        status = os.stat(path)
    except OSError:
        return None
    return (status.st_size, status.st_mtime_ns) if status.st_size else None

"""How far the work is, on standard error: a bar where tqdm is there, plain lines otherwise."""

from __future__ import annotations

import sys
import time
from importlib import import_module
from importlib.util import find_spec
from typing import Any

from lanes.many.summary import counted

EVERY = 2.0  # seconds between plain lines: often enough to see it move


def duration(seconds: float) -> str:
    """Return a time in words, as coarse as an estimate is.

    >>> duration(8), duration(400), duration(20000)
    ('8 s', '7 min', '5.6 h')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


class Progress:
    """Counts plates as they are done; `whole` is None where nobody knows how many there will be."""

    def __init__(self, whole: int | None) -> None:
        self._whole = whole
        self._done = self._failed = 0
        self._start = time.monotonic()
        self._last = 0.0
        self._bar: Any = None
        if whole and sys.stderr.isatty() and find_spec("tqdm") is not None:
            self._bar = import_module("tqdm").tqdm(total=whole, unit="plate", file=sys.stderr)

    def plate(self, name: str, error: str | None) -> None:
        """Count the plate `name`; say what is wrong with it, or now and then how far it is."""
        self._done += 1
        self._failed += error is not None
        if error is not None:
            self.say(f"{name}: {error}")
        if self._bar is not None:
            self._bar.update()
            return
        now = time.monotonic()
        last = self._done == self._whole
        if self._whole is None:
            if error is None:
                self.say(f"{name}: read")
        elif last or now - self._last >= EVERY:
            self._last = now
            left = (now - self._start) / self._done * (self._whole - self._done)
            rest = "" if last else f", about {duration(left)} left"
            self.say(f"{self._done} of {counted(self._whole, 'plate')} done"
                     f"{f', {self._failed} failed' if self._failed else ''}{rest}")

    def say(self, text: str) -> None:
        """Print a line of its own."""
        if self._bar is not None:
            self._bar.write(f"lanes: {text}", file=sys.stderr)
        else:
            print(f"lanes: {text}", file=sys.stderr, flush=True)

    def close(self) -> None:
        """Leave the terminal as it was."""
        if self._bar is not None:
            self._bar.close()

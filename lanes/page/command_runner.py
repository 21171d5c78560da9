"""The program's own commands run beside the server: to save a reading and to answer a question.

What the page writes is then what the command line writes, and what runs can be stopped.
"""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import lanes

try:
    import pty
except ImportError:  # then the progress of a question is not known
    pty = None  # type: ignore[assignment]

_STEP = re.compile(rb"(\d+) of (\d+)")


class Command:
    """One run of `lanes`.

    Parameters
    ----------
    words : sequence of str
        What follows `lanes` on the command line.
    folder : Path
        The folder to run in.
    finished : callable
        Called with the exit code and the last line on standard error.
    progress : callable
        Called with how much of how much is done, where the command reports it.
    """

    def __init__(
        self, words: Sequence[str], folder: Path, finished: Callable[[int, str], None],
        progress: Callable[[int, int], None] = lambda done, whole: None,
    ) -> None:
        self._progress, self._finished = progress, finished
        home = str(Path(lanes.__file__).parent.parent)
        paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
        reads, writes = pty.openpty() if pty is not None else os.pipe()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "lanes", *words], cwd=folder, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=writes, start_new_session=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
        os.close(writes)
        self._thread = threading.Thread(target=self._watch, args=(reads,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End it, with whatever it has started."""
        with contextlib.suppress(OSError):
            os.killpg(self._process.pid, signal.SIGTERM) if hasattr(
                os, "killpg") else self._process.terminate()

    def join(self) -> None:
        """Wait until it has ended."""
        self._thread.join()

    def _watch(self, reads: int) -> None:
        output = b""
        with contextlib.suppress(OSError):  # a terminal's end is an error here, not an empty read
            while chunk := os.read(reads, 4096):
                output = (output + chunk)[-8192:]
                steps = _STEP.findall(chunk)
                if steps:
                    self._progress(int(steps[-1][0]), int(steps[-1][1]))
        os.close(reads)
        code = self._process.wait()
        lines = [line for line in re.split(rb"[\r\n]+", output) if line.strip()]
        self._finished(code, lines[-1].decode("utf-8", "replace") if lines else "")

"""The command's first step: Ctrl-C ends it with one line while modules are still being loaded."""

from __future__ import annotations

import os
import signal
from types import FrameType

from lanes.errors import STOPPED, STOPPED_LINE


def main() -> int:
    """Load the command line and run it; return its exit code."""
    usual = signal.getsignal(signal.SIGINT)
    if usual is signal.default_int_handler:  # not where a shell has Ctrl-C ignored
        # An exception inside an import may be swallowed there, or print a traceback.
        signal.signal(signal.SIGINT, _stop)
    from lanes import cli

    signal.signal(signal.SIGINT, usual)
    try:
        return cli.main()
    finally:  # processes and threads are still ended, and Ctrl-C there would print a traceback
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _stop(number: int, frame: FrameType | None) -> None:
    os.write(2, f"{STOPPED_LINE}\n".encode())
    os._exit(STOPPED)

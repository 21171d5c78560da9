"""The server started and ended."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType

import uvicorn
from starlette.applications import Starlette

from lanes.errors import InputError
from lanes.page.drafts import Drafts
from lanes.page.gate import Gate
from lanes.page.routes import application
from lanes.page.shelf import Shelf


def serve(
    plates: Sequence[str], *, browser: bool = True, port: int = 0,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the page on the loopback interface until it is interrupted.

    Parameters
    ----------
    plates : sequence of str
        Pictures, or folders of saved readings, to open at once.
    browser : bool
        Open the user's browser on it.
    port : int
        0 takes a free one.
    say : callable
        Where the address is printed.

    Raises
    ------
    InputError
        If a plate can't be opened, or the port is taken.
    """
    shelf = Shelf(Drafts(), Path.cwd())
    for plate in plates:
        shelf.take_file(Path(plate))
    with socket.socket() as listening:
        try:
            listening.bind(("127.0.0.1", port))
        except (OSError, OverflowError):
            raise InputError(f"--port {port} can't be used: leave it out, and a free one is "
                             "taken") from None
        port = listening.getsockname()[1]
        key = secrets.token_urlsafe(24)
        address = f"http://127.0.0.1:{port}/?key={key}"
        app = application(shelf)
        config = uvicorn.Config(Gate(app, port, key), log_level="error",
                                timeout_graceful_shutdown=1, server_header=False, ws="none")
        say(f"The page is at {address}\nIt answers this machine only. Ctrl-C ends it; drafts are "
            "kept.")
        if browser:
            webbrowser.open(address)
        _Server(config, app).run(sockets=[listening])


class _Server(uvicorn.Server):
    """A server that lets go of the questions for news it holds as soon as it is to end."""

    def __init__(self, config: uvicorn.Config, app: Starlette) -> None:
        super().__init__(config)
        self._app = app

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._app.state.ending = True
        super().handle_exit(sig, frame)

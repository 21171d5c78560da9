"""The real server, started as a person starts it, and what asks it."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


@dataclass
class Answer:
    """What the server answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def values(self) -> Any:
        """Return the body as JSON."""
        return json.loads(self.body)

    @property
    def error(self) -> str:
        """Return the one line of a failure."""
        line = self.values["error"]
        assert "\n" not in line
        return str(line)


@dataclass
class Server:
    """One run of `lanes page` and its browser's cookie."""

    process: subprocess.Popen[str]
    address: str
    port: int
    key: str
    home: Path
    state: Path
    cookie: str = ""
    origin: str = field(default="")

    def ask(
        self, method: str, path: str, body: bytes | None = None,
        headers: dict[str, str] | None = None,
    ) -> Answer:
        """Send one request as the page does; `headers` change or, empty, drop single ones."""
        sent = {"Host": f"127.0.0.1:{self.port}", "Cookie": self.cookie, **(headers or {})}
        if method != "GET":
            sent.setdefault("Origin", f"http://127.0.0.1:{self.port}")
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=90)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in sent.items():
            if value:
                connection.putheader(name, value)
        if body is not None and "Content-Length" not in sent:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        response = connection.getresponse()
        answer = Answer(response.status, {k.lower(): v for k, v in response.getheaders()},
                        response.read())
        connection.close()
        return answer

    def get(self, path: str) -> Answer:
        return self.ask("GET", path)

    def post(self, path: str, values: object = None) -> Answer:
        return self.ask("POST", path, json.dumps(values or {}).encode())

    def enter(self) -> None:
        """Exchange the key for the cookie, as the browser does."""
        answer = self.get(f"/?key={self.key}")
        assert answer.status == 200
        self.cookie = answer.headers["set-cookie"].partition(";")[0]

    def take(self, path: Path) -> str:
        """Drop a picture; return the plate's id once it is read."""
        answer = self.ask("POST", f"/api/plates?name={path.name}", path.read_bytes())
        assert answer.status == 200, answer.body
        plate: str = answer.values["id"]
        self.read(plate)
        return plate

    def state_of(self, plate: str) -> Any:
        return self.get(f"/api/plates/{plate}").values

    def read(self, plate: str, seconds: float = 90.0) -> Any:
        """Return the plate's state once the newest is read."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state_of(plate)
            if state["fresh"]:
                return state
            time.sleep(0.02)
        raise AssertionError(f"not read within {seconds} s: {state['progress']}")

    def edit(self, plate: str, **edit: Any) -> Answer:
        """Make one edit, whose name is `do`, on the newest revision."""
        revision = self.state_of(plate)["revision"]
        return self.post(f"/api/plates/{plate}/edit", {"revision": revision, "edit": edit})

    def rf(self, plate: str) -> list[list[float]]:
        """Return every lane's Rf as last read."""
        reading = self.get(f"/api/plates/{plate}/reading").values["reading"]
        return [[spot["rf"] for spot in lane["spots"]] for lane in reading["lanes"]]

    def kill(self) -> None:
        """End it as a crash does."""
        self.process.kill()
        self.process.wait()


Start = Callable[..., Server]


@contextmanager
def servers(folder: Path) -> Iterator[Start]:
    """Give what starts a server in `folder`; every one is ended afterwards."""
    running: list[Server] = []
    home, state = folder / "home", folder / "state"
    home.mkdir()

    def run(*words: str) -> Server:
        process = subprocess.Popen(
            [sys.executable, "-m", "lanes", "page", "--no-browser", *words], cwd=home, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={**os.environ, "XDG_STATE_HOME": str(state), "PYTHONPATH": str(ROOT)})
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?key=(\S+)", line)
        if found is None:
            process.wait()
            raise AssertionError(line + process.stderr.read())
        server = Server(process, found.group(), int(found[1]), found[2], home, state)
        running.append(server)
        for _ in range(200):  # the line comes before the socket listens
            try:
                server.enter()
                break
            except ConnectionError:
                time.sleep(0.05)
        return server

    try:
        yield run
    finally:
        for server in running:
            if server.process.poll() is None:
                server.process.send_signal(signal.SIGINT)
                try:
                    server.process.wait(15)
                except subprocess.TimeoutExpired:
                    server.kill()
            assert server.process.stdout is not None
            assert server.process.stderr is not None
            server.process.stdout.close()
            with server.process.stderr as errors:
                if not errors.closed:
                    assert "Traceback" not in (log := errors.read()), log

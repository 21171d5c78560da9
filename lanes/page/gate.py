"""Who may ask the server: this machine's browser, with the secret, from the page itself."""

from __future__ import annotations

import json
import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
# An answer's page is one file: its own style and pictures inside, no script at all.
ANSWER_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'; sandbox allow-modals allow-same-origin"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}
# The first page only leads on: a strict cookie is not sent along where another site's link, or a
# terminal's, began the way, so the way has to begin again from here.
WELCOME = (
    b'<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>lanes</title>'
    b'<meta http-equiv="refresh" content="0;url=/"><p><a href="/">To the plate</a></p></html>'
)


class Gate:
    """ASGI middleware that answers nobody but the page's own browser.

    Parameters
    ----------
    app : ASGI application
    port : int
        The server's port: Host and Origin must name it on the loopback interface.
    key : str
        The secret in the address. It is exchanged for a cookie, under which all else runs.
    """

    def __init__(self, app: ASGIApp, port: int, key: str) -> None:
        self.app = app
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self.cookie = f"lanes-{port}"  # cookies know no ports: two servers must not share one
        self.key = key.encode()
        self.session = secrets.token_urlsafe(32).encode()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1")
                   for name, value in scope["headers"]}
        if headers.get("host", "") not in self.hosts:
            await _refuse(send, 421, "this address is not the page's: open the one in the terminal")
            return
        offered = parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        if scope["path"] == "/" and scope["method"] == "GET" and offered:
            if not secrets.compare_digest(offered[0].encode(), self.key):
                await _refuse(send, 403, "the key in the address is wrong: open the address in the "
                              "terminal")
                return
            cookie = (f"{self.cookie}={self.session.decode()}; HttpOnly; SameSite=Strict; Path=/")
            await _answer(send, 200, WELCOME, "text/html; charset=utf-8",
                          [(b"set-cookie", cookie.encode())])
            return
        if not self._own_origin(scope["method"], headers):
            await _refuse(send, 403, "the request comes from another site: use the page itself")
            return
        if not self._known(headers.get("cookie", "")):
            await _refuse(send, 403, "this browser has no key: open the address that the terminal "
                          "shows")
            return
        await self.app(scope, receive, _with_headers(send))

    def _own_origin(self, method: str, headers: dict[str, str]) -> bool:
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{host}" for host in self.hosts}:
            return False
        if method not in ("GET", "HEAD") and origin is None:
            return False
        return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")

    def _known(self, header: str) -> bool:
        try:
            found = SimpleCookie(header).get(self.cookie)
        except CookieError:
            return False
        return found is not None and secrets.compare_digest(found.value.encode(), self.session)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            policy = {} if b"content-security-policy" in there else {
                "content-security-policy": POLICY}
            message["headers"] = [*message["headers"], *(
                (name.encode(), value.encode()) for name, value in {**HEADERS, **policy}.items()
                if name.encode() not in there)]
        await send(message)

    return sending


async def _refuse(send: Send, status: int, line: str) -> None:
    await _answer(send, status, json.dumps({"error": line}).encode(), "application/json", [])


async def _answer(
    send: Send, status: int, body: bytes, kind: str, more: list[tuple[bytes, bytes]]
) -> None:
    headers = [(b"content-type", kind.encode()), (b"content-length", str(len(body)).encode()),
               (b"content-security-policy", POLICY.encode()), *more,
               *((name.encode(), value.encode()) for name, value in HEADERS.items())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})

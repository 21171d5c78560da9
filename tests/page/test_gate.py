"""Nobody gets in but the page's own browser (checks after OWASP's cheat sheets on cross-site
request forgery and DNS rebinding; from memory)."""

from __future__ import annotations

import signal

import pytest
from serving import Server, Start


def test_only_the_key_opens_the_page(server: Server) -> None:
    assert server.get("/").status == 200
    cookie, server.cookie = server.cookie, ""
    for path in ("/", "/static/main.js", "/api/plates"):
        assert server.get(path).status == 403
        assert "open the address" in server.get(path).error
    assert "key in the address is wrong" in server.get("/?key=guess").error
    assert "set-cookie" not in server.get("/?key=guess").headers
    name = cookie.partition("=")[0]
    for wrong in (f"{name}=", f"{name}=guess", f"other={cookie.partition('=')[2]}", "\x7f;;=,"):
        server.cookie = wrong
        assert server.get("/api/plates").status == 403
    server.cookie = cookie
    assert server.get("/api/plates").status == 200


def test_the_cookie_is_for_this_server_and_no_script(server: Server) -> None:
    header = server.get(f"/?key={server.key}").headers["set-cookie"]
    assert header.startswith(f"lanes-{server.port}=")
    assert "HttpOnly" in header
    assert "SameSite=Strict" in header
    assert "Domain" not in header


@pytest.mark.parametrize("headers", [
    {"Origin": "http://example.test"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:1"},
    {"Origin": "https://127.0.0.1"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
])
def test_another_site_can_ask_nothing(server: Server, headers: dict[str, str]) -> None:
    for method, path in (("GET", "/api/plates"), ("POST", "/api/open"), ("GET", "/")):
        answer = server.ask(method, path, b"{}" if method == "POST" else None, headers)
        assert answer.status == 403
        assert "another site" in answer.error
        assert not any(name.startswith("access-control") for name in answer.headers)


def test_a_change_without_an_origin_is_refused(server: Server) -> None:
    assert server.ask("POST", "/api/open", b"{}", {"Origin": ""}).status == 403
    assert server.ask("OPTIONS", "/api/open").status in (403, 404)


@pytest.mark.parametrize("host", ["example.test", "127.0.0.1", "127.0.0.1:1", "[::1]:80", ""])
def test_another_name_for_this_machine_is_no_way_in(server: Server, host: str) -> None:
    answer = server.ask("GET", "/api/plates", headers={"Host": host})
    assert answer.status in (400, 421)


def test_pages_load_nothing_from_outside(server: Server) -> None:
    policy = server.get("/").headers["content-security-policy"]
    assert policy.startswith("default-src 'self'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    for name in ("index.html", "style.css", "main.js"):
        text = server.get(f"/static/{name}").body.decode()
        assert "https://" not in text
        assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
        assert server.get(f"/static/{name}").headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", [
    "/static/../routes.py", "/static/..%2froutes.py", "/static/%2e%2e/routes.py",
    "/static/..%5croutes.py", "/static//etc/passwd", "/static/.", "/static/%00",
    "/api/plates/..%2f..", "/api/plates/../../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd",
    "/api/plates/x/answers/1/..%2f..%2fdocument.json", "/api/plates/x/saved/..%2fsettings.toml",
])
def test_no_path_leads_out(server: Server, path: str) -> None:
    answer = server.get(path)
    assert answer.status in (400, 404)
    assert answer.error


def test_it_listens_on_this_machine_only_and_ends_on_interrupt(start: Start) -> None:
    server = start()
    other = start()
    assert server.port != other.port
    with open(f"/proc/{server.process.pid}/net/tcp", encoding="ascii") as table:
        listening = [line.split()[1] for line in table if line.split()[3] == "0A"]
    assert f"0100007F:{server.port:04X}" in listening
    assert f"00000000:{server.port:04X}" not in listening
    server.process.send_signal(signal.SIGINT)
    assert server.process.wait(20) in (0, 130)

"""What can go wrong ends in one clear line, and nothing is lost."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image
from serving import Server, Start

from lanes.page.document import Document
from lanes.page.drafts import Drafts


def drop(server: Server, name: str, body: bytes, **headers: str) -> tuple[int, str]:
    answer = server.ask("POST", f"/api/plates?name={name}", body, headers)
    return answer.status, answer.error


def kept(server: Server) -> list[str]:
    """Return what lies in the folder of drafts."""
    folder = server.state / "lanes" / "drafts"
    return [path.name for path in folder.iterdir()] if folder.is_dir() else []


def test_what_is_no_picture_is_refused_and_not_kept(server: Server, tmp_path: Path) -> None:
    status, line = drop(server, "plate.png", b"this is no picture")
    assert status == 400
    assert line.startswith("plate.png is ")
    assert "give PNG" in line
    status, line = drop(server, "plate.png", b"")
    assert "is empty" in line
    Image.new("L", (8, 8), 200).save(tmp_path / "small.png")
    status, line = drop(server, "small.png", (tmp_path / "small.png").read_bytes())
    assert "too small" in line
    status, line = drop(server, "trace.csv", b"1,2\n")
    assert "is a trace" in line
    assert kept(server) == []


def test_a_picture_of_156_million_pixels_is_refused(server: Server, tmp_path: Path) -> None:
    # One bit a pixel and all alike: a small file.
    Image.new("1", (13_000, 12_000), 1).save(tmp_path / "vast.png")
    status, line = drop(server, "vast.png", (tmp_path / "vast.png").read_bytes())
    assert status == 400
    assert "crop" in line
    assert kept(server) == []


def test_more_than_100_mb_are_not_taken_in(server: Server) -> None:
    status, line = drop(server, "heavy.png", b"", **{"Content-Length": str(100_000_001)})
    assert status == 413
    assert "100 MB" in line
    # One that does not say how much is coming is cut off when it has.
    answer = server.ask("POST", "/api/plates?name=heavy.png", iter_of(101), {
        "Transfer-Encoding": "chunked", "Content-Length": ""})
    assert answer.status == 413
    assert kept(server) == []


def iter_of(megabytes: int) -> bytes:
    """Return a chunked body (RFC 9112, 7.1) of so many MB."""
    block = b"x" * 1_000_000
    return b"".join(b"%x\r\n%s\r\n" % (len(block), block) for _ in range(megabytes)) + b"0\r\n\r\n"


@pytest.mark.parametrize(("name", "becomes"), [
    ("..%2F..%2Fetc%2Fpasswd.png", "passwd.png"), ("%2Ftmp%2Fx.png", "x.png"),
    ("C%3A%5Cplates%5Cone.png", "one.png"), (".hidden.png", "hidden.png"),
    ("--out.png", "out.png"), ("a%0Ab.png", "ab.png"),
])
def test_a_name_cannot_lead_out_or_pass_for_an_option(
    server: Server, tmp_path: Path, name: str, becomes: str
) -> None:
    Image.new("L", (90, 120), 200).save(tmp_path / "even.png")  # what it shows is not asked
    answer = server.ask("POST", f"/api/plates?name={name}", (tmp_path / "even.png").read_bytes())
    assert answer.status == 200
    plate = answer.values["id"]
    assert server.state_of(plate)["file"] == becomes
    assert server.post(f"/api/plates/{plate}/close", {"discard": True}).status == 200
    assert kept(server) == []


def test_two_tabs_and_a_stale_edit(server: Server, demo: Path) -> None:
    plate = server.take(demo)
    first = server.state_of(plate)["revision"]
    edit = {"do": "choose", "key": "law", "value": "kubelka-munk"}
    path = f"/api/plates/{plate}/edit"
    assert server.post(path, {"revision": first, "edit": edit}).status == 200
    stale = server.post(path, {"revision": first, "edit": {**edit, "value": "emission"}})
    assert stale.status == 409
    assert "another window" in stale.error
    assert server.read(plate)["settings"]["law"] == "kubelka-munk"
    assert server.post(f"/api/plates/{plate}/close", {"discard": True}).status == 200


def test_edits_that_make_no_sense_change_nothing(server: Server, demo: Path) -> None:
    plate = server.take(demo)
    before = server.state_of(plate)
    for edit in (
        {}, {"do": "dance"}, {"do": "choose", "key": "names", "value": 1},
        {"do": "choose", "key": "light", "value": "candle"}, {"do": "line", "line": "origin"},
        {"do": "line", "line": "origin", "heights": [1, "x", 2]},
        {"do": "line", "line": "front", "heights": [1, 1, 1]},
        {"do": "line", "line": "front", "heights": [1e9, 1e9, 1e9]},
        {"do": "lane", "lane": 99}, {"do": "lane", "lane": True, "x": 3},
        {"do": "lane", "lane": 0, "x": "nan"}, {"do": "lane", "lane": 0, "width": -1},
        {"do": "note", "lane": 0, "key": "name", "value": "../x"},
        {"do": "note", "lane": 0, "key": "name", "value": "2"},
        {"do": "mask", "points": [[1, 2]]}, {"do": "corners", "corners": [[1, 2]]},
        {"do": "corners", "corners": [[0, 0]] * 4}, {"do": "release", "what": "all"},
        {"do": "redo"}, {"do": "undo"},
    ):
        answer = server.edit(plate, **edit)
        assert answer.status == 400, edit
        assert answer.error, edit
    assert server.post(f"/api/plates/{plate}/edit", [1]).status == 400
    assert server.ask("POST", f"/api/plates/{plate}/edit", b"{" * 300_000).status == 413
    after = server.state_of(plate)
    assert (after["revision"], after["settings"]) == (before["revision"], before["settings"])
    assert server.post(f"/api/plates/{plate}/close", {"discard": True}).status == 200


def test_a_killed_server_loses_nothing(start: Start, demo: Path) -> None:
    server = start()
    plate = server.take(demo)
    server.edit(plate, do="line", line="front", heights=[80.0, 80.5, 80.0])
    server.edit(plate, do="about", key="sample", value="batch 7")
    server.kill()
    again = start()
    drafts = again.get("/api/plates").values["drafts"]
    assert [draft["id"] for draft in drafts] == [plate]
    assert again.post("/api/open", {"draft": plate}).status == 200
    state = again.read(plate)
    assert state["settings"]["places"]["front"] == [80.0, 80.5, 80.0]
    assert state["settings"]["about"] == {"sample": "batch 7"}
    assert again.edit(plate, do="undo").status == 200
    assert again.read(plate)["settings"]["about"] == {}
    # The picture dropped once more goes on with the draft, too.
    assert again.take(demo) == plate


def test_a_second_server_does_not_touch_an_open_draft(start: Start, demo: Path) -> None:
    server, other = start(), start()
    plate = server.take(demo)
    refused = other.post("/api/open", {"draft": plate})
    assert refused.status == 400
    assert "another window" in refused.error
    assert other.take(demo) != plate


def test_a_full_disk_is_reported_and_the_edit_still_stands(
    tmp_path: Path, demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drafts = Drafts(tmp_path / "drafts")
    with drafts.incoming("demo.png") as arrived:
        arrived.write_bytes(demo.read_bytes())
        document = Document(drafts.create(arrived, "0" * 64, tmp_path))
    record = document.draft.folder / "document.json"
    before = record.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lanes.page.drafts.os.fsync", full)
    document.edit(document.revision, {"do": "about", "key": "sample", "value": "batch 7"})
    assert document.trouble is not None
    assert "No space left on device" in document.trouble
    assert document.settings.about.sample == "batch 7"
    assert record.read_bytes() == before
    assert not list(document.draft.folder.glob(".document*"))
    monkeypatch.undo()
    document.edit(document.revision, {"do": "about", "key": "stain", "value": "none"})
    assert document.trouble is None
    document.draft.close()


def test_a_disk_that_takes_no_picture(start: Start, demo: Path) -> None:
    """/dev/full refuses every byte; a folder of drafts that is a file refuses every folder."""
    server = start()
    (server.state / "lanes").mkdir(parents=True)
    (server.state / "lanes" / "drafts").write_text("in the way")
    answer = server.ask("POST", "/api/plates?name=demo.png", demo.read_bytes())
    assert answer.status == 507
    assert "the disk refuses" in answer.error


@pytest.mark.parametrize(("words", "message"), [
    (["nowhere.png"], "no such file: nowhere.png"),
    (["--port", "99999"], "--port 99999 can't be used"),
    (["."], "holds no results.json"),
])
def test_a_start_that_cannot_be(
    refused: Callable[..., str], tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch, words: list[str], message: str,
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
    assert message in refused("page", "--no-browser", *words)


def test_without_the_extra_one_line_says_how(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from lanes.cli import main

    monkeypatch.setattr("lanes.commands.page.find_spec", lambda name: None)
    assert main(["page"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        'lanes: the page needs an optional extra: pip install "lanes[page]"']

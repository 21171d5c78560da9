"""A plate put right by hand: what is read again, what is kept, and that the command line agrees."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
from serving import Server, Start

from lanes import measure, read_settings
from lanes.cli import main
from lanes.page.edits import carried_over, corners_moved, edited, pinned
from lanes.page.reader import Reader
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("located_once")


def quiet(stage: str, done: int, whole: int) -> None:
    """Take no note of progress."""


def test_a_moved_lane_is_read_alone_and_nearly_as_the_whole_reads_it(demo: Path) -> None:
    reader = Reader(demo)
    first = reader.read(Settings(), quiet)
    assert first.reading is not None
    assert first.lanes_read == 4
    assert first.whole
    assert first.layout is not None
    edit = {"do": "lane", "lane": 2, "x": first.layout.lanes[2].x + 0.3}
    settings = edited(first.settings, first.layout, edit)
    assert settings.places.by_hand == ("lane 3",)
    moved = reader.read(settings, quiet)
    assert moved.reading is not None
    assert moved.lanes_read == 1
    assert not moved.whole
    for at in (0, 1, 3):
        assert moved.reading.lanes[at].trace is first.reading.lanes[at].trace
    whole = measure(demo, settings, picture=False)
    for quick, slow in zip(moved.reading.lanes, whole.lanes, strict=True):
        for one, two in zip(quick.spots, slow.spots, strict=True):
            assert two.rf_sd is not None
            assert abs(one.rf - two.rf) < 0.5 * two.rf_sd
            if two.area_percent_sd:
                assert abs(one.area_percent - two.area_percent) < 0.5 * two.area_percent_sd
    settled = reader.twin().read(settings, quiet, whole=True)
    assert settled.reading is not None
    assert [s.rf for lane in settled.reading.lanes for s in lane.spots] == [
        s.rf for lane in whole.lanes for s in lane.spots]


def test_a_pinned_lane_stays_to_the_last_digit(demo: Path) -> None:
    reader = Reader(demo)
    first = reader.read(Settings(), quiet)
    assert first.layout is not None
    kept = reader.read(pinned(first.settings, first.layout), quiet)
    assert kept.lanes_read == 0
    assert kept.layout is not None
    for one, two in zip(first.layout.lanes, kept.layout.lanes, strict=True):
        assert (one.x, one.lean, one.width) == (two.x, two.lean, two.width)


def test_names_and_words_read_nothing_again(demo: Path) -> None:
    reader = Reader(demo)
    first = reader.read(Settings(), quiet)
    settings = first.settings
    for edit in ({"do": "note", "lane": 2, "key": "name", "value": "rxn"},
                 {"do": "note", "lane": 2, "key": "amount", "value": 2},
                 {"do": "about", "key": "stain", "value": "none"},
                 {"do": "substance", "lane": "rxn", "rf": 0.41, "name": "product"}):
        layout = reader.read(settings, quiet).layout
        settings = edited(settings, layout, edit)
    outcome = reader.read(settings, quiet)
    assert outcome.lanes_read == 0
    assert outcome.whole
    assert outcome.reading is not None
    assert outcome.reading.lanes[2].name == "rxn"
    assert settings.note("rxn").amount == 2.0
    assert settings.about.name_at("rxn", 0.405) == "product"
    assert settings.about.name_at("rxn", 0.27) is None


def test_a_moved_line_keeps_placed_lanes_on_their_paths(demo: Path) -> None:
    reader = Reader(demo)
    first = reader.read(Settings(), quiet)
    assert first.layout is not None
    settings = edited(first.settings, first.layout, {
        "do": "lane", "lane": 0, "x": 9.0, "x_front": 11.0})
    before = reader.read(settings, quiet).layout
    assert before is not None
    lane = before.lanes[0]
    settings = edited(settings, before, {"do": "line", "line": "front", "heights": [70.0] * 3})
    after = reader.read(settings, quiet).layout
    assert after is not None
    x, y = before.path(lane, 0.5)
    y0 = float(after.origin.at(after.lanes[0].x))
    assert after.lanes[0].x + after.lanes[0].lean * (y - y0) == pytest.approx(float(x), abs=1e-3)


def test_moved_corners_carry_what_was_set_by_hand(demo: Path) -> None:
    reader = Reader(demo)
    first = reader.read(Settings(), quiet)
    old = first.layout
    assert old is not None
    settings = edited(first.settings, old, {"do": "line", "line": "front", "heights": [80.0] * 3})
    corners = [[float(x), float(y) - 20 * (i < 2)] for i, (x, y) in enumerate(old.corners_px)]
    moved = corners_moved(settings, {"corners": corners})
    from lanes.plate.locate import locate_plate

    new = locate_plate(reader.scan(moved), moved)
    carried = carried_over(moved, old, new)
    assert carried.places.front is not None
    was = old.to_pixels(old.width / 2, 80.0)
    now = new.to_pixels(new.width / 2, carried.places.front[1])
    assert now[1] == pytest.approx(float(was[1]), abs=0.5)


def test_undo_redo_and_what_is_by_hand(server: Server, demo: Path) -> None:
    plate = server.take(demo)
    found = server.state_of(plate)
    assert found["by_hand"] == []
    assert set(found["layout"]["found"]) == {"plate", "origin", "front", "lanes"}
    assert not found["undo"]
    server.edit(plate, do="line", line="front", heights=[80.0, 80.5, 80.0])
    state = server.read(plate)
    assert state["by_hand"] == ["front"]
    assert "front" not in state["layout"]["found"]
    assert state["layout"]["front"] == pytest.approx([80.0, 80.5, 80.0])
    server.edit(plate, do="undo")
    state = server.read(plate)
    assert state["settings"] == found["settings"]
    assert state["redo"]
    server.edit(plate, do="redo")
    assert server.read(plate)["by_hand"] == ["front"]
    server.edit(plate, do="release", what="front")
    assert server.read(plate)["settings"] == found["settings"]
    server.post(f"/api/plates/{plate}/close", {"discard": True})


def test_a_masked_spot_is_none(server: Server, demo: Path) -> None:
    plate = server.take(demo)
    reading = server.get(f"/api/plates/{plate}/reading").values["reading"]
    spot = reading["lanes"][1]["spots"][1]
    x, y = spot["x"], spot["y"]
    assert len(server.rf(plate)[1]) == 3
    server.edit(plate, do="mask", points=[[x - 3, y - 3], [x + 3, y - 3], [x + 3, y + 3],
                                          [x - 3, y + 3]])
    state = server.read(plate)
    rf = server.rf(plate)
    assert len(rf[1]) == 2
    assert min(abs(each - spot["rf"]) for each in rf[1]) > 0.1
    assert len(rf[2]) == 4
    flags = server.get(f"/api/plates/{plate}/reading").values["reading"]["lanes"][1]["flags"]
    assert "masked" in [flag["name"] for flag in flags]
    assert len(state["settings"]["places"]["masks"]) == 1
    server.edit(plate, do="unmask", mask=0)
    server.read(plate)
    assert len(server.rf(plate)[1]) == 3
    server.post(f"/api/plates/{plate}/close", {"discard": True})


def test_lanes_come_and_go(server: Server, demo: Path) -> None:
    plate = server.take(demo)
    server.edit(plate, do="note", lane=3, key="name", value="prod")
    server.edit(plate, do="remove-lane", lane=1)
    state = server.read(plate)
    assert [lane["name"] for lane in state["layout"]["lanes"]] == ["1", "3", "prod"]
    server.edit(plate, do="add-lane", x=20.0)
    state = server.read(plate)
    assert [lane["name"] for lane in state["layout"]["lanes"]] == ["1", "2", "3", "prod"]
    assert [round(rf, 2) for rf in server.rf(plate)[1]] == [0.27, 0.41, 0.62]
    server.post(f"/api/plates/{plate}/close", {"discard": True})


def test_what_is_saved_the_command_line_repeats(
    start: Start, demo: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server = start()
    plate = server.take(demo)
    for edit in (
        {"do": "choose", "key": "law", "value": "kubelka-munk"},
        {"do": "note", "lane": 2, "key": "name", "value": "rxn"},
        {"do": "lane", "lane": 2, "x": 30.2, "x_front": 30.1, "width": 6.123456789},
        {"do": "line", "line": "front", "heights": [83.1, 84.02, 83.2]},
        {"do": "mask", "points": [[38.0, 50.0], [42.0, 50.0], [40.0, 55.0]]},
        {"do": "about", "key": "notes", "value": 'Two lines,\n"quoted" and ü'},
        {"do": "substance", "lane": "rxn", "rf": 0.41, "name": "product"},
    ):
        assert server.edit(plate, **edit).status == 200, edit
        server.read(plate)
    answer = server.post(f"/api/plates/{plate}/save", {"name": "mine"})
    assert answer.status == 200, answer.body
    saved = server.home / "mine"
    assert answer.values["folder"] == str(saved)
    assert main(["measure", str(demo), "--settings", str(saved / "settings.toml"),
                 "--out", str(tmp_path / "again"), "--no-figures"]) == 0
    capsys.readouterr()
    results = (saved / "results.json").read_bytes()
    assert (tmp_path / "again" / "results.json").read_bytes() == results
    record = json.loads(results)
    assert record["about"]["notes"] == 'Two lines,\n"quoted" and ü'
    assert record["about"]["spots"] == [{"lane": "rxn", "spot": 2, "name": "product"}]
    assert record["settings"]["places"]["by_hand"] == ["lane rxn", "front"]
    assert "product" in (saved / "report.html").read_text(encoding="utf-8")
    # A name that is taken is refused, or replaced where asked.
    again = server.post(f"/api/plates/{plate}/save", {"name": "mine"})
    assert again.status == 400
    assert "choose another name, or tick Replace" in again.error
    assert server.post(f"/api/plates/{plate}/save",
                       {"name": "mine", "replace": True}).status == 200
    for name in ("../mine", "/tmp/mine", "", ".", "..", ".x", "-x", "a\\b", "a\x00b"):
        assert server.post(f"/api/plates/{plate}/save", {"name": name}).status == 400
    report = server.get(f"/api/plates/{plate}/saved/report.html")
    assert report.status == 200
    assert "default-src 'none'" in report.headers["content-security-policy"]
    # Opened again, it goes on where it was.
    settings = read_settings(saved / "settings.toml")
    shown = server.post("/api/open", {"saved": "mine"})
    assert shown.status == 200, shown.body
    state = server.read(shown.values["id"])
    assert state["settings"] == json.loads(json.dumps(settings.to_dict()))


def test_a_question_is_answered_beside_the_plate_and_can_be_stopped(
    server: Server, demo: Path
) -> None:
    plate = server.take(demo)
    path = f"/api/plates/{plate}"
    asked = {"question": "shoulder", "entries": {"spot": {"lane": "4", "rf": 0.27}}}
    assert server.post(f"{path}/ask", asked).values == {"number": 1}
    end = time.monotonic() + 120
    while (answer := server.state_of(plate)["answers"][0])["state"] == "running":
        assert time.monotonic() < end
        time.sleep(0.1)
    assert answer["state"] == "answered", answer
    page = server.get(f"{path}/answers/1/shoulder.html")
    assert page.status == 200
    assert "sandbox" in page.headers["content-security-policy"]
    assert server.get(f"{path}/answers/1/shoulder.json").values["lane"] == "4"
    assert server.get(f"{path}/answers/2/shoulder.html").status == 404
    for wrong in ({"question": "dance"}, {"question": "purity"},
                  {"question": "purity", "entries": {}},
                  {"question": "purity", "entries": {"spot": {"lane": "--out", "rf": 0.2}}},
                  {"question": "compare", "entries": {"unknown": "1", "reference": ["--x"]}}):
        refused = server.post(f"{path}/ask", wrong)
        assert refused.status == 400, wrong
        assert refused.error
    asked = {"question": "purity", "entries": {"spot": {"lane": "2", "rf": 0.41}}}
    assert server.post(f"{path}/ask", asked).values == {"number": 2}
    assert server.post(f"{path}/answers/2/stop").status == 200
    assert server.state_of(plate)["answers"][1]["state"] == "stopped"
    server.post(f"{path}/close", {"discard": True})


def test_the_table_as_a_workbook(server: Server, demo: Path) -> None:
    from io import BytesIO

    from openpyxl import load_workbook

    plate = server.take(demo)
    server.edit(plate, do="substance", lane="4", rf=0.27, name="=1+1")
    server.read(plate)
    body = server.get(f"/api/plates/{plate}/spots.xlsx").body
    rows = list(load_workbook(BytesIO(body)).active.values)
    assert rows[0][:4] == ("Lane", "Role", "Spot", "Rf")
    assert [row[3] for row in rows[1:]] == pytest.approx(
        [rf for lane in server.rf(plate) for rf in lane], abs=1e-5)
    # Text that begins like a formula stays text.
    named = [row[13] for row in load_workbook(BytesIO(body)).active.iter_rows()]
    assert [(cell.value, cell.data_type) for cell in named[1:] if cell.value is not None] == [
        ("=1+1", "s")]
    server.post(f"/api/plates/{plate}/close", {"discard": True})

"""No spot lost in silence: what is not read as a spot is reported, with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lanes import Settings, measure
from lanes.checks import colours
from lanes.checks.blobs import unread_blobs
from lanes.checks.colours import colour_name
from lanes.confidence import TWO_SIDED_95
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw
from lanes.draw.save import save
from lanes.measuring import prepare, read_lane

YELLOW, GREY = (0.02, 0.1, 1.0), (0.6, 0.6, 0.6)


@pytest.fixture(scope="module")
def plate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.3, 1.0, colour=GREY), SpotSpec(0.7, 0.7, colour=YELLOW)))
                  for x in (10.0, 20.0, 30.0))
    drawing = draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=150, lanes=lanes))
    path = tmp_path_factory.mktemp("colours") / "plate.png"
    save(drawing, path)
    return path


def test_lanes_left_out_are_flagged_with_their_places(plate: Path) -> None:
    reading = measure(plate, light="white", lanes=(20.0, 30.0))
    messages = [f.message for f in reading.flags if f.name == "outside-lanes"]
    assert len(messages) == 1
    for part in ("x 10", "Rf 0.30", "Rf 0.70", "mm"):
        assert part in messages[0]
    assert reading.layout is not None
    assert len(unread_blobs(reading.layout, reading.lanes)) == 2


def test_a_spot_that_the_channel_does_not_show_is_flagged(plate: Path) -> None:
    reading = measure(plate, light="white", channel="red")
    for lane in reading.lanes:
        assert [round(s.rf, 1) for s in lane.spots] == [0.3]
        messages = [f.message for f in lane.flags if f.name == "spot-unread"]
        assert len(messages) == 1
        assert "0.70" in messages[0]


def test_all_is_read_and_coloured_where_the_channel_is_chosen(plate: Path) -> None:
    reading = measure(plate, light="white")
    names = {f.name for lane in reading.lanes for f in lane.flags}
    assert not {"outside-lanes", "spot-unread"} & (names | {f.name for f in reading.flags})
    for lane in reading.lanes:
        assert [s.colour_name for s in lane.spots] == ["grey", "yellow"]
        assert all(s.colour is not None and len(s.colour) == 7 for s in lane.spots)
    assert [f.name for f in reading.flags if f.name == "channel-matters"] == ["channel-matters"]


def test_the_wide_interval_reaches_what_another_channel_says(tmp_path: Path) -> None:
    dyes = (0.9, 0.5, 0.3), (0.4, 0.6, 0.9)
    lanes = tuple(LaneSpec(x, tuple(SpotSpec(rf, 0.8, colour=dye) for rf, dye in zip(
        (0.3, 0.7), pair, strict=True))) for x, pair in ((10.0, dyes), (22.0, dyes[:1] * 2)))
    save(draw(PlateSpec(width=32, height=60, origin=8, front=50, dpi=150, lanes=lanes)),
         tmp_path / "plate.png")
    by = {name: measure(tmp_path / "plate.png", light="white", channel=name, lanes=2)
          for name in ("mean", "red", "green", "blue")}
    two_colours, one_colour = by["mean"].lanes
    for i, spot in enumerate(two_colours.spots):
        off = max(abs(r.lanes[0].spots[i].area_percent - spot.area_percent) for r in by.values())
        assert spot.area_percent_sd is not None
        assert spot.area_percent_sd_noise is not None
        assert off > 4.0 * spot.area_percent_sd_noise  # the noise alone leaves it out
        assert off < 1.1 * TWO_SIDED_95 * spot.area_percent_sd
        assert spot.area_percent_sd < 0.7 * off
    alike, mixed = one_colour.spots[0].area_percent_sd, two_colours.spots[0].area_percent_sd
    assert alike is not None
    assert mixed is not None
    assert alike < 0.5 * mixed


@pytest.mark.parametrize(("seen", "blind"), [
    ({"own": (90, 3), "red": (60, 2), "green": (60, 3), "blue": (60, 1)}, False),
    ({"own": (90, 4), "red": (60, 6), "green": (60, 3), "blue": (60, 3)}, False),
    ({"own": (90, 1), "red": (0, 60), "green": (60, 1), "blue": (60, 0)}, True),
])
def test_what_is_weak_in_every_channel_alike_is_not_laid_to_the_channel(
    plate: Path, seen: dict[str, tuple[float, float]], blind: bool,
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """Standard deviations of a strong and of another spot in each channel."""
    settings = Settings(light="white", lanes=(20.0,))
    prepared = prepare(plate, settings)
    lanes = [read_lane(prepared, lane) for lane in prepared.layout.lanes]
    shares, noise = np.array([s.area_percent for s in lanes[0].spots]), np.zeros(2)
    monkeypatch.setattr(colours, "_by_channel", lambda *_: [
        {name: colours._ByChannel(shares, noise, np.array(sds)) for name, sds in seen.items()}])
    text = " ".join(f.message for f in colours.channel_matters(prepared, lanes))
    assert ("no one channel" in text) == blind


def test_what_quenches_a_green_glow_is_dark_not_grey(tmp_path: Path) -> None:
    drawing = draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=120, light="254",
                             lanes=(LaneSpec(20.0, (SpotSpec(0.4, 1.0),)),)))
    save(drawing, tmp_path / "plate.png")
    reading = measure(tmp_path / "plate.png", light="254", picture=False)
    assert [spot.colour_name for spot in reading.lanes[0].spots] == ["dark"]


@pytest.mark.parametrize("seed", [0, 1])
def test_a_colour_within_its_noise_is_grey(tmp_path: Path, seed: int) -> None:
    dyes = ((10.0, GREY), (20.0, GREY), (30.0, YELLOW))
    lanes = tuple(LaneSpec(x, (SpotSpec(0.3, 0.08 if dye == GREY else 0.2, colour=dye),
                               SpotSpec(0.7, 1.0, colour=dye))) for x, dye in dyes)
    drawing = draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=150, noise=0.05,
                             lanes=lanes, seed=seed))
    save(drawing, tmp_path / "plate.png")
    reading = measure(tmp_path / "plate.png", light="white", lanes=(10.0, 20.0, 30.0))
    names = [[s.colour_name for s in lane.spots] for lane in reading.lanes]
    assert names == [["grey", "grey"], ["grey", "grey"], ["yellow", "yellow"]]


@pytest.mark.parametrize(
    ("light", "name"),
    [((0.9, 0.9, 0.9), "white"), ((0.3, 0.3, 0.3), "grey"), ((0.01, 0.01, 0.01), "black"),
     ((0.8, 0.1, 0.1), "red"), ((0.8, 0.3, 0.05), "orange"), ((0.8, 0.7, 0.1), "yellow"),
     ((0.1, 0.5, 0.1), "green"), ((0.1, 0.2, 0.8), "blue"), ((0.3, 0.1, 0.6), "violet"),
     ((0.9, 0.3, 0.6), "pink"), ((0.15, 0.06, 0.02), "brown")],
)
def test_plain_words_for_colours(light: tuple[float, float, float], name: str) -> None:
    assert colour_name(light) == name


@pytest.mark.parametrize(("lamp", "given", "flagged"), [
    ("254", "white", True), ("254", "366", True), ("254", "254", False), ("white", "white", False),
    ("white", "254", False), ("366", "white", False)])
def test_a_green_glow_read_under_another_light_is_remarked(
    tmp_path: Path, lamp: str, given: str, flagged: bool
) -> None:
    save(draw(PlateSpec(width=20, height=60, origin=8, front=50, dpi=100, light=lamp,
                        lanes=(LaneSpec(10.0, (SpotSpec(0.4, 1.0),)),))), tmp_path / "plate.png")
    flags = prepare(tmp_path / "plate.png", Settings(light=given, lanes=(10.0,))).flags
    assert [f.name for f in flags if f.name == "light-doubtful"] == ["light-doubtful"] * flagged

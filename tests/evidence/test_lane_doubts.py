"""What a question inherits from its plate: spots that were not read, and the channel's doubt."""

from __future__ import annotations

from pathlib import Path

import pytest

from lanes import Settings
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.evidence.lane_doubts import channel_doubt, holds_unread, stands_out_at, unread_spots
from lanes.measuring import prepare, read_lane
from lanes.questions.purity import answer as purity
from lanes.reading import Plate

YELLOW, GREY = (0.02, 0.1, 1.0), (0.6, 0.6, 0.6)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lanes = (LaneSpec(10.0, (SpotSpec(0.3, 1.0, colour=GREY), SpotSpec(0.7, 0.7, colour=YELLOW))),
             LaneSpec(20.0, (SpotSpec(0.3, 1.0, colour=GREY), SpotSpec(0.7, 0.7, colour=GREY))))
    path = tmp_path_factory.mktemp("colours") / "plate.png"
    save(draw(PlateSpec(width=40, height=60, origin=8, front=50, dpi=150, lanes=lanes)), path)
    return path


def read(path: Path, channel: str) -> tuple[Plate, list]:
    plate = prepare(path, Settings(light="white", channel=channel))
    return plate, [read_lane(plate, lane) for lane in plate.layout.lanes]


def test_shares_of_two_colours_hang_on_the_channel_and_those_of_one_do_not(drawn: Path) -> None:
    plate, (two, one) = read(drawn, "mean")
    (remark,) = channel_doubt(plate, [two])
    assert remark.name == "channel-matters"
    assert channel_doubt(plate, [one]) == ()
    assert "by channel" not in plate.seen


def test_a_spot_of_another_colour_is_remarked_where_it_was_not_read(drawn: Path) -> None:
    plate, (two, one) = read(drawn, "red")
    (remark,) = unread_spots(plate, two)
    assert remark.name == "spot-unread"
    assert "0.70" in remark.message
    assert unread_spots(plate, one) == ()
    assert (holds_unread(plate, two), holds_unread(plate, one)) == (True, False)
    assert stands_out_at(plate, two, 0.7)
    assert not stands_out_at(plate, two, 0.5)
    assert not stands_out_at(plate, one, 0.7)


@pytest.mark.usefixtures("few_trials")
def test_purity_says_both(drawn: Path) -> None:
    for channel, name in (("mean", "channel-matters"), ("red", "spot-unread")):
        flags = purity.answer(prepare(drawn, Settings(light="white", channel=channel)), "1").flags
        assert name in {f.name for f in flags}

"""A drawn reaction followed: each part of the answer held against what was drawn."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.measuring import prepare
from lanes.questions.follow import shares
from lanes.questions.follow.answer import answer
from lanes.questions.follow.command import times_from
from lanes.questions.follow.figure import follow_png
from lanes.questions.follow.kinetics import Range
from lanes.questions.follow.page import _range, render_follow
from lanes.questions.follow.shares import Level, above, conversion, ratio_interval
from lanes.settings import Settings
from lanes.settings_file import from_mapping

pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["schema", "unit", "lanes", "times", "normalised", "start_rf", "product_rf",
        "reference_rf", "spots", "conversion", "order", "rate", "rate_if_responses_equal",
        "flags"]
K, RATIO, TIMES = 0.1, 2.0, (0.0, 4.0, 10.0, 18.0, 60.0)
K2, LATER = 0.07, (0.0, 5.0, 12.0, 25.0, 90.0)


def drawn(lanes, folder, name):
    xs = np.linspace(9, 9 + 11 * (len(lanes) - 1), len(lanes))
    spec = PlateSpec(width=float(xs[-1]) + 9, light="366", seed=12, dpi=150, bed=0.004,
                     lanes=tuple(LaneSpec(float(x), tuple(s)) for x, s in
                                 zip(xs, lanes, strict=True)))
    save(draw(spec), folder / name)
    return prepare(folder / name, Settings(light="366", lanes=len(lanes)))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("follow")


@pytest.fixture(scope="module")
def plate(folder):
    """A to B, B answering the lamp twice as strongly; nothing of A is left at the end."""
    lanes = []
    for time in TIMES:
        left = math.exp(-K * time)
        spots = [SpotSpec(0.3, 1.1 * left, width=2.1)] if left > 0.01 else []
        lanes.append([*spots, *([SpotSpec(0.6, 1.1 * RATIO * (1 - left), width=2.2)]
                                if time else [])])
    return drawn(lanes, folder, "plate.png")


@pytest.fixture(scope="module")
def chain(folder):
    """A to B to C beside a reference at Rf 0.8, the applied amount not the same in each lane."""
    lanes = []
    for time, amount in zip(LATER, (1.0, 1.2, 0.9, 1.1, 0.95), strict=True):
        a = math.exp(-K * time)
        b = K / (K2 - K) * (math.exp(-K * time) - math.exp(-K2 * time))
        made = [(0.2, 1.3 * a), (0.4, 1.3 * b), (0.6, 1.3 * (1 - a - b)), (0.8, 0.7)]
        lanes.append([SpotSpec(rf, amount * v, width=2.1) for rf, v in made if v > 0.01])
    return drawn(lanes, folder, "chain.png")


@pytest.fixture(scope="module", autouse=True)
def _quick():
    """Limits as tests/evidence/test_tracks.py and the study find them, not looked for each time."""
    patch = pytest.MonkeyPatch()
    patch.setattr(shares, "unseen", lambda plate, reading, wanted, spread: tuple(
        2.0 * reading.limit for _ in wanted))
    yield
    patch.undo()


@pytest.fixture(scope="module")
def result(plate):
    return answer([plate], TIMES)


@pytest.fixture(scope="module")
def chained(chain):
    return answer([chain], LATER, reference=0.8)


def rendered(one, file="plate.png", settings=None):
    return render_follow(one, file, settings or Settings())


def test_start_and_product_are_named(result):
    start, product = (result.courses[i] for i in (result.start, result.product))
    assert (start.kind, product.kind) == ("starting material", "product")
    assert (start.rf, product.rf) == pytest.approx((0.3, 0.6), abs=0.005)


def test_shares_and_conversion_hold_what_was_drawn(result):
    held = []
    for j, time in enumerate(TIMES[1:-1], 1):
        left = math.exp(-K * time)
        true = 100 * left / (left + RATIO * (1 - left))
        share, gone = result.courses[result.start].levels[j], result.conversion[j]
        held += [share.low < true < share.high, gone.low < 100 - true < gone.high]
        assert share.percent == pytest.approx(true, abs=1.5)
        product = result.courses[result.product].levels[j]
        assert share.percent + product.percent == pytest.approx(100)
    assert sum(held) >= 5


def test_what_is_not_found_is_a_limit_and_never_nothing(result):
    last, gone = result.courses[result.start].levels[-1], result.conversion[-1]
    assert (last.detected, last.percent, last.low) == (False, None, 0.0)
    assert 0.0 < last.high < 3.0
    assert gone.percent is None
    assert gone.low == pytest.approx(100.0 - last.high, abs=1.0)
    assert gone.high == 100.0
    text = rendered(result).text()
    assert "not detected above" in text
    assert "conversion is above" in text
    for word in ("complete", "100 % conversion", "pure"):
        assert word not in text.lower()


def test_what_stands_out_unread_is_not_called_undetected(plate, monkeypatch):
    """A limit of what would have been found says nothing where something was seen and not read."""
    monkeypatch.setattr(shares, "stands_out_at", lambda plate, reading, rf: True)
    it = answer([plate], TIMES)
    last, gone = it.courses[it.start].levels[-1], it.conversion[-1]
    assert (last.percent, last.high, last.detected, last.unread) == (None, None, False, True)
    assert gone.low is None
    text = rendered(it).text()
    assert "Starting material at Rf 0.30: not read, though something stands out there" in text
    assert "not detected above" not in text
    assert "conversion is not known" in text


def test_no_error_bar_of_the_figure_reaches_beyond_what_can_be(result, monkeypatch):
    """Neither below nothing nor, of a whole, above all of it."""
    from matplotlib.axes import Axes

    seen, real = [], Axes.errorbar

    def watched(axes, x, y, yerr=None, **how):
        seen.append((np.asarray(y), np.asarray(yerr)))
        return real(axes, x, y, yerr=yerr, **how)

    monkeypatch.setattr(Axes, "errorbar", watched)
    unsure = [replace(p, sd=None if p.sd is None else 30 * p.sd) for p in result.points]
    follow_png(replace(result, points=tuple(unsure)))
    assert len(seen) == 3
    for y, (under, over) in seen:
        assert (y - under >= -1e-9).all()
        assert (y + over <= 100.0 + 1e-9).all()


def test_a_rates_interval_keeps_the_figures_of_its_lower_end():
    """0.02 to 0.07 per min would give a half-life of 10 to 35 min, not to 44."""
    assert _range(Range(0.0391, 0.0158, 0.0699)) == "0.039 (0.016 to 0.070)"
    assert _range(Range(18.2, 10.1, 43.9)) == "18 (10 to 44)"


@pytest.mark.parametrize("percent", [71.0, 49.0, 20.0])
def test_a_conversion_lies_in_its_own_interval(percent):
    levels = [Level(0.0, 50.0, 48.0, 52.0, True),
              Level(9.0, percent, percent - 2.0, percent + 2.0, True)]
    gone = conversion(levels)[1]
    assert gone.low < gone.percent < gone.high
    assert (gone.low < 0.0) == (percent > 50.0)


def test_the_rate_holds_and_the_response_is_fitted(result):
    rate = result.order.rate
    assert rate.constant.low < K < rate.constant.high
    assert rate.ratio.low < RATIO < rate.ratio.high
    assert rate.half_life.value == pytest.approx(math.log(2) / rate.constant.value)
    assert result.alike.rate is None or result.alike.rate.constant.low > K


def test_an_intermediate_is_named_and_a_reference_needs_no_response(chained):
    kinds = {round(c.rf, 1): c.kind for c in chained.courses}
    assert kinds == {0.2: "starting material", 0.4: "intermediate", 0.6: "product",
                     0.8: "reference"}
    rate = chained.order.rate
    assert rate.ratio is None
    assert rate.constant.low < K < rate.constant.high
    assert chained.courses[chained.start].levels[0].percent == pytest.approx(130 / 0.7, rel=0.03)
    assert chained.conversion[2].percent == pytest.approx(100 - 100 * math.exp(-K * 12), abs=2)
    assert "Intermediate at Rf 0.4" in rendered(chained).text()


def test_spots_can_be_named(chain):
    one = answer([chain], LATER, start=0.4, product=0.2)
    assert (one.courses[one.start].kind, round(one.courses[one.start].rf, 1)) == (
        "starting material", 0.4)
    assert round(one.courses[one.product].rf, 1) == 0.2


def test_lanes_are_left_out_and_put_in_order_by_name(plate, result):
    one = answer([plate], {"4": 18.0, "1": 0.0, "2": 4.0})
    assert (one.lanes, one.times) == (("1", "2", "4"), (0.0, 4.0, 18.0))
    two = answer([plate], (0.0, 4.0, None, 18.0, None))
    assert (two.lanes, two.courses) == (one.lanes, one.courses)
    notes = from_mapping({"lane": {"1": {"time": 0}, "2": {"time": 4.0}, "4": {"time": 18}}},
                         plate.settings)
    assert answer([replace(plate, settings=notes)]).courses == one.courses


def test_several_plates_follow_each_other(plate):
    one = answer([plate, plate], (0, 4, None, None, None, None, None, 10, 18, None))
    assert one.lanes == ("1:1", "1:2", "2:3", "2:4")
    assert one.order.rate is None or one.order.rate.constant.low < K


def test_two_times_give_shares_but_no_rate(plate):
    one = answer([plate], (0, None, 10, None, None))
    assert one.order.verdict == "cannot tell"
    assert one.conversion[1].percent is not None
    assert "Rate: cannot tell" in rendered(one).text()


@pytest.mark.parametrize(("times", "more", "words"), [
    ((0, 5, 10), {}, "3 times for 5 lanes"),
    ((0, 5, 4, 6, 7), {}, "4 follows 5"),
    ((0, None, None, None, None), {}, "two times at least"),
    ((0, -1, 2, 3, 4), {}, "-1 follows 0"),
    ((-1, 0, 2, 3, 4), {}, "from zero on"),
    ((0, 1, 2, 3, 1e300), {}, "--times: 1e.300 for lane 5 is beyond"),
    ({"9": 1.0}, {}, "there is no such lane; the lanes are 1, 2, 3, 4, 5"),
    (None, {}, "give --times"),
    (TIMES, {"start": 0.9}, "--start 0.9: no lane has a spot near that Rf"),
    (TIMES, {"product": 0.9}, "--product 0.9: no lane"),
    (TIMES, {"reference": 0.9}, "--reference 0.9: no lane"),
    (TIMES, {"reference": 0.3, "start": 0.3}, "name the same spot"),
    (TIMES, {"reference": 0.6}, "the first lane has no spot there"),
])
def test_bad_input_is_named(plate, times, more, words):
    with pytest.raises(InputError, match=words) as caught:
        answer([plate], times, **more)
    assert "\n" not in str(caught.value)


def test_a_name_on_two_plates_is_refused(plate):
    with pytest.raises(InputError, match="more than one plate"):
        answer([plate, plate], {"1": 0.0, "2": 1.0})


def test_times_as_they_are_written():
    assert times_from(None) is None
    assert times_from("0, 5,,15") == (0.0, 5.0, None, 15.0)
    assert times_from("A=0,B=5") == {"A": 0.0, "B": 5.0}
    for bad in ("0,x", "0,nan", "0,inf", "A=0,5", "A=x", "A=1,A=2"):
        with pytest.raises(InputError, match="--times"):
            times_from(bad)


@pytest.mark.parametrize(("more", "words"), [
    (["--times", "0,x"], "not a time"),
    (["--times", "0,5"], "no such file"),
    (["--times", "0,5", "--unit", " "], "--unit"),
    (["--start", "x"], "--start"),
    (["--force"], "--out"),
])
def test_the_command_ends_in_one_line(more, words, tmp_path, capsys):
    assert main(["follow", str(tmp_path / "none.png"), *more]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.count("\n") == 1
    assert words in error


def test_the_command_answers_and_its_settings_repeat_it(plate, folder, tmp_path, capsys):
    path, out = str(folder / "plate.png"), tmp_path / "out"
    assert main(["follow", path, "--light", "366", "--lanes", "5", "--times",
                 ",".join(map(str, TIMES)), "--out", str(out)]) == 0
    first = (out / "follow.json").read_bytes()
    capsys.readouterr()
    assert main(["follow", path, "--settings", str(out / "settings.toml"), "--json"]) == 0
    assert capsys.readouterr().out.encode() == first


@pytest.mark.parametrize("name", ["result", "chained"])
def test_the_record_has_these_keys(name, request):
    values = json.loads(rendered(request.getfixturevalue(name)).json())
    assert list(values) == KEYS
    for spot in values["spots"]:
        assert list(spot) == ["rf", "kind", "share"]
        for share in spot["share"]:
            assert list(share) == ["time", "percent", "low", "high", "detected"]
            assert share["detected"] or share["percent"] is None
    assert values["normalised"] == ("total" if name == "result" else "reference")
    assert (values["rate"]["response_ratio"] is None) == (name == "chained")


def test_the_page_holds_the_file_name_as_text(chained):
    page = rendered(chained, "plate <1>.png").html().decode("utf-8")
    assert "plate &lt;1&gt;.png" in page
    assert "<1>" not in page
    assert "Area percent is not mass percent" in page


def level(value, half, low=None, high=None):
    return Level(0.0, value, value - half if low is None else low,
                 value + half if high is None else high, True)


def test_the_interval_of_a_ratio_is_fiellers_where_both_are_normal():
    """Fieller (1954), written out as the roots of his quadratic (from memory)."""
    x, sx, y, sy = 40.0, 3.0, 90.0, 5.0
    a, b, c = y**2 - (1.96 * sy)**2, -2 * x * y, x**2 - (1.96 * sx)**2
    roots = sorted(np.roots([a, b, c]))
    assert ratio_interval(level(x, 1.96 * sx), level(y, 1.96 * sy)) == pytest.approx(roots)


def test_a_difference_stands_out_only_beyond_both_arms():
    assert above(level(20.0, 3.0), level(15.0, 3.9))
    assert not above(level(20.0, 3.0), level(15.0, 4.1))
    missing = Level(0.0, None, 0.0, 4.0, False)
    assert above(level(6.0, 3.0), missing)
    assert not above(level(4.9, 3.0), missing)
    assert not above(level(6.0, 3.0), Level(0.0, None, 0.0, None, False))


def test_intervals_hold_where_the_light_followed_another_law(tmp_path):
    """Drawn by Kubelka and Munk's function and read by optical density, k is held all the same."""
    lanes = []
    for time in TIMES[:-1]:
        left = math.exp(-K * time)
        lanes.append((9.0 + 11.0 * len(lanes), (
            SpotSpec(0.3, 1.6 * left, width=2.1),
            *((SpotSpec(0.6, 1.6 * (1 - left), width=2.2),) if time else ()))))
    spec = PlateSpec(width=51, light="white", seed=12, dpi=150,
                     lanes=tuple(LaneSpec(x, spots) for x, spots in lanes))
    save(draw(spec), tmp_path / "white.png")
    read = prepare(tmp_path / "white.png",
                   Settings(light="white", lanes=4, law="optical-density"))
    stated = answer([read], TIMES[:-1])
    for time, level in zip(TIMES[1:-1], stated.courses[stated.start].levels[1:], strict=True):
        assert level.low < 100.0 * math.exp(-K * time) < level.high
    assert [course.kind for course in stated.courses] == ["starting material", "product"]
    rate = stated.order.rate.constant
    assert rate.low < K < rate.high

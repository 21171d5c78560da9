"""How pure is it? Each part of the answer held against what the plate was drawn with."""

import dataclasses
import json

import numpy as np
import pytest

from lanes.cli import main
from lanes.confidence import TWO_SIDED_95
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.evidence import detection_limit
from lanes.flags import flag
from lanes.measuring import prepare, read_lane
from lanes.questions.purity import answer as purity
from lanes.questions.purity.answer import UnderLaw, answer, look
from lanes.questions.purity.command import limit_lanes
from lanes.questions.purity.figure import purity_png
from lanes.questions.purity.page import render_purity
from lanes.report.digits import up
from lanes.settings import Settings

KEYS = ["lane", "main", "others", "joined", "joined_percent", "undetected_below_percent",
        "beside_main", "laws", "limit_test", "flags"]


def rendered(result, file="plate.png"):
    return render_purity(result, file, Settings())


@pytest.fixture(scope="module")
def plate(tmp_path_factory):
    """Lanes: 1 one spot, 2 one of 10 percent at Rf 0.25, 3 a reference of 5 percent, 4 empty."""
    lone = (SpotSpec(0.5, 1.5, width=2.1),)
    pair = (SpotSpec(0.25, 0.15, width=2.1), SpotSpec(0.5, 1.35, width=2.1))
    reference = (SpotSpec(0.25, 0.075, width=2.1),)
    spec = PlateSpec(lanes=tuple(
        LaneSpec(x, spots) for x, spots in zip((9, 20, 31, 41), (lone, pair, reference, ()),
                                               strict=True)), seed=4, dpi=150)
    path = tmp_path_factory.mktemp("purity") / "plate.png"
    save(draw(spec), path)
    return prepare(path, Settings(light="white"))


@pytest.fixture(scope="module", autouse=True)
def _quick():
    patch = pytest.MonkeyPatch()
    patch.setattr(detection_limit, "RESOLUTIONS", (0.5, 1.0, 2.0))
    known = {}

    def once(plate, place, main=None):
        key = id(plate), place.name, main
        if key not in known:
            known[key] = look(plate, place, main)
        return known[key]

    # Spots are put into each lane once only.
    patch.setattr(purity, "look", once)
    yield
    patch.undo()


@pytest.fixture(scope="module")
def seen(plate):
    return [purity.look(plate, lane) for lane in plate.layout.lanes[:2]]


@pytest.fixture(scope="module")
def lone(plate):
    return answer(plate, "1", limits={"3": 5.0})


@pytest.fixture(scope="module")
def pair(plate):
    with pytest.MonkeyPatch.context() as patch:
        # What is missed beside a main spot is asked of `lone`.
        patch.setattr(detection_limit, "RESOLUTIONS", (1.0,))
        return answer(plate, "2", limits={"3": 5.0, "1": 100.0})


def test_a_lone_spot_is_bounded_by_what_could_have_been_missed(lone):
    assert lone.others == ()
    assert lone.main.area_percent == lone.main.high == 100.0
    assert lone.main.low == pytest.approx(100.0 - lone.undetected_below_percent)
    # The peak of a spot at the limit must stand out of the noise, and by no miracle.
    assert 0.2 < lone.undetected_below_percent < 10.0


def test_the_pictures_limit_is_of_the_law_its_spots_are_drawn_by(lone, monkeypatch):
    from matplotlib.axes import Axes

    words, real = [], Axes.annotate
    monkeypatch.setattr(Axes, "annotate", lambda axes, text, *more, **how: (
        words.append(text), real(axes, text, *more, **how))[1])
    used, other = (UnderLaw(law, 100.0, limit) for law, limit in (("a", 2.5), ("b", 4.0)))
    purity_png(dataclasses.replace(lone, laws=(used, other), undetected_below_percent=4.0), "lane")
    assert words[0] == "limit 2.5 % (4.0 % by b)"
    purity_png(dataclasses.replace(lone, laws=(used, other), undetected_below_percent=2.5), "lane")
    assert words[1] == "limit 2.5 %"


def test_two_spots_have_shares_that_hold_the_truth(pair):
    (other,) = pair.others
    assert other.rf == pytest.approx(0.25, abs=0.01)
    assert other.low < 10.0 < other.high
    assert pair.main.low < 90.0 < pair.main.high
    assert other.area_percent + pair.main.area_percent == pytest.approx(100.0)
    main = pair.reading.spots[1]
    # One further spot at the limit would take its part of the whole from the main one.
    assert pair.main.low == pytest.approx(
        (main.area_percent - TWO_SIDED_95 * main.area_percent_sd)
        * (1.0 - pair.undetected_below_percent / 100.0))
    assert pair.main.high == pytest.approx(main.area_percent + TWO_SIDED_95 * main.area_percent_sd)
    spot = pair.reading.spots[0]
    assert other.high - other.low == pytest.approx(2 * TWO_SIDED_95 * spot.area_percent_sd)


def test_main_is_the_largest_unless_it_is_named(plate, seen):
    assert seen[1].index == 1
    named = look(plate, plate.layout.lanes[1], main=0.26)
    assert named.index == 0
    assert named.shares[0].area_percent == pytest.approx(10.0, abs=2.0)


def test_neighbours_need_more_the_nearer_they_are(lone):
    by = {b.resolution: b.percent for b in lone.beside_main}
    assert list(by) == [0.5, 1.0, 2.0]
    assert by[2.0] is not None
    assert by[1.0] is not None
    assert by[0.5] is None or by[0.5] > 1.5 * by[1.0]
    # Well apart, a neighbour is a spot like any other.
    assert 0.4 < by[2.0] / lone.undetected_below_percent < 2.5


def test_a_spot_above_the_limit_is_found_and_one_far_below_is_not(seen):
    seen = seen[0]
    sigma = seen.reading.fit.components[0].sigma

    def found(area):
        put = detection_limit.Peak(0.25 * seen.reading.trace.run, area, sigma)
        fit = seen.start.plus([put]).fitted()
        return len(fit.components) == 2

    assert found(1.5 * seen.limit_area)
    assert not found(0.15 * seen.limit_area)


def test_a_trace_fitted_again_gives_the_reading(seen):
    """The limit is that of the detection in use only if both go the same way."""
    for each in seen:
        assert each.start.fitted().components == each.reading.fit.components


def test_turned_residuals_keep_the_sum_of_strips(seen):
    seen = seen[0]
    centre = seen.reading.fit.components[0].centre
    turned = seen.start.with_residual(seen.reading.fit, -1.0, centre)
    model = seen.reading.fit.model
    np.testing.assert_allclose(
        np.interp(2 * centre - seen.start.trace.position[200:300], seen.start.trace.position,
                  seen.start.flat - model) / np.interp(
                      2 * centre - seen.start.trace.position[200:300],
                      seen.start.trace.position, seen.start.trace.gain),
        -(turned.flat - model)[200:300] / seen.start.trace.gain[200:300], atol=1e-3)
    more = seen.start.plus([detection_limit.Peak(centre, 1.0, 1.0)])
    step = np.diff(seen.start.trace.across)[0]
    added = (more.trace.strips - seen.start.trace.strips).sum(axis=1) * step
    np.testing.assert_allclose(added, more.flat - seen.start.flat, atol=1e-12)


def test_each_law_has_its_figure_and_the_flag_says_so(pair):
    assert [u.law for u in pair.laws] == ["kubelka-munk", "optical density"]
    first, second = (u.area_percent for u in pair.laws)
    assert first == pair.main.area_percent
    # Optical density bends the strong spot down: the main spot's share falls.
    assert second < first - 1.0
    assert "law-matters" in [f.name for f in pair.flags]


def test_the_limit_test_compares_areas(plate, pair):
    small, large = pair.limit_test
    assert (small.lane, small.percent, small.verdict) == ("3", 5.0, "above")
    assert small.ratio == pytest.approx(2.0, rel=0.2)
    assert (large.lane, large.verdict) == ("1", "below")
    own = read_lane(plate, plate.layout.lanes[1]).spots[0]
    known = read_lane(plate, plate.layout.lanes[2]).spots[0]
    assert small.sds == pytest.approx(
        (known.area - own.area) / np.hypot(known.area_sd, own.area_sd))


def test_without_another_spot_the_smallest_that_would_show_is_compared(plate, seen, lone):
    (test,) = lone.limit_test
    known = read_lane(plate, plate.layout.lanes[2]).spots[0]
    clear = known.area - TWO_SIDED_95 * known.area_sd > seen[0].limit_area
    assert (test.rf, test.ratio) == (None, None)
    assert test.verdict == ("below" if clear else "cannot tell")


def test_what_pencil_hides_is_reported_as_unknown(lone):
    assert any("unknown" in f.message and "origin" in f.message for f in lone.flags)


def test_a_given_count_leaves_the_limit_unknown(plate):
    given = dataclasses.replace(plate, settings=Settings(light="white", components=1))
    result = answer(given, "1")
    assert result.undetected_below_percent is None
    assert result.main.low is None
    assert result.beside_main == ()
    assert "not known" in rendered(result).text()


@pytest.mark.parametrize(("lane", "more", "words"), [
    ("9", {}, "the lanes are 1, 2, 3, 4"),
    (None, {}, "give --lane NAME; the lanes are 1, 2, 3, 4"),
    ("", {}, "--lane '' is empty: give a lane's name; the lanes are 1, 2, 3, 4"),
    ("4", {}, "holds no spot"),
    ("2", {"main": 0.8}, "no spot near that Rf"),
    ("2", {"main": float("nan")}, "give an Rf"),
    ("2", {"limits": {"7": 1.0}}, "--limit-lane 7: there is no such lane"),
    ("2", {"limits": {"2": 1.0}}, "the sample's own lane"),
    ("2", {"limits": {"3": 0.0}}, "give a percent"),
])
def test_bad_input_is_named(plate, lane, more, words):
    with pytest.raises(InputError, match=words) as caught:
        answer(plate, lane, **more)
    assert "\n" not in str(caught.value)


def test_an_empty_reference_lane_is_named(plate):
    with pytest.raises(InputError, match="--limit-lane 4: no spot"):
        answer(plate, "1", limits={"4": 1.0})


@pytest.mark.parametrize("text", ["3", "3=", "3=x", "=1", "3=nan", "3=-1", "3=101"])
def test_limit_lanes_that_are_not_name_and_percent(text):
    with pytest.raises(InputError, match="give NAME=PERCENT"):
        limit_lanes([text])


def test_limit_lanes():
    assert limit_lanes(["A=0.5", "B=x=2"]) == {"A": 0.5, "B=x": 2.0}
    with pytest.raises(InputError, match="stands twice"):
        limit_lanes(["A=1", "A=2"])


@pytest.mark.parametrize(("more", "words"), [
    (["--lane", "1", "--limit-lane", "3=x"], "give NAME=PERCENT"),
    (["--lane", "1"], "no such file"),
    ([], "no such file"),
    (["--lane", "1", "--main", "x"], "--main"),
])
def test_the_command_ends_in_one_line(more, words, tmp_path, capsys):
    assert main(["purity", str(tmp_path / "none.png"), *more]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.count("\n") == 1
    assert words in error


@pytest.mark.parametrize("name", ["lone", "pair"])
def test_the_record_has_these_keys(name, request):
    result = request.getfixturevalue(name)
    values = json.loads(rendered(result).json())
    assert list(values) == ["schema", *KEYS]
    assert list(values["main"]) == ["rf", "area_percent", "low", "high"]
    assert all(list(o) == ["rf", "area_percent", "low", "high"] for o in values["others"])
    assert all(list(b) == ["resolution", "percent"] for b in values["beside_main"])
    assert all(list(u) == ["law", "area_percent", "undetected_below_percent"]
               for u in values["laws"])


def test_a_reading_in_doubt_is_called_so_in_the_second_line(lone, pair):
    assert "less certain" not in rendered(pair).text()
    for result in (lone, pair):
        poor = dataclasses.replace(result, flags=(*result.flags, flag("fit-poor", "drawn so")))
        line = rendered(poor).text().splitlines()[1]
        assert line == ("These figures are less certain than usual: the spots do not follow the "
                        "trace within the noise.")
    spots = list(pair.reading.spots)
    spots[pair.index] = dataclasses.replace(spots[pair.index], flags=(flag("weak", "drawn so"),))
    weak = dataclasses.replace(pair, reading=dataclasses.replace(pair.reading, spots=tuple(spots)))
    assert rendered(weak).text().splitlines()[1].endswith("the main spot is weak.")


def test_what_no_valley_divides_from_the_main_spot_may_be_a_part_of_it(pair, monkeypatch):
    """Four spots: one apart by a valley, one on the main spot's flank, one baseline separated."""
    assert pair.joined == ()
    assert "may be a part of it" not in rendered(pair).text()
    reading, (far, main) = pair.reading, pair.reading.spots
    tail = dataclasses.replace(main, rf=0.46, area_percent=20.0)
    head = dataclasses.replace(main, rf=0.54, area_percent=10.0)
    body = dataclasses.replace(main, area_percent=60.0)
    four = dataclasses.replace(
        reading, spots=(far, tail, body, head),
        pairs=tuple(dataclasses.replace(reading.pairs[0], lower=i, upper=i + 1, resolution=rs)
                    for i, rs in enumerate((1.2, 0.6, 1.7))))
    monkeypatch.setattr(purity, "shown_valley", lambda _, lower: 0.3 if lower == 0 else None)
    joined = purity.joined_spots(four, 2)
    assert joined == (1,)
    found = dataclasses.replace(pair, reading=four, index=2, joined=joined)
    assert found.joined_percent == pytest.approx(80.0)
    assert ("No valley divides the main spot from that at Rf 0.46: it may be a part of it"
            in rendered(found).text())
    assert json.loads(rendered(found).json())["joined"] == [0.46]


def test_what_is_found_beside_a_spot_names_the_finer_test(lone):
    """Purity answers what a reading would list, `lanes shoulder` tests one spot: two questions."""
    assert "a test of this one spot (lanes shoulder) sees smaller" in rendered(lone).text()


def test_the_words_never_say_pure(lone, pair):
    for result in (lone, pair):
        text = rendered(result).text()
        page = rendered(result).html().decode()
        assert text.startswith(f"Lane {result.lane}: ")
        assert "The signal is by kubelka-munk, from channel " in text
        for words in (text, page):
            lower = words.lower().replace("how pure is it?", "")
            assert "is pure" not in lower
            assert " pure" not in lower
            assert "area percent is not mass percent" in lower
    assert "no second component detected above" in rendered(lone).text()
    assert "no further component detected above" in rendered(pair).text()


def test_what_the_main_spot_may_hide_is_stated(lone, pair):
    """A share of 97 to 100 % holds away from it: beside it larger ones are missed."""
    for result in (lone, pair):
        resolution, percent = min((b.resolution, b.percent) for b in result.beside_main
                                  if b.percent is not None)
        assert (f"It may hide a neighbour: one at a resolution of {resolution:g} is listed only "
                f"from {up(percent)} % of the main spot on") in rendered(result).text()
    assert "area percent if it hides no neighbour" in rendered(lone).text()
    assert "away from the main spot" in rendered(lone).text()


def test_the_page_holds_the_file_name_as_text(pair):
    page = rendered(pair, "plate <1>.png").html().decode("utf-8")
    assert "plate &lt;1&gt;.png" in page
    assert "<1>" not in page

"""A drawn separation: purities, pools and their intervals held against what was drawn."""

import json
from dataclasses import replace

import numpy as np
import pytest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.measuring import prepare
from lanes.questions.fractions import pools
from lanes.questions.fractions.answer import answer
from lanes.questions.fractions.page import render_fractions
from lanes.questions.fractions.pools import Areas
from lanes.settings import Settings

pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["schema", "target_rf", "purity_asked_percent", "volumes_given", "fractions", "pool",
        "nearest", "pool_by_expected_purity", "runners_up", "flags"]
TARGET = (0.0, 0.2, 0.9, 1.0, 0.3, 0.4)
OTHER = (0.6, 0.5, 0.05, 0.0, 0.25, 0.0)


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """Five fractions, target at Rf 0.6 and another at 0.3, and lane 6 of the target alone."""
    lanes = tuple(
        LaneSpec(9.0 + 11.0 * i, tuple(SpotSpec(rf, a, width=2.1)
                                       for rf, a in ((0.3, b), (0.6, t)) if a))
        for i, (t, b) in enumerate(zip(TARGET, OTHER, strict=True)))
    where = tmp_path_factory.mktemp("fractions") / "plate.png"
    save(draw(PlateSpec(width=73, lanes=lanes, light="366", seed=3, dpi=150, bed=0.004)), where)
    return where


@pytest.fixture(scope="module")
def plate(path):
    return prepare(path, Settings(light="366", lanes=6))


@pytest.fixture(scope="module", autouse=True)
def _quick():
    """Limits as the study finds them, without looking for spots in every lane each time."""
    patch = pytest.MonkeyPatch()
    patch.setattr(pools, "unseen", lambda plate, reading, wanted, spread: tuple(
        2.0 * reading.limit for _ in wanted))
    yield
    patch.undo()


NAMES = ("1", "2", "3", "4", "5")


@pytest.fixture(scope="module")
def result(plate):
    return answer([plate], 0.6, 90.0, names=NAMES)


def rendered(one, file="plate.png"):
    return render_fractions(one, file, Settings())


def true_purity(first, last, volumes=(1,) * 5):
    t, o = (np.array(v[:5]) * volumes for v in (TARGET, OTHER))
    return 100 * t[first:last + 1].sum() / (t + o)[first:last + 1].sum()


def test_each_fraction_has_its_purity(result):
    assert result.fractions[0].purity is None
    assert result.fractions[0].target_limit > 0
    for j in (1, 2, 4):
        one = result.fractions[j]
        assert one.low <= true_purity(j, j) <= one.high
    lone = result.fractions[3]
    assert lone.purity == 100.0
    # What would have been missed bounds it: a lone spot is not all there is.
    assert lone.low == pytest.approx(100.0 - lone.undetected)
    assert lone.low < 100.0


def test_the_pool_keeps_the_most_at_the_purity(result):
    """All ten pools by hand: 3 to 4 is 97.4 % pure; with 2 it is 79, with 5 it is 88."""
    assert (result.chosen.first, result.chosen.last) == (2, 3)
    assert result.chosen.low <= true_purity(2, 3) <= result.chosen.high
    assert result.chosen.recovery == pytest.approx(100 * 1.9 / 2.4, abs=2.0)
    assert result.chosen.recovery_low < 100 * 1.9 / 2.4 < result.chosen.recovery_high
    assert result.chosen.meets
    wider = [p for p in result.runners_up if not p.meets]
    assert {(p.first, p.last) for p in wider} == {(1, 3), (2, 4)}
    assert [(p.first, p.last) for p in result.runners_up if p.meets] == [(3, 3), (2, 2)]


def test_a_lower_purity_keeps_more_and_a_higher_one_less(plate, result):
    more = answer([plate], 0.6, 80.0, names=NAMES)
    less = answer([plate], 0.6, 98.5, names=NAMES)
    assert (more.chosen.first, more.chosen.last) == (2, 4)
    assert less.chosen is None or less.chosen.recovery < result.chosen.recovery


def test_where_none_meets_it_the_nearest_is_named(plate):
    one = answer([plate], 0.6, 99.9, names=NAMES)
    assert one.chosen is None
    assert one.runners_up == ()
    assert (one.nearest.first, one.nearest.last) == (3, 3)
    text = rendered(one).text()
    assert text.startswith("No pool can be shown to reach 99.9 area percent.")
    assert "Nearest is fraction 4 alone" in text
    assert "By expected purity alone one would take fraction 4 alone" in text


def test_volumes_weigh_the_areas(plate, result):
    volumes = (10.0, 1.0, 1.0, 1.0, 30.0)
    one = answer([plate], 0.6, 40.0, names=NAMES, volumes=volumes)
    pool = one.chosen
    assert pool.low <= true_purity(pool.first, pool.last, volumes) <= pool.high
    assert pool.last == 4
    scaled = answer([plate], 0.6, 90.0, names=NAMES, volumes=(7.0,) * 5)
    assert scaled.chosen.purity == pytest.approx(result.chosen.purity)
    assert scaled.chosen.recovery_low == pytest.approx(result.chosen.recovery_low)


def test_lanes_of_another_role_are_left_out(path, result):
    roles = ("fraction",) * 5 + ("reference",)
    plate = prepare(path, Settings(light="366", lanes=6, roles=roles))
    one = answer([plate], 0.6, 90.0)
    assert [f.name for f in one.fractions] == list(NAMES)
    assert one.chosen == result.chosen
    with pytest.raises(InputError, match="none is left"):
        answer([replace(plate, layout=replace(plate.layout, lanes=plate.layout.lanes[5:]))],
               0.6, 90.0)


def test_the_order_of_elution_can_be_given(plate):
    one = answer([plate], 0.6, 90.0, names=("4", "3", "2"))
    assert [f.name for f in one.fractions] == ["4", "3", "2"]
    assert (one.chosen.first, one.chosen.last) == (0, 1)


def test_a_pool_of_every_fraction_keeps_all(plate):
    text = rendered(answer([plate], 0.6, 50.0, names=("4",))).text()
    assert "Pool fraction 4 alone: " in text
    assert "It recovers all of the target" in text
    assert "100.0 (100.0 to 100.0)" not in text


def test_a_pools_standard_deviation_is_that_of_drawn_areas():
    """The linear propagation beside a plain simulation of correlated areas and uneven lanes."""
    rng = np.random.default_rng(2)
    variances = np.array([[[4e-4, 1e-4], [1e-4, 1e-4]], [[9e-4, -2e-4], [-2e-4, 4e-4]]])
    target, others, volumes = np.array([0.9, 0.7]), np.array([0.1, 0.3]), np.array([2.0, 3.0])
    table = Areas(target, np.ones(2, bool), np.zeros(2, bool), others, variances,
                  np.zeros(2), np.zeros(2), volumes, np.zeros((0, 2, 2)),
                  np.zeros((0, 2, 2, 2)), np.zeros(0))
    pool = table.pool(0, 1, 0.0)
    drawn = [np.stack([rng.multivariate_normal([t, o], v, 20000)
                       for t, o, v in zip(target, others, variances, strict=True)])]
    drawn[0] *= 1.0 + pools.LANE_SD * rng.normal(size=(2, 20000, 1))
    sums = (drawn[0] * volumes[:, None, None]).sum(axis=0)
    share = 100 * sums[:, 0] / sums.sum(axis=1)
    assert pool.purity == pytest.approx(100 * 3.9 / 5.0)
    assert pool.high - pool.purity == pytest.approx(1.96 * share.std(), rel=0.03)
    part = table.pool(0, 0, 0.0)
    kept = 100 * 2.0 * drawn[0][0, :, 0] / sums[:, 0]
    assert part.recovery_high - part.recovery == pytest.approx(1.96 * kept.std(), rel=0.03)


def test_missed_spots_lower_the_purity_by_what_they_would_add():
    table = Areas(np.array([1.0]), np.ones(1, bool), np.zeros(1, bool), np.zeros(1),
                  np.zeros((1, 2, 2)), np.array([0.05]), np.zeros(1), np.ones(1),
                  np.zeros((0, 2, 1)), np.zeros((0, 1, 2, 2)), np.zeros(0))
    pool = table.pool(0, 0, 90.0)
    assert (pool.purity, pool.high) == (100.0, 100.0)
    assert pool.low == pytest.approx(100.0 / 1.05)
    unknown = replace(table, missed=np.array([np.nan])).pool(0, 0, 90.0)
    assert (unknown.low, unknown.meets) == (None, False)


def test_what_stands_out_unread_is_neither_undetected_nor_nothing(plate, monkeypatch):
    """At the target's place its amount is not known, elsewhere how much more there is."""
    monkeypatch.setattr(pools, "stands_out_at", lambda plate, reading, rf: reading.name == "1")
    monkeypatch.setattr(pools, "holds_unread", lambda plate, reading: reading.name in "13")
    one = answer([plate], 0.6, 90.0, names=NAMES)
    first, _, third, fourth, _ = one.fractions
    assert (first.target, first.target_limit, first.undetected) == (None, None, None)
    assert (first.unread, third.unread) == (True, False)
    assert (third.low, third.undetected) == (None, None)
    assert third.high >= 94.0
    # No pool with fraction 3 meets anything now, and of none is it known how much is left in 1.
    assert (one.chosen.first, one.chosen.last) == (3, 3)
    assert one.chosen.recovery_low is None
    assert one.chosen.low == fourth.low
    text = rendered(one).text()
    assert "Fraction 1: target not read, though something stands out there" in text
    assert "lower end not known" in text
    assert rendered(one).figure.startswith(b"\x89PNG")


@pytest.mark.parametrize(("target", "purity", "more", "words"), [
    (0.9, 90.0, {}, "--target 0.9: no lane has a spot near that Rf"),
    (0.6, 100.0, {}, "--purity 100"),
    (0.6, 0.0, {}, "--purity 0"),
    (0.6, 0.95, {}, "--purity 0.95: .* did you mean 95"),
    (0.6, float("nan"), {}, "--purity"),
    (0.6, 90.0, {"names": ("1", "9")}, "--fractions 9: there is no such lane"),
    (0.6, 90.0, {"names": ("1", "1")}, "stands twice"),
    (0.6, 90.0, {"volumes": (1.0, 2.0)}, "2 volumes for 6 fractions"),
    (0.6, 90.0, {"volumes": (1.0,) * 5 + (0.0,)}, "above zero"),
    (0.6, 90.0, {"volumes": (1.0,) * 5 + (1e300,)}, "--volumes: 1e.300 for fraction 6 is beyond"),
    (0.6, 90.0, {"volumes": (1.0,) * 5 + (1e7,)}, "more than 1e.06 times the 1 for"),
])
def test_bad_input_is_named(plate, target, purity, more, words):
    with pytest.raises(InputError, match=words) as caught:
        answer([plate], target, purity, **more)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("more", "words"), [
    (["--target", "0.6"], "--purity"),
    (["--target", "x", "--purity", "90"], "--target 'x' is no number: give the Rf"),
    (["--target", "0.6", "--purity", "high"], "--purity 'high' is no number: give a percent"),
    (["--target", "0.6", "--purity", "95%"], "no such file"),
    (["--target", "0.6", "--purity", "90", "--volumes", "1,x"], "--volumes"),
    (["--target", "0.6", "--purity", "90", "--fractions", ","], "--fractions"),
    (["--target", "0.6", "--purity", "90"], "no such file"),
])
def test_the_command_ends_in_one_line(more, words, tmp_path, capsys):
    assert main(["fractions", str(tmp_path / "none.png"), *more]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.count("\n") == 1
    assert words in error


def test_the_command_answers(path, result, capsys):
    assert main(["fractions", str(path), "--light", "366", "--lanes", "6", "--target", "0.6",
                 "--purity", "90 %", "--fractions", ",".join(NAMES), "--json"]) == 0
    values = json.loads(capsys.readouterr().out)
    assert list(values) == KEYS
    assert values["pool"]["fractions"] == ["3", "4"]
    assert values["fractions"][0]["purity_percent"] is None
    assert values == json.loads(rendered(result).json())


def test_the_page_holds_the_file_name_as_text(result):
    page = rendered(result, "plate <1>.png").html().decode("utf-8")
    assert "plate &lt;1&gt;.png" in page
    assert "<1>" not in page
    assert "Area percent is not mass percent" in page
    assert " pure" not in rendered(result).text().lower()


def test_purities_and_recoveries_hold_where_the_light_followed_another_law(tmp_path):
    """Drawn by Kubelka and Munk's function, read by optical density."""
    target, other = (1.6, 1.5, 0.5, 0.2), (0.15, 0.6, 1.2, 1.5)
    lanes = tuple(
        LaneSpec(9.0 + 11.0 * i, (SpotSpec(0.3, b, width=2.1), SpotSpec(0.6, t, width=2.1)))
        for i, (t, b) in enumerate(zip(target, other, strict=True)))
    save(draw(PlateSpec(width=51, lanes=lanes, light="white", seed=3, dpi=150)),
         tmp_path / "white.png")
    read = prepare(tmp_path / "white.png", Settings(light="white", lanes=4, law="optical-density"))
    stated = answer([read], 0.6, 90.0)
    for t, b, fraction in zip(target, other, stated.fractions, strict=True):
        assert fraction.low < 100.0 * t / (t + b) < fraction.high
    pool = answer([read], 0.6, 75.0).expected
    inside = slice(pool.first, pool.last + 1)
    assert pool.recovery_low < 100.0 * sum(target[inside]) / sum(target) < pool.recovery_high

"""How much is in it? Each part of the answer held against what the plate was drawn with."""

from __future__ import annotations

import dataclasses
import json

import pytest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.measuring import prepare, read_lane
from lanes.questions.amount import answer as module
from lanes.questions.amount.answer import answer
from lanes.questions.amount.page import render_amount
from lanes.settings import LaneNote, Settings
from lanes.settings_file import read_settings

# Lanes from left to right, and their amounts: E holds nothing, X something else elsewhere.
AMOUNTS = {"S1": 0.25, "U1": 0.7, "S2": 0.5, "S3": 1.0, "U2": 0.7, "S4": 1.5, "S5": 2.0, "S6": 2.0,
           "B": 0.0, "E": 0.0, "H": 3.2}
STANDARDS = {name: AMOUNTS[name] for name in ("S1", "S2", "S3", "S4", "S5", "S6")}
pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["schema", "rf", "unit", "model", "formula", "parameters", "scatter", "models_tried",
        "lack_of_fit", "standards", "unknowns", "detection_limit", "quantitation_limit",
        "limits_from", "flags"]


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    lanes = tuple(
        LaneSpec(9.0 + 10.2 * i, (SpotSpec(0.25, 0.3, width=1.8),) * (name in ("E", "U1")) + (
            (SpotSpec(0.5, 0.8 * value, width=2.1),) if value else ()), name)
        for i, (name, value) in enumerate(AMOUNTS.items()))
    spec = PlateSpec(width=120, height=80, front=70, lanes=lanes, seed=6, dpi=150)
    path = tmp_path_factory.mktemp("amount") / "plate.png"
    save(draw(spec), path)
    return path


@pytest.fixture(scope="module")
def plate(path):
    return prepare(path, Settings(light="white", names=tuple(AMOUNTS)))


@pytest.fixture(scope="module", autouse=True)
def _once(plate):
    """Read each lane once only."""
    known = {}

    def reading(plate, lane):
        if lane.name not in known:
            known[lane.name] = read_lane(plate, lane)
        return known[lane.name]

    patch = pytest.MonkeyPatch()
    patch.setattr(module, "read_lane", reading)
    yield
    patch.undo()


@pytest.fixture(scope="module")
def result(plate):
    return answer(plate, standards=STANDARDS, unknowns=("U1", "U2", "E", "H"),
                  unit="µg")


def one(result, name):
    return next(u for u in result.unknowns if u.name == name)


def names(flags):
    return [f.name for f in flags]


def rendered(result):
    return render_amount(result, "plate <1>.png", Settings())


def test_samples_come_out(result):
    assert result.rf == pytest.approx(0.5, abs=0.005)
    assert result.calibration.curve.name == "line"
    assert result.calibration.values[1] == pytest.approx(0.8, rel=0.1)
    for name in ("U1", "U2"):
        found = one(result, name)
        assert found.low < 0.7 < found.high
        assert found.high - found.low < 0.35
        assert found.flags == ()


def test_the_areas_own_uncertainty_is_in_the_weights(plate, result):
    for standard in result.standards:
        spot = min(module.read_lane(plate, next(
            lane for lane in plate.layout.lanes if lane.name == standard.name)).spots,
            key=lambda s: abs(s.rf - 0.5))
        assert (standard.area, standard.area_sd) == (spot.area, spot.area_sd_noise)
        assert standard.sd >= standard.area_sd


def test_two_lanes_of_one_sample_narrow_the_interval(plate, result):
    both = one(answer(plate, standards=STANDARDS, unknowns=("U1+U2",)), "U1+U2")
    assert both.lanes == ("U1", "U2")
    single = one(result, "U1")
    assert both.area == pytest.approx((single.area + one(result, "U2").area) / 2)
    assert both.high - both.low < single.high - single.low
    assert both.low < 0.7 < both.high


def test_a_sample_without_the_spot_is_not_detected(result):
    found = one(result, "E")
    assert (found.area, found.amount, found.rf) == (None, None, None)
    assert names(found.flags) == ["not-detected"]
    # Less than the calibration's own detection limit can't be called seen.
    assert result.limits.detection <= found.missed_below < 0.25
    assert (found.low, found.high) == (0.0, found.missed_below)


def test_what_would_have_shown_carries_the_curves_doubt(plate, result):
    """The same lane by standards that scatter more can promise no less."""
    bent = STANDARDS | {"S1": 0.35, "S2": 0.4, "S5": 2.4}
    found = answer(plate, standards=bent, unknowns=("E",))
    assert one(found, "E").missed_below >= found.limits.detection
    assert one(found, "E").missed_below > one(result, "E").missed_below


def test_beyond_the_standards_is_flagged(result):
    found = one(result, "H")
    assert names(found.flags)[0] == "outside-range"
    assert found.amount == pytest.approx(3.2, rel=0.2)
    text = rendered(result).text()
    assert "; outside the standards' range, where the curve is carried on)" in text
    assert ") (" not in text


def test_repeated_standards_test_the_fit(result):
    lack = result.calibration.lack
    assert (lack.df_lack, lack.df_pure) == (3, 1)
    assert lack.p > 0.05
    assert "Lack of fit: none seen" in rendered(result).text()


def test_dilution_multiplies(plate, result):
    ten = one(answer(plate, standards=STANDARDS, unknowns=("U1", "E"), dilution={"U1": 10.0}), "U1")
    plain = one(result, "U1")
    assert [ten.amount, ten.sd, ten.low, ten.high] == pytest.approx(
        [10 * v for v in (plain.amount, plain.sd, plain.low, plain.high)])
    assert ten.area == plain.area
    assert ten.flags == ()


def test_a_blank_pins_the_foot(plate, result):
    blank = answer(plate, standards=STANDARDS | {"B": 0.0}, unknowns=("U1",))
    standard = next(s for s in blank.standards if s.name == "B")
    assert (standard.rf, standard.area) == (None, 0.0)
    assert 0 < standard.area_sd < 0.05
    assert blank.calibration.sds[0] < 0.7 * result.calibration.sds[0]
    assert one(blank, "U1").low < 0.7 < one(blank, "U1").high
    assert "blank-not-empty" not in names(blank.flags)


def test_a_blank_with_a_spot_is_flagged(plate):
    found = answer(plate, standards={k: STANDARDS[k] for k in ("S2", "S3", "S4", "S5")} | {
        "S1": 0.0}, unknowns=("U1",))
    assert "blank-not-empty" in names(found.flags)
    assert rendered(found).lines[0].endswith("But the blank S1 shows a spot.")


def test_without_names_every_other_lane_is_a_sample(plate):
    found = answer(plate, standards=STANDARDS)
    assert [u.name for u in found.unknowns] == ["U1", "U2", "B", "E", "H"]
    assert [u.name for u in found.unknowns if u.area is None] == ["B", "E"]
    page = rendered(found)
    assert "- B: not detected; " in page.text()
    assert page.text().count("not detected; ") == 2
    assert [u["area"] for u in json.loads(page.json())["unknowns"]].count(None) == 2
    assert "not detected" in "".join(page.sections)


def test_no_spot_in_any_other_lane_is_refused(plate):
    rest = {name: value for name, value in AMOUNTS.items() if name not in ("B", "E")}
    with pytest.raises(InputError, match="no other lane has a spot"):
        answer(plate, standards=rest)


def test_amounts_from_the_settings_and_over_them(plate):
    notes = tuple(LaneNote(name, amount=value) for name, value in STANDARDS.items())
    noted = dataclasses.replace(plate, settings=dataclasses.replace(plate.settings, lane=notes))
    found = answer(noted, unknowns=("U1",))
    assert {s.name: s.amount for s in found.standards} == STANDARDS
    over = answer(noted, standards={k: 2 * v for k, v in STANDARDS.items()}, unknowns=("U1",))
    assert one(over, "U1").amount == pytest.approx(2 * one(found, "U1").amount)


def test_few_standards_are_flagged(plate):
    few = answer(plate, standards={k: STANDARDS[k] for k in ("S1", "S3", "S5")}, unknowns=("U1",))
    assert "few-standards" in names(few.flags)
    assert few.calibration.curve.name == "line"
    found = one(few, "U1")
    assert found.low <= 0.7
    assert found.high is None or found.high >= 0.7


def test_a_curve_that_is_asked_for_is_used_and_named(plate):
    found = answer(plate, standards=STANDARDS, unknowns=("U1",), curve="power")
    assert found.calibration.curve.name == "power"
    assert "curved" in names(found.flags)
    assert found.calibration.values[1] == pytest.approx(1.0, abs=0.15)
    assert one(found, "U1").low < 0.7 < one(found, "U1").high


def test_a_flat_topped_spot_is_put_together(path):
    """Kubelka-Munk's spots read as optical density: flat tops, which are no second substance.

    The reading keeps each as one; taken as two, as someone may ask, they are put together here.
    """
    one_each = prepare(path, Settings(light="white", law="optical-density", names=tuple(AMOUNTS)))
    assert all(len(read_lane(one_each, lane).spots) == 1 for lane in one_each.layout.lanes
               if lane.name in STANDARDS)
    bent = prepare(path, Settings(light="white", law="optical-density", names=tuple(AMOUNTS),
                                  components=2))
    patch = pytest.MonkeyPatch()
    patch.setattr(module, "read_lane", read_lane)
    found = answer(bent, standards=STANDARDS, unknowns=("U1", "U2"))
    patch.undo()
    lanes = {lane.name: read_lane(bent, lane) for lane in bent.layout.lanes}
    split = [name for name in STANDARDS if len(lanes[name].spots) > 1]
    assert split
    assert "merged" in names(found.flags)
    for standard in found.standards:
        # A weak spot elsewhere, which the second component found, is no part of it.
        there = [s.area for s in lanes[standard.name].spots if abs(s.rf - 0.5) < 0.03]
        assert standard.area == pytest.approx(sum(there))
    assert found.calibration.curve.name != "line"
    assert "curved" in names(found.flags)
    for sample in found.unknowns:
        assert sample.low < 0.7 < sample.high


def test_standards_that_say_nothing_give_no_interval(plate):
    """Amounts dealt out at random over much the same areas: Fieller's g is above 1."""
    wrong = {"S1": 1.0, "S3": 0.4, "S4": 1.2, "S5": 1.1}
    found = answer(plate, standards=wrong, unknowns=("U1",), curve="line")
    sample = one(found, "U1")
    assert (sample.low, sample.high) == (None, None)
    assert "no-interval" in names(sample.flags)
    assert "no finite 95 % interval" in rendered(found).text()
    values = json.loads(rendered(found).json())
    assert values["unknowns"][0]["high"] is None


@pytest.mark.parametrize(("more", "words"), [
    ({"standards": {"S1": 1.0, "S2": 2.0}}, "at least 3 standards, and got 2"),
    ({"standards": {}}, "no standards are known: give --standards"),
    ({"standards": None}, "no standards are known: give --standards"),
    ({"standards": STANDARDS | {"Z": 1.0}}, "--standards Z: there is no such lane"),
    ({"standards": STANDARDS | {"S1": -1.0}}, "give an amount from 0"),
    ({"standards": {"S1": 1.0, "S2": 1.0, "S3": 1.0}}, "different amounts"),
    ({"standards": {"S1": 2.0, "S3": 1.0, "S5": 0.25}}, "do not rise"),
    ({"standards": STANDARDS | {"E": 1.0}, "unknowns": ("U1",)}, "E has no spot near that Rf"),
    ({"unknowns": ("S1",)}, "that lane is a standard"),
    ({"unknowns": ("U1", "U1")}, "stands twice"),
    ({"unknowns": ("U1", "U1+U2")}, "stands twice"),
    ({"unknowns": ("Q",)}, "--unknown Q: there is no such lane"),
    ({"rf": 0.8}, "--rf 0.8: lane S1 has no spot near that Rf"),
    ({"rf": float("nan")}, "give an Rf"),
    ({"dilution": {"Q": 2.0}}, "--dilution Q: there is no such sample"),
    ({"dilution": {"U1": 0.0}}, "greater than zero"),
    ({"dilution": {"U1": 1e300}}, "--dilution: 1e.300 for U1 is beyond"),
    ({"standards": STANDARDS | {"S1": 5e-300}}, "--standards: 5e-300 for S1 is beyond"),
    ({"standards": STANDARDS | {"S1": 1e-7}}, "more than 1e.06 times the 1e-07 for S1"),
    ({"curve": "quadratic", "standards": {"S1": 0.25, "S3": 1.0, "S5": 2.0}}, "--curve quadratic"),
])
def test_bad_input_is_named(plate, more, words):
    with pytest.raises(InputError, match=words) as caught:
        answer(plate, **({"standards": STANDARDS} | more))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("more", "words"), [
    (["--standards", "S1"], "--standards 'S1': give NAME=AMOUNT"),
    (["--standards", "S1=a"], "give NAME=AMOUNT"),
    (["--standards", "S1=1,S1=2"], "stands twice"),
    (["--dilution", "U=x"], "give NAME=FACTOR"),
    (["--unknown", ","], "--unknown names no lane"),
    (["--unit", ""], "--unit"),
    (["--curve", "cubic"], "--curve"),
    (["--rf", "x"], "--rf"),
    (["--force"], "--out"),
    ([], "no such file"),
])
def test_the_command_ends_in_one_line(more, words, refused):
    assert words in refused("amount", "none.png", *more)


def test_the_command_prints_and_writes(path, tmp_path, capsys):
    out = tmp_path / "out"
    given = ",".join(f"{k}={v}" for k, v in STANDARDS.items())
    assert main(["amount", str(path), "--light", "white", "--names", ",".join(AMOUNTS),
                 "--standards", given, "--unknown", "U1,E", "--unit", "µg", "--out", str(out)]) == 0
    text = capsys.readouterr().out
    assert "U1: 0." in text
    assert " µg (95 %: " in text
    assert "E: not detected" in text
    assert "Detection limit" in text
    files = ["amount.html", "amount.json", "amount.png", "settings.toml", "written.json"]
    assert sorted(p.name for p in out.iterdir()) == files
    values = json.loads((out / "amount.json").read_bytes())
    assert list(values) == KEYS
    assert [p["name"] for p in values["parameters"]] == ["a", "b"]
    assert [t["name"] for t in values["models_tried"]] == ["line", "quadratic", "power",
                                                           "saturation"]
    found = values["unknowns"][0]
    assert found["low"] < 0.7 < found["high"]
    assert 0 < values["detection_limit"] < values["quantitation_limit"]
    again = read_settings(out / "settings.toml")
    assert {note.name: note.amount for note in again.lane} == STANDARDS
    assert values["quantitation_limit"] / values["detection_limit"] == pytest.approx(10 / 3.3)


def test_the_page_holds_the_file_name_as_text(result):
    page = rendered(result).html().decode("utf-8")
    assert "plate &lt;1&gt;.png" in page
    assert "<1>" not in page
    assert "not-detected" in page

"""Is it the same substance? Each part of the answer held against what the plate was drawn with."""

import json
from dataclasses import replace
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.measuring import prepare
from lanes.questions.compare.answer import answer, compare
from lanes.questions.compare.command import cospots
from lanes.questions.compare.identity import COMMON_SD, Identity, _identity
from lanes.questions.compare.other_law import by_both
from lanes.questions.compare.page import render_compare
from lanes.report.digits import with_sd
from lanes.settings import LaneNote, Settings

pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["schema", "unknown", "references", "pairs", "unexplained", "unsure",
        "resolvable_difference", "repeatability", "cospots", "correlation", "other_plate", "flags"]
NAMES = ("U", "A", "C", "B", "N")
A_RF, B_RF, OWN_RF = 0.30, 0.52, 0.70


def spot(rf, amount):
    return SpotSpec(rf, amount, width=2.1)


def spec(seed=5):
    """U holds A, a spot near B's and one of its own; C holds U and A; N is empty."""
    own = (spot(A_RF, 0.9), spot(B_RF + 0.035, 0.5), spot(OWN_RF, 0.6))
    lanes = (own, (spot(A_RF, 0.6),), (spot(A_RF, 1.5), *own[1:]), (spot(B_RF, 1.0),), ())
    return PlateSpec(width=60, dpi=150, seed=seed, mode="grey", lanes=tuple(
        LaneSpec(x, spots, name=name)
        for x, spots, name in zip((8, 19, 30, 41, 52), lanes, NAMES, strict=True)))


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("compare") / "plate.png"
    save(draw(spec()), path)
    return path


@pytest.fixture(scope="module")
def plate(path):
    return prepare(path, Settings(light="white", names=NAMES))


@pytest.fixture(scope="module")
def mixed(plate):
    return answer(plate, unknown="U", references=("A", "B"), cospots={"C": ("U", "A")})


@pytest.fixture(scope="module")
def bare(plate):
    return answer(plate, unknown="U", references=("A", "B"))


def rendered(result, file="plate.png"):
    return render_compare(result, file, Settings())


def test_each_reference_has_its_verdict_and_the_rest_is_unexplained(mixed, bare):
    for result in (mixed, bare):
        assert [(r.name, r.verdict) for r in result.references] == [("A", "present"),
                                                                  ("B", "absent")]
        assert [result.reading.spots[i].rf for i in result.unexplained] == pytest.approx(
            [B_RF + 0.035, OWN_RF], abs=0.003)
        assert result.unsure == ()


def test_an_absent_reference_has_a_limit_that_its_spot_would_have_passed(mixed):
    limit = mixed.references[1].limit_percent
    # Beside a spot of 25 percent, more than elsewhere; and no miracle.
    assert 1.0 < limit < 25.0
    assert mixed.references[0].limit_percent is None


def test_pairs_are_each_spot_with_each_references_nearest(mixed):
    assert len(mixed.pairs) == 6
    (pair,) = [p for p in mixed.pairs if p.verdict == "same"]
    assert (pair.reference, pair.spot) == ("A", 0)
    assert pair.rf - pair.reference_rf == pytest.approx(0.0, abs=0.002)
    assert abs(pair.area_ratio - 1.5) < 3.0 * pair.area_ratio_sd
    near = next(p for p in mixed.pairs if p.reference == "B" and p.spot == 1)
    assert near.verdict == "different"
    assert near.rf - near.reference_rf == pytest.approx(0.035, abs=0.002)


def test_the_sd_leaves_the_lines_out_and_takes_the_plates_repeatability_in(bare):
    pair = bare.pairs[0]
    lines = bare.reading.spots[0].rf_sd
    assert pair.seen.sd > np.sqrt(2.0) * COMMON_SD
    assert pair.seen.sd < np.hypot(np.sqrt(2.0) * COMMON_SD, 2.0 * lines)


def test_a_co_spot_narrows_the_interval_and_shares_its_spots(mixed, bare):
    first, second = (next(p for p in result.pairs if p.verdict == "same")
                     for result in (mixed, bare))
    assert second.cospots == ()
    (cospot,) = first.cospots
    assert cospot.alone.verdict == "one"
    assert cospot.joint.recovered == pytest.approx(1.0, abs=0.1)
    assert first.identity.high - first.identity.low < second.identity.high - second.identity.low
    assert first.identity.resolvable < second.identity.resolvable
    assert mixed.repeatability.shared == 2
    assert mixed.repeatability.sd < COMMON_SD  # nothing shifts on this plate
    assert "repeatability-assumed" in [f.name for f in bare.flags]
    assert "repeatability-assumed" not in [f.name for f in mixed.flags]


def test_one_spot_that_two_references_match_is_flagged(plate):
    result = answer(plate, unknown="U", references=("A", "C"))
    assert "not-told-apart" in [f.name for f in result.flags]


def test_a_mixture_as_reference_is_present_only_in_whole(plate):
    result = answer(plate, unknown="A", references=("U", "C"))
    assert [r.verdict for r in result.references] == ["cannot tell", "cannot tell"]
    assert all("its largest spot agrees, and another that should show" in r.reason
               for r in result.references)


def test_roles_in_the_settings_stand_for_the_options(plate, mixed):
    notes = tuple(LaneNote(name, role=role) for name, role in
                  (("U", "unknown"), ("A", "reference"), ("C", "co-spot")))
    result = answer(replace(plate, settings=replace(plate.settings, lane=notes)))
    assert result.unknown == "U"
    assert [r.name for r in result.references] == ["A"]
    assert result.mixtures == {"C": ("U", "A")}


@pytest.mark.parametrize(("how", "words"), [
    ({"unknown": "X", "references": ("A",)}, "--unknown X: there is no such lane; the lanes are U"),
    ({"unknown": "U", "references": ("X",)}, "--reference X: there is no such lane"),
    ({"unknown": "U", "references": ("A,U",)}, "--reference A,U names 2 lanes: it takes one at a "
     "time, such as --reference A"),
    ({"unknown": "U", "references": ("U",)}, "the unknown's own lane"),
    ({"unknown": "U"}, "give --reference NAME"),
    ({"references": ("A",)}, "give --unknown NAME"),
    ({"unknown": "U", "references": ("N",)}, "--reference N: that lane holds no spot"),
    ({"unknown": "U", "references": ("A",), "cospots": {"X": ("U", "A")}}, "--cospot X: there is"),
    ({"unknown": "U", "references": ("A",), "cospots": {"C": ("U", "B")}}, "B is not compared"),
    ({"unknown": "U", "references": ("A", "B"), "cospots": {"C": ("A", "B")}}, "give U\\+A=C"),
    ({"unknown": "U", "references": ("A",), "cospots": {"A": ("U", "A")}}, "is itself compared"),
])
def test_bad_input_is_named(plate, how, words):
    with pytest.raises(InputError, match=words) as caught:
        answer(plate, **how)
    assert "\n" not in str(caught.value)


def test_an_empty_unknown_is_an_answer(plate):
    """N was drawn empty. A spot half again as large as the limit stated, drawn there, is found."""
    result = answer(plate, unknown="N", references=("A", "B"), cospots={"C": ("N", "A")})
    assert [r.verdict for r in result.references] == ["absent", "absent"]
    assert result.pairs == ()
    limit = result.references[0].limit_of_reference
    # Found 95 times of 100 takes more than found half of the time, and not another order.
    (reference,) = [s.reading for s in result.shown if s.reading.name == "A"]
    half = 100.0 * result.reading.limit / reference.spots[0].area
    assert half < limit < 4.0 * half
    assert result.references[0].limit_percent is None
    text = rendered(result).text()
    assert text.startswith("Lane N: nothing detected; A absent, B absent.\nA not detected above ")
    assert "% of its spot in lane A." in text
    assert rendered(result).draw()[:4] == b"\x89PNG"
    assert "limit_of_reference" in json.loads(rendered(result).json())["references"][0]
    first = spec()
    lanes = tuple(replace(lane, spots=(spot(A_RF, 0.6 * 1.5 * limit / 100),))
                  if lane.name == "N" else lane for lane in first.lanes)
    with TemporaryDirectory() as folder:
        save(draw(replace(first, lanes=lanes)), f"{folder}/plate.png")
        again = prepare(f"{folder}/plate.png", Settings(light="white", names=NAMES))
    found = answer(again, unknown="N", references=("A",)).reading.spots
    assert [s.rf for s in found] == pytest.approx([A_RF], abs=0.01)


def test_roles_are_taken_in_any_case_and_hyphen(plate):
    notes = tuple(LaneNote(name, role=role) for name, role in
                  (("U", "Unknown"), ("A", "REFERENCE"), ("C", "cospot")))
    result = answer(replace(plate, settings=replace(plate.settings, lane=notes)))
    assert (result.unknown, result.mixtures) == ("U", {"C": ("U", "A")})
    notes = (LaneNote("U", role="sample"),)
    with pytest.raises(InputError, match=r"the role unknown: .* \(and their roles\) are U "
                                         r"\(sample\), A, C, B, N"):
        answer(replace(plate, settings=replace(plate.settings, lane=notes)), references=("A",))


@pytest.mark.parametrize(("how", "words"), [
    ({"references": ("A",), "bridge": "B"}, "--reference A: there is no such lane on the other "
     "plate; its lanes are 1, 2, 3, 4, 5: --other-settings FILE names them"),
    ({"references": ("1",), "bridge": "B"}, "--bridge B: there is no such lane on the other "),
    ({"references": ("1",), "bridge": "1"}, "--bridge 1: there is no such lane; the lanes are U"),
])
def test_a_lane_that_is_missed_is_missed_on_one_of_two_plates(plate, path, how, words):
    other = prepare(path, Settings(light="white", names=("1", "2", "3", "4", "5")))
    with pytest.raises(InputError, match=words):
        answer(plate, unknown="U", other=other, **how)


@pytest.mark.parametrize("text", ["C", "U=C", "U+A", "=C", "U+A=", "U+=C", "+A=C"])
def test_malformed_co_spots(text):
    with pytest.raises(InputError, match=r"give what was applied .* --cospot U\+A=NAME"):
        cospots([text], ["U", "A"])


def test_co_spots_keep_names_that_hold_a_plus():
    assert cospots(["U+A=C", "x+y+U = D"], ["U", "A", "x+y"]) == {"C": ("U", "A"),
                                                                  "D": ("x+y", "U")}
    with pytest.raises(InputError, match="stands twice"):
        cospots(["U+A=C", "U+B=C"], ["U", "A", "B"])


@pytest.mark.parametrize(("more", "words"), [
    (["--unknown", "U", "--reference", "A", "--cospot", "C"], "give what was applied"),
    (["--unknown", "U", "--reference", "A", "--bridge", "A"], "give both"),
    (["--unknown", "U", "--other-settings", "x.toml"], "give that too"),
    (["--unknown", "U", "--reference", "U"], "the unknown's own lane"),
])
def test_the_command_ends_in_one_line(path, more, words, capsys):
    start = ["compare", str(path), "--light", "white", "--names", ",".join(NAMES)]
    assert main([*start, *more]) == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert error.count("\n") == 1
    assert words in error


def test_the_record_has_these_keys(mixed):
    values = json.loads(rendered(mixed).json())
    assert list(values) == KEYS
    assert set(values["references"][0]) >= {"name", "verdict"}
    assert set(values["pairs"][0]) >= {
        "unknown_rf", "reference", "reference_rf", "difference", "difference_sd", "verdict",
        "area_ratio", "area_ratio_sd"}
    assert set(values["unexplained"][0]) == {"rf", "area_percent"}
    assert values["cospots"] == [{"lane": "C", "parts": ["U", "A"]}]
    assert [c["lane"] for c in values["correlation"]] == ["A", "B", "C"]
    assert values["other_plate"] is None


def test_the_words_claim_agreement_and_never_proof(mixed):
    text = rendered(mixed).text()
    assert text.startswith("Lane U: A present, B absent; 2 spots (Rf 0.55, ")
    assert "match no reference.\nB absent: nothing at its place above " in text
    page = rendered(mixed).html().decode()
    for words in (text, page):
        assert "it is no proof: other substances may agree too" in words
        assert "rea percent is not mass percent" in words
        assert "identical" not in words
        assert " pure" not in words


def test_one_estimate_is_printed_and_same_is_called_by_its_margin(mixed):
    pair = next(p for p in mixed.pairs if p.verdict == "same")
    record = next(p for p in json.loads(rendered(mixed).json())["pairs"] if p["verdict"] == "same")
    assert record["low"] < record["difference"] < record["high"]
    assert record["difference"] == pytest.approx(0.5 * (record["low"] + record["high"]))
    bound = max(-record["low"], record["high"])
    text = rendered(mixed).text()
    near = text.partition("not told apart: within ")[2].partition(" Rf")[0]
    assert bound <= float(near) < bound + 0.001
    assert f"difference {with_sd(pair.identity.value, pair.identity.sd, 4)}, 90 % from" in text
    alone = with_sd(pair.seen.value, pair.seen.sd, 4)
    assert f"lies within {pair.identity.margin:.3f} either way, the margin" in text
    assert " that a single spot looks as much like two)" in text
    assert "by all three lanes together AICc of one less that of two is " in text
    assert alone not in text
    assert alone in rendered(mixed).html().decode()


def test_the_page_holds_the_file_name_as_text(mixed):
    page = rendered(mixed, "plate <1>.png").html().decode("utf-8")
    assert "plate &lt;1&gt;.png" in page
    assert "<1>" not in page


def test_another_plate_is_compared_through_a_standard_and_with_caution(path, tmp_path):
    """On the second plate everything runs 1.15 times as high: the standard carries it over."""
    k = 1.15
    lanes = ((spot(A_RF * k, 0.8),), (spot(B_RF * k, 1.0),))
    second = PlateSpec(width=40, dpi=150, seed=8, mode="grey", lanes=tuple(
        LaneSpec(x, spots, name=n) for x, spots, n in zip((11, 29), lanes, "AB", strict=True)))
    save(draw(second), tmp_path / "second.png")
    result = compare(path, Settings(light="white", names=NAMES), unknown="U", references=("A",),
                   other_plate=tmp_path / "second.png", bridge="B",
                   other_settings=Settings(light="white", names=("A", "B")))
    assert result.carried.scale == pytest.approx(1 / k, abs=0.005)
    pair = min(result.pairs, key=lambda p: abs(p.rf - p.reference_rf))
    assert pair.rf - pair.reference_rf == pytest.approx(0.0, abs=0.004)
    # One standard leaves too much open to call two spots the same.
    assert pair.verdict == "cannot tell"
    assert {p.verdict for p in result.pairs if p.spot > 0} == {"different"}
    assert "two-plates" in [f.name for f in result.flags]
    values = json.loads(rendered(result).json())
    relative = values["pairs"][0]["relative_retardation"]
    assert relative["unknown"] == pytest.approx(A_RF / B_RF, abs=0.01)
    assert relative["reference"] == pytest.approx(A_RF / B_RF, abs=0.01)


def test_the_demo(tmp_path, capsys):
    """The demo's reaction holds starting material, product, and what stays at the origin.

    Its third spot, at Rf 0.41, is in lane prod too (4.8 % there), so that lane explains it.
    """
    folder = tmp_path / "out"
    assert main(["compare", "fixtures/demo.png", "--names", "SM,co,rxn,prod", "--unknown", "rxn",
                 "--reference", "SM", "--reference", "prod", "--out", str(folder)]) == 0
    assert capsys.readouterr().out.startswith("Lane rxn: SM present, prod present; one spot "
                                              "(at the origin, ")
    assert (folder / "compare.png").read_bytes()[:4] == b"\x89PNG"


def test_a_co_spot_that_overrules_rf_must_do_so_by_either_law(tmp_path):
    """Drawn by optical density and read by Kubelka and Munk's, two in a co-spot pass for one."""
    apart, kept = 0.016, 0.8
    first, second = (replace(spot(rf, 2.5), width=3.2) for rf in (0.40, 0.40 + apart))
    both = tuple(replace(s, amount=kept * s.amount) for s in (first, second))
    lanes = tuple(LaneSpec(x, s) for x, s in ((9.0, (first,)), (20.0, both), (31.0, (second,))))
    save(draw(PlateSpec(width=40, lanes=lanes, light="254", seed=3, dpi=160)),
         tmp_path / "plate.png")
    read = prepare(tmp_path / "plate.png", Settings(
        light="254", lanes=3, names=("U", "C", "R"), law="kubelka-munk"))
    pair = answer(read, unknown="U", references=("R",), cospots={"C": ("U", "R")}).pairs[0]
    assert pair.seen.p_value < 0.05
    assert pair.verdict == "cannot tell"
    assert pair.reasons == ("a small difference fits better than none",)
    assert pair.identity.low < -apart < pair.identity.high
    assert pair.identity.cospots[0].most > apart


def test_what_holds_by_one_law_alone_does_not_hold():
    same = Identity("same", 0.5, 0.0, 0.004, -0.007, 0.007, 0.015, 0.015)
    different = Identity("different", 0.001, -0.02, 0.002, -0.023, -0.017, 0.015, 0.015)
    assert by_both(same, same).verdict == "same"
    assert by_both(same, different).verdict == by_both(different, same).verdict == "cannot tell"
    assert (by_both(same, different).low, by_both(same, different).high) == (-0.023, 0.007)


@pytest.mark.parametrize(("low", "verdict"), [(-0.004, "same"), (0.002, "cannot tell")])
def test_same_is_claimed_only_where_no_difference_is_among_those_that_fit(low, verdict):
    """Within the margin, but surely apart by a little: two substances may be so near."""
    assert _identity(0.3, (0.008, 0.003), (low, 0.014), 0.02).verdict == verdict

"""Which solvent mixture? Drawn plates of one mixture, by the command and through every output."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from lanes.cli import main
from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save
from lanes.errors import InputError
from lanes.questions.solvent.answer import answer, solvent
from lanes.questions.solvent.command import plates_and_fractions
from lanes.questions.solvent.page import render_solvent
from lanes.questions.solvent.plate_lanes import read_plates
from lanes.questions.solvent.words import crossings, short
from lanes.settings import Settings

SLOPES, MIDDLE, AMOUNTS = (-1.2, -1.5, -1.7), (0.4, 0.1, -0.2), (0.8, 1.2, 0.6)
FRACTIONS = (0.15, 0.25, 0.4)
pytestmark = pytest.mark.usefixtures("located_once")
KEYS = ["schema", "lane", "weak", "strong", "plates", "components", "scatter", "recommended",
        "outside_window", "map", "next_try", "matches", "columns", "one_plate", "flags"]
CROSSING = ((-1.35, -1.65), (0.0, 0.0), (1.0, 1.0))


def rf_at(fraction, slopes=SLOPES, middle=MIDDLE):
    log_k = np.array(slopes) * np.log10(fraction / 0.25) + np.array(middle)
    return 1 / (1 + 10**log_k)


def make(path, rf, amounts, seed, extra=(), light="white"):
    spots = tuple(SpotSpec(float(r), a) for r, a in zip(rf, amounts, strict=True))
    lanes = (LaneSpec(12, (SpotSpec(float(rf[0]), 1.0),)), LaneSpec(24, (*spots, *extra)))
    save(draw(PlateSpec(width=36, dpi=150, seed=seed, light=light, lanes=lanes)), path)
    return str(path)


@pytest.fixture(scope="module")
def scans(tmp_path_factory):
    folder = tmp_path_factory.mktemp("solvent")
    return [make(folder / f"p{100 * f:.0f}.png", rf_at(f), AMOUNTS, int(100 * f))
            for f in FRACTIONS]


@pytest.fixture(scope="module")
def read(scans):
    return read_plates(list(zip(scans, FRACTIONS, strict=True)), Settings(light="white"), None)


@pytest.fixture(scope="module")
def result(read):
    return answer(read, "hexane", "ethyl acetate")


@pytest.fixture(scope="module")
def one(read):
    return answer(read[:1], "hexane", "ethyl acetate")


@pytest.fixture(scope="module")
def crossing(tmp_path_factory):
    """Two substances alike in everything, on either side of where they cross."""
    folder = tmp_path_factory.mktemp("crossing")
    slopes, middle, amounts = CROSSING
    return [(make(folder / f"c{k}.png", rf_at(f, slopes, middle), amounts, k), f)
            for k, f in enumerate((0.15, 0.45))]


def rendered(it):
    return render_solvent(it, Settings(light="white"))


def test_the_mixtures_lane_is_found(read):
    """Lane 1 holds a reference; the mixture has the most spots."""
    assert [p.reading.name for p in read] == ["2"] * 3
    assert [len(p.seen) for p in read] == [3, 3, 3]


def test_the_lines_are_those_the_plates_were_drawn_from(result):
    for c, slope, middle in zip(result.components, SLOPES, MIDDLE, strict=True):
        assert c.slope == pytest.approx(slope, abs=0.03)
        assert c.intercept + c.slope * np.log10(0.25) == pytest.approx(middle, abs=0.01)
        assert abs(c.slope - slope) < 2 * c.slope_sd
    best = result.recommended
    assert not best.extrapolated
    assert best.rf == pytest.approx(rf_at(best.fraction), abs=0.005)
    assert best.probability > 0.9


def test_the_short_answer(result, one):
    first = short(result)[0]
    best = result.recommended
    assert first.startswith(f"Try {100 * best.fraction:g} % ethyl acetate in hexane: worst pair ")
    assert f"worst pair resolution {best.worst_resolution:.1f} ({best.worst_low:.1f} to " in first
    assert short(one)[0].startswith("Use a stronger mixture: ")
    assert "ethyl acetate in hexane (now 15 %)" in short(one)[0]
    for it in (result, one):
        text = rendered(it).text()
        assert "flammable and toxic" in text
        assert "fume hood" in text
        assert " pure" not in text.lower()


def test_one_plate_claims_no_more_than_it_can(one):
    assert (one.recommended, one.law, one.chart, one.next) == (None,) * 4
    text = rendered(one).text()
    assert "from -2 to -1 (common practice), which one plate can't show" in text
    assert "baseline" not in text
    values = json.loads(rendered(one).json())
    assert values["recommended"] is None
    assert values["one_plate"]["direction"] == "stronger"
    assert values["one_plate"]["change"]["low"] < values["one_plate"]["change"]["high"]


def test_repeats_of_one_mixture_are_one_plate(read):
    again = (read[0], replace(read[0], file="again.png"))
    it = answer(again)
    assert it.recommended is None
    assert it.one.rf == pytest.approx([s.rf for s in read[0].seen])


def test_plates_without_a_fraction_get_a_factor_of_the_stronger_solvent(scans):
    it = solvent([(scans[2], None)], Settings(light="white"), lane="2")
    first = short(it)[0]
    assert "times as much of the stronger solvent" in first
    assert "%" not in first
    with pytest.raises(InputError, match="each of several plates needs its mixture"):
        solvent([(scans[0], None), (scans[1], 0.3)])


def test_a_repeat_beside_other_mixtures_counts(read):
    four = answer((*read, replace(read[1], file="again.png")))
    assert len(four.components[0].rf) == 4
    assert four.law.estimated


def test_an_extrapolated_mixture_is_marked_everywhere(tmp_path):
    """Both plates hold a spot below the window: the mixture that lifts it was not tried."""
    plates = [(make(tmp_path / f"{k}.png", rf_at(f), AMOUNTS, k), f)
              for k, f in enumerate((0.1, 0.15))]
    it = solvent(plates, Settings(light="white"), lane="2")
    assert it.recommended.fraction > 0.15
    assert it.recommended.extrapolated
    assert any("extrapolated" in line for line in short(it))
    assert "extrapolated" in [f.name for f in it.flags]
    values = json.loads(rendered(it).json())
    assert values["recommended"]["extrapolated"] is True
    assert any(m["extrapolated"] for m in values["map"])


def test_doubt_about_which_spot_is_which_is_shown(crossing):
    it = solvent(crossing, Settings(light="white"), lane="2")
    assert len(it.assigned) == 2
    assert sum(a.probability for a in it.assigned) == pytest.approx(1.0, abs=0.05)
    assert "Otherwise, with probability" in rendered(it).text()
    first, rival = it.assigned
    values = json.loads(rendered(it).json())
    assert len(values["matches"]) == 2
    changes = [a for a in (first, rival) if a.changes]
    assert bool(changes) == ("match-ambiguous" in [f.name for f in it.flags])
    # The chance of success is that under both, by their probabilities.
    mixed = (first.probability * first.as_chosen.probability
             + rival.probability * rival.as_chosen.probability)
    assert it.recommended.probability == pytest.approx(
        mixed / (first.probability + rival.probability))


def test_spots_on_the_lines_are_left_out_and_flagged(tmp_path):
    plates = [(make(tmp_path / f"{k}.png", rf_at(f), AMOUNTS, k, (SpotSpec(0.0, 0.8),)), f)
              for k, f in enumerate(FRACTIONS[:2])]
    it = solvent(plates, Settings(light="white"), lane="2")
    assert len(it.components) == 3
    assert any(f.name == "left-out" and "origin" in f.message for f in it.flags)


def test_what_shows_apart_on_one_plate_only_is_doubted(read):
    """A fourth spot beside the second of the middle plate, and nowhere else."""
    middle = read[1]
    more = replace(middle.seen[1], rf=middle.seen[1].rf + 0.03, share=0.05)
    it = answer((read[0], replace(middle, seen=(*middle.seen[:2], more, middle.seen[2])), read[2]))
    assert len(it.components) == 4
    assert any(f.name in ("run-together", "left-out") and "component 3" in f.message
               for f in it.flags)
    assert any("it may be no substance of its own" in f.message for f in it.flags)


def test_the_order_of_the_solvents_is_checked(read):
    it = answer(read, "ethyl acetate", "hexane")
    assert "solvent-order" in [f.name for f in it.flags]
    assert "solvent-order" not in [f.name for f in answer(read, "x", "y").flags]


def test_the_record(result):
    values = json.loads(rendered(result).json())
    assert list(values) == KEYS
    assert list(values["components"][0]) == ["name", "slope", "slope_sd", "intercept",
                                            "intercept_sd", "rf", "shared"]
    assert {"fraction", "rf", "worst_resolution", "probability"} <= set(values["recommended"])
    assert [p["fraction"] for p in values["plates"]] == list(FRACTIONS)
    assert values["matches"][0]["spots"] == [[0, 1, 2]] * 3
    assert list(values["columns"]) == ["target_rf", "targets", "volumes"]
    volumes = values["columns"]["volumes"]
    assert [v["volumes"] for v in volumes] == pytest.approx([1 / v["rf"] for v in volumes])
    assert volumes[0]["to_next"] == pytest.approx(volumes[1]["volumes"] - volumes[0]["volumes"])
    target = values["columns"]["targets"][0]
    assert target["low"] < target["fraction"] < target["high"]
    assert rf_at(target["fraction"])[0] == pytest.approx(0.3, abs=0.01)


def test_exchanged_fractions_are_asked_about_and_nothing_is_recommended(read):
    """On silica k falls as the stronger solvent's share rises (common practice)."""
    swapped = answer(tuple(replace(p, fraction=f) for p, f
                           in zip(read, FRACTIONS[::-1], strict=True)))
    assert (swapped.recommended, swapped.next, swapped.elsewhere) == (None,) * 3
    first = short(swapped)[0]
    assert "every spot falls with the stronger solvent" in first
    assert "Are the fractions exchanged?" in first
    values = json.loads(rendered(swapped).json())
    assert values["recommended"] is None
    assert {m["worst_resolution"] for m in values["map"]} == {None}
    assert "law-misfit" in [f.name for f in swapped.flags]


def test_plates_of_one_mixture_that_disagree_are_flagged(read):
    it = answer((read[0], replace(read[1], fraction=FRACTIONS[0])))
    assert "not-repeated" in [f.name for f in it.flags]
    assert short(it)[0].startswith("The plates do not repeat: Rf ")
    assert short(it)[1].startswith("By the mean Rf of the plates: ")
    beside = answer((*read, replace(read[1], fraction=FRACTIONS[0])))
    assert short(beside)[0].startswith("The plates do not repeat: Rf ")
    assert short(beside)[1].startswith("Try ")
    near = replace(read[0], seen=tuple(replace(s, rf=s.rf + 0.02) for s in read[0].seen))
    assert "not-repeated" not in [f.name for f in answer((read[0], near)).flags]
    one_less = replace(read[0], seen=read[0].seen[:2])
    assert any("2 of 3 spots show on both" in f.message for f in answer((read[0], one_less)).flags)


def test_plates_under_different_lights_are_flagged(read):
    it = answer((read[0], replace(read[1], light="254")))
    assert any(f.name == "match-ambiguous" and "as 254 nm" in f.message for f in it.flags)
    assert not any("was read as" in f.message for f in answer(read).flags)


def test_what_was_run_already_is_run_once_more(result):
    again = replace(result, next=replace(result.next, fraction=FRACTIONS[0], sd_now=1.0,
                                         sd_then=0.1))
    assert "The most informative next plate is 15 % once more:" in "\n".join(short(again))
    other = replace(result, next=replace(result.next, fraction=0.3, sd_now=1.0, sd_then=0.1))
    assert "The most informative next plate is 30 %:" in "\n".join(short(other))


def test_where_no_line_holds_the_short_answer_warns(result):
    bent = replace(result, law=replace(result.law, misfit=0.001, widened=2.31))
    assert "follow no straight lines" not in "\n".join(short(result))
    assert "follow no straight lines of log k in log X" in short(bent)[2]
    assert "every interval is 2.3 times as wide for it" in short(bent)[2]


def test_what_one_more_plate_teaches_has_one_rounding(result):
    after = replace(result, next=replace(result.next, fraction=0.3, sd_now=0.104, sd_then=0.068))
    text = "\n".join(short(after))
    assert "to ± 0.07 instead of ± 0.10; how plates and widths scatter comes on top" in text


def test_a_change_of_order_is_printed(result):
    """Two lines meet where their log k are the same: -1.2 x + 0.4 = -2.2 x + 0.2, x = -0.2."""
    law = result.law
    slope, intercept = np.array([-1.2, -2.2]), np.array([0.4, 0.2])
    at = np.log10(0.25)
    pair = np.stack([slope, intercept - slope * at], axis=1)
    crossed = replace(result, law=replace(
        law, slope=slope, intercept=pair[:, 1], assumed=(False, False),
        draws=np.broadcast_to(pair, (10, 2, 2))))
    met = f"{100 * 10 ** (at - 0.2):.2g}"
    assert crossings(crossed) == [f"Components 1 and 2 change order near {met} %."]
    assert crossings(result) == []


@pytest.mark.parametrize("which", ["result", "one"])
def test_the_page_holds_the_usual_cautions(which, request):
    page = rendered(request.getfixturevalue(which)).html().decode("utf-8")
    assert "fume hood" in page
    assert "source of ignition" in page
    assert "local codes" in page


def test_the_command(scans, capsys):
    words = [f"{p}={100 * f:g}%" for p, f in zip(scans[:2], FRACTIONS, strict=False)]
    assert main(["solvent", *words, "--light", "white", "--lane", "2", "--json",
                 "--target-rf", "0.25"]) == 0
    out = capsys.readouterr().out
    values = json.loads(out)
    assert values["columns"]["target_rf"] == 0.25
    assert values["scatter"]["estimated"] is False
    assert values["scatter"]["line_probability"] is None


@pytest.mark.parametrize(("text", "value"), [
    ("a.png=0.3", 0.3), ("a.png=30%", 0.3), ("a.png= 30 %", 0.3), ("a=b.png=1", 1.0),
    ("a.png", None),
])
def test_plates_and_fractions(text, value):
    ((path, fraction),) = plates_and_fractions([text])
    assert path == ("a=b.png" if text.startswith("a=b") else "a.png")
    assert fraction == pytest.approx(value)


@pytest.mark.parametrize(("words", "expected"), [
    (["a.png=0", "b.png=0.3"], "log X has no value"),
    (["a.png=0%"], "log X has no value"),
    (["a.png=30"], "no share by volume"),
    (["a.png=1e-300"], "below 0.1 % can't be measured out"),
    (["a.png=-0.1"], "no share by volume"),
    (["a.png=120%"], "no share by volume"),
    (["a.png=x"], "give PLATE=FRACTION"),
    (["a.png=nan"], "give PLATE=FRACTION"),
    (["=0.3"], "give PLATE=FRACTION"),
    (["a.png=0.2", "a.png=0.3"], "stands twice"),
    (["a.png", "b.png=0.3"], "each of several plates needs its mixture"),
    (["a.png=0.3", "--weak", " "], "--weak is empty"),
    (["a.png=0.3", "--target-rf", "1.2"], "--target-rf 1.2"),
    (["a.png=0.3", "--target-rf", "nan"], "--target-rf nan"),
    (["a.png=0.3"], "no such file"),
    ([], "PLATE=FRACTION"),
])
def test_bad_input_ends_in_one_line(words, expected, refused):
    assert expected in refused("solvent", *words)


def test_a_lane_that_is_not_on_every_plate(scans, refused):
    line = refused("solvent", f"{scans[0]}=0.15", f"{scans[1]}=0.25", "--light", "white",
                   "--lane", "7")
    assert "--lane 7: there is no such lane" in line


def test_an_empty_lane_is_named(tmp_path, refused):
    lanes = (LaneSpec(12, (SpotSpec(0.4, 1.0),)), LaneSpec(24, ()))
    save(draw(PlateSpec(width=36, dpi=150, seed=3, lanes=lanes)), tmp_path / "e.png")
    line = refused("solvent", f"{tmp_path / 'e.png'}=0.15", "--light", "white", "--lane", "2")
    assert "lane 2 holds no spot between origin and front" in line

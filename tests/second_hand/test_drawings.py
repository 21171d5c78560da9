"""Checks of the second hand itself: its truth, its repeatability, and a scorer that can say no."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from . import studies
from .drawing import OPEN_SEEDS, UNSEEN_SEEDS, draw, drawn, save, scene_of
from .kinds import KINDS
from .optics import k_over_s, remission
from .scene import photograph
from .score import score
from .shapes import SHAPES
from .studies import pair_of_spots, single_spot
from .truth import Truth, from_dict
from .visibility import is_visible


def reading_of(truth: Truth) -> dict:
    """Return the results.json of a reader that gets everything right."""
    width, height = truth.width_mm, truth.height_mm
    lanes = [
        {
            "name": lane.name,
            "x_mm": lane.x_mm,
            "spots": [{"rf": s.rf, "flags": []} for s in lane.spots],
            "flags": [],
        }
        for lane in truth.lanes
    ]
    layout = {
        "width_mm": width,
        "height_mm": height,
        "origin_mm": truth.lanes[0].origin_mm,
        "front_mm": truth.lanes[0].front_mm,
        "corners_px": [list(p) for p in truth.corners_px],
    }
    scan = {"width_px": truth.size_px[0], "height_px": truth.size_px[1]}
    return {"scan": scan, "layout": layout, "lanes": lanes, "flags": []}


def coarse(kind: str, seed: int):
    """Return a kind's picture, truth and plate at under half the scale: sooner drawn."""
    scene, rng = scene_of(kind, seed)
    return photograph(replace(scene, scale=0.4 * scene.scale), kind, seed, rng)


@pytest.fixture(scope="module")
def plate():
    """One picture whose lanes and spots are all to be seen."""
    return drawn("phone-on-wood", 0)


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_draws(kind):
    image, truth, _ = coarse(kind, 0)
    assert image.size == truth.size_px
    assert np.asarray(image).std() > 1
    assert from_dict(json.loads(truth.to_json())) == truth
    for lane in truth.lanes:
        for spot in lane.spots:
            assert 0 < spot.rf < 1
            if kind != "tight-crop":
                assert 0 <= spot.picture_px[0] < image.width
                assert 0 <= spot.picture_px[1] < image.height


def test_there_are_enough_kinds_and_their_seeds_are_parted():
    assert len(KINDS) >= 20
    assert not set(OPEN_SEEDS) & set(UNSEEN_SEEDS)


def test_the_same_seed_gives_the_same_picture_and_another_seed_another():
    first, truth = draw("low-quality-jpeg", 3)
    again, truth_again = draw("low-quality-jpeg", 3)
    other, _ = draw("low-quality-jpeg", 4)
    assert first.tobytes() == again.tobytes()
    assert truth == truth_again
    assert first.tobytes() != other.tobytes()


@pytest.mark.parametrize("kind", ["phone-on-wood", "coloured-dyes", "skewed-spots", "bands"])
def test_areas_are_the_integral_of_what_was_drawn(kind):
    # superposition holds for the laws that are linear in amount; seeds are searched for one
    for seed in OPEN_SEEDS:
        _, truth, made = coarse(kind, seed)
        if truth.law in ("beer-lambert", "kubelka-munk"):
            break
    pixel = 1 / made.scale**2
    for c, channel in enumerate(("red", "green", "blue")):
        total = sum(s.areas[channel] for lane in truth.lanes for s in lane.spots)
        assert made.signal[:, :, c].sum(dtype=float) * pixel == pytest.approx(total, rel=1e-4)
    for lane in truth.lanes:
        if lane.spots:
            assert sum(s.shares["blue"] for s in lane.spots) == pytest.approx(100)


def test_a_gaussian_has_the_area_of_the_closed_form():
    # peak x pi / (4 ln 2) x width x width, here of a spot without blotches
    from .plate import LanePlan, PlatePlan, SpotPlan, draw_plate

    spot = SpotPlan(rf=0.5, along=4.0, across=5.0, height=0.3)
    plan = PlatePlan(40, 60, 8, 52, (LanePlan(20.0, (spot,)),))
    made = draw_plate(plan, 12.0, np.random.default_rng(0)).lanes[0][0]
    assert made.areas["red"] == pytest.approx(0.3 * np.pi / (4 * np.log(2)) * 20, rel=1e-3)
    assert made.rf == pytest.approx(0.5, abs=1e-3)
    assert made.rf_mean == pytest.approx(0.5, abs=1e-3)
    assert made.width == pytest.approx(4.0, rel=1e-2)


def test_kubelka_and_munk_is_inverted():
    r = np.linspace(0.02, 0.98, 20)
    assert remission(k_over_s(r)) == pytest.approx(r)


COARSE_DPI = 160.0  # 6.3 samples a mm: as coarse as plates are drawn before they are laid down
LEANS = {"skewed-up": 1, "skewed-down": -1, "tailed": -1, "comet": -1}


@pytest.mark.parametrize("shape", sorted(SHAPES))
def test_single_spots_draw_in_every_law_and_lean_as_they_are_named(shape, monkeypatch):
    monkeypatch.setattr(studies, "DPI", COARSE_DPI)
    for law in ("kubelka-munk", "quenching", "emission")[:: 1 if shape == "ring" else 3]:
        image, truth = single_spot(shape, law, 1)
        assert image.width * 25.4 / COARSE_DPI > 50.0  # mm
        assert 5 <= len(truth.lanes) <= 8
        assert truth.has_scale
        for lane in truth.lanes if shape in LEANS else ():
            assert LEANS[shape] * (lane.spots[0].rf_mean - lane.spots[0].rf) > 0


def test_pairs_have_the_resolution_and_share_asked_for():
    _, truth = pair_of_spots(1.2, 0.2, 1.2, "gaussian", "beer-lambert", 2)
    for lane in truth.lanes:
        assert lane.pairs[0].resolution == pytest.approx(1.2, rel=0.03)
        assert min(s.share_percent for s in lane.spots) == pytest.approx(20, abs=1.5)
        wide = lane.spots[1].width_mm / lane.spots[0].width_mm
        assert wide == pytest.approx(1.2, rel=0.03)


def test_the_picture_shows_each_spot_where_the_truth_says(plate):
    image, truth, _ = plate
    levels = np.asarray(image, float).min(axis=2)
    for lane in truth.lanes:
        for s in lane.spots:
            x, y = (round(v) for v in s.picture_px)
            assert levels[y - 3 : y + 4, x - 3 : x + 4].mean() < np.median(
                levels[y - 90 : y + 90, x]
            )


def test_a_file_shows_the_picture_upright_whatever_its_orientation_tag(tmp_path):
    from PIL import Image, ImageOps

    image, truth = draw("low-quality-jpeg", 1)
    for tag in (1, 3, 6, 8):
        path = save(
            image, replace(truth, exif_orientation=tag, quality=95, subsampling=0), tmp_path / "p"
        )
        shown = ImageOps.exif_transpose(Image.open(path))
        assert shown.size == image.size
        assert np.abs(np.asarray(shown, float) - np.asarray(image, float)).mean() < 4


# The scorer: right when all is right, and each wrong makes it say so.


def test_a_perfect_reading_is_right(plate):
    truth = plate[1]
    verdict = score(truth, reading_of(truth))
    assert verdict.right
    assert verdict.true == verdict.visible > 0
    assert verdict.lost_in_silence == verdict.false == 0


def test_a_dropped_spot_is_lost_in_silence_unless_a_flag_says_so(plate):
    truth, reading = plate[1], reading_of(plate[1])
    place = next(
        (t, i) for t, q in enumerate(truth.lanes) for i, s in enumerate(q.spots) if is_visible(s)
    )
    del reading["lanes"][place[0]]["spots"][place[1]]
    verdict = score(truth, reading)
    assert not verdict.right
    assert (verdict.lost, verdict.lost_in_silence) == (1, 1)
    reading["lanes"][place[0]]["flags"] = [{"name": "fit-poor", "message": ""}]
    assert score(truth, reading).lost_in_silence == 0
    assert not score(truth, reading).right


def test_a_dropped_lane_and_one_too_many_are_seen(plate):
    truth, reading = plate[1], reading_of(plate[1])
    gone = reading["lanes"].pop(0)
    verdict = score(truth, reading)
    assert not verdict.lanes_right
    assert verdict.lost_in_silence == len(truth.lanes[0].spots)
    between = dict(gone, x_mm=(truth.lanes[1].x_mm + truth.lanes[2].x_mm) / 2, spots=[])
    reading["lanes"] = [gone, *reading["lanes"], between]
    verdict = score(truth, reading)
    assert not verdict.lanes_right
    assert verdict.lost == 0


def test_a_false_spot_is_seen(plate):
    truth, reading = plate[1], reading_of(plate[1])
    reading["lanes"][0]["spots"].append({"rf": 0.97, "flags": []})
    verdict = score(truth, reading)
    assert not verdict.right
    assert (verdict.false, verdict.split) == (1, 0)
    near = truth.lanes[0].spots[0].rf + 0.035  # beyond the tolerance, inside the spot
    reading["lanes"][0]["spots"][-1]["rf"] = near
    verdict = score(truth, reading)
    assert (verdict.false, verdict.split) == (1, 1)


def test_an_inverted_reading_is_wrong_with_scale_and_without():
    truth = coarse("upside-down", 0)[1]
    reading = reading_of(truth)
    assert score(truth, reading).right
    upright_corners = reading["layout"]["corners_px"]
    reading["layout"]["corners_px"] = upright_corners[2:] + upright_corners[:2]
    for lane in reading["lanes"]:
        lane["x_mm"] = truth.width_mm - lane["x_mm"]
        lane["spots"] = [{"rf": 1 - s["rf"], "flags": []} for s in reversed(lane["spots"])]
    reading["lanes"].reverse()
    assert not score(truth, reading).right
    reading["layout"]["width_mm"] = None
    assert not score(truth, reading).right


def test_a_refusal_is_right_only_where_no_one_could_read():
    assert not score(coarse("phone-on-wood", 0)[1], None, "no plate").right
    assert score(coarse("blank", 1)[1], None, "no plate").right

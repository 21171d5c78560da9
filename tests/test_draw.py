"""Drawn plates: closed-form invariants, the three lights, seeds and truth."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest
from scipy.ndimage import center_of_mass
from scipy.stats import exponnorm

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw
from lanes.draw.render import encode
from lanes.draw.shapes import FWHM, Along, emg, emg_landmarks
from lanes.draw.signal import signal
from lanes.draw.view import grid, view
from lanes.plate.layout import Lane, Layout, Line, plate_to_pixels, project

QUIET = PlateSpec(
    grain=0, mottle=0, lamp=0, noise=0, blur=0, pencil=False, ticks=False, labels=False,
    margin=0, dpi=200,
)


def one(spot: SpotSpec, x: float = 25.0, band: float | None = None) -> tuple[LaneSpec, ...]:
    return (LaneSpec(x, (spot,), band=band),)


def sampled(spec: PlateSpec) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = grid(spec, 0)
    return x, y, signal(spec, x, y)[..., 0]


# Shapes


@pytest.mark.parametrize("tau", [0.01, 0.3, 1.0, 4.0])
def test_the_emg_is_scipys_exponnorm(tau: float) -> None:
    # scipy.stats.exponnorm(K): unit sigma, K = tau/sigma.
    t = np.linspace(-6, 6 + 8 * tau, 400)
    np.testing.assert_allclose(emg(t, tau), exponnorm(tau).pdf(t), rtol=2e-10, atol=1e-15)


@pytest.mark.parametrize(
    ("tau", "apex", "height"),
    # Computed from the closed form; layout of Foley & Dorsey, J. Chromatogr. Sci. 22, 40 (1984)
    # (from memory).
    [(0.5, 0.428142, 0.912422), (1.0, 0.697369, 0.784145), (2.0, 1.017913, 0.595667)],
)
def test_the_emgs_apex(tau: float, apex: float, height: float) -> None:
    found, _ = emg_landmarks(tau)
    assert found == pytest.approx(apex, abs=5e-7)
    top = emg(np.array([found]), tau)[0] * math.sqrt(2 * math.pi)
    assert top == pytest.approx(height, abs=5e-7)


@pytest.mark.parametrize("tail", [-2.0, -0.4, 0.0, 0.05, 0.7, 3.0])
def test_a_profile_has_its_apex_and_width_where_it_says(tail: float) -> None:
    f = Along(1.8, tail)
    h = 1e-4
    slope = (f(np.array([h])) - f(np.array([-h])))[0] / (2 * h)
    assert abs(slope) < 1e-6
    u = np.linspace(-4, 4, 80001)
    above = u[f(u) >= f(np.zeros(1))[0] / 2]
    assert np.ptp(above) == pytest.approx(1.8, abs=3e-4)
    if tail:
        # A positive tail points to the origin: more lies below the apex than above it.
        wide = np.linspace(-f.reach, f.reach, 20001)
        mean = np.sum(wide * f(wide)) / np.sum(f(wide))
        assert math.copysign(1, mean) == -math.copysign(1, tail)


# The signal on the plate


@pytest.mark.parametrize("tail", [0.0, 0.9, -0.5])
@pytest.mark.parametrize("band", [None, 8.0])
@pytest.mark.parametrize("lean", [0.0, 0.04])
def test_a_spot_integrates_to_its_amount(tail: float, band: float | None, lean: float) -> None:
    spec = replace(QUIET, lanes=one(SpotSpec(0.5, 1.7, tail=tail), band=band), lean=lean)
    _, _, s = sampled(spec)
    assert s.sum() * (25.4 / spec.dpi) ** 2 == pytest.approx(1.7, rel=1e-12)


def test_an_amount_of_one_over_two_mm_peaks_near_a_fifth() -> None:
    spec = replace(QUIET, lanes=one(SpotSpec(0.5, 1.0, width=2.0, across=2.0)))
    _, _, s = sampled(spec)
    assert s.max() == pytest.approx(FWHM**2 / (2 * math.pi * 4), rel=1e-2)


def test_the_apex_lies_at_rf_of_a_leaning_lane_under_a_smiling_front() -> None:
    spec = replace(
        QUIET, smile=4, lean=0.06, dpi=600, lanes=one(SpotSpec(0.7, 1, tail=1.2), x=38)
    )
    lane = spec.lanes[0]
    # Where the path meets the front, by iteration, independently of the closed form.
    y = spec.front
    for _ in range(100):
        y = spec.front_at(lane.x + spec.lean * (y - spec.origin))
    assert spec.origin + spec.rise(lane) == pytest.approx(y, abs=1e-12)
    x, up, s = sampled(spec)
    row, column = np.unravel_index(s.argmax(), s.shape)
    rise = 0.7 * (y - spec.origin)
    assert up[row] == pytest.approx(spec.origin + rise, abs=0.05)
    assert x[column] == pytest.approx(lane.x + spec.lean * rise, abs=0.05)
    drawing = draw(replace(spec, dpi=50))
    assert drawing.truth["lanes"][0]["run"] == pytest.approx(
        (y - spec.origin) * math.hypot(1, 0.06), abs=1e-12
    )


def test_a_band_is_flat_on_top_and_as_wide_as_it_says() -> None:
    spec = replace(QUIET, dpi=600, lanes=one(SpotSpec(0.4, 2.0, width=1.2), band=8.0))
    x, _, s = sampled(spec)
    across = s[s.max(axis=1).argmax()]
    assert np.ptp(across[np.abs(x - 25) < 1]) < 1e-7 * across.max()
    assert np.ptp(x[across >= across.max() / 2]) == pytest.approx(8.0, abs=0.09)


def test_signals_add_and_colours_weigh_them() -> None:
    red = SpotSpec(0.5, 1.0, colour=(0.0, 1.0, 0.5))
    spec = replace(QUIET, lanes=(LaneSpec(20, (red, SpotSpec(0.3, 2.0))),))
    s = signal(spec, *grid(spec, 0))
    total = s.sum(axis=(0, 1)) * (25.4 / spec.dpi) ** 2
    np.testing.assert_allclose(total, [2.0, 3.0, 2.5], rtol=1e-12)


# The picture


def test_srgb_of_known_light() -> None:
    # IEC 61966-2-1: codes 10, 64, 128, 186, 200, 254.
    light = np.array([0.00303527, 0.0512695, 0.215861, 0.491021, 0.577580, 0.991102], np.float32)
    np.testing.assert_allclose(255 * encode(light), [10, 64, 128, 186, 200, 254], atol=2e-4)


def test_white_light_follows_kubelka_and_munk() -> None:
    spec = replace(
        QUIET, lanes=one(SpotSpec(0.4, 3.0, tail=0.8)), mode="grey", bits=16, transfer="linear"
    )
    r = draw(spec).pixels / 65535
    assert r.max() == pytest.approx(0.86, abs=1e-5)
    assert r.min() < 0.4
    s = (1 - r) ** 2 / (2 * r) - (1 - 0.86) ** 2 / (2 * 0.86)
    assert s.sum() * (25.4 / spec.dpi) ** 2 == pytest.approx(3.0, rel=2e-3)


def test_clean_layer_in_white_light_has_the_code_of_its_reflectance() -> None:
    # 0.86 in sRGB: 255 (1.055 x 0.86^(1/2.4) - 0.055) = 238.6.
    assert set(np.unique(draw(QUIET).pixels)) == {239}


def test_the_glow_is_quenched_by_powers_of_ten() -> None:
    spec = replace(
        QUIET, light="254", lanes=one(SpotSpec(0.5, 2.0)), bits=16, transfer="linear"
    )
    e = draw(spec).pixels / 65535
    assert e[0, 0, 1] > 2 * e[0, 0, 2] > 2 * e[0, 0, 0]
    s = -np.log10(e[..., 1] / e[0, 0, 1])
    assert s.sum() * (25.4 / spec.dpi) ** 2 == pytest.approx(2.0, rel=2e-3)


def test_fluorescence_is_linear_in_the_amount() -> None:
    spec = replace(QUIET, light="366", bits=16, transfer="linear")
    layer = draw(spec).pixels[0, 0] / 65535
    assert layer[2] > layer[0] > layer[1]
    assert layer.max() < 0.1
    sums = [
        (draw(replace(spec, lanes=one(SpotSpec(0.5, amount)))).pixels / 65535 - layer).sum()
        for amount in (0.5, 2.0)
    ]
    assert sums[1] / sums[0] == pytest.approx(4.0, rel=2e-3)
    # A colour of its own, and only in its channels.
    green = SpotSpec(0.5, 1.0, colour=(0.0, 1.0, 0.0))
    lit = draw(replace(spec, lanes=one(green))).pixels / 65535 - layer
    assert lit[..., 1].max() > 0.1
    assert lit[..., [0, 2]].max() < 1e-4


@pytest.mark.parametrize("light", ["white", "254", "366"])
def test_a_symmetric_plate_gives_a_symmetric_picture(light: str) -> None:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.3, 1), SpotSpec(0.6, 0.4))) for x in (12, 25, 38))
    spec = replace(
        QUIET, lanes=lanes, light=light, smile=2, ticks=True, blur=0.06, margin=3, bits=16
    )
    pixels = draw(spec).pixels.astype(int)
    # Float rounding, not geometry, may move a 16-bit code by one.
    assert np.abs(pixels - pixels[:, ::-1]).max() <= 1
    assert np.ptp(pixels) > 1000


def test_pencil_is_dark_on_its_lines_and_faint_under_366() -> None:
    def contrast(light: str) -> float:
        spec = replace(QUIET, pencil=True, light=light, transfer="linear", bits=16)
        green = draw(spec).pixels[..., 1] / 65535
        _, y = grid(spec, 0)
        near = np.minimum(np.abs(y - spec.origin), np.abs(y - spec.front)) < 0.5
        assert np.ptp(green[~near]) < 1e-4
        for height in (spec.origin, spec.front):
            dark = green[np.abs(y - height) < 0.5].min(axis=0) < 0.98 * green.max()
            # Broken, but there for the most part.
            assert 0.6 < dark.mean() < 0.98
        return float(1 - green.min() / green.max())

    assert contrast("white") > 0.4
    assert contrast("254") > 0.4
    assert 0.05 < contrast("366") < 0.2


def test_ticks_stand_at_the_lanes_and_names_below_them() -> None:
    spec = replace(QUIET, ticks=True, labels=True, lanes=(LaneSpec(12, name="SM"), LaneSpec(35)))
    dark = draw(spec).pixels[..., 0] < 230
    x, y = grid(spec, 0)
    ticked = x[dark[np.abs(y - spec.origin - 0.7).argmin()]]
    assert sorted({round(v) for v in ticked}) == [12, 35]
    rows = np.abs(y - (spec.origin - 5)) < 1
    named = x[dark[rows].any(axis=0)]
    assert np.mean(named[named < 24]) == pytest.approx(12, abs=0.5)
    assert np.mean(named[named > 24]) == pytest.approx(35, abs=0.5)
    assert not dark[y > spec.origin + 2].any()


def test_marks_and_lamp_do_what_they_are_asked() -> None:
    plain = draw(QUIET).pixels.astype(int)
    assert (plain - draw(replace(QUIET, dust=40)).pixels).max() > 60
    assert (plain - draw(replace(QUIET, scratches=5)).pixels).max() > 20
    assert (draw(replace(QUIET, glare=0.1)).pixels - plain).max() > 8
    linear = replace(QUIET, transfer="linear", bits=16)
    lit = draw(replace(linear, lamp=0.2)).pixels / 65535 / 0.86
    assert lit.min() == pytest.approx(0.8, abs=1e-3)
    assert lit.max() == pytest.approx(1.0, abs=1e-3)
    assert np.abs(np.diff(lit[..., 0])).max() < 2e-3


def test_texture_and_noise_have_the_size_asked_for() -> None:
    linear = replace(QUIET, light="254", transfer="linear", bits=16)
    for name, size in (("grain", 0.01), ("mottle", 0.01), ("noise", 0.02)):
        green = draw(replace(linear, **{name: size})).pixels[..., 1] / 65535
        sd = green.std() / green.mean()
        # Noise falls as the root of light: relative to it, more by that root.
        expected = size / math.sqrt(0.6) if name == "noise" else size
        assert sd == pytest.approx(expected, rel=0.1)
        step = np.diff(green, axis=1).std() / (green.std() * math.sqrt(2))
        low, high = {"grain": (0.1, 0.8), "mottle": (0, 0.1), "noise": (0.95, 1.05)}[name]
        assert low <= step <= high


def test_the_bed_shows_round_the_plate() -> None:
    spec = replace(QUIET, margin=4, bed=0.2, transfer="linear", bits=16)
    pixels = draw(spec).pixels[..., 0] / 65535
    assert pixels[0, 0] == pytest.approx(0.2, abs=1e-4)
    # The plate's area, its edge pixels counted by their share.
    share = (pixels - 0.2) / (0.86 - 0.2)
    assert share.sum() * (25.4 / spec.dpi) ** 2 == pytest.approx(50 * 100, rel=1e-4)


@pytest.mark.parametrize(("tilt", "keystone"), [(0, 0), (3, 0), (-2, 0.15), (90 / 4, 0.1)])
def test_the_truths_corners_are_where_the_plate_is_drawn(tilt: float, keystone: float) -> None:
    spec = replace(
        QUIET, margin=4, bed=0, tilt=tilt, keystone=keystone, transfer="linear", bits=16,
        lanes=one(SpotSpec(0.8, 2.0, width=1.5), x=15),
    )
    drawing = draw(spec)
    corners = np.array(drawing.truth["corners_px"])
    # Area of the drawn plate against the shoelace formula over the stated corners.
    empty = draw(replace(spec, lanes=())).pixels[..., 0] / 65535 / 0.86
    u, v = corners.T
    area = abs(np.sum(u * np.roll(v, -1) - v * np.roll(u, -1))) / 2
    assert empty.sum() == pytest.approx(area, rel=5e-4)
    # The spot lies where the homography of those corners puts it.
    dark = np.clip(empty - drawing.pixels[..., 0] / 65535 / 0.86, 0, None)
    row, column = center_of_mass(np.where(dark > 0.2 * dark.max(), dark, 0))
    want = project(
        plate_to_pixels(spec.width, spec.height, corners), 15, spec.origin + 0.8 * 75
    )
    assert column == pytest.approx(float(want[0]), abs=0.1)
    assert row == pytest.approx(float(want[1]), abs=0.1)


def test_a_positive_tilt_turns_counter_clockwise_and_keystone_narrows_the_top() -> None:
    at = view(replace(QUIET, tilt=2)).at
    assert at(50, 0)[1] < at(0, 0)[1]
    at = view(replace(QUIET, keystone=0.2)).at
    lower, upper = at(50, 0)[0] - at(0, 0)[0], at(50, 100)[0] - at(0, 100)[0]
    assert upper / lower == pytest.approx(0.8, rel=1e-12)


def test_whole_pixel_coordinates_are_the_centres_of_pixels() -> None:
    spec = replace(QUIET, margin=4, bed=0, transfer="linear", bits=16)
    drawing = draw(spec)
    row = drawing.pixels[400, :, 0] / 65535 / 0.86
    full = np.flatnonzero(row > 0.999)
    left, right = full[0] - 0.5 - row[full[0] - 1], full[-1] + 0.5 + row[full[-1] + 1]
    corners = drawing.truth["corners_px"]
    assert left == pytest.approx(corners[0][0], abs=1e-3)
    assert right == pytest.approx(corners[1][0], abs=1e-3)


# Seeds


@pytest.mark.parametrize("light", ["white", "254", "366"])
def test_the_seed_decides_the_pixels(light: str) -> None:
    spec = PlateSpec(
        lanes=one(SpotSpec(0.5, 1)), light=light, dpi=100, dust=5, scratches=2, glare=0.1,
        tilt=1, keystone=0.05,
    )
    first = draw(spec).pixels
    assert np.array_equal(first, draw(spec).pixels)
    assert not np.array_equal(first, draw(replace(spec, seed=1)).pixels)


def test_switching_an_effect_off_leaves_the_others() -> None:
    spec = replace(QUIET, grain=0.01, light="254", bits=16)
    dusty = draw(replace(spec, dust=10)).pixels
    assert np.mean(dusty == draw(spec).pixels) > 0.98


def test_grey_is_the_luminance_and_a_cropped_plate_has_no_bed() -> None:
    spec = replace(QUIET, light="254", bits=16, transfer="linear")
    colour, grey = draw(spec).pixels, draw(replace(spec, mode="grey")).pixels
    assert grey.shape == colour.shape[:2] == (round(100 / 0.127), round(50 / 0.127))
    want = colour @ [0.2126, 0.7152, 0.0722]
    assert np.abs(grey - want).max() <= 1.5


# Truth


def test_the_truth_states_shares_and_resolution() -> None:
    lanes = (LaneSpec(20, (SpotSpec(0.5, 1.0, width=3.0), SpotSpec(0.4, 3.0, width=2.0)), "a"),)
    drawing = draw(replace(QUIET, lanes=lanes, dpi=50))
    lane = drawing.truth["lanes"][0]
    assert [s["rf"] for s in lane["spots"]] == [0.4, 0.5]
    assert [s["percent"] for s in lane["spots"]] == [75.0, 25.0]
    # 1.18 x (0.1 x 75 mm) / (2 mm + 3 mm)
    assert lane["pairs"] == [{"lower": 0, "upper": 1, "resolution": pytest.approx(1.77)}]
    with pytest.raises(FrozenInstanceError):
        drawing.spec = QUIET  # type: ignore[misc]


def test_the_truths_lines_are_the_layouts_lines() -> None:
    spec = replace(QUIET, smile=3, lean=0.05, lanes=(LaneSpec(10), LaneSpec(40)), dpi=50)
    truth = draw(spec).truth
    lines = [Line(tuple(truth["lines"][k])) for k in ("origin", "front")]
    for x in (0.0, 10.0, 25.0, 50.0):
        assert float(lines[1].at(x)) == pytest.approx(spec.front_at(x), abs=1e-12)
    assert spec.front_at(0) == pytest.approx(82.0)
    layout = Layout(50, 100, True, 1.0, np.array(truth["corners_px"]), *lines)
    for lane in truth["lanes"]:
        run = layout.run(Lane(lane["name"], lane["x"], 5.0, spec.lean))
        assert lane["run"] == pytest.approx(run, abs=1e-3)

"""Signal against what was drawn: every law, its layer, its noise, its channel."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from drawn import XS, layout_of, plate, scan_of
from numpy.typing import NDArray

from lanes.draw import Drawing, LaneSpec, SpotSpec, draw
from lanes.errors import InputError
from lanes.plate.channel import choose_channel
from lanes.plate.signal import (
    Signal,
    judge_light,
    kubelka_munk,
    optical_density,
    reflectance,
    to_signal,
)
from lanes.scan.transfer import code_table, linear_to_srgb
from lanes.settings import Settings

# A plate as good as light itself: no grain, no noise, 16 bits.
IDEAL: dict[str, Any] = {
    "grain": 0, "mottle": 0, "noise": 0, "lamp": 0, "blur": 0.05, "pencil": False, "ticks": False,
    "labels": False, "bits": 16, "mode": "grey", "transfer": "linear",
    "lanes": tuple(
        LaneSpec(x, (SpotSpec(0.2, a), SpotSpec(0.5, a / 2), SpotSpec(0.8, a / 4)))
        for x, a in zip(XS, (2.0, 0.5, 6.0), strict=True)
    ),
}
# Grey light per signal under 366 nm: 0.9 of a blue emission (0.35, 0.62, 1) by luminance.
GLOW = 0.9 * (0.2126 * 0.35 + 0.7152 * 0.62 + 0.0722 * 1.0)


@lru_cache(maxsize=12)
def _drawn(changes: tuple[Any, ...]) -> Drawing:
    return draw(plate(**dict(changes)))


def drawn(**changes: Any) -> Drawing:
    return _drawn(tuple(changes.items()))


def signal_of(drawing: Drawing, **settings: Any) -> Signal:
    return to_signal(scan_of(drawing), layout_of(drawing), Settings(**settings), drawing.spec.light)


def recovered(drawing: Drawing, signal: Signal) -> NDArray[np.float64]:
    """Return each spot's summed signal as a share of what was drawn, lane by lane."""
    grid, spec, out = signal.grid, drawing.spec, []
    for lane in spec.lanes:
        for spot in lane.spots:
            rows = np.abs(grid.y() - spec.origin - spot.rf * spec.rise(lane)) < 4.5
            columns = np.abs(grid.x() - lane.x) < 4.6
            found = signal.values[np.ix_(rows, columns)].sum() * grid.pitch**2
            out.append(float(found) / spot.amount)
    return np.array(out)


# The laws themselves


def test_kubelka_munk_by_hand() -> None:
    # (1-R)^2/(2R), Kubelka & Munk (1931).
    np.testing.assert_allclose(
        kubelka_munk([0.9, 0.8, 0.5, 0.25, 0.1]), [1 / 180, 0.025, 0.25, 1.125, 4.05], rtol=1e-12
    )


def test_reflectance_undoes_kubelka_munk() -> None:
    r = np.linspace(0.01, 1, 200)
    np.testing.assert_allclose(reflectance(kubelka_munk(r)), r, rtol=1e-9)


def test_optical_density_by_hand() -> None:
    np.testing.assert_allclose(
        optical_density([1.0, 0.1, 0.215861]), [0, 1, 0.66583], atol=1e-5
    )


# What was drawn comes back


@pytest.mark.parametrize(
    ("light", "law", "scale", "close"),
    [("white", "kubelka-munk", 1.0, 0.008), ("254", "optical-density", 1.0, 0.01),
     ("366", "emission", GLOW, 0.012)],
)
@pytest.mark.parametrize("dpi", [150, 200])
def test_a_noise_free_spot_has_its_amount(
    light: str, law: str, scale: float, close: float, dpi: float
) -> None:
    drawing = drawn(**IDEAL, light=light, dpi=dpi)
    signal = signal_of(drawing)
    assert (signal.light, signal.law) == (light, law)
    np.testing.assert_allclose(recovered(drawing, signal) / scale, 1, atol=close)


@pytest.mark.parametrize(("lamp", "close"), [(0.1, 0.01), (0.3, 0.02)])
def test_a_lamp_that_falls_off_is_corrected(lamp: float, close: float) -> None:
    # Density knows only the ratio to the layer, so the lamp must drop out.
    drawing = drawn(**{**IDEAL, "lamp": lamp}, light="254")
    signal = signal_of(drawing)
    amounts = np.array([spot.amount for lane in drawing.spec.lanes for spot in lane.spots])
    # What the layer carried on under a spot errs by has nothing to do with the spot's strength.
    off = np.abs(recovered(drawing, signal) - 1) * amounts
    assert (off < close * amounts + 0.015).all()


@pytest.mark.parametrize("light", ["white", "254", "366"])
def test_clean_layer_reads_zero_under_an_uneven_lamp(light: str) -> None:
    drawing = drawn(**{**IDEAL, "lamp": 0.1, "lanes": ()}, light=light)
    signal = signal_of(drawing)
    inner = signal.values[18:-18, 18:-18]  # 3 mm from the edges, where no spot lies
    # Against a spot of amount 1, whose height is about 0.2.
    assert np.abs(inner).max() < 0.003
    assert inner.std() < 5e-4


def test_the_law_asked_for_is_used() -> None:
    drawing = drawn(**IDEAL, light="white")
    by_density = signal_of(drawing, law="optical-density")
    assert by_density.law == "optical-density"
    grid = by_density.grid
    # At a spot's apex: density is -log10 of the ratio of reflectances.
    row, column = (round(float(v)) for v in (grid.row(8 + 0.2 * 42), grid.column(10.0)))
    by_km = signal_of(drawing)
    f = kubelka_munk(0.86) + by_km.values[row, column]
    assert by_density.values[row, column] == pytest.approx(
        -np.log10(reflectance(f) / 0.86), rel=0.01)


def test_grain_and_noise_leave_the_sums_unbiased() -> None:
    found = np.mean([
        recovered(d, signal_of(d)) for d in (
            drawn(**{**IDEAL, "grain": 0.004, "noise": 0.004}, light="white", seed=s)
            for s in range(4))
    ], axis=0)
    np.testing.assert_allclose(found[[0, 1, 6, 7, 8]], 1, atol=0.03)


def test_dust_and_scratches_cost_a_spot_little() -> None:
    usual = {**IDEAL, "noise": 0.002, "grain": 0.002}
    drawing = drawn(**usual, light="white", dust=40, scratches=3)
    found = recovered(drawing, signal_of(drawing))
    np.testing.assert_allclose(found[[0, 6, 7]], 1, atol=0.03)
    assert signal_of(drawing).thin.any()


# What goes with it


def test_shapes_and_kinds() -> None:
    signal = signal_of(drawn(light="white"))
    shape = (signal.grid.rows, signal.grid.columns)
    for image in (signal.values, signal.gain, signal.bare, signal.held_out, signal.thin,
                  signal.clipped):
        assert image.shape == shape
    assert np.isfinite(signal.values).all()
    assert (signal.gain >= 1).all()
    assert signal.gain[signal.bare].mean() == pytest.approx(1, abs=0.03)
    assert not (signal.bare & signal.thin).any()


def test_spots_are_not_called_bare_and_are_noisier() -> None:
    drawing = drawn(light="white")
    signal = signal_of(drawing)
    grid = signal.grid
    row, column = (round(float(v)) for v in (grid.row(8 + 0.2 * 42), grid.column(10.0)))
    assert not signal.bare[row - 3: row + 4, column - 3: column + 4].any()
    assert signal.gain[row, column] > 2


def test_what_is_held_out_is_clean_layer_and_small() -> None:
    signal = signal_of(drawn(light="white"))
    known = np.isfinite(signal.held_out)
    # Three patterns, each a sixth of what is bare.
    assert 0.02 < known.mean() < 0.5 * signal.bare.mean() + 0.01
    assert signal.bare[known].all()
    spread = np.sqrt(np.nanmean(np.square(signal.held_out)))
    assert spread < 3 * signal.values[signal.bare].std()


def test_clipped_pixels_are_counted() -> None:
    # So strong a spot that 8 bits hold none of its middle.
    heavy = drawn(light="254", grain=0, noise=0,
                  lanes=(LaneSpec(20, (SpotSpec(0.5, 60.0),)),))
    signal = signal_of(heavy)
    grid = signal.grid
    row, column = (round(float(v)) for v in (grid.row(8 + 0.5 * 42), grid.column(20.0)))
    assert signal.clipped[row, column] == 1
    assert signal.clipped[signal.bare].max() == 0


def test_an_exposure_no_white_layer_has_is_flagged() -> None:
    drawing = drawn(**IDEAL, light="white")
    scan = scan_of(drawing)
    dark = replace(scan, codes=(scan.codes // 3).astype(np.uint16))
    signal = to_signal(dark, layout_of(drawing), Settings(), "white")
    assert [f.name for f in signal.flags] == ["transfer-assumed"]
    # The usual layer is taken instead, so the sums stay what they were.
    np.testing.assert_allclose(recovered(drawing, signal), 1, atol=0.02)


# Light and channel


@pytest.mark.parametrize("light", ["white", "254", "366"])
@pytest.mark.parametrize("seed", [0, 1])
def test_the_light_is_judged_from_the_colours(light: str, seed: int) -> None:
    found, confidence = judge_light(scan_of(drawn(light=light, seed=seed)))
    assert found == light
    assert 0.5 < confidence <= 1


def test_grey_distinguishes_dark_from_pale_only() -> None:
    found, confidence = judge_light(scan_of(drawn(light="white", mode="grey")))
    assert (found, confidence < 0.7) == ("white", True)
    assert judge_light(scan_of(drawn(light="366", mode="grey")))[0] == "366"


@pytest.mark.parametrize(
    ("colour", "channel"),
    [((0.05, 0.1, 1.0), "blue"), ((0.05, 1.0, 0.1), "green"), ((1.0, 0.1, 0.05), "red")],
    ids=["yellow", "magenta", "cyan"],
)
def test_a_coloured_spot_is_read_where_it_shows(
    colour: tuple[float, float, float], channel: str
) -> None:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.5, 1.0, colour=colour),)) for x in XS)
    drawing = drawn(light="white", lanes=lanes)
    assert choose_channel(scan_of(drawing), layout_of(drawing), Settings(), "white") == channel


def test_grey_spots_are_read_in_the_mean_and_quenching_in_green() -> None:
    for light, channel in (("white", "mean"), ("254", "green")):
        drawing = drawn(light=light)
        found = choose_channel(scan_of(drawing), layout_of(drawing), Settings(), light)
        assert found == channel


def too_warm(**changes: Any) -> Drawing:
    """Return a drawn plate whose red light is twice as strong as the picture could hold."""
    drawing = drawn(light="white", **changes)
    light = code_table(8, "srgb")[drawing.pixels]
    light[..., 0] *= 2.0
    codes = np.rint(255 * linear_to_srgb(np.clip(light, 0.0, 1.0))).astype(np.uint8)
    return replace(drawing, pixels=codes)


def test_a_channel_in_which_the_layer_is_clipped_is_not_read() -> None:
    """Its noise does not show, and it would seem to see every spot best."""
    drawing = too_warm()
    chosen = choose_channel(scan_of(drawing), layout_of(drawing), Settings(), "white")
    assert chosen in ("green", "blue", "green+blue")


def test_a_clipped_channel_is_read_where_spots_show_in_no_other() -> None:
    lanes = tuple(LaneSpec(x, (SpotSpec(0.5, 3.0, colour=(1.0, 0.0, 0.0)),)) for x in XS)
    drawing = too_warm(lanes=lanes)
    chosen = choose_channel(scan_of(drawing), layout_of(drawing), Settings(), "white")
    assert chosen in ("red", "mean")


@pytest.mark.parametrize("channel", ["red", "green", "blue", "mean", "luminance"])
def test_the_channel_asked_for_is_read(channel: str) -> None:
    assert signal_of(drawn(light="white"), channel=channel).channel == channel


def test_a_grey_scan_has_no_colours_to_ask_for() -> None:
    with pytest.raises(InputError, match="--channel red: the scan is grey"):
        signal_of(drawn(**IDEAL, light="white"), channel="red")

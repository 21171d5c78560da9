"""From codes to light to signal, against the laws as published."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image
from skimage.color import rgb2xyz

from lanes.plate.signal import kubelka_munk, optical_density, reflectance
from lanes.scan.scan import read_scan
from lanes.scan.transfer import linear_to_srgb, srgb_to_linear, to_linear

# F(R) = (1 - R)^2 / (2 R): Kubelka & Munk (1931); values by hand.
KUBELKA_MUNK = [(1.0, 0.0), (0.9, 0.1**2 / 1.8), (0.8, 0.025), (0.5, 0.25), (0.25, 1.125),
                (0.1, 4.05)]


@pytest.mark.parametrize(("r", "f"), KUBELKA_MUNK)
def test_kubelka_munk_and_its_inverse(r, f):
    """R = 1 + F - sqrt(F^2 + 2 F) takes F back to R."""
    assert kubelka_munk(r) == pytest.approx(f, abs=1e-12)
    assert reflectance(f) == pytest.approx(r, rel=1e-12)


def test_kubelka_munk_takes_arrays_of_any_shape():
    r, f = np.array(KUBELKA_MUNK).T.reshape(2, 2, 3)
    np.testing.assert_allclose(kubelka_munk(r), f, atol=1e-12)
    np.testing.assert_allclose(reflectance(f), r, rtol=1e-12)


# IEC 61966-2-1: V / 12.92 up to 0.04045, above it ((V + 0.055) / 1.055)^2.4, V = code / 255.
SRGB = [(0, 0.0), (10, 0.00303527), (64, 0.0512695), (128, 0.215861), (186, 0.491021),
        (200, 0.577580), (254, 0.991102), (255, 1.0)]


@pytest.mark.parametrize(("code", "light"), SRGB)
def test_srgb(code, light):
    assert srgb_to_linear(code / 255) == pytest.approx(light, rel=3e-6)
    assert linear_to_srgb(light) * 255 == pytest.approx(code, abs=2e-4)
    assert to_linear(np.array([code], np.uint8), 8, "srgb")[0] == pytest.approx(light, rel=3e-6)
    # The same code at 16 bits: 257 of its steps for each of 8 bits.
    deep = to_linear(np.array([257 * code], np.uint16), 16, "srgb")
    assert deep[0] == pytest.approx(light, rel=3e-6)


def test_srgb_is_that_of_scikit_image():
    """rgb2xyz undoes the same curve; a grey's Y is its linear light, the weights summing to 1."""
    codes = np.arange(256, dtype=np.uint8)
    grey = np.repeat(codes[:, None, None], 3, axis=2)
    reference = rgb2xyz(grey)[:, 0, 1]
    np.testing.assert_allclose(to_linear(codes, 8, "srgb"), reference, rtol=3e-6, atol=1e-9)


def test_codes_of_a_file_arrive_as_light(tmp_path):
    """The whole way from a file: stripes of the table's codes, read back as linear light."""
    codes = np.repeat(np.array([c for c, _ in SRGB], np.uint8), 20)
    Image.fromarray(np.tile(codes, (120, 1))).save(tmp_path / "stripes.png")
    scan = read_scan(tmp_path / "stripes.png", transfer="srgb")
    light = scan.light("mean")
    assert light.shape == (120, 160)
    np.testing.assert_allclose(light[60, 10::20], [v for _, v in SRGB], rtol=3e-6, atol=1e-9)


def test_density_of_code_128():
    """D = -log10 R. The scan is not characterised, so this is relative, not ISO 5 density."""
    assert optical_density(to_linear(np.array([128], np.uint8), 8, "srgb"))[0] == pytest.approx(
        0.66583, abs=5e-6)
    np.testing.assert_allclose(optical_density([1, 0.1, 0.01]), [0, 1, 2], atol=1e-12)

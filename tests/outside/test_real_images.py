"""Real images, none of them of a plate: refused whole, and their light read like any other.

All are shipped with scikit-image (skimage.data), whose documentation names each one's source.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skimage
from scipy.signal import peak_widths
from skimage.io import imread
from skimage.measure import centroid

from lanes.cli import main
from lanes.errors import LayoutError
from lanes.measuring import measure
from lanes.scan.transfer import to_linear
from lanes.spots.deconvolve import deconvolve
from lanes.spots.quantities import full_width

FOLDER = Path(skimage.__file__).parent / "data"
PHOTOGRAPHS = (
    "astronaut.png", "brick.png", "camera.png", "clock_motion.png", "coffee.png", "coins.png",
    "grass.png", "hubble_deep_field.jpg", "ihc.png", "microaneurysms.png", "moon.png", "page.png",
    "retina.jpg", "text.png",
)


@pytest.mark.usefixtures("located_once")
@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_photograph_is_refused_in_one_line(name, capsys, tmp_path):
    """The layout is what fails, not the file; no reading is written, only what was seen."""
    path, out = FOLDER / name, tmp_path / "reading"
    with pytest.raises(LayoutError) as caught:
        measure(path, picture=False)
    assert main(["measure", str(path), "--out", str(out)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err == f"lanes: {caught.value}; see {out / 'plate-unread.png'}\n"
    # It says what mends it.
    assert any(way in printed.err for way in ("scan the whole plate", "--origin", "--front"))
    assert list(tmp_path.iterdir()) == [out]
    assert {path.name for path in out.iterdir()} == {"plate-unread.png", "written.json"}


# Row and column of four galaxies that stand alone in the Hubble Deep Field.
GALAXIES = [(166, 254), (166, 819), (403, 420), (578, 753)]


@pytest.mark.parametrize(("row", "column"), GALAXIES)
def test_light_of_a_galaxy_is_a_spot(row, column):
    """Real light in a window 51 by 17 pixels, summed across as a lane is, fitted as one spot.

    Against the centre of gravity (skimage.measure.centroid) and the width at half height of the
    data as they are (scipy.signal.peak_widths). A galaxy is no Gaussian: its foot is broader.
    """
    image = imread(FOLDER / "hubble_deep_field.jpg")
    light = to_linear(image, 8, "srgb").mean(axis=2, dtype=float)
    trace = light[row - 25 : row + 26, column - 8 : column + 9].sum(axis=1)
    x = np.arange(51.0)
    fit = deconvolve(x, trace, baseline_order="linear", components=1)
    (spot,) = fit.components
    flat = trace - fit.baseline
    (gravity,) = centroid(np.clip(flat[15:36], 0, None)[None, :])[1:]
    assert spot.centre == pytest.approx(15 + gravity, abs=0.1)
    wide = peak_widths(flat, [int(np.argmax(flat))], rel_height=0.5)[0][0]
    assert full_width(spot) == pytest.approx(wide, rel=0.07)
    assert spot.area == pytest.approx(flat[15:36].sum(), rel=0.1)
    assert fit.r_squared > 0.98

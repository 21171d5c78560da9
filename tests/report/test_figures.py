"""The pictures: right size, marks in the right place, the same bytes again."""

import io
import os
import subprocess
import sys
from dataclasses import replace

import invented
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from lanes.report.canvas import DPI, MARK, spread
from lanes.report.figures import lane_files, pictures, plate_frame, plate_png
from lanes.report.lane_figure import lane_png


def pixels(png):
    with Image.open(io.BytesIO(png)) as image:
        assert image.format == "PNG"
        assert "Software" not in image.info
        return np.asarray(image.convert("RGB"), float)


def marked(image, column, row, reach=14):
    """Return the centre of what has the mark's colour near (column, row), edges counted."""
    rows = slice(int(row) - reach, int(row) + reach)
    columns = slice(int(column) - reach, int(column) + reach)
    near = np.abs(image[rows, columns] - 255 * np.array(to_rgb(MARK))).max(axis=2) < 40
    assert near.sum() > 20
    y, x = np.nonzero(near)
    # The middle of the cross, whatever weight its arms have.
    return (
        columns.start + (x.min() + x.max() + 1) / 2,
        rows.start + (y.min() + y.max() + 1) / 2,
    )


@pytest.fixture(scope="module")
def plate():
    return invented.plate()


@pytest.fixture(scope="module")
def drawn(plate):
    return pictures(plate)


def test_every_lane_has_its_picture(plate, drawn):
    assert list(drawn) == ["plate.png", *lane_files(plate)]
    assert all(pixels(png).std() > 5 for png in drawn.values())


@pytest.mark.parametrize("make", [invented.plate, invented.unscaled])
def test_marks_lie_on_the_spots(make):
    reading = make()
    image = pixels(plate_png(reading))
    layout = reading.layout
    frame = plate_frame(layout)
    assert image.shape[0] == frame.top + frame.height + 30
    assert image.shape[1] == frame.left + frame.width + frame.right
    assert frame.height / frame.width == pytest.approx(layout.height / layout.width, rel=0.01)
    for place, lane in zip(layout.lanes, reading.lanes, strict=True):
        for spot, component in zip(lane.spots, lane.fit.components, strict=True):
            # Straight from the definition, not by way of the layout or the frame.
            unit = layout.width / invented.WIDTH
            y = (invented.ORIGIN + spot.rf * 75.0) * unit
            x = place.x + place.lean * (y - invented.ORIGIN * unit)
            column = frame.left + x / layout.width * frame.width
            row = frame.top + (1 - y / layout.height) * frame.height
            assert component.centre == pytest.approx(spot.rf * 75 * unit)
            np.testing.assert_allclose(marked(image, column, row), (column, row), atol=2.0)


def test_the_picture_lies_under_the_marks(plate):
    """A dark spot drawn into the plate comes out where its mark is."""
    bare = replace(plate, lanes=())
    image = pixels(plate_png(bare)).mean(axis=2)
    frame = plate_frame(plate.layout)
    x, y = plate.layout.path(plate.layout.lanes[3], 0.42)
    column, row = (int(v) for v in frame.pixel(x, y))
    window = 236 - image[row - 30 : row + 30, column - 30 : column + 30]
    window[window < 25] = 0
    rows, columns = np.mgrid[row - 30 : row + 30, column - 30 : column + 30] + 0.5
    centre = (window * columns).sum() / window.sum(), (window * rows).sum() / window.sum()
    np.testing.assert_allclose(centre, frame.pixel(x, y), atol=2.0)


def test_what_is_taken_for_pencil_is_tinted_where_it_lies(plate):
    strokes = np.zeros((300, 200), bool)
    strokes[60:66, 20:180] = True  # a fifth of the height from the upper edge
    seen = replace(plate, lanes=(), picture=replace(plate.picture, strokes=strokes))
    bare = pixels(plate_png(replace(plate, lanes=())))
    change = np.abs(pixels(plate_png(seen)) - bare).max(axis=2) > 30
    frame = plate_frame(plate.layout)
    rows, columns = np.nonzero(change)
    assert rows.mean() + 0.5 == pytest.approx(frame.top + 0.21 * frame.height, abs=1.5)
    assert rows.size == pytest.approx(0.02 * 0.8 * frame.height * frame.width, rel=0.2)
    assert columns.mean() + 0.5 == pytest.approx(frame.left + 0.5 * frame.width, abs=1.5)


def test_the_strip_is_turned_with_rf_to_the_right(plate):
    lane = plate.lanes[0]
    image = pixels(lane_png(plate, lane)).mean(axis=2)
    assert image.shape[1] == 1090
    rf = lane.trace.rf
    middle = image[86:92, 140:1065].mean(axis=0)
    shown = np.interp(np.linspace(rf[0], rf[-1], middle.size), rf, lane.fit.peaks.sum(axis=0))
    inner = slice(40, -40)  # away from the pencil lines
    assert np.corrcoef(236 - middle[inner], 1 - np.exp(-shown[inner]))[0, 1] > 0.97


def test_the_strip_follows_a_lane_that_leans():
    reading = invented.plate([[(0.1, 2, 1), (0.9, 2, 1)]] * 3, ("a", "b", "c"))
    leaning = reading.layout.lanes[2]
    assert leaning.lean > 0
    rows = pixels(lane_png(reading, reading.lanes[2]))[15:98, 140:1065].mean(axis=2)
    rf = reading.lanes[2].trace.rf
    for spot in (0.1, 0.9):
        at = round((spot - rf[0]) / (rf[-1] - rf[0]) * 925)
        dark = np.clip(230 - rows[:68, at - 6 : at + 6].mean(axis=1), 0, None)
        centre = (dark * (np.arange(dark.size) + 0.5)).sum() / dark.sum()
        assert centre == pytest.approx(rows.shape[0] / 2, abs=3)


def test_same_reading_same_bytes(plate, drawn):
    assert plate_png(plate) == drawn["plate.png"]
    # Drawn one after another on the same figure, or each on its own.
    for name, lane in zip(lane_files(plate), plate.lanes, strict=True):
        assert lane_png(plate, lane) == drawn[name]


def test_the_users_own_settings_change_nothing(plate, drawn):
    import matplotlib as mpl

    with mpl.rc_context({"font.size": 20, "lines.linewidth": 9, "figure.dpi": 50}):
        assert plate_png(plate) == drawn["plate.png"]
        assert mpl.rcParams["font.size"] == 20


def test_pyplot_is_left_alone():
    code = (
        "import sys, invented; from lanes.report.figures import pictures;"
        "pictures(invented.trace_only()); sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    here = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    run = subprocess.run([sys.executable, "-c", code], check=False, env=here)
    assert run.returncode == 0


def test_a_trace_has_no_plate():
    reading = invented.trace_only()
    assert list(pictures(reading)) == ["lane-trace.png"]
    with pytest.raises(ValueError, match="no plate"):
        plate_png(reading)


def test_names_the_font_or_the_file_system_lacks():
    reading = invented.trace_only()
    lanes = tuple(replace(reading.lanes[0], name=name) for name in ("a/b", "A:B", "試料", ""))
    reading = replace(reading, lanes=lanes)
    files = ["lane-a_b.png", "lane-A_B_2.png", "lane-試料.png", "lane-_.png"]
    assert lane_files(reading) == files
    assert list(pictures(reading)) == files


def test_close_lanes_get_room_for_their_numbers():
    reading = invented.plate([[(0.5, 1, 1)]] * 12, tuple(f"sample {i}" for i in range(12)))
    frame = plate_frame(reading.layout)
    lanes = reading.layout.lanes
    assert (lanes[1].x - lanes[0].x) * frame.scale >= 0.49 * DPI
    assert frame.turned


def test_unknown_samples_and_hidden_layer_are_drawn_around():
    reading = invented.trace_only()
    lane = reading.lanes[0]
    trace = replace(lane.trace, usable=np.zeros(lane.trace.position.size, bool))
    assert pixels(lane_png(reading, replace(lane, trace=trace))).std() > 5


@pytest.mark.parametrize(
    ("places", "want"),
    [([], []), ([1.0], [1.0]), ([1.0, 5.0], [1.0, 5.0]), ([4.0, 4.0], [3.5, 4.5]),
     ([0.0, 0.0, 0.0], [0.0, 1.0, 2.0]), ([9.9, 10.0], [9.0, 10.0])],
)  # fmt: skip
def test_spread(places, want):
    np.testing.assert_allclose(spread(places, 1.0, 0.0, 10.0), want)

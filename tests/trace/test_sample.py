"""A lane's trace against integrals in closed form; a trace read from a text file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes import measure
from lanes.errors import InputError
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.signal import Signal
from lanes.plate.square import Grid
from lanes.trace.sample import (
    BEYOND_MM,
    MAX_BYTES,
    MAX_ROWS,
    PENCIL_MM,
    STRIPS,
    read_trace,
    sample,
)

WIDTH, HEIGHT, PITCH = 40.0, 60.0, 0.1
GRID = Grid(600, 400, PITCH, PITCH)
X, Y = GRID.x()[None, :], GRID.y()[:, None]


def signal(values: Any, **changes: Any) -> Signal:
    values = np.broadcast_to(values, (GRID.rows, GRID.columns)).astype(np.float32)
    none = np.zeros(values.shape, bool)
    usual: dict[str, Any] = {
        "values": values, "gain": np.ones_like(values), "bare": ~none, "held_out": values,
        "thin": none, "clipped": np.zeros_like(values), "grid": GRID, "light": "white",
        "law": "kubelka-munk", "channel": "mean", "reference": 0.86, "flags": (),
    }
    return Signal(**{**usual, **changes})


def layout(lane: Lane, smile: float = 0.0, unit: float = 1.0) -> Layout:
    # y of the front: 50 - smile ((x - 20)/20)^2.
    bend = smile / 400
    front = Line((50 - 400 * bend, 40 * bend, -bend))
    corners = np.array([[0, 600], [400, 600], [400, 0], [0, 0]], float)
    return Layout(WIDTH, HEIGHT, unit == 1.0, unit, corners, Line((8.0,)), front, (lane,))


def gaussian(t: Any, sigma: float) -> NDArray[np.float64]:
    return np.exp(-0.5 * (np.asarray(t) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))


# Closed forms


def test_an_even_signal_gives_its_value_times_the_width() -> None:
    lane = Lane("1", 20.0, 7.0)
    trace = sample(signal(0.3), layout(lane), lane)
    np.testing.assert_allclose(trace.signal, 0.3 * 7.0, rtol=1e-6)
    np.testing.assert_allclose(trace.strips, 0.3, rtol=1e-6)


def test_a_slope_across_the_lane_cancels() -> None:
    lane = Lane("1", 20.0, 7.0)
    trace = sample(signal(0.3 + 0.02 * (X - 20)), layout(lane), lane)
    np.testing.assert_allclose(trace.signal, 2.1, rtol=1e-6)
    assert trace.strips is not None
    assert trace.across is not None
    np.testing.assert_allclose(trace.strips[50], 0.3 + 0.02 * trace.across, rtol=1e-5)


def test_a_slope_along_the_lane_is_followed_from_the_origin() -> None:
    lane = Lane("1", 20.0, 5.0)
    trace = sample(signal(0.01 * Y), layout(lane), lane)
    np.testing.assert_allclose(trace.signal, 5 * 0.01 * (8 + trace.position), rtol=1e-5)


def test_positions_run_from_below_the_origin_to_past_the_front() -> None:
    lane = Lane("1", 20.0, 5.0)
    trace = sample(signal(0.0), layout(lane), lane)
    assert trace.run == pytest.approx(42)
    assert trace.position[0] == pytest.approx(-BEYOND_MM, abs=1.01 * PITCH)
    assert trace.position[-1] == pytest.approx(42 + BEYOND_MM, abs=1.01 * PITCH)
    np.testing.assert_allclose(np.diff(trace.position), PITCH, rtol=1e-9)
    assert trace.pitch == pytest.approx(PITCH)
    assert np.abs(trace.position).min() < 1e-9  # the origin itself is a sample
    np.testing.assert_allclose(trace.rf, trace.position / 42)


def test_the_trace_ends_where_the_plate_does() -> None:
    lane = Lane("1", 20.0, 5.0)
    at_edges = Layout(WIDTH, HEIGHT, True, 1.0, layout(lane).corners_px, Line((0.5,)),
                      Line((59.5,)), (lane,))
    trace = sample(signal(1.0), at_edges, lane)
    assert trace.position[0] > -0.5
    assert trace.position[-1] < 59.5
    # Its first and last sample are whole: none lies half on nothing.
    np.testing.assert_allclose(trace.signal, 5.0, rtol=1e-6)


@pytest.mark.parametrize("lean", [0.0, 0.05, -0.05])
def test_a_spot_on_the_path_integrates_to_its_amount_at_its_place(lean: float) -> None:
    lane = Lane("1", 20.0, 9.0, lean)
    plate = layout(lane)
    rf, sigma, across = 0.4, 0.8, 1.1
    x0, y0 = (float(v) for v in plate.path(lane, rf))
    slant = np.hypot(1, lean)
    u = ((X - x0) * lean + (Y - y0)) / slant
    v = ((X - x0) - lean * (Y - y0)) / slant
    trace = sample(signal(1.7 * gaussian(u, sigma) * gaussian(v, across)), plate, lane)
    area = trace.signal.sum() * trace.pitch
    # 9 mm hold a Gaussian of sigma 1.1 mm to 4 in 100 000.
    assert area == pytest.approx(1.7, rel=2e-3)
    centre = (trace.position * trace.signal).sum() / trace.signal.sum()
    assert centre / trace.run == pytest.approx(rf, abs=2e-4)
    variance = ((trace.position - centre) ** 2 * trace.signal).sum() / trace.signal.sum()
    assert np.sqrt(variance) == pytest.approx(sigma, rel=0.01)
    assert trace.run == pytest.approx(42 * slant, rel=1e-9)


def test_a_smiling_front_shortens_the_run_at_the_side() -> None:
    lane = Lane("1", 35.0, 5.0)
    trace = sample(signal(0.0), layout(lane, smile=4.0), lane)
    assert trace.run == pytest.approx(42 - 4 * (15 / 20) ** 2)


def test_strips_sum_to_the_signal() -> None:
    rng = np.random.default_rng(3)
    lane = Lane("1", 20.0, 9.0)  # ninety samples: ten in each strip
    trace = sample(signal(rng.normal(0, 1, (GRID.rows, GRID.columns))), layout(lane), lane)
    assert trace.strips is not None
    assert trace.across is not None
    assert trace.strips.shape == (trace.position.size, STRIPS)
    np.testing.assert_allclose(trace.strips.sum(axis=1) * 1.0, trace.signal, atol=1e-6)
    np.testing.assert_allclose(trace.across, np.arange(-4.0, 4.5), atol=1e-9)


def test_pencil_and_thin_matter_are_not_usable() -> None:
    thin = np.zeros((GRID.rows, GRID.columns), bool)
    thin[290:300] = True  # y 29 to 30, right across
    lane = Lane("1", 20.0, 5.0)
    trace = sample(signal(0.0, thin=thin), layout(lane), lane)
    hidden = trace.position[~trace.usable]
    for at in (0.0, 42.0):
        near = np.abs(trace.position - at) <= PENCIL_MM - 1e-9
        assert not trace.usable[near].any()
    assert not trace.usable[np.abs(trace.position - 21.5) < 0.4].any()
    others = hidden[(np.abs(hidden) > 0.5) & (np.abs(hidden - 42) > 0.5)]
    assert ((others > 20.9) & (others < 22.1)).all()
    assert trace.thin[np.argmin(np.abs(trace.position - 21.5))] == pytest.approx(1)


def test_gain_is_the_root_mean_square_across_and_clipping_the_mean() -> None:
    gain = np.where(X > 20, 3.0, 1.0) * np.ones_like(Y)
    lane = Lane("1", 20.0, 8.0)
    trace = sample(signal(0.0, gain=gain.astype(np.float32),
                          clipped=(gain > 2).astype(np.float32)), layout(lane), lane)
    np.testing.assert_allclose(trace.gain, np.sqrt(5), rtol=5e-3)
    np.testing.assert_allclose(trace.clipped, 0.5, atol=1e-6)


def test_the_signal_given_is_not_changed() -> None:
    given = signal(0.3)
    given.values.setflags(write=False)
    lane = Lane("1", 20.0, 7.0)
    sample(given, layout(lane), lane)
    assert (given.values == np.float32(0.3)).all()


# A trace from a file


def written(tmp_path: Path, text: str | bytes, name: str = "trace.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


ROWS = [(0.5 * i, 1.0 + i % 7) for i in range(60)]


def table(mark: str = ",", decimal: str = ".", rows: Any = ROWS) -> str:
    return "\n".join(f"{a:g}{mark}{b:g}".replace(".", decimal) for a, b in rows) + "\n"


@pytest.mark.parametrize(
    "text",
    [
        table(), table("\t"), table("  "), table(";"), table(";", ","), table(" , "),
        "distance,signal\n" + table(), "\ufeff" + table(), "# made by hand\n\n" + table(),
        table().replace("\n", "\r\n"), table().replace("\n", ",\n"), table("\t", ","),
        "mm;signal\n" + table(";", ","),
    ],
    ids=["comma", "tab", "blanks", "semicolon", "decimal comma", "comma and blanks", "heading",
         "byte order mark", "remark", "carriage returns", "trailing comma",
         "tab and decimal comma", "heading, semicolon"],
)
def test_columns_are_read_however_they_are_parted(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text)
    trace, raw = read_trace(path, 2.0, 27.0)
    assert raw == path.read_bytes()
    np.testing.assert_allclose(trace.position + 2.0, [a for a, _ in ROWS])
    np.testing.assert_allclose(trace.signal, [b for _, b in ROWS])
    assert trace.run == 25
    assert trace.usable.all()
    assert trace.strips is None


def test_where_rows_are_left_out_nothing_is_read(tmp_path: Path) -> None:
    rows = [(0.1 * i, 1.0) for i in range(400) if not 200 < i < 220]
    trace, _ = read_trace(written(tmp_path, table(rows=rows)), 1.0, 38.0)
    gone = trace.position[~trace.usable] + 1.0
    assert (gone.min(), gone.max()) == pytest.approx((20.1, 21.9))
    kept = read_trace(written(tmp_path, table(rows=[r for i, r in enumerate(rows) if i != 50])),
                      1.0, 38.0)[0]
    assert not (~kept.usable[:100]).any()  # one row is bridged


@pytest.mark.parametrize("gap", [(28.1, 30.4), (26.0, 28.2), (30.6, 33.0)])
def test_a_spot_with_rows_left_out_is_one(tmp_path: Path, gap: tuple[float, float]) -> None:
    rng = np.random.default_rng(4)
    x = np.round(np.arange(751) * 0.1, 1)
    signal = (np.exp(-0.5 * ((x - 30.0) / 1.5) ** 2) + 0.5 * np.exp(-0.5 * ((x - 50.0) / 1.5) ** 2)
              + rng.normal(0.0, 0.003, x.size))
    rows = [(a, b) for a, b in zip(x, signal, strict=True) if not gap[0] < a < gap[1]]
    reading = measure(written(tmp_path, table(rows=rows)), origin=0.0, front=75.0)
    spots = reading.lanes[0].spots
    assert [s.rf for s in spots] == pytest.approx([0.4, 2 / 3], abs=0.002)
    assert spots[0].area_percent == pytest.approx(200 / 3, abs=1.0)


def test_uneven_distances_are_resampled_linearly(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    x = np.arange(80) * 0.5 + rng.uniform(-0.1, 0.1, 80)
    path = written(tmp_path, table(rows=[(a, 3 + 2 * a) for a in x]))
    trace, _ = read_trace(path, 1.0, 38.0)
    np.testing.assert_allclose(np.diff(trace.position), trace.pitch, rtol=1e-9)
    inside = (trace.position + 1 > x[0]) & (trace.position + 1 < x[-1])
    np.testing.assert_allclose(
        trace.signal[inside], 3 + 2 * (trace.position[inside] + 1), rtol=1e-4
    )


@pytest.mark.parametrize("places", [2, 3, 6])
def test_rounded_distances_leave_the_signal_as_it_is(tmp_path: Path, places: int) -> None:
    x = np.linspace(0.0, 75.0, 600)  # 0.1252 apart: no two steps are alike once rounded
    noise = np.round(np.random.default_rng(3).normal(0.0, 1.0, x.size), 6)
    text = "".join(f"{a:.{places}f},{b}\n" for a, b in zip(x, noise, strict=True))
    trace, _ = read_trace(written(tmp_path, text), 0.0, 75.0)
    np.testing.assert_array_equal(trace.signal, noise)
    np.testing.assert_allclose(trace.position, x, atol=0.01 * trace.pitch)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "0 rows"), ("1,2\n", "1 rows"), ("a,b\nc,d\n" + table(), "line 2"),
        (table() + "x,y\n", "line 61"), (table() + "99\n", "line 61"),
        (table() + "99,nan\n", "line 61"), (table() + "99,inf\n", "line 61"),
        (table() + "3,1\n", "falls back"), (table() + "29.5,1\n", "repeats"),
        (table(rows=ROWS[::-1]), "falls back"), (table() + "99,1e300\n", "beyond"),
        ("0,x\n" + table(), "line 1"),
        (b"\xff\xfe\x00\x01" * 50, "not plain text"), (b"\x00" * 400, "line 1"),
        (table(rows=[(i * 1e-9, 1) for i in range(30)] + [(50, 1)]), "too uneven"),
    ],
    ids=["empty", "one row", "two headings", "text", "one number", "nan", "inf", "unsorted",
         "repeated", "reversed", "huge", "first row half text", "binary", "zeros", "uneven"],
)
def test_rows_that_are_no_trace(tmp_path: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read_trace(written(tmp_path, text), 0.0, 29.0)
    message = str(caught.value)
    assert says in message
    assert message.startswith("trace.csv")
    assert len(message.splitlines()) == 1
    assert ":" in message


def test_the_place_of_two_rows_out_of_order_is_named(tmp_path: Path) -> None:
    rows = [*ROWS[:30], (3.0, 1.0), *ROWS[30:]]
    with pytest.raises(InputError, match="data row 31: sort"):
        read_trace(written(tmp_path, table(rows=rows)), 0.0, 29.0)


@pytest.mark.parametrize(("origin", "front"), [(-1, 20), (2, 40), (20, 10), (5, 5)])
def test_lines_outside_the_trace(tmp_path: Path, origin: float, front: float) -> None:
    with pytest.raises(InputError, match=r"must lie within the trace, 0 to 29\.5"):
        read_trace(written(tmp_path, table()), origin, front)


def test_no_file_and_no_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_trace(tmp_path / "lost.csv", 0, 1)
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(InputError, match="is a folder"):
        read_trace(tmp_path / "folder.csv", 0, 1)


def test_what_is_not_a_plain_file_of_a_traces_size(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(InputError, match="is not a plain file"):
        read_trace(tmp_path / "pipe.csv", 0, 1)
    with pytest.raises(InputError, match="can't be read"):
        read_trace(tmp_path / "null\0byte.csv", 0, 1)
    with (tmp_path / "big.csv").open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    with pytest.raises(InputError, match="larger than any trace"):
        read_trace(tmp_path / "big.csv", 0, 1)
    many = "".join(f"{i},1\n" for i in range(MAX_ROWS + 1))
    with pytest.raises(InputError, match="average neighbours"):
        read_trace(written(tmp_path, many), 0, 100)

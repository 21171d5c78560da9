"""A lane as a trace: signal integrated across the lane, along its own path."""

from __future__ import annotations

import csv
import io
import stat
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import CubicHermiteSpline

from lanes.errors import InputError, one_line
from lanes.plate.layout import Lane, Layout
from lanes.plate.signal import Signal
from lanes.plate.square import at_places

Floats = NDArray[np.float64]

STRIPS = 9
BEYOND_MM = 2.0  # how far the trace reaches past the origin and the front
PENCIL_MM = 0.4  # half the width of what the origin line and the front hide
HIDDEN = 0.3     # share of the width under marks or masks from which a row is not read
MIN_ROWS, MAX_ROWS = 20, 5_000  # of a trace; 5,000 over 100 mm are 20 micrometres apart
MAX_BYTES = 10_000_000
# Standard deviation, in samples, of what a point is spread over: two linear interpolations and the
# pixel's own width come to 0.65, a scanner's optics to nearly one more (common practice).
BLUR = 1.1
EVEN = 1e-3    # of the spacing: what a table's rounding leaves of even distances
# Of the spacing, that places may lie off even ones: two decimals leave so much of 10 a millimetre,
# and a spot's flank, some 8 samples long, moves by a thousandth of its height (a choice).
ROUNDED = 0.05
GAP = 2.5       # spacings of a table's rows from which what lies between them is not known
SLOPE = 5       # rows to each side of such a gap that its slope is taken from: a spot's flank is 8
LARGEST = 1e12  # of a number in a trace: no detector counts so far


@dataclass(frozen=True)
class Sheet:
    """One lane's signal in two dimensions.

    Attributes
    ----------
    across : (m,) array
        Offsets from the path, evenly spaced, in mm.
    values : (n, m) array
        Signal at the trace's positions and these offsets.
    """

    across: Floats
    values: NDArray[np.float32] | Floats

    def strips(self) -> Floats:
        """Return the mean signal of each of `STRIPS` strips along the lane, (n, STRIPS)."""
        spans = np.array_split(np.arange(self.across.size), STRIPS)
        return np.stack([self.values[:, s].mean(axis=1, dtype=float) for s in spans], axis=1)

    def middles(self) -> Floats:
        """Return the offset of each strip's middle from the path, (STRIPS,)."""
        return np.array([self.across[s].mean()
                         for s in np.array_split(np.arange(self.across.size), STRIPS)])

    def density(self, shares: Floats) -> Floats:
        """Return shares of a signal in each strip, (c, STRIPS), per mm at each offset, (c, m).

        It changes evenly between the strips' middles, and each strip's mean is kept.
        """
        spans = np.array_split(np.arange(self.across.size), STRIPS)
        middles = self.middles()
        means = shares / (middles[1] - middles[0])
        out = np.stack([np.interp(self.across, middles, row) for row in means])
        for k, s in enumerate(spans):
            out[:, s] += (means[:, k] - out[:, s].mean(axis=1))[:, None]
        return out


@dataclass(frozen=True)
class Trace:
    """One lane's signal against distance from the origin.

    Attributes
    ----------
    position : (n,) array
        Distance along the path from the origin line, evenly spaced, in mm.
    signal : (n,) array
        Signal integrated across the lane, in signal x mm.
    usable : (n,) bool array
        False where pencil or another mark hides the layer.
    gain : (n,) array
        Noise of each sample relative to clean layer (the law amplifies noise in dark spots).
    run : float
        Distance from origin to front in mm.
    across : (k,) array or None
        Offsets of the strips from the path in mm.
    strips : (n, k) array or None
        Mean signal of each strip of the lane's width; their weighted sum is `signal`.
    clipped : (n,) array
        Share of the lane's width at each sample that is beyond the scan's range.
    thin : (n,) array
        Share of the lane's width at each sample from which thin matter was taken out.
    sheet : Sheet or None
        The lane's signal as it was before it was summed across.
    """

    position: Floats
    signal: Floats
    usable: NDArray[np.bool_]
    gain: Floats
    run: float
    across: Floats | None
    strips: Floats | None
    clipped: Floats
    thin: Floats
    sheet: Sheet | None = None

    def seen_as(self, values: Floats) -> Trace:
        """Return the trace with other signal in two dimensions, (n, m)."""
        assert self.sheet is not None
        sheet = Sheet(self.sheet.across, values)
        return replace(self, sheet=sheet, strips=sheet.strips())

    def cut(self, low: float, high: float) -> Trace:
        """Return the stretch from `low` to `high`, in all that is known of it."""
        keep = (self.position >= low) & (self.position <= high)
        sheet = None if self.sheet is None else Sheet(self.sheet.across, self.sheet.values[keep])
        return replace(
            self, position=self.position[keep], signal=self.signal[keep],
            usable=self.usable[keep], gain=self.gain[keep],
            strips=None if self.strips is None else self.strips[keep],
            clipped=self.clipped[keep], thin=self.thin[keep], sheet=sheet)

    @property
    def pitch(self) -> float:
        """Distance between samples in mm."""
        return float(self.position[1] - self.position[0])

    @property
    def blur(self) -> float:
        """Standard deviation in mm of what scan and resampling spread a point over.

        0 for a trace read as such.
        """
        return 0.0 if self.strips is None else BLUR * self.pitch

    @property
    def rf(self) -> Floats:
        """Position as a share of the run."""
        return self.position / self.run


def sample(signal: Signal, layout: Layout, lane: Lane) -> Trace:
    """Integrate `signal` across `lane`, along its path.

    The signal is interpolated linearly at points evenly spaced along the path and across it, and
    summed across; distance is measured along the path from the origin line.

    Parameters
    ----------
    signal : Signal
    layout : Layout
    lane : Lane
        One of `layout.lanes`.

    Returns
    -------
    Trace
        From 2 mm below the origin to 2 mm past the front, as far as the plate reaches.
    """
    grid = signal.grid
    y0, _ = layout.ends(lane)
    run = layout.run(lane)
    beyond = BEYOND_MM / layout.mm_per_unit
    slant = float(np.hypot(1.0, lane.lean))
    low = max(-beyond, -(y0 - grid.pitch) * slant)
    high = min(run + beyond, (layout.height - y0 - grid.pitch) * slant)
    position = np.arange(np.ceil(low / grid.pitch), np.floor(high / grid.pitch) + 1) * grid.pitch
    count = max(STRIPS, round(lane.width / grid.pitch))
    across = ((np.arange(count) + 0.5) / count - 0.5) * lane.width
    # The normal to the path points to larger x.
    y = y0 + position[:, None] / slant - across[None, :] * lane.lean / slant
    x = lane.x + lane.lean * position[:, None] / slant + across[None, :] / slant
    where = np.stack([grid.row(y), grid.column(x)]).astype(np.float32)

    inside = all(at.min() >= 0.0 and at.max() <= size - 1
                 for at, size in zip(where, signal.values.shape, strict=True))
    values = at_places(signal.values, (where[0], where[1])) if inside else (
        ndimage.map_coordinates(
            signal.values, where, np.float32, order=1, mode="constant", prefilter=False))
    nearest = np.clip(np.rint(where[0]), 0, grid.rows - 1).astype(np.intp) * grid.columns
    nearest += np.clip(np.rint(where[1]), 0, grid.columns - 1).astype(np.intp)
    thin = signal.thin.take(nearest).mean(axis=1)
    step = lane.width / count
    sheet = Sheet(across, values)
    spans = np.array_split(np.arange(count), STRIPS)
    usable = thin < HIDDEN
    if signal.masked is not None:
        usable &= signal.masked.take(nearest).mean(axis=1) < HIDDEN
    for line, drawn in ((0.0, layout.origin), (run, layout.front)):
        half = max(PENCIL_MM / layout.mm_per_unit, 0.5 * drawn.thick)
        usable &= np.abs(position - line) > half
    return Trace(
        position=position,
        signal=values.sum(axis=1, dtype=float) * step,
        usable=usable,
        gain=np.sqrt(np.square(signal.gain.take(nearest), dtype=float).mean(axis=1)),
        run=run,
        across=np.array([across[s].mean() for s in spans]),
        strips=sheet.strips(),
        clipped=(hit.mean(axis=1, dtype=float) if (hit := signal.clipped.take(nearest)).any()
                 else np.zeros(position.size)),
        thin=thin,
        sheet=sheet,
    )


def read_trace(
    path: str | Path, origin: float | None, front: float | None
) -> tuple[Trace, bytes]:
    """Read a trace from a text file of two columns, distance and signal.

    Columns are parted by commas, semicolons, tabs or blanks; one heading line is allowed.
    Where no commas part them, a comma may stand for the decimal point. Distances that are not
    quite even are resampled linearly onto even ones, which smooths their noise; those that were
    only rounded are taken as the even ones they were. Where rows are left out nothing is read.

    Parameters
    ----------
    path : path
    origin, front : float
        Distances of the origin and the front. Where one is None, the file is read and refused:
        its own faults come first.

    Returns
    -------
    Trace, and the file's bytes.

    Raises
    ------
    InputError
        If the file can't be read, or its rows can't be a trace; the message names the row.
    """
    name, raw = _read_bytes(Path(path))
    table = _table(name, raw)
    first, last = float(table[0, 0]), float(table[-1, 0])
    if origin is None or front is None:
        raise InputError(f"{name} is a trace, which shows neither origin nor front: give their "
                         f"distances, {first:g} to {last:g}, with --origin and --front")
    if not first <= origin < front <= last:
        raise InputError(
            f"--origin {origin:g} and --front {front:g} must lie within the trace, "
            f"{first:g} to {last:g}, origin first"
        )
    steps = np.diff(table[:, 0])
    pitch = float(np.median(steps))
    even = np.arange(round((last - first) / pitch) + 1, dtype=np.float64) * pitch + first
    signal, usable = table[:, 1], np.ones(even.size, bool)
    if even.size != len(table) or np.abs(steps - pitch).max() > EVEN * pitch:
        spaced = np.linspace(first, last, len(table))
        if np.abs(table[:, 0] - spaced).max() <= ROUNDED * (spaced[1] - spaced[0]):
            even = spaced
        else:
            signal = np.interp(even, table[:, 0], table[:, 1])
            for i in np.flatnonzero(steps > GAP * pitch):
                near = 0.5 * pitch  # to a row that is there
                gone = (even > table[i, 0] + near) & (even < table[i + 1, 0] - near)
                signal[gone] = _bridged(table, int(i), even[gone])
                usable &= ~gone
    n = signal.size
    trace = Trace(
        even - origin, signal.astype(float), usable[:n], np.ones(n), front - origin,
        None, None, np.zeros(n), np.zeros(n),
    )
    return trace, raw


def _bridged(table: Floats, i: int, at: Floats) -> Floats:
    """Return the signal between rows `i` and `i + 1`, on by the slopes of what lies beside.

    Nothing is read there, but a search starts from what a trace looks like: a straight bridge over
    an apex looks like two.
    """
    sides = table[max(0, i + 1 - SLOPE): i + 1], table[i + 1: i + 1 + SLOPE]
    slopes = [float(np.polyfit(side[:, 0], side[:, 1], 1)[0]) if len(side) > 1 else 0.0
              for side in sides]
    ends = table[i: i + 2]
    return np.asarray(CubicHermiteSpline(ends[:, 0], ends[:, 1], np.array(slopes))(at))


def _table(name: str, raw: bytes) -> Floats:
    """Return distances and signal, (n, 2), distances rising."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(
            f"{name} is not plain text: save the trace as CSV, distance and signal"
        ) from None
    rows = _rows(name, text)
    if len(rows) < MIN_ROWS:
        raise InputError(
            f"{name} has {len(rows)} rows of numbers: a trace needs {MIN_ROWS} or more"
        )
    if len(rows) > MAX_ROWS:
        raise InputError(
            f"{name} has {len(rows)} rows of numbers: average neighbours until no more than "
            f"{MAX_ROWS} are left"
        )
    table = np.array(rows)
    steps = np.diff(table[:, 0])
    if (steps <= 0).any():
        at = int(np.argmax(steps <= 0)) + 2
        word = "repeats" if steps[at - 2] == 0 else "falls back"
        raise InputError(
            f"{name}: the distance {word} at data row {at}: sort the rows by distance, each once"
        )
    if not np.abs(table).max() <= LARGEST:  # nor is what is no number
        raise InputError(f"{name} holds numbers beyond any trace: check its units")
    if (table[-1, 0] - table[0, 0]) / np.median(steps) > 3 * len(table):
        raise InputError(
            f"{name}: its distances are too uneven to be one trace: give evenly spaced rows"
        )
    return table


def _read_bytes(path: Path) -> tuple[str, bytes]:
    # A name may hold bytes that are no text: it must still fit in a JSON file.
    name = one_line(path.name.encode("utf-8", "replace").decode()) or "the path given"
    try:
        status = path.stat()
        plain = stat.S_ISREG(status.st_mode)
        raw = path.read_bytes() if plain and status.st_size <= MAX_BYTES else b""
    except FileNotFoundError:
        raise InputError(f"no such file: {name}; check the path") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its path can't be used"
        raise InputError(f"{name} can't be read: {why}; check the path, or copy it") from None
    if stat.S_ISDIR(status.st_mode):
        raise InputError(f"{name} is a folder: give the trace's file")
    if not plain:
        raise InputError(f"{name} is not a plain file: save the trace to one")
    if status.st_size > MAX_BYTES:
        raise InputError(f"{name} is larger than any trace: give one lane, {MAX_ROWS} rows at most")
    return name, raw


def _rows(name: str, text: str) -> list[tuple[float, float]]:
    rows: list[tuple[float, float]] = []
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    mark = next((m for m in (";", "\t", ",") if any(m in line for line in lines)), None)
    for number, line in enumerate(lines, start=1):
        cells = (line.split() if mark is None
                 else next(csv.reader(io.StringIO(line), delimiter=mark)))
        cells = [c.strip() for c in cells if c.strip()]
        if mark in (";", "\t"):
            cells = [c.replace(",", ".") for c in cells]
        try:
            pair = (float(cells[0]), float(cells[1]))
        except (ValueError, IndexError):
            if number == 1 and len(cells) >= 2 and not _is_number(cells[0]):
                continue
            raise InputError(
                f"{name}: line {number} is not two numbers, distance and signal: {line[:40]!r}"
            ) from None
        if not np.isfinite(pair).all():
            raise InputError(f"{name}: line {number} holds {line[:40]!r}, not finite numbers: "
                             "leave such rows out")
        rows.append(pair)
    return rows


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True

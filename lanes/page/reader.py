"""Reading a plate again: what depends on a change, and only that."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from lanes.errors import LanesError
from lanes.measuring import assemble, prepare_scan, read_lane
from lanes.plate.by_hand import placed_lanes, placed_line
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.locate import locate_plate, named_lanes
from lanes.reading import LaneReading, Plate, Reading
from lanes.scan.scan import Scan, read_for
from lanes.settings import Settings

Progress = Callable[[str, int, int], None]
SAME = 1e-9  # in the plate's units: less is rounding, not a move


class Superseded(Exception):
    """The work is no longer wanted: a newer change came, or a person stopped it."""


@dataclass(frozen=True)
class Outcome:
    """What a reading came to.

    `layout` is what could be found, whole or in part; `error` the line that says why there is no
    reading. `lanes_read` counts the lanes that were read anew, and `whole` says whether all
    stages ran, so that the command line would give the same bytes.
    """

    settings: Settings
    layout: Layout | None
    reading: Reading | None
    error: str | None
    lanes_read: int
    whole: bool


class Reader:
    """One plate's stages, kept from one reading to the next."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._scan: tuple[object, Scan] | None = None
        self._plate: Plate | None = None
        self._lanes: tuple[LaneReading, ...] = ()
        self._reading: Reading | None = None
        self._whole = False

    def scan(self, settings: Settings) -> Scan:
        """Return the picture under `settings`. Raises InputError where it can't be used."""
        key = (settings.transfer, settings.turn, settings.dpi, settings.page)
        if self._scan is None or self._scan[0] != key:
            self._scan = (key, read_for(self.path, settings))
        return self._scan[1]

    def twin(self) -> Reader:
        """Return a reader of the same picture that shares no stage after it."""
        other = Reader(self.path)
        other._scan = self._scan
        return other

    def adopt(self, other: Reader) -> None:
        """Take over the stages of `other`."""
        self._scan, self._plate, self._lanes = other._scan, other._plate, other._lanes
        self._reading, self._whole = other._reading, other._whole

    def read(self, settings: Settings, progress: Progress, whole: bool = False) -> Outcome:
        """Read the plate under `settings`: what differs from the last time, or the `whole`.

        `progress` is called with a stage in words and how much of how much is done; it may raise
        `Superseded` to stop the work.
        """
        layout: Layout | None = None
        try:
            progress("reading the picture", 0, 1)
            scan = self.scan(settings)
            plate = None if whole else self._quick(settings)
            quick = plate is not None
            if plate is None:
                progress("finding the plate, its lines and lanes", 0, 1)
                plate = prepare_scan(scan, settings)
            layout = plate.layout
            readings, count = self._read_lanes(plate, progress, quick)
            before = self._reading
            if quick and 0 < count < len(readings) and before is not None:
                reading = _with_lanes(before, plate, readings, self._lanes)
            else:
                reading = assemble(plate, readings, picture=False)
            self._plate, self._lanes, self._reading = plate, readings, reading
            self._whole = not quick or (self._whole and count == 0)
        except LanesError as error:
            self._plate, self._lanes, self._reading = None, (), None
            return Outcome(settings, layout or self._rough(settings), None, str(error), 0, True)
        return Outcome(settings, plate.layout, reading, None, count, self._whole)

    def _read_lanes(
        self, plate: Plate, progress: Progress, quick: bool
    ) -> tuple[tuple[LaneReading, ...], int]:
        """Read every lane that is not where it was; return all, and how many were read."""
        kept = {} if not quick or self._plate is None or not _same_lines(
            self._plate.layout, plate.layout) else {
            _place(lane): reading
            for lane, reading in zip(self._plate.layout.lanes, self._lanes, strict=True)}
        out, count = [], 0
        todo = [lane for lane in plate.layout.lanes if _place(lane) not in kept]
        for lane in plate.layout.lanes:
            old = kept.get(_place(lane))
            if old is not None:
                out.append(replace(old, name=lane.name, role=lane.role))
                continue
            progress("reading the lanes", count, len(todo))
            out.append(read_lane(plate, lane))
            count += 1
        return tuple(out), count

    def _quick(self, settings: Settings) -> Plate | None:
        """Return the last plate with its places moved; None where earlier stages change too."""
        plate = self._plate
        placed = settings.places.lanes is not None
        if plate is None or _stages(plate.settings, placed) != _stages(settings, placed):
            return None
        if settings.places.masks != plate.settings.places.masks:
            return None
        layout = plate.layout
        for name in ("origin", "front"):
            now, before = getattr(settings.places, name), getattr(plate.settings.places, name)
            if now == before:
                continue
            # Lanes that were found were found with the old lines: look for them again.
            if now is None or settings.places.lanes is None:
                return None
            line = placed_line(now, layout, name)
            assert line is not None
            layout = _with_line(layout, name, line)
            layout = _as_given(layout, name)
        lanes = layout.lanes
        new_lanes = placed_lanes(settings, layout)
        if new_lanes is not None:
            lanes = _kept_where_same(new_lanes, layout.lanes)
            layout = _as_given(layout, "lanes")
        elif plate.settings.places.lanes is not None:
            return None
        bare = tuple(replace(lane, name="", role=None) for lane in lanes)
        layout = replace(layout, lanes=named_lanes(bare, settings))
        return replace(plate, layout=layout, settings=settings)

    def _rough(self, settings: Settings) -> Layout | None:
        """Return what can be found where not all can: at least the plate, and lines as given."""
        try:
            layout = locate_plate(self.scan(settings), settings)
        except LanesError:
            return None
        for name in ("origin", "front"):
            try:
                line = placed_line(getattr(settings.places, name), layout, name)
            except LanesError:
                line = None
            height = getattr(settings, name)
            if line is None and isinstance(height, int | float):
                line = Line((float(height),))
            if line is not None:
                layout = _with_line(layout, name, line)
        return layout


def _with_lanes(
    before: Reading, plate: Plate, lanes: tuple[LaneReading, ...], old: tuple[LaneReading, ...]
) -> Reading:
    """Return `before` with the lanes that were read anew.

    What looks at the whole plate (its checks, its colours) stays as it was until all stages run
    again: it takes longer than a lane does.
    """
    kept = {id(lane.trace): shown for lane, shown in zip(old, before.lanes, strict=True)}
    shown = tuple(
        replace(kept[id(lane.trace)], name=lane.name, role=lane.role)
        if id(lane.trace) in kept else lane for lane in lanes)
    return replace(before, layout=plate.layout, lanes=shown, settings=plate.settings)


def _stages(settings: Settings, placed: bool) -> Settings:
    """Return only what the stages before the lanes depend on; where lanes are placed, no count."""
    blank = Settings()
    return replace(settings, names=None, roles=None, lane=(), about=blank.about,
                   places=blank.places, lanes=None if placed else settings.lanes)


def _with_line(layout: Layout, name: str, line: Line) -> Layout:
    return replace(layout, origin=line) if name == "origin" else replace(layout, front=line)


def _as_given(layout: Layout, name: str) -> Layout:
    return replace(layout, found={k: v for k, v in layout.found.items() if k != name})


def _same_lines(one: Layout, two: Layout) -> bool:
    return (one.origin.coefficients, one.front.coefficients) == (
        two.origin.coefficients, two.front.coefficients)


def _place(lane: Lane) -> tuple[float, float, float]:
    return (lane.x, lane.width, lane.lean)


def _kept_where_same(placed: tuple[Lane, ...], known: tuple[Lane, ...]) -> tuple[Lane, ...]:
    """Return `placed` with each lane that has not moved as it was known, to the last digit."""
    out = []
    for lane in placed:
        same = next((old for old in known if all(
            abs(a - b) < SAME for a, b in zip(_place(lane), _place(old), strict=True))), None)
        out.append(lane if same is None else same)
    return tuple(out)

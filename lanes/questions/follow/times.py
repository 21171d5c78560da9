"""Which lane was taken when: times given in order, by name, or with the settings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

from lanes.errors import InputError, counted
from lanes.evidence.bounds import check_sizes
from lanes.plate.layout import Lane
from lanes.reading import Plate

Times = Sequence[float | None] | Mapping[str, float]


def timed(
    plates: Sequence[Plate], times: Times | None
) -> list[tuple[float, str, Plate, Lane]]:
    """Return (time, name, plate, lane) of every lane that has a time, in order of time."""
    lanes = [(plate, lane) for plate in plates for lane in plate.layout.lanes]
    several = len(plates) > 1
    labels = [f"{n}:{lane.name}" if several else lane.name
              for n, plate in enumerate(plates, 1) for lane in plate.layout.lanes]
    names = [lane.name for _, lane in lanes]
    listed = ", ".join(labels)
    if times is None:
        stated: list[float | None] = [plate.settings.note(lane.name).time for plate, lane in lanes]
        if all(time is None for time in stated):
            raise InputError("the lanes' times are not known: give --times T1,T2,... for lanes "
                             f"{listed}, or time = T below [lane.NAME] in settings.toml")
        if several:
            _once([n for n, time in zip(names, stated, strict=True) if time is not None], names)
    elif isinstance(times, Mapping):
        for name in times:
            if name not in names:
                raise InputError(f"--times {name}: there is no such lane; the lanes are {listed}")
        _once(list(times), names)
        stated = [times.get(name) for name in names]
    else:
        stated = list(times)
        if len(stated) != len(lanes):
            raise InputError(f"--times gives {counted(len(stated), 'time')} for "
                             f"{counted(len(lanes), 'lane')} ({listed}): "
                             "give one for each, blank for a lane to leave out, or NAME=TIME")
        for before, after in pairwise([time for time in stated if time is not None]):
            if after < before:
                raise InputError(f"--times: {after:g} follows {before:g}, but times must rise from "
                                 "lane to lane: mend the order, or give NAME=TIME")
    out = []
    for time, label, (plate, lane) in zip(stated, labels, lanes, strict=True):
        if time is None:
            continue
        check_time(time)
        out.append((float(time), label, plate, lane))
    check_sizes("--times", {f"lane {label}": time for time, label, *_ in out})
    if len({time for time, *_ in out}) < 2:
        raise InputError("--times: a reaction is followed over two times at least; give more")
    return sorted(out, key=lambda one: one[0])


def check_time(time: float) -> None:
    """Raise InputError where `time` is not one after the reaction's start."""
    if not math.isfinite(time) or time < 0:
        raise InputError(f"--times {time:g} lies before the start: give times from zero on")


def _once(stated: list[str], names: list[str]) -> None:
    for name in stated:
        if names.count(name) > 1:
            raise InputError(f"--times {name}: more than one plate has a lane of that name; give "
                             "the times of all lanes in order, without names")

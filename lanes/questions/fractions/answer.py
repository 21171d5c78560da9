"""Which fractions to pool? The target's share of each fraction's lane, and of every run of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lanes.errors import InputError, counted
from lanes.evidence.bounds import check_sizes
from lanes.evidence.lane_doubts import channel_doubt, unread_spots
from lanes.evidence.lookup import lane_named
from lanes.evidence.tracks import spot_of, track_near, tracks
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.plate.layout import Lane
from lanes.questions.fractions.pools import Areas, Pool, best_first, runners_up
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings

ROLE = "fraction"


@dataclass(frozen=True)
class Fraction:
    """One fraction's lane.

    Attributes
    ----------
    name : str
    volume : float
        As given; 1 where all count alike.
    target : float or None
        The target's area, signal x mm^2; None where it was not found.
    unread : bool
        Whether it was not found where something stands out that is read as no spot.
    target_sd : float or None
    target_limit : float or None
        Where it was not found: the area that is found 95 % of the time.
    others : float
        The summed area of every other spot.
    purity, low, high : float or None
        The target's area percent with its 95 % interval, a missed spot at its limit taken into
        the lower end. None where there is no target, or an end is not known: the lower is not
        where something stands out of the layer that is read as no spot.
    undetected : float or None
        The area percent below which one further spot may have been missed.
    """

    name: str
    volume: float
    target: float | None
    unread: bool
    target_sd: float | None
    target_limit: float | None
    others: float
    purity: float | None
    low: float | None
    high: float | None
    undetected: float | None


@dataclass(frozen=True)
class Fractions:
    """The answer, with the readings it was made from.

    Attributes
    ----------
    target_rf, asked : float
        The target's mean Rf, and the area percent asked for.
    fractions : tuple of Fraction
    chosen : Pool or None
        The pool of greatest recovery whose purity's lower end is not below `asked`; None where
        there is none.
    nearest : Pool or None
        Where there is none: the pool with the highest lower end.
    expected : Pool or None
        The pool of greatest recovery by expected purity alone; its lower end may lie below.
    runners_up : tuple of Pool
        The next best pools that meet it, and the chosen one with one fraction more on either
        side, where that no longer does.
    volumes_given : bool
    flags : tuple of Flag
    readings : tuple of LaneReading
    rfs : tuple of float
        Of every substance in the lanes, from origin to front.
    areas : tuple of tuple of float or None
        Each substance's area in each fraction; None where it was not found.
    plates : tuple of Plate
        The plate of each reading.
    """

    target_rf: float
    asked: float
    fractions: tuple[Fraction, ...]
    chosen: Pool | None
    nearest: Pool | None
    expected: Pool | None
    runners_up: tuple[Pool, ...]
    volumes_given: bool
    flags: tuple[Flag, ...]
    readings: tuple[LaneReading, ...]
    rfs: tuple[float, ...]
    areas: tuple[tuple[float | None, ...], ...]
    plates: tuple[Plate, ...]


def fractions(
    sources: Sequence[str | Path], target: float, purity: float,
    settings: Settings | None = None, *, names: Sequence[str] | None = None,
    volumes: Sequence[float] | None = None,
) -> Fractions:
    """Return which fractions of a separation to pool for the most target at a purity.

    Parameters
    ----------
    sources : sequence of path
        Images of plates, their lanes one after another.
    target : float
        Rf of the wanted spot.
    purity : float
        Area percent that the pool has to reach.
    settings : Settings, optional
        The same for every plate. Lanes with a role other than "fraction" are left out.
    names : sequence of str, optional
        The fractions' lanes in order of elution; every lane from left to right otherwise.
    volumes : sequence of float, optional
        Of each fraction; equal otherwise.

    Returns
    -------
    Fractions

    Raises
    ------
    InputError
        If a lane, a volume or the purity can't be used, or no lane has a spot near `target`.
    LayoutError
        If a plate or its lanes are not found with confidence.

    Notes
    -----
    Areas add, weighted by volume: that holds for equal volumes applied to every lane, and as far
    as area follows amount.
    """
    settings = settings or Settings()
    return answer([prepare(source, settings) for source in sources], target, purity, names=names,
                  volumes=volumes)


def answer(
    plates: Sequence[Plate], target: float, purity: float, *,
    names: Sequence[str] | None = None, volumes: Sequence[float] | None = None,
) -> Fractions:
    """Return the answer for prepared plates; parameters are those of `fractions`."""
    if not 0.0 < purity < 100.0:
        raise InputError(f"--purity {purity:g}: give a percent above 0 and below 100; that nothing "
                         "else is there can't be shown")
    if purity <= 1.0:
        meant = f"did you mean {100 * purity:g}?" if purity < 1.0 else "such as 95"
        raise InputError(f"--purity {purity:g}: give a percent above 1; {meant}")
    lanes = _lanes(plates, names)
    if volumes is not None:
        if len(volumes) != len(lanes):
            listed = ", ".join(label for label, *_ in lanes)
            raise InputError(f"--volumes gives {counted(len(volumes), 'volume')} for "
                             f"{counted(len(lanes), 'fraction')} "
                             f"({listed}): give one for each")
        if not all(math.isfinite(v) and v > 0 for v in volumes):
            raise InputError("--volumes: give volumes above zero")
        check_sizes("--volumes", {f"fraction {label}": volume for (label, *_), volume
                                  in zip(lanes, volumes, strict=True)})
    weights = tuple(float(v) for v in volumes) if volumes is not None else (1.0,) * len(lanes)
    readings = [read_lane(plate, lane) for _, plate, lane in lanes]
    found = tracks(readings)
    wanted = track_near(found, target, "--target")
    table = Areas.of([plate for _, plate, _ in lanes], readings, found[wanted].places,
                      found[wanted].rf, spot_of(found[wanted], readings), np.array(weights))
    each = tuple(_fraction(table, j, label, weights[j]) for j, (label, *_) in enumerate(lanes))
    pools = table.pools(purity)
    good = sorted((p for p in pools if p.meets), key=best_first)
    chosen = good[0] if good else None
    likely = sorted((p for p in pools if p.purity >= purity), key=best_first)
    nearest = None
    if chosen is None and pools:
        nearest = max(pools, key=lambda p: (-1.0 if p.low is None else p.low, p.recovery))
    return Fractions(
        found[wanted].rf, float(purity), each, chosen, nearest, likely[0] if likely else None,
        runners_up(good, pools), volumes is not None,
        _flags(plates, [(label, plate) for label, plate, _ in lanes], readings), tuple(readings),
        tuple(track.rf for track in found),
        tuple(tuple(None if p is None else reading.spots[p].area
                    for reading, p in zip(readings, track.places, strict=True))
              for track in found),
        tuple(plate for _, plate, _ in lanes),
    )


def _lanes(
    plates: Sequence[Plate], names: Sequence[str] | None
) -> list[tuple[str, Plate, Lane]]:
    several = len(plates) > 1
    every = [(f"{n}:{lane.name}" if several else lane.name, plate, lane)
             for n, plate in enumerate(plates, 1) for lane in plate.layout.lanes]
    if names is not None:
        if len(set(names)) < len(names):
            raise InputError("--fractions: a lane stands twice; give each fraction once")
        if not several:
            return [(name, plates[0], lane_named(plates[0], name, "--fractions"))
                    for name in names]
        known = {label: (label, plate, lane) for label, plate, lane in every}
        for name in names:
            if name not in known:
                raise InputError(f"--fractions {name}: there is no such lane; with several plates "
                                 f"the lanes are {', '.join(known)}")
        return [known[name] for name in names]
    chosen = []
    for label, plate, lane in every:
        role = plate.settings.note(lane.name).role or lane.role
        if role is None or role == ROLE:
            chosen.append((label, plate, lane))
    if not chosen:
        raise InputError('every lane has a role other than "fraction", so none is left: name the '
                         "fractions with --fractions")
    return chosen


def _fraction(table: Areas, j: int, name: str, volume: float) -> Fraction:
    others, missed = float(table.others[j]), float(table.missed[j])
    known = missed if math.isfinite(missed) else None
    total = float(table.target[j]) + others
    undetected = None if known is None else 100.0 * known / (total + known)
    if not table.found[j]:
        limit = float(table.target_missed[j])
        return Fraction(name, volume, None, bool(table.unread[j]), None,
                        limit if math.isfinite(limit) else None, others, None, None, None,
                        undetected if total > 0 else None)
    pool = table.pool(j, j, 0.0)
    variance = float(table.variances[j, 0, 0])
    return Fraction(name, volume, float(table.target[j]), False,
                    math.sqrt(variance) if variance > 0 else None, None, others, pool.purity,
                    pool.low, pool.high, undetected)


def _flags(
    plates: Sequence[Plate], lanes: Sequence[tuple[str, Plate]], readings: Sequence[LaneReading]
) -> tuple[Flag, ...]:
    out: list[Flag] = []
    for (name, plate), reading in zip(lanes, readings, strict=True):
        out += [flag(f.name, f"lane {name}, Rf {spot.rf:.2f}: {f.message}")
                for spot in reading.spots for f in spot.flags
                if f.name in ("clipped", "merged", "no-uncertainty", "at-bound", "window-short")]
        out += [flag(f.name, f"lane {name}: {f.message}")
                for f in (*reading.flags, *unread_spots(plate, reading)) if f.name != "no-spot"]
    for plate in plates:
        out += channel_doubt(plate, [reading for (_, of), reading
                                     in zip(lanes, readings, strict=True) if of is plate])
    return tuple(dict.fromkeys((*out, *(f for plate in plates for f in plate.flags))))

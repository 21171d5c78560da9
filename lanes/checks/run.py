"""How a plate was run: where its lines and lanes stand, and how far its spots went."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lanes.flags import Flag, flag
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.signal import Signal
from lanes.reading import LaneReading
from lanes.rounding import rounded_down

# Common practice: the front stops 5 to 10 mm below the upper edge, the origin lies about 10 mm
# above the lower one in 3 to 5 mm of solvent, samples stand 5 to 10 mm apart and off the sides,
# and spots are read from Rf 0.2 to 0.8.
FRONT_MM = 5.0
ORIGIN_LOW_MM = 5.0
ORIGIN_HIGH_MM, ORIGIN_HIGH_SHARE = 20.0, 0.25
LANE_MM = 5.0
RF_LOW, RF_HIGH = 0.2, 0.8
# The smallest plates in use are 50 mm high: after both margins they leave some 35 mm (common
# practice).
RUN_MM = 30.0
# Of the run. Rf of one substance agrees within about 0.02 across a plate (common practice): lines
# that differ by more would show in an Rf read from one front for all lanes.
UNEVEN = 0.02
OVERLAP = 0.1  # of a lane's width that a neighbour shares
# Ticks reach 1 mm or more to both sides of the origin line; the line itself is 0.3 mm wide.
TICK_NEAR_MM, TICK_FAR_MM, TICK_HALF_MM = 0.6, 1.1, 0.5
TICK_STEP_MM = 0.1  # a third of a line's width
TICK_ASIDE_MM = 1.5  # how far beside its lane's middle a tick may stand: half a spot of 3 mm
# Share of a tick's way that one column has to be marked on, and share of the columns that may be: a
# smudge marks most of them.
MARKED, SMUDGED = 0.9, 0.5
TICKED, UNTICKED = 0.6, 0.2  # share of the lanes that show a tick


def run_remarks(layout: Layout, millimetres: bool) -> tuple[Flag, ...]:
    """Return remarks on the two lines and the run; `millimetres` says that lengths are sure."""
    out: list[Flag] = []
    ends = np.array([layout.ends(lane) for lane in layout.lanes])
    origin, front = ends[:, 0], ends[:, 1]
    run = float(np.median(front - origin))
    edges = all(f.name != "bed-unseen" for f in layout.flags)
    if millimetres and edges:
        above = float((layout.height - front).min())
        if above < FRONT_MM:
            out.append(flag("front-near-edge", f"the front stands {above:.2f} mm below the upper "
                            f"edge; {FRONT_MM:.0f} mm are wanted"))
        below = float(origin.min())
        if below < ORIGIN_LOW_MM:
            out.append(flag("origin-low", f"the origin stands {below:.2f} mm above the lower edge; "
                            f"{ORIGIN_LOW_MM:.0f} mm are wanted"))
    high = float(np.median(origin))
    if millimetres and edges and high > ORIGIN_HIGH_MM:
        out.append(flag("origin-high", f"the origin stands {high:.1f} mm above the lower edge; no "
                        f"more than {ORIGIN_HIGH_MM:.0f} mm are wanted"))
    elif edges and high > ORIGIN_HIGH_SHARE * layout.height:
        out.append(flag("origin-high", f"the origin stands at {100 * high / layout.height:.0f} % "
                        f"of the plate's height; no more than {100 * ORIGIN_HIGH_SHARE:.0f} % are "
                        "wanted"))
    if millimetres and run < RUN_MM:
        out.append(flag("run-short", f"the solvent ran {run:.1f} mm; {RUN_MM:.0f} mm or more are "
                        "wanted"))
    out += _uneven(layout, run, edges)
    return tuple(out)


def _uneven(layout: Layout, run: float, edges: bool) -> list[Flag]:
    """Return remarks on lines that slope or bend, by how much they differ across the plate."""
    wanted = f"of the run from side to side; no more than {100 * UNEVEN:.0f} % are wanted"
    out = []
    slope = _rise(layout.origin, layout.width) / run
    apart = _rise(layout.front, layout.width) / run - slope
    if edges and abs(slope) > UNEVEN:
        out.append(flag("lines-sloping", f"the origin slopes against the lower edge by "
                        f"{100 * abs(slope):.1f} % {wanted}"))
    if abs(apart) > UNEVEN:
        out.append(flag("lines-sloping", f"the front slopes against the origin by "
                        f"{100 * abs(apart):.1f} % {wanted}"))
    ends, middle = layout.front.at([0.0, layout.width]), layout.front.at(0.5 * layout.width)
    sag = float(middle - ends.mean()) / run
    if abs(sag) > UNEVEN:
        word = "lags" if sag > 0 else "leads"
        out.append(flag("front-curved", f"the front {word} at the sides by {100 * abs(sag):.1f} % "
                        f"of the run; no more than {100 * UNEVEN:.0f} % are wanted"))
    return out


def _rise(line: Line, width: float) -> float:
    left, right = line.at([0.0, width])
    return float(right - left)


def lane_remarks(layout: Layout, lane: Lane, millimetres: bool) -> tuple[Flag, ...]:
    """Return the remark on a lane too near a side edge or a neighbour, at any height."""
    if not millimetres:
        return ()
    x = _ends_x(layout, lane)
    edges = all(f.name != "bed-unseen" for f in layout.flags)
    side = float(np.minimum(x, layout.width - x).min())
    if edges and side < LANE_MM:
        return (flag("lane-crowded", f"the lane runs {rounded_down(side)} mm from the side edge; "
                     f"{LANE_MM:.0f} mm are wanted"),)
    gaps = [float(np.abs(_ends_x(layout, other) - x).min())
            for other in layout.lanes if other is not lane]
    gap = min(gaps, default=np.inf)
    if gap < LANE_MM:
        return (flag("lane-crowded", f"the next lane runs {rounded_down(gap)} mm away; "
                     f"{LANE_MM:.0f} mm are wanted"),)
    if gap < (1.0 - OVERLAP) * lane.width:
        return (flag("lane-crowded", f"the lane is {lane.width:.1f} mm wide and the next runs "
                     f"{gap:.1f} mm away: they overlap"),)
    return ()


def _ends_x(layout: Layout, lane: Lane) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return layout.path(lane, [0.0, 1.0])[0]


def solvent_remarks(readings: Sequence[LaneReading]) -> tuple[Flag, ...]:
    """Return the remark on a solvent that leaves no spot from Rf 0.2 to 0.8."""
    rf = np.array([s.rf for r in readings for s in r.spots
                   if all(f.name != "weak" for f in s.flags)])
    if rf.size == 0 or ((rf >= RF_LOW) & (rf <= RF_HIGH)).any():
        return ()
    wanted = f"Rf {RF_LOW} to {RF_HIGH} is wanted"
    if rf.max() < RF_LOW:
        return (flag("solvent-weak", f"the highest spot stands at Rf {rf.max():.2f}; {wanted}"),)
    if rf.min() > RF_HIGH:
        return (flag("solvent-strong", f"the lowest spot stands at Rf {rf.min():.2f}; {wanted}"),)
    low, high = rf[rf < RF_LOW].max(), rf[rf > RF_HIGH].min()
    return (flag("rf-outside", f"no spot lies between Rf {low:.2f} and {high:.2f}; {wanted}"),)


def upside_down(layout: Layout, signal: Signal) -> tuple[Flag, ...]:
    """Return the remark that the lanes' ticks cross the upper line and not the lower one."""
    if len(layout.lanes) < 2:
        return ()
    upper, lower = (_ticked(layout, signal, top) for top in (True, False))
    if upper < TICKED or lower > UNTICKED:
        return ()
    return (flag("upside-down", f"ticks cross the upper line in {100 * upper:.0f} % of the lanes "
                 f"and the lower one in {100 * lower:.0f} %"),)


def _ticked(layout: Layout, signal: Signal, top: bool) -> float:
    """Return the share of lanes where thin matter stands out on both sides of a line."""
    grid, unit = signal.grid, layout.mm_per_unit
    hits = 0
    steps = np.arange(TICK_NEAR_MM, TICK_FAR_MM, TICK_STEP_MM) / unit
    for lane in layout.lanes:
        x, y = (float(v[int(top)]) for v in layout.path(lane, [0.0, 1.0]))
        aside = TICK_ASIDE_MM / unit
        column = np.rint(grid.column(np.arange(x - aside, x + aside, grid.pitch)))
        column = np.clip(column, 0, grid.columns - 1).astype(int)
        both = True
        for side in (-1.0, 1.0):
            row = np.clip(np.rint(grid.row(y + side * steps)), 0, grid.rows - 1).astype(int)
            # One column marked over the whole way, and most columns not: a stroke, no smudge.
            share = signal.thin[row[:, None], column[None, :]].mean(axis=0)
            both &= bool(share.max() > MARKED and (share > 0.5).mean() < SMUDGED)
        hits += both
    return hits / len(layout.lanes)

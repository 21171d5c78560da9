"""How the plate was run and scanned: what went wrong there, with its cause and remedy.

An idea a file: the run, the spots, the scan, the law. Every bound has its source beside it. A
remark in mm is made only where the scale is known, and one about the plate's edges only where the
bed shows them: silence is better than a false alarm.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lanes.about import About
from lanes.checks.blobs import blob_remarks
from lanes.checks.colours import channel_matters
from lanes.checks.law import law_matters
from lanes.checks.run import lane_remarks, run_remarks, solvent_remarks, upside_down
from lanes.checks.scan import scale_remark, scan_remarks
from lanes.checks.spots import spot_remarks
from lanes.flags import Flag, flag
from lanes.reading import LaneReading

if TYPE_CHECKING:
    from lanes.reading import Plate

Flags = tuple[Flag, ...]


def check_plate(
    plate: Plate, readings: Sequence[LaneReading]
) -> tuple[Flags, tuple[Flags, ...], tuple[tuple[Flags, ...], ...]]:
    """Return remarks on how a plate was run and scanned.

    Parameters
    ----------
    plate : Plate
    readings : sequence of LaneReading
        One for each lane of `plate.layout`.

    Returns
    -------
    plate flags, flags of each lane, flags of each spot of each lane
        Only what a reading does not carry already.
    """
    scan, layout, signal, settings = plate.scan, plate.layout, plate.signal, plate.settings
    stated = settings.dpi or settings.plate_width or settings.plate_height
    scale = () if stated else scale_remark(scan, layout, readings)
    # Where the scale is in doubt, so is every length.
    millimetres = layout.scaled and not scale
    outside, missed = blob_remarks(layout, readings)
    remarks = (
        *outside,
        *channel_matters(plate, readings),
        *scale,
        *upside_down(layout, signal),
        *run_remarks(layout, millimetres),
        *solvent_remarks(readings),
        *scan_remarks(scan, layout, signal, readings),
        *law_matters(signal, plate.light, readings),
        *_names_unused(settings.about, readings),
    )
    lanes = tuple(
        (*more, *lane_remarks(layout, lane, millimetres))
        for lane, more in zip(layout.lanes, missed, strict=True)
    )
    return remarks, lanes, spot_remarks(readings, signal.law, signal.reference, millimetres)


def _names_unused(about: About, readings: Sequence[LaneReading]) -> Flags:
    """Return the remark on names of substances that fell to no spot: a lane or Rf mistyped."""
    used = {(lane.name, name) for lane in readings for spot in lane.spots
            if (name := about.name_at(lane.name, spot.rf)) is not None}
    unused = [one for one in about.substances if (one.lane, one.name) not in used]
    if not unused:
        return ()
    places = ", ".join(f"{one.name} at Rf {one.rf:.2f} of lane {one.lane}" for one in unused)
    lanes = {lane.name: lane for lane in readings}
    there = [_there(name, lanes.get(name)) for name in dict.fromkeys(one.lane for one in unused)]
    return (flag("name-unused", "; ".join([places, *there])),)


def _there(name: str, lane: LaneReading | None) -> str:
    """Return what there is at the lane of this name, in words."""
    if lane is None:
        return f"there is no lane {name}"
    rfs = [f"{spot.rf:.2f}" for spot in lane.spots]
    if not rfs:
        return f"lane {name} has no spot"
    return f"lane {name} has {'its one spot' if len(rfs) == 1 else 'spots'} at Rf {', '.join(rfs)}"

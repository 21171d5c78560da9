"""What a question about some lanes inherits from the plate: what was not read, and the channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lanes.checks.blobs import missed, unread
from lanes.checks.colours import channel_matters
from lanes.flags import Flag
from lanes.plate.layout import Blob, Lane
from lanes.reading import LaneReading, Plate


def unread_spots(plate: Plate, reading: LaneReading) -> tuple[Flag, ...]:
    """Return the remark on what stands out of the layer in a lane and is no spot of `reading`."""
    return tuple(remark for lane in plate.layout.lanes if lane.name == reading.name
                 for remark in unread(plate.layout, lane, reading))


def stands_out_at(plate: Plate, reading: LaneReading, rf: float) -> bool:
    """Return whether something that is no spot of `reading` stands out of the layer at `rf`.

    Whatever its limit of detection, it is not known there that nothing is.
    """
    for lane, blob in _unread_blobs(plate, reading):
        y0, y1 = plate.layout.ends(lane)
        if abs(blob.y - y0 - rf * (y1 - y0)) < blob.height:
            return True
    return False


def holds_unread(plate: Plate, reading: LaneReading) -> bool:
    """Return whether something like a spot stands out in the lane that is none of `reading`'s.

    Its area is not known, and the summed area of the lane's spots may be short of any part of it.
    """
    return any(blob.lighter == bool(plate.layout.lighter)
               for _, blob in _unread_blobs(plate, reading))


def _unread_blobs(plate: Plate, reading: LaneReading) -> list[tuple[Lane, Blob]]:
    return [(lane, blob) for lane in plate.layout.lanes if lane.name == reading.name
            for blob in missed(plate.layout, lane, reading)]


def channel_doubt(plate: Plate, readings: Sequence[LaneReading]) -> tuple[Flag, ...]:
    """Return the remark that shares in these lanes of one plate hang on the colour channel.

    A question reads one channel, and its intervals hold that one's doubt alone.
    """
    by_name = {reading.name: reading for reading in readings}
    asked = tuple(lane for lane in plate.layout.lanes if lane.name in by_name)
    # Apart from the plate's own, whose lanes are others.
    part = replace(plate, layout=replace(plate.layout, lanes=asked), seen={})
    return channel_matters(part, [by_name[lane.name] for lane in asked])

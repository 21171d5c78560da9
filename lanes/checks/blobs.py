"""Nothing lost in silence: what stands out of the layer is a spot of a lane, or is flagged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lanes.flags import Flag, flag
from lanes.plate.layout import Blob, Lane, Layout
from lanes.plate.standing_out import USUAL
from lanes.reading import LaneReading
from lanes.spots.seen import SeenPlace
from lanes.spots.shapes import FWHM
from lanes.trace.sample import Trace

# Sharpening and compression leave rims of the other sign about a spot: nearer than this many of
# its widths, and weaker than this share of it, a blob of the other sign is one of them.
RIM, RIM_SHARE = 2.0, 0.5
# Compression rings there in both signs, in specks finer than any spot.
SPECK_MM, SPECK = 1.2, 8.0
# Between crowded spots the layer's surface is drawn towards them, and what is bare seems to depart
# the other way: a blob of the other sign counts from here, and from this share of the strongest.
OTHER, OTHER_SHARE = 10.0, 0.25
# Where spots shine the brightest is no yardstick: what is dark can be no darker than black. There
# those count that lie so near in mm that they draw the layer (half the wavelength that its smoother
# halves), and what is as small as a speck is dust or pencil.
DRAWN_MM = 7.0
# A blob's extent in heights of it to either side of its middle: a Gaussian has 1 % left there.
ALL_OF_IT = 1.3
LISTED = 6  # places in one message
# Share of a blob's height beyond its end within which a narrow spot's centre is still it (by eye):
# a blob ends where it no longer stands out, well inside the spot.
NEAR_END = 0.3
# The noise about a place is known by a dozen independent places (`UNEVEN_MM` in
# `plate/standing_out`), its standard deviation so to a fifth, 1 / sqrt(2 x 12): what stands out by
# it may stand out by a sixth less.
DOUBT = 1.0 - 1.0 / 1.2


def read_blobs(layout: Layout) -> tuple[Blob, ...]:
    """Return the blobs that ought to be read, the rims of strong ones left out."""
    blobs = layout.blobs or ()
    own = [b for b in (*blobs, *layout.faint) if b.lighter == bool(layout.lighter)]
    other = other_side(layout)
    speck = SPECK_MM / layout.mm_per_unit
    own = [b for b in own if b.strength > SPECK or min(b.width, b.height) > speck
           or not any(_is_rim(b, of) for of in own)]
    return (*own, *other)


def other_side(layout: Layout) -> tuple[Blob, ...]:
    """Return what surely departs from the layer the other way than its spots do."""
    blobs, lighter = layout.blobs or (), bool(layout.lighter)
    own = [b for b in (*blobs, *layout.faint) if b.lighter == lighter]
    return tuple(b for b in blobs if b.lighter != lighter and _stands_out(b, own, layout)
                 and not any(_is_rim(b, of) for of in own))


def _stands_out(blob: Blob, own: list[Blob], layout: Layout) -> bool:
    """Whether a blob of the other sign is more than the layer's surface drawn towards spots."""
    if layout.lighter and _in_every_colour(blob):
        reach, speck = DRAWN_MM / layout.mm_per_unit, SPECK_MM / layout.mm_per_unit
        if min(blob.width, blob.height) <= speck:
            return False
        own = [b for b in own if np.hypot(b.x - blob.x, b.y - blob.y) < reach]
    return blob.strength > max(OTHER, OTHER_SHARE * max((b.strength for b in own), default=0.0))


def _in_every_colour(blob: Blob) -> bool:
    """Whether a blob departs one way in all channels: a yellow spot on violet goes both ways."""
    return all((depth > 0.0) == blob.lighter for depth in blob.depth)


def without_other_side(trace: Trace, layout: Layout, lane: Lane) -> Trace:
    """Return `trace` with no use made of where something departs the other way than spots do.

    It is flagged as unread. As a dip in the trace it would bend the fit of everything about it.
    """
    y0, y1 = layout.ends(lane)
    usable = trace.usable.copy()
    for blob in other_side(layout):
        if lane_of(layout, blob) == lane and _in_every_colour(blob):
            at = (blob.y - y0) / (y1 - y0) * trace.run
            usable &= np.abs(trace.position - at) > ALL_OF_IT * blob.height
    return replace(trace, usable=usable)


def _is_rim(blob: Blob, of: Blob) -> bool:
    u = (blob.x - of.x) / (RIM * of.width)
    v = (blob.y - of.y) / (RIM * of.height)
    return u * u + v * v < 1.0 and blob.strength < RIM_SHARE * of.strength


def lane_of(layout: Layout, blob: Blob) -> Lane | None:
    """Return the lane in whose width `blob`'s middle lies, if any."""
    return next((lane for lane in layout.lanes if _within(layout, lane, blob)), None)


def _within(layout: Layout, lane: Lane, blob: Blob) -> bool:
    y0, _ = layout.ends(lane)
    return abs(blob.x - lane.x - lane.lean * (blob.y - y0)) <= 0.5 * lane.width


def outside_lanes(layout: Layout) -> tuple[Flag, ...]:
    """Return the remark on blobs that lie in no lane, with their places."""
    out = [b for b in read_blobs(layout) if lane_of(layout, b) is None]
    if not out:
        return ()
    out.sort(key=lambda b: -b.strength)
    unit = "mm" if layout.scaled else "pixels"
    places = [f"x {b.x:.4g} {unit}, Rf {layout.retention(b):.2f}"
              + _sort(layout, b) for b in out[:LISTED]]
    more = f", and {len(out) - LISTED} more" if len(out) > LISTED else ""
    return (flag("outside-lanes", f"not read: {'; '.join(places)}{more}{_way(layout, out)}"),)


def missed(layout: Layout, lane: Lane, reading: LaneReading) -> list[Blob]:
    """Return the blobs of `lane` with no reported spot within their own width."""
    return without_spot(layout, lane, [s.rf for s in reading.spots],
                        [c.sigma + abs(c.tau) for c in reading.fit.components])


def without_spot(
    layout: Layout, lane: Lane, rfs: Sequence[float], sigmas: Sequence[float]
) -> list[Blob]:
    """Return the blobs of `lane` with no spot of `rfs` and `sigmas` within their own width."""
    heights = [float(layout.path(lane, rf)[1]) for rf in rfs]
    out = []
    for blob in read_blobs(layout):
        if not _within(layout, lane, blob):
            continue
        own = lane_of(layout, blob)  # where lanes overlap, the first
        if own is None or own.name != lane.name:
            continue
        near = any(abs(y - blob.y) < 0.5 * blob.height + max(sigma, NEAR_END * blob.height)
                   for y, sigma in zip(heights, sigmas, strict=True))
        if not near:
            out.append(blob)
    return out


def seen_places(
    layout: Layout, lane: Lane, run: float, rfs: Sequence[float], sigmas: Sequence[float],
    any_channel: bool,
) -> tuple[SeenPlace, ...]:
    """Return where blobs as large as spots lie that have none, the surest first.

    With `any_channel` what a blob shows in other channels than the one that is read counts too: it
    is there, however little of it that one shows. Where a channel was asked for, it alone counts.
    """
    y0, y1 = layout.ends(lane)
    speck = SPECK_MM / layout.mm_per_unit
    blobs = sorted((b for b in without_spot(layout, lane, rfs, sigmas)
                    if b.lighter == bool(layout.lighter) and min(b.width, b.height) > speck),
                   key=lambda b: -b.strength)
    return tuple(SeenPlace((b.y - y0) / (y1 - y0) * run, b.height / FWHM,
                           _excess(b.strength) if any_channel else 0.0) for b in blobs)


def _excess(strength: float) -> float:
    """Return how surely a blob stands out beyond its limit.

    What is faint was held against few places, and stands out of those as others do of all.
    """
    return max(strength - USUAL, 0.0) - DOUBT * strength


def unread_blobs(layout: Layout, readings: Sequence[LaneReading]) -> tuple[Blob, ...]:
    """Return every blob that is no reported spot, in a lane or outside all of them."""
    out = [b for b in read_blobs(layout) if lane_of(layout, b) is None]
    by_name = {reading.name: reading for reading in readings}
    for lane in layout.lanes:
        if lane.name in by_name:
            out += missed(layout, lane, by_name[lane.name])
    return tuple(out)


def unread(layout: Layout, lane: Lane, reading: LaneReading) -> tuple[Flag, ...]:
    """Return the remark on blobs of `lane` that are no reported spot."""
    y0, y1 = layout.ends(lane)
    missing = [((b.y - y0) / (y1 - y0), b) for b in missed(layout, lane, reading)]
    if not missing:
        return ()
    places = ", ".join(
        f"{rf:.2f}" + _sort(layout, b)
        for rf, b in sorted(missing, key=lambda m: m[0])[:LISTED])
    more = f" and {len(missing) - LISTED} more" if len(missing) > LISTED else ""
    most = max(float(np.round(b.strength, 1)) for _, b in missing)
    clearest = "it stands" if len(missing) == 1 else "the clearest stands"
    return (flag("spot-unread", f"not read: Rf {places}{more}; {clearest} {most:g} standard "
                 "deviations out of the layer's noise"
                 + _way(layout, [b for _, b in missing])),)


def _sort(layout: Layout, blob: Blob) -> str:
    """Return, where spots depart from the layer the other way, which way `blob` does."""
    if blob.lighter == bool(layout.lighter):
        return ""
    return " (lighter)" if blob.lighter else " (darker)"


def _way(layout: Layout, blobs: Sequence[Blob]) -> str:
    """Return the option that reads those of `blobs` that spots are not like."""
    if not any(_sort(layout, b) for b in blobs):
        return ""
    sort = "dark" if layout.lighter else "light"
    return f"; --spots {sort} reads what is {sort}er"


def blob_remarks(
    layout: Layout, readings: Sequence[LaneReading]
) -> tuple[tuple[Flag, ...], tuple[tuple[Flag, ...], ...]]:
    """Return the plate's remark and each lane's."""
    return outside_lanes(layout), tuple(
        unread(layout, lane, reading)
        for lane, reading in zip(layout.lanes, readings, strict=True)
    )

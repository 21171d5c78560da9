"""The sample's lane on every plate, and its spots and what they may be matched by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError, one_line
from lanes.evidence.colour import Colours
from lanes.evidence.lookup import lane_named
from lanes.flags import Flag, flag
from lanes.measuring import prepare, read_lane
from lanes.questions.solvent.matching import MOST_SPOTS, SpotTraits
from lanes.reading import LaneReading, Plate
from lanes.rounding import TINY
from lanes.settings import Settings
from lanes.spots.law_doubt import law_doubt
from lanes.spots.quantities import full_width
from lanes.trace.sample import sample

Floats = NDArray[np.float64]

UNKNOWN_SD = 0.01  # of an Rf whose standard deviation could not be had, and of ln(share) tenfold
LEAST_RF_SD = 1e-5  # of an Rf: none is known better, and none weighs without end
LEAST_USUAL = 0.3  # of the median width: what the usual one may come to at a low Rf
MIDDLE = 0.4  # of a spot's full width at half height to either side: where its colour is taken
EDGE = 0.02  # Rf nearer to 0 or 1 say little of k


@dataclass(frozen=True)
class PlateLane:
    """One plate's sample lane.

    `seen` are the spots in use, in order of Rf; `width_sd` is the standard deviation of ln of all
    their widths together, for what is assumed of the light.
    """

    file: str
    fraction: float | None
    light: str
    channel: str
    reading: LaneReading
    seen: tuple[SpotTraits, ...]
    flags: tuple[Flag, ...]
    width_sd: float = 0.0


def read_plates(
    plates: Sequence[tuple[str | Path, float | None]], settings: Settings, lane: str | None
) -> tuple[PlateLane, ...]:
    """Return the sample's lane of every plate; parameters are those of `solvent`."""
    ready: list[Plate] = []
    for path, _ in plates:
        plate = prepare(path, settings)
        # Areas can be compared in one channel only: the first plate's.
        if ready and plate.light == ready[0].light:
            channel = ready[0].signal.channel
            if channel != plate.signal.channel and channel in plate.scan.channels:
                plate = prepare(path, replace(settings, channel=channel))
        ready.append(plate)
    files = [one_line(Path(path).name) for path, _ in plates]
    if lane is None:
        chosen = _fullest(ready, files)
    else:
        chosen = [read_lane(plate, lane_named(plate, lane, f"{file}: --lane"))
                  for plate, file in zip(ready, files, strict=True)]
    # Colour matches spots of several plates; of one plate there is nothing to match.
    return tuple(_plate_lane(file, fraction, plate, reading, len(plates) > 1)
                 for file, (_, fraction), plate, reading
                 in zip(files, plates, ready, chosen, strict=True))


def _fullest(plates: Sequence[Plate], files: Sequence[str]) -> list[LaneReading]:
    """Return the lane with the most spots over all plates, the leftmost of several.

    It is the mixture's: references and single substances show fewer.
    """
    names = [[lane.name for lane in plate.layout.lanes] for plate in plates]
    common = [name for name in names[0] if all(name in each for each in names)]
    if not common:
        listed = "; ".join(f"{file}: {', '.join(each)}"
                           for file, each in zip(files, names, strict=True))
        raise InputError(f"no lane has the same name on every plate ({listed}): give --names, "
                         "the lanes from left to right")
    read = {name: [read_lane(plate, lane_named(plate, name, "--lane")) for plate in plates]
            for name in common}
    return read[max(common, key=lambda name: sum(len(r.spots) for r in read[name]))]


def _plate_lane(
    file: str, fraction: float | None, plate: Plate, reading: LaneReading, coloured: bool
) -> PlateLane:
    components, run = reading.fit.components, reading.trace.run
    flags: list[Flag] = []
    used, still = [], []
    for i, spot in enumerate(reading.spots):
        names = {f.name for f in spot.flags}
        if names & {"at-origin", "at-front"} or not EDGE < spot.rf < 1.0 - EDGE:
            still.append(f"{spot.rf:.2f}")
        else:
            used.append(i)
    if still:
        flags.append(flag("left-out", f"{file}: Rf {', '.join(still)} lies at the origin or the "
                          "front, where log k has no sound value"))
    if len(used) > MOST_SPOTS:
        kept = sorted(sorted(used, key=lambda i: -reading.spots[i].area)[:MOST_SPOTS])
        flags.append(flag("left-out", f"{file}: {len(used) - MOST_SPOTS} of {len(used)} spots, "
                          f"the smallest; {MOST_SPOTS} can be followed"))
        used = kept
    if not used:
        raise InputError(f"{file}: lane {one_line(reading.name)} holds no spot between origin and "
                         "front; name another with --lane, or give a plate of another mixture")
    flags += [flag(f.name, f"{file}: spot at Rf {reading.spots[i].rf:.2f}: {f.message}")
              for i in used for f in reading.spots[i].flags
              if f.name in ("merged", "weak", "tailing", "clipped", "no-uncertainty")]
    flags += [flag(f.name, f"{file}: {f.message}") for f in (*reading.flags, *plate.flags)]
    rf = np.array([reading.spots[i].rf for i in used])
    width = np.array([full_width(components[i]) / run for i in used])
    area = np.array([reading.spots[i].area for i in used])
    usual = np.polyval(np.polyfit(rf, width, 1), rf) if len(used) > 3 else np.median(width)
    breadth = np.log(width / np.maximum(usual, LEAST_USUAL * np.median(width)))
    colours = _colours(plate, reading, used) if coloured else None
    seen = []
    for k, i in enumerate(used):
        spot = reading.spots[i]
        rf_sd = UNKNOWN_SD if spot.rf_sd is None else max(spot.rf_sd, LEAST_RF_SD)
        share_sd = 10 * UNKNOWN_SD if spot.area_sd is None else spot.area_sd / spot.area
        colour, colour_sd = (None, 0.0) if colours is None else colours[k]
        seen.append(SpotTraits(
            spot.rf, rf_sd, float(width[k]), float(area[k] / area.sum()), share_sd,
            float(breadth[k]), colour, colour_sd,
        ))
    return PlateLane(file, fraction, plate.light, plate.signal.channel, reading, tuple(seen),
                     tuple(flags), _width_sd(plate, reading))


def _width_sd(plate: Plate, reading: LaneReading) -> float:
    """Return by how much ln of the lane's widths hangs on the law; 0 where nothing shows it."""
    signal = plate.signal
    doubt = law_doubt(reading.trace, reading.fit, signal.law, signal.reference, signal.as_read)
    if doubt is None:
        return 0.0
    known = doubt.widths[:, np.isfinite(doubt.widths).all(axis=0)]
    return float(np.linalg.norm(np.median(known, axis=1))) if known.size else 0.0


def _colours(
    plate: Plate, reading: LaneReading, used: Sequence[int]
) -> list[tuple[tuple[float, ...], float]] | None:
    """Return each spot's share of signal by channel and its standard deviation.

    None for grey scans, and at 254 nm, where every spot dims the one colour of the glow.
    """
    channels = None if plate.light == "254" else Colours(plate).channels
    if channels is None:
        return None
    signals, noises = channels
    lane = next(lane for lane in plate.layout.lanes if lane.name == reading.name)
    parts = [reading.fit.components[i] for i in used]
    heights = []
    for signal in signals:
        trace = sample(signal, plate.layout, lane)
        distances = [np.abs(trace.position - c.centre) / full_width(c) for c in parts]
        heights.append([float(np.mean(trace.signal[distance <= MIDDLE])) for distance in distances])
    held = np.maximum(np.array(heights).T, 0.0)
    total = np.maximum(held.sum(axis=1), TINY)
    spread = float(np.hypot.reduce([noise.sd for noise in noises]))
    return [(tuple((row / t).tolist()), min(1.0, spread / float(t)))
            for row, t in zip(held, total, strict=True)]

"""The job: a scan or a trace in, a reading out."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.checks.blobs import seen_places, without_other_side
from lanes.checks.colours import coloured, with_channel_doubt
from lanes.checks.plate_checks import check_plate
from lanes.errors import InputError, LanesError
from lanes.flags import Flag, flag
from lanes.plate.layout import Lane, Layout
from lanes.plate.locate import locate
from lanes.plate.picture import picture as square_picture
from lanes.plate.signal import LAW_NAMES, Signal, judge_light, to_signal
from lanes.reading import LaneReading, Plate, Reading, Source
from lanes.scan.scan import Scan, read_for
from lanes.setting_values import lane_name, option_name
from lanes.settings import Settings
from lanes.settings_file import from_mapping
from lanes.spots.choose import UNITED
from lanes.spots.deconvolve import THRESHOLD, deconvolve
from lanes.spots.describe import describe
from lanes.spots.detect import limit
from lanes.spots.fit import Fit
from lanes.spots.fit_lane import fit_lane
from lanes.spots.law_doubt import law_doubt
from lanes.spots.quantities import full_width
from lanes.spots.seen import add_seen, only_confirmed
from lanes.spots.shape_doubt import learn_shapes, shown_shapes
from lanes.spots.shape_terms import ASSUMED, ShapeDoubt
from lanes.trace.background import background
from lanes.trace.noise import Noise, layer_noise, layer_noises, residual_noise, rounded_gain
from lanes.trace.path import follow
from lanes.trace.sample import Trace, read_trace, sample
from lanes.trace.stripes import without_stripes

Floats = NDArray[np.float64]

# Widths of the lane's median spot that the stated limit is worked out for: one not seen may run
# elsewhere and be wider, so a third more is taken (a choice on the side of caution).
LIMIT_WIDTH = 1.33
# Confidence from which a green glow speaks against the light that was given: green twice the rest.
SURE_GLOW = 0.75
# Sigma of a lane's spots where it has none: of a round spot of 2 mm, and of a trace's run.
USUAL_SIGMA_MM, USUAL_SIGMA = 0.9, 0.012


def measure(
    source: str | Path, settings: Settings | None = None, *, picture: bool = True,
    progress: Callable[[int, int], None] | None = None, **choices: Any
) -> Reading:
    """Read a plate's scan, or a trace as CSV.

    Parameters
    ----------
    source : path
        An image, or a `.csv` of two columns, distance and signal.
    settings : Settings, optional
    picture : bool
        Keep the squared-up plate in the reading, for drawing on.
    progress : callable, optional
        Called with how many of how many lanes are fitted, before each and after the last.
    **choices
        Single settings by name, laid over `settings`: `measure("plate.png", light="254")`.

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        If the file or a setting can't be used.
    LayoutError
        If the plate, a line or the lanes are not found with confidence.
    """
    settings = from_mapping(choices, settings)
    if is_trace(source):
        return _measure_trace(Path(source), settings)
    plate = prepare(source, settings)
    lanes = plate.layout.lanes
    if progress is not None:
        for done, lane in enumerate(lanes):
            progress(done, len(lanes))
            _first_look(plate, lane)  # kept: it is nearly all of the work
        progress(len(lanes), len(lanes))
    return assemble(plate, tuple(read_lane(plate, lane) for lane in lanes), picture)


def assemble(plate: Plate, lanes: tuple[LaneReading, ...], picture: bool = True) -> Reading:
    """Return the reading of `plate` from its `lanes` as read, with the plate's own checks."""
    lanes = coloured(plate, lanes)
    remarks, *by_lane = check_plate(plate, lanes)
    lanes = tuple(map(_remarked, with_channel_doubt(plate, lanes), *by_lane))
    return Reading(
        _source(plate.scan), plate.light, LAW_NAMES[plate.signal.law], plate.signal.channel,
        plate.layout,
        square_picture(plate.scan, plate.layout, plate.signal.thin) if picture else None, lanes,
        (*plate.flags, *remarks), plate.settings,
    )


# What a trace has no use for: to ignore it without a word would hide a mistake.
PLATE_ONLY = ("light", "law", "channel", "transfer", "turn", "lanes", "lane_width", "plate_width",
              "plate_height", "dpi", "spots", "page", "which_plate", "corners", "whole_image")
# The residual's tallest point over the tallest spot: from here on the sum of spots is not what
# the trace shows (a step, a dip).
UNLIKE = 0.25
# ln of the ratio of learned to assumed doubt of shapes, from which lanes are fitted anew.
UNLIKE_SHAPES = 0.25
# Share of a trace's variance (r squared) that spots explain of any signal worth a look. Light falls
# where they stand, and they explain 0 to 0.85 of it (measured on made-up traces).
EXPLAINED = 0.95
BROAD = 0.15  # full width at half height over the run: no spot is so wide (common practice)


def is_trace(source: str | Path) -> bool:
    """Return whether `source` is a trace by its name, not an image."""
    return Path(source).suffix.lower() in (".csv", ".txt", ".tsv")


def prepare(source: str | Path, settings: Settings) -> Plate:
    """Read a scan, find its layout and turn its light into signal: the stages before the traces.

    Parameters and errors are those of `measure`.
    """
    if is_trace(source):
        raise InputError(f"{Path(source).name} is a trace: this question needs the plate's scan, "
                         "whose clean layer tells what is noise")
    return prepare_scan(read_for(source, settings), settings)


def prepare_scan(scan: Scan, settings: Settings) -> Plate:
    """Find a scan's layout and turn its light into signal. Errors are those of `measure`."""
    light, notes = _light(scan, settings)
    try:
        layout = locate(scan, settings, light)
    except LanesError as error:
        error.refused = (scan, settings)
        raise
    signal = to_signal(scan, layout, settings, light)
    if settings.places.lanes is None:
        layout = follow(signal, layout)
    widths = tuple(dict.fromkeys(lane.width for lane in layout.lanes))
    noises = layer_noises(signal, layout, widths)
    seen = {("noise", id(signal), width): noise
            for width, noise in zip(widths, noises, strict=True)}
    return Plate(scan, light, layout, signal, noises[0],
                 (*notes, *scan.flags, *layout.flags, *signal.flags), settings, seen)


def _light(scan: Scan, settings: Settings) -> tuple[str, tuple[Flag, ...]]:
    if settings.light != "auto":
        return settings.light, _other_lamp(scan, settings.light)
    light, confidence = judge_light(scan)
    named = {"white": "white light", "254": "254 nm", "366": "366 nm"}[light]
    doubt = f"with confidence {confidence:.2f}"
    if "red" not in scan.channels:
        doubt = "but a grey scan can't tell white light from a glow that is quenched"
    note = flag("light-assumed", f"read as {named}, {doubt}")
    return light, (note,)


def _other_lamp(scan: Scan, light: str) -> tuple[Flag, ...]:
    """Return the remark that a layer glows green, where the light given is not 254 nm."""
    seen, confidence = judge_light(scan)
    if light == "254" or seen != "254" or confidence < SURE_GLOW:
        return ()
    return (flag("light-doubtful", f"--light {light} was given, and the layer glows green, as it "
                 "does under 254 nm"),)


@dataclass(frozen=True)
class _Taken:
    """A lane as taken from the plate and fitted: what a reading is described from."""

    trace: Trace
    flat: Floats
    below: Floats
    fit: Fit
    noise: Noise
    flags: tuple[Flag, ...]


def read_lane(plate: Plate, lane: Lane) -> LaneReading:
    """Sample `lane` of a prepared plate, fit its spots and describe them.

    The fit counts how far the plate's own lone spots, of all its lanes, depart from Gaussians.
    """
    taken = _second_look(plate, lane)
    signal, layout, noise = plate.signal, plate.layout, taken.noise
    fit = replace(taken.fit, shown=shown_shapes(taken.trace, taken.flat, taken.fit, noise))
    flags = list(taken.flags)
    asked = plate.settings.components
    if asked is not None and len(fit.components) < asked:
        flags.append(flag("fit-poor", f"{asked} spots were asked for, and {len(fit.components)} "
                          "stand on their own"))
    spots, pairs, more = describe(taken.trace, fit, noise, layout.origin.sd, layout.front.sd,
                                  layout.scaled, layout.mm_per_unit,
                                  law_doubt(taken.trace, fit, signal.law, signal.reference,
                                            signal.as_read),
                                  layout.skew_sd * taken.trace.run / layout.height)
    if signal.masked is not None and _hides(signal, layout, lane):
        flags.append(flag("masked", "part of the lane is masked, or its layer is gone: nothing is "
                          "read from there"))
    width = (np.median([c.sigma for c in fit.components]) if fit.components
             else USUAL_SIGMA_MM / layout.mm_per_unit)
    smallest = limit(noise.local, taken.trace.gain, LIMIT_WIDTH * float(width), THRESHOLD)
    scale = layout.scaled
    return LaneReading(
        lane.name, lane.role, lane.x if scale else None, lane.width if scale else None,
        taken.trace.run if scale else None, spots, pairs, smallest, fit, noise, taken.trace,
        taken.below, (*flags, *more), plate.by,
    )


def shapes_of(plate: Plate) -> ShapeDoubt:
    """Return how far the spots of the plate's lanes depart from Gaussians, learned once."""
    lanes = tuple((lane.x, lane.lean, lane.width) for lane in plate.layout.lanes)
    key = ("shapes", id(plate.signal), lanes)
    if key not in plate.seen:
        looks = (_first_look(plate, lane) for lane in plate.layout.lanes)
        plate.seen[key] = learn_shapes((t.trace, t.flat, t.fit, t.noise) for t in looks)
    found: ShapeDoubt = plate.seen[key]
    return found


def _first_look(plate: Plate, lane: Lane) -> _Taken:
    """Return the lane fitted with the assumed doubt of shapes, kept for the next who asks."""
    key = ("first", id(plate.signal), lane)
    if key not in plate.seen:
        plate.seen[key] = _take(plate, lane, ASSUMED)
    taken: _Taken = plate.seen[key]
    return taken


def _second_look(plate: Plate, lane: Lane) -> _Taken:
    """Return the lane as the plate's own shapes have it: fitted anew where they may decide."""
    taken = _first_look(plate, lane)
    shapes = shapes_of(plate)
    unlike = max(float(np.abs(np.log(shapes.sds / ASSUMED.sds)[:2]).max()) / UNLIKE_SHAPES,
                 abs(shapes.length - ASSUMED.length) / ASSUMED.length_sd,
                 np.log(ASSUMED.length_sd / shapes.length_sd) / UNLIKE_SHAPES) > 1.0
    if unlike and plate.settings.components is None and _may_change(taken.fit):
        return _take(plate, lane, shapes)
    return replace(taken, fit=replace(taken.fit, shapes=shapes))


def _may_change(fit: Fit) -> bool:
    """Return whether another doubt of shapes may change the count of components."""
    near = any(b.centre - a.centre < UNITED * 0.5 * (a.spread + b.spread)
               for a, b in pairwise(fit.components))
    return near or bool(fit.refused) or len({attempt.components for attempt in fit.tried}) > 1


def _take(plate: Plate, lane: Lane, shapes: ShapeDoubt) -> _Taken:
    settings, noise = plate.settings, plate.noise
    if noise is not None and lane.width != plate.layout.lanes[0].width:
        key = ("noise", id(plate.signal), lane.width)
        if key not in plate.seen:
            plate.seen[key] = layer_noise(plate.signal, plate.layout, lane.width)
        noise = plate.seen[key] or noise
    trace = without_other_side(sample(plate.signal, plate.layout, lane), plate.layout, lane)
    trace = without_stripes(trace, plate.signal, plate.layout, lane)
    if noise is not None and plate.signal.law == "emission":
        trace = replace(trace, gain=rounded_gain(trace.gain, noise.local))
    flat, below = _less_background(trace, settings, plate.signal.grid.mm)
    flags: tuple[Flag, ...] = ()
    if noise is None:
        # Spots that fill a short run are no noise: what a fit of them leaves is.
        alone = deconvolve(trace.position, flat, gain=trace.gain, usable=trace.usable,
                           baseline_order=settings.baseline_order, components=settings.components)
        noise = residual_noise(((flat - alone.model) / trace.gain)[trace.usable], trace.pitch)
        flags = (flag("noise-from-residuals", "too little clean layer beside the lanes"),)
    fit, held, seen = fit_lane(trace, flat, noise, mm=plate.layout.mm_per_unit,
                                baseline_order=settings.baseline_order,
                                components=settings.components, shapes=shapes)
    smeared, trace = seen is not trace, seen
    if settings.components is None:
        places = seen_places(plate.layout, lane, trace.run,
                             [c.centre / trace.run for c in fit.components],
                             [c.sigma + abs(c.tau) for c in fit.components],
                             settings.channel == "auto")
        fit = add_seen(trace, flat, fit, held, places, mm=plate.layout.mm_per_unit,
                       baseline_order=settings.baseline_order, shapes=shapes)
        fit = only_confirmed(trace, flat, fit, held, places, mm=plate.layout.mm_per_unit,
                             baseline_order=settings.baseline_order, shapes=shapes)
    if held is not noise:
        why = ("matter is smeared along the lane, and what the spots leave of it counts as noise"
               if smeared else "the layer shows less noise than the lane: the scan is compressed "
               "or has few grey levels")
        flags = (flag("noise-from-residuals", why),)
    return _Taken(trace, flat, below, fit, held, flags)


def _hides(signal: Signal, layout: Layout, lane: Lane) -> bool:
    """Return whether a mask lies on the lane's path between origin and front."""
    assert signal.masked is not None
    x, y = layout.path(lane, np.linspace(0.0, 1.0, 400))
    row = np.clip(np.rint(signal.grid.row(y)).astype(int), 0, signal.grid.rows - 1)
    for across in np.linspace(-0.5, 0.5, 9) * lane.width:
        column = np.clip(np.rint(signal.grid.column(x + across)).astype(int), 0,
                         signal.grid.columns - 1)
        if signal.masked[row, column].any():
            return True
    return False


def _remarked(
    reading: LaneReading, lane: tuple[Flag, ...], spots: tuple[tuple[Flag, ...], ...]
) -> LaneReading:
    """Return `reading` with remarks added to the lane's and to each spot's."""
    remarked = tuple(
        replace(spot, flags=(*spot.flags, *more))
        for spot, more in zip(reading.spots, spots, strict=True)
    )
    return replace(reading, spots=remarked, flags=(*reading.flags, *lane))


def _less_background(
    trace: Trace, settings: Settings, mm: float
) -> tuple[Any, Any]:
    """Return the trace less its background, and the background."""
    if settings.background == "layer":
        return trace.signal, np.zeros_like(trace.signal)
    below = background(trace.signal, settings.background, usable=trace.usable, pitch=mm)
    return trace.signal - below, below


def _source(scan: Scan) -> Source:
    return Source(scan.file, scan.sha256, scan.width_px, scan.height_px, scan.bits, scan.mode,
                  scan.dpi, scan.transfer)


def _is_light(trace: Trace, flat: Any, fit: Fit, settings: Settings) -> bool:
    """Return whether a trace is better explained upside down, by spots that lower it."""
    explained = fit.r_squared or 0.0
    if explained > EXPLAINED:
        return False
    turned = deconvolve(trace.position, -flat, baseline_order=settings.baseline_order)
    return bool(turned.components) and (turned.r_squared or 0.0) > explained


def _measure_trace(path: Path, settings: Settings) -> Reading:
    """Read a trace: the pipeline from its third stage on."""
    for name in PLATE_ONLY:
        if getattr(settings, name) != getattr(Settings(), name):
            option = option_name(name)
            raise InputError(f"{option} is about a plate's scan, and {path.name} is a trace: "
                             f"leave {option} out")
    for option, height in (("--origin", settings.origin), ("--front", settings.front)):
        if isinstance(height, str):
            raise InputError(f"{option} {height}: {path.name} is a trace, whose distances have the "
                             "table's own unit; give a plain number")
    for option, listed in (("--names", settings.names), ("--roles", settings.roles)):
        if listed is not None and len(listed) != 1:
            raise InputError(f"{option} has {len(listed)} entries, and {path.name} is the trace of "
                             "one lane: give one")
    assert not isinstance(settings.origin, str)
    assert not isinstance(settings.front, str)
    trace, raw = read_trace(path, settings.origin, settings.front)
    flat, below = trace.signal, np.zeros_like(trace.signal)
    if settings.background not in ("layer", "none"):
        flat, below = _less_background(trace, settings, trace.pitch)
    fit = deconvolve(trace.position, flat, baseline_order=settings.baseline_order,
                     components=settings.components)
    noise = residual_noise(flat - fit.model, trace.pitch)
    fit = replace(fit, shapes=learn_shapes([(trace, flat, fit, noise)]))
    spots, pairs, more = describe(trace, fit, noise, 0.0, 0.0, True, 1.0)
    tallest = float(fit.peaks.max(initial=0.0))
    left = float(np.abs(flat - fit.model)[trace.usable].max(initial=0.0))
    if left > UNLIKE * tallest > 0.0:
        more = (*more, flag("fit-poor", f"the spots leave {100 * left / tallest:.0f} % of the "
                            "tallest one's height: is it a lane's trace?"))
    broad = max((full_width(c) for c in fit.components), default=0.0) / trace.run
    if broad > BROAD:
        more = (*more, flag("wide", f"a spot spans {100 * broad:.0f} % of the run: is it a "
                            "lane's trace?"))
    if _is_light(trace, flat, fit, settings):
        more = (*more, flag("fit-poor", "the trace falls where a spot would raise it: is it light? "
                            "Give the signal, as -log10 of the light over the clean layer's"))
    name = settings.names[0] if settings.names else lane_name(path.stem)
    role = settings.note(name).role or (settings.roles[0] if settings.roles else None)
    width = (np.median([c.sigma for c in fit.components]) if fit.components
             else USUAL_SIGMA * trace.run)
    reading = LaneReading(
        name, role, None, None, trace.run, spots, pairs,
        limit(noise.local, trace.gain, LIMIT_WIDTH * float(width), THRESHOLD),
        fit, noise, trace, below,
        (flag("noise-from-residuals", "a trace alone shows no clean layer, and no doubt of law, "
              "channel or layer is counted: its intervals are too narrow by that"), *more),
    )
    source = Source(path.name, hashlib.sha256(raw).hexdigest(), None, None, None, None, None, None)
    return Reading(source, None, None, None, None, None, (reading,), (), replace(settings))

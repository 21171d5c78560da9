"""Is the shoulder a second component? One Gaussian, two, or one that tails, with error rates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.checks.spots import WIDEST_MM, spot_remarks
from lanes.errors import InputError
from lanes.evidence.colour import Colours
from lanes.evidence.detection_limit import lane_of
from lanes.evidence.laws import other_laws, under_law
from lanes.evidence.lookup import no_such_lane
from lanes.flags import Flag, flag
from lanes.measuring import is_trace, measure, prepare, read_lane
from lanes.plate.signal import LAW_NAMES
from lanes.questions.shoulder.any_shape import SURE
from lanes.questions.shoulder.case import Case, area_shares, make_case
from lanes.questions.shoulder.colour_change import ColourChange, colour_change
from lanes.questions.shoulder.divided import Divided, divided, neighbours
from lanes.questions.shoulder.law_doubt import by_any_law
from lanes.questions.shoulder.listed import listed
from lanes.questions.shoulder.named_shape import take_shape
from lanes.questions.shoulder.others import expected_length, expected_width, shape_doubt
from lanes.questions.shoulder.result import Alternative, Component, Curves, Shoulder
from lanes.questions.shoulder.verdict import OtherLaw, decide, second_seen, settle
from lanes.questions.shoulder.views import (
    WIDE,
    WIDE_SDS,
    across_view,
    colour_view,
    lanes_view,
    law_view,
    overload_view,
    profile_view,
    shape_views,
    valley_view,
    width_view,
)
from lanes.questions.shoulder.weigh import LEVEL, Evidence, weigh
from lanes.questions.shoulder.window import kept_one, pick
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.spots.deconvolve import deconvolve
from lanes.spots.quantities import full_width
from lanes.spots.shape_doubt import ShapeDoubt
from lanes.spots.split import SPLIT_GAIN
from lanes.trace.noise import residual_noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

BOOTSTRAPS, SEED = 400, 20260
FEWEST = 99  # the least of them: the share of one in twenty is then known to one in fifty
POOR = 3.0   # residual variance over the noise's that is worth a remark
# Times as wide as the spot it touches: two substances beside each other differ by a third at most
# (common practice), what a spot drags behind it is several times as long.
STREAK = 2.5


def shoulder(
    source: str | Path, settings: Settings, lane: str | None = None, *, rf: float | None = None,
    shape_from: str | None = None, bootstraps: int = BOOTSTRAPS, seed: int = SEED,
    progress: Progress | None = None,
) -> Shoulder:
    """Read a plate's scan, or a trace, and answer for one spot of `lane`.

    Parameters
    ----------
    source, settings
        As for `lanes.measure`.
    lane : str, optional
        Not needed where there is one lane, as in a trace.
    rf : float, optional
        The spot; by default the strongest of the lane.
    shape_from : str, optional
        A lane whose strongest spot is known to be one component: its shape is held against two.
    bootstraps : int
        Drawn traces behind each p-value.
    seed : int
        Of those: the same seed gives the same answer.
    progress : callable, optional
        Called with what is done and what there is to do.

    Returns
    -------
    Shoulder

    Raises
    ------
    InputError
        If the lane or the spot is not there.
    """
    _whole("bootstraps", bootstraps, FEWEST, 100_000)
    _whole("seed", seed, 0, 2**63 - 1)
    if is_trace(source):
        plate, readings = None, measure(source, settings).lanes
    else:
        plate = prepare(source, settings)
        known = [found.name for found in plate.layout.lanes]
        _there(lane, known)
        readings = tuple(read_lane(plate, found) for found in plate.layout.lanes)
    return judge(readings, lane, plate=plate, rf=rf, shape_from=shape_from,
                 bootstraps=bootstraps, seed=seed, progress=progress)


def judge(
    readings: tuple[LaneReading, ...], lane: str | None = None, *, plate: Plate | None = None,
    rf: float | None = None, shape_from: str | None = None, bootstraps: int = BOOTSTRAPS,
    seed: int = SEED, progress: Progress | None = None, colours: Colours | None = None,
) -> Shoulder:
    """Answer for one spot of a plate that has been read.

    Parameters
    ----------
    readings : tuple of LaneReading
        All lanes of the plate: lone spots of the others show what width to expect.
    lane : str, optional
        Not needed where there is one.
    plate : Plate, optional
        With it, colour is looked at.
    rf, shape_from, bootstraps, seed, progress
        As for `shoulder`.
    colours : Colours, optional
        The plate's channels, where more than one spot of it is asked about: made once.

    Returns
    -------
    Shoulder
    """
    names = [r.name for r in readings]
    reading = readings[_there(lane, names)]
    lane = reading.name
    asked = _Asked(readings, reading, plate, shape_from, bootstraps, seed, progress, colours)
    group = pick(reading, rf)
    found = asked.about(group)
    near = neighbours(reading, group, found.rf if rf is None else rf)
    two = next((two for both in near if (two := asked.divided(both)) is not None), None)
    if two is None:
        return found
    if set(two.both) <= set(group):
        return listed(found, reading, plate, two)
    try:
        together = asked.about(two.both)
    except InputError:  # too little of the trace round both can be used
        return found
    return replace(listed(together, reading, plate, two), alone=found)


@dataclass(frozen=True)
class _Asked:
    """A question about spots of one lane: what `judge` was given."""

    readings: tuple[LaneReading, ...]
    reading: LaneReading
    plate: Plate | None
    shape_from: str | None
    bootstraps: int
    seed: int
    progress: Progress | None
    colours: Colours | None

    @property
    def mm(self) -> float:
        """Millimetres per plate unit."""
        return 1.0 if self.plate is None else self.plate.layout.mm_per_unit

    @property
    def line_sds(self) -> tuple[float, float]:
        """Standard deviations of the two lines' heights."""
        if self.plate is None:
            return 0.0, 0.0
        return self.plate.layout.origin.sd, self.plate.layout.front.sd

    def about(self, group: tuple[int, ...]) -> Shoulder:
        """Answer for the components `group`, whatever the reading makes of them."""
        readings, reading, plate, seed = self.readings, self.reading, self.plate, self.seed
        shape = None
        if self.shape_from is not None:
            other = readings[_there(self.shape_from, [r.name for r in readings], "--shape-from")]
            if other is reading:
                raise InputError(f"--shape-from {self.shape_from} is the lane in question: give "
                                 "another")
            shape = take_shape(other, self.mm)
        doubt = shape_doubt(readings, reading, group)
        expected = expected_width(readings, reading, group)
        length = expected_length(readings, reading, group)
        case = make_case(reading, group, self.mm, shape, doubt, expected, length)
        evidence = weigh(case, self.bootstraps, np.random.default_rng(seed), self.progress)
        width = None
        if expected is not None:
            width = float(np.exp(case.own_ln_sigma - expected[0])), expected[1]
        colour, law, overload = None, None, None
        if plate is not None:
            place = next(found for found in plate.layout.lanes if found.name == reading.name)
            colour = colour_change(self.colours or Colours(plate), place, case,
                                   np.random.default_rng([seed, 1]))
            alike = case.any_shape is not None and case.any_shape.sure
            overload = _unheld(readings, reading, group, plate, alike)
            # Another law is asked only where it can change the answer.
            if decide(evidence, False, False, across=case.across, overload=overload)[0] == "two":
                law = _other_law(plate, reading, group, (expected, length), doubt, seed, alike)
        # The reading had no named shape to go by: how long and how skewed one spot is, that says.
        kept = shape is None and kept_one(reading, group)
        return _answer(readings, reading, case, evidence, width, colour, law, overload, kept,
                       self.line_sds)

    def divided(self, both: tuple[int, int]) -> Divided | None:
        """Return two listed neighbours where the trace shows a valley between them."""
        length = expected_length(self.readings, self.reading, both)[0]
        return divided(self.reading, both, length)


def _unheld(
    readings: tuple[LaneReading, ...], reading: LaneReading, group: tuple[int, ...], plate: Plate,
    alike: bool,
) -> str | None:
    """Return why the spot's own shape is not to be had, None where it is.

    A streak is part of each of two that are `alike`, whatever their shape.
    """
    at = readings.index(reading)
    dark = spot_remarks(readings, plate.signal.law, plate.signal.reference, False)[at]
    for i in group:
        for remark in (*reading.spots[i].flags, *dark[i]):
            if remark.name in ("clipped", "overloaded"):
                return f"the spot is {remark.name}: {remark.message}"
    widths = [full_width(reading.fit.components[i]) for i in group]
    widest = max(widths) * plate.layout.mm_per_unit
    if not alike and widest > WIDEST_MM and max(widths) > STREAK * min(widths):
        return "a streak lies under it, which no shape of a spot describes"
    return None


def _other_law(
    plate: Plate, reading: LaneReading, group: tuple[int, ...],
    expected: tuple[tuple[float, float] | None, tuple[float, float]], doubt: ShapeDoubt, seed: int,
    alike: bool,
) -> OtherLaw | None:
    """Return what another law makes of the spot, None where there is none.

    Two that are `alike` need not be so under a law that is not the plate's: there it is enough
    that no one spot of any shape does.
    """
    place = next(found for found in plate.layout.lanes if found.name == reading.name)
    start = lane_of(plate, reading, group[0])
    for law in other_laws(plate):
        lane, fit = under_law(plate, place, law, start, reading.fit)
        other = replace(reading, trace=lane.trace, noise=lane.noise, fit=fit,
                        background=lane.trace.signal - lane.flat)
        try:
            case = make_case(other, group, plate.layout.mm_per_unit, None, doubt, *expected)
        except InputError:
            return OtherLaw(LAW_NAMES[law], False, None)
        found = weigh(case, FEWEST, np.random.default_rng([seed, 2]))
        no_one = alike and case.any_shape is not None and case.any_shape.p_one < SURE
        _, _, percents, _, pair = area_shares(case, (0.0, 0.0))
        return OtherLaw(LAW_NAMES[law], no_one or decide(found, False, False)[0] == "two",
                        min(percents), pair.resolution)
    return None


def judge_trace(
    position: Floats, signal: Floats, *, baseline_order: str = "auto", bootstraps: int = BOOTSTRAPS,
    seed: int = SEED,
) -> Shoulder:
    """Answer for the strongest feature of a bare trace, its noise judged from what the fit leaves.

    Parameters
    ----------
    position, signal : (n,) array
        Evenly spaced.
    baseline_order : str
        Low-order term, as for `lanes.spots.deconvolve.deconvolve`.
    """
    x, y = np.asarray(position, float), np.asarray(signal, float)
    fit = deconvolve(x, y, baseline_order=baseline_order)
    pitch = float(np.median(np.diff(x)))
    noise = residual_noise(y - fit.model, pitch)
    n = x.size
    trace = Trace(x, y, np.ones(n, bool), np.ones(n), float(x[-1]), None, None, np.zeros(n),
                  np.zeros(n))
    reading = LaneReading("trace", None, None, None, None, (), (), None, fit, noise, trace,
                          np.zeros(n), ())
    return judge((reading,), "trace", bootstraps=bootstraps, seed=seed)


def _there(lane: str | None, names: list[str], option: str = "--lane") -> int:
    if lane is None and len(names) == 1:
        return 0
    if lane is None:
        raise InputError(f"several lanes are on the plate: give {option} NAME; the lanes are "
                         f"{', '.join(names)}")
    if lane not in names:
        raise no_such_lane(lane, option, names)
    return names.index(lane)


def _whole(name: str, value: Any, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise InputError(f"--{name} {value} must be a whole number, {low} to {high}")


def _answer(
    readings: tuple[LaneReading, ...], reading: LaneReading, case: Case, evidence: Evidence,
    width: tuple[float, float] | None, colour: ColourChange | None, law: OtherLaw | None,
    overload: str | None, kept: bool, line_sds: tuple[float, float],
) -> Shoulder:
    wide = width is not None and float(np.log(width[0])) > max(WIDE, WIDE_SDS * width[1])
    coloured = colour is not None and colour.sure
    aicc, gain = (a - b for a, b in zip(*(case.scores[name] for name in case.by_name),
                                        strict=True))
    # Noise judged from the fit's own residual can't part misfit from noise: what the reading asks
    # of a split is asked here too.
    doubtful = case.free_scale and gain < SPLIT_GAIN
    verdict, reasons = decide(evidence, wide, coloured, doubtful, across=case.across,
                              other_law=law, overload=overload,
                              kept_one=kept, long=case.long)
    rf, rf_sd, percent, percent_sd, pair = by_any_law(area_shares(case, line_sds), law)
    asked = evidence.p_value < LEVEL
    views = (
        *shape_views(case, evidence, second_seen(evidence.detectable)),
        valley_view(case, pair.valley_to_peak, asked), across_view(case, asked),
        profile_view(kept, asked),
        colour_view(colour), width_view(width, wide), law_view(law),
        lanes_view(readings, reading, rf), overload_view(overload),
    )
    if verdict == "two" or (verdict == "cannot tell" and asked):
        components = tuple(Component(*each) for each in zip(rf, rf_sd, percent, percent_sd,
                                                            strict=True))
    else:
        components = (Component(case.single_rf, case.single_rf_sd(line_sds), 100.0, None),)
    return Shoulder(
        reading.name, case.single_rf, verdict, evidence.p_value,
        aicc, gain, components, pair, float(min(percent)),
        None if law is None else law.percent,
        tuple(Alternative(name, score[0]) for name, score in case.scores.items()),
        evidence.against, None if colour is None else colour.p_value,
        None if width is None else width[0], evidence.detectable,
        views, reasons, settle(verdict, evidence, wide, reading),
        _flags(reading, evidence, verdict, None if not wide or width is None else width[0]),
        _curves(case), reading.signal,
    )


def _flags(
    reading: LaneReading, evidence: Evidence, verdict: str, wide: float | None
) -> tuple[Flag, ...]:
    flags = []
    if wide is not None:
        flags.append(flag("wide", f"{100 * (wide - 1):.0f} % wider than the plate's lone "
                                  "spots at this Rf"))
    if evidence.scale > POOR:
        flags.append(flag("fit-poor", f"the better fit leaves {np.sqrt(evidence.scale):.1f} times "
                                      "the noise"))
    if reading.noise.source == "residuals":
        flags.append(flag("noise-from-residuals", "p-values lean on the fit's own residual"))
    if verdict == "one" and evidence.p_value < LEVEL:
        flags.append(flag("tailing", "one spot's own shape explains it; a second component does "
                                     "not"))
    return tuple(flags)


def _curves(case: Case) -> Curves:
    return Curves(case.all_x / case.run, case.all_y, case.usable, *case.drawn, case.band)

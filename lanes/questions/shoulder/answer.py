"""Is the shoulder a second component? One Gaussian, two, or one that tails, with error rates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.evidence.lookup import no_such_lane
from lanes.flags import Flag, flag
from lanes.measuring import is_trace, measure, prepare, read_lane
from lanes.questions.shoulder.case import Case, area_shares, make_case
from lanes.questions.shoulder.colour import colour_change
from lanes.questions.shoulder.others import expected_width, shape_doubt, take_shape
from lanes.questions.shoulder.weigh import LEVEL, Detectable, Evidence, weigh
from lanes.questions.shoulder.window import pick
from lanes.reading import LaneReading, Plate
from lanes.settings import Settings
from lanes.spots.deconvolve import deconvolve
from lanes.spots.quantities import Pair
from lanes.spots.split import SPLIT_GAIN
from lanes.trace.noise import residual_noise
from lanes.trace.sample import Trace

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]

BOOTSTRAPS, SEED = 400, 20260
COLOUR_LEVEL = 0.01
WIDE = 0.10   # as ln(width ratio): less than this is no news whatever its significance


@dataclass(frozen=True)
class Component:
    """One component of the answer, with standard deviations (None where not known)."""

    rf: float
    rf_sd: float | None
    area_percent: float
    area_percent_sd: float | None


@dataclass(frozen=True)
class Alternative:
    """One way to explain the spot, and its AICc (the less the better)."""

    name: str
    aicc: float


@dataclass(frozen=True)
class Curves:
    """What the figure draws, all (n,) arrays over `rf`: the trace less baseline and neighbours."""

    rf: Floats
    data: Floats
    usable: NDArray[np.bool_]
    one: Floats
    two: Floats
    parts: Floats
    tail: Floats
    band: Floats


@dataclass(frozen=True)
class Shoulder:
    """The answer for one spot.

    Attributes
    ----------
    verdict : str
        "one", "two" or "cannot tell".
    p_value : float
        Share of single spots on this plate that would favour two as much as this one.
    delta_aicc, delta_bic : float
        Criterion of one less that of two: positive speaks for two.
    components : tuple of Component
        One, or two from origin to front (also where the answer is open but one is not enough).
    pair : Pair or None
        Resolution of the two, each in its place whatever the verdict.
    against : dict
        For each rival of two: p-value of the rival, p-value of two where the rival is put aside.
    colour : float or None
        p-value of one colour over the whole spot; None without colour.
    width : float or None
        Width over what the plate's lone spots lead to expect at this Rf.
    detectable : tuple of Detectable
    settle : tuple of str
        What would settle an open question.
    signal : str
        By which law and from which channel the trace is, as a sentence.
    """

    lane: str
    rf: float
    verdict: str
    p_value: float
    delta_aicc: float
    delta_bic: float
    components: tuple[Component, ...]
    pair: Pair | None
    pair_percent: float
    alternatives: tuple[Alternative, ...]
    against: dict[str, tuple[float, float]]
    colour: float | None
    width: float | None
    detectable: tuple[Detectable, ...]
    reasons: tuple[str, ...]
    settle: tuple[str, ...]
    flags: tuple[Flag, ...]
    curves: Curves
    signal: str = ""


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
    _whole("bootstraps", bootstraps, 99, 100_000)
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
    seed: int = SEED, progress: Progress | None = None,
) -> Shoulder:
    """Answer for one spot of a plate that has been read.

    Parameters
    ----------
    readings : tuple of LaneReading
        All lanes of the plate: lone spots of the others tell what width to expect.
    lane : str, optional
        Not needed where there is one.
    plate : Plate, optional
        With it, colour is looked at.
    rf, shape_from, bootstraps, seed, progress
        As for `shoulder`.

    Returns
    -------
    Shoulder
    """
    names = [r.name for r in readings]
    reading = readings[_there(lane, names)]
    lane = reading.name
    mm = 1.0 if plate is None else plate.layout.mm_per_unit
    sds = (0.0, 0.0) if plate is None else (plate.layout.origin.sd, plate.layout.front.sd)
    group = pick(reading, rf)
    shape = None
    if shape_from is not None:
        other = readings[_there(shape_from, names, "--shape-from")]
        if shape_from == lane:
            raise InputError(f"--shape-from {shape_from} is the lane in question: give another")
        shape = take_shape(other, mm)
    doubt = shape_doubt(readings, reading, group)
    expected = expected_width(readings, reading, group)
    case = make_case(reading, group, mm, shape, doubt, expected)
    evidence = weigh(case, bootstraps, np.random.default_rng(seed), progress)
    width = None
    if expected is not None:
        free = make_case(reading, group, mm, shape, doubt).single[1]
        width = float(np.exp(free - expected[0])), expected[1]
    colour = None
    if plate is not None:
        place = next(found for found in plate.layout.lanes if found.name == lane)
        colour = colour_change(plate, place, case, np.random.default_rng([seed, 1]))
    return _answer(reading, case, evidence, width, colour, sds)


def judge_trace(
    position: Floats, signal: Floats, *, joint: str = "auto", bootstraps: int = BOOTSTRAPS,
    seed: int = SEED,
) -> Shoulder:
    """Answer for the strongest feature of a bare trace, its noise judged from what the fit leaves.

    Parameters
    ----------
    position, signal : (n,) array
        Evenly spaced.
    joint : str
        Low-order term, as for `lanes.spots.deconvolve.deconvolve`.
    """
    x, y = np.asarray(position, float), np.asarray(signal, float)
    fit = deconvolve(x, y, joint=joint)
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
    reading: LaneReading, case: Case, evidence: Evidence, width: tuple[float, float] | None,
    colour: float | None, line_sds: tuple[float, float],
) -> Shoulder:
    wide = width is not None and np.log(width[0]) > max(WIDE, 3.0 * width[1])
    coloured = colour is not None and colour < COLOUR_LEVEL
    gain = case.scores["one Gaussian"][1] - case.scores["two Gaussians"][1]
    # Noise judged from the fit's own residual can't tell misfit from noise: what the reading asks
    # of a split is asked here too.
    doubtful = case.free_scale and gain < SPLIT_GAIN
    verdict, reasons = decide(evidence, wide, coloured, doubtful)
    flags = []
    if wide and width is not None:
        flags.append(flag("wide", f"{100 * (width[0] - 1):.0f} % wider than the plate's lone "
                                  "spots at this Rf"))
    if evidence.scale > 3.0:
        flags.append(flag("fit-poor", f"the better fit leaves {np.sqrt(evidence.scale):.1f} times "
                                      "the noise"))
    if reading.noise.source == "residuals":
        flags.append(flag("noise-from-residuals", "p-values lean on the fit's own residual"))
    if verdict == "one" and evidence.p_value < LEVEL:
        flags.append(flag("tailing", "a tail explains the shape; a second component does not"))
    rf, rf_sd, percent, percent_sd, pair = area_shares(case, line_sds)
    pair_percent = float(min(percent))
    if verdict == "two" or (verdict == "cannot tell" and evidence.p_value < LEVEL):
        components = tuple(Component(*each) for each in zip(rf, rf_sd, percent, percent_sd,
                                                            strict=True))
    else:
        components = (Component(case.single_rf, case.single_rf_sd(line_sds), 100.0, None),)
    return Shoulder(
        reading.name, case.single_rf, verdict, evidence.p_value,
        case.scores["one Gaussian"][0] - case.scores["two Gaussians"][0],
        gain, components, pair, pair_percent,
        tuple(Alternative(name, score[0]) for name, score in case.scores.items()),
        evidence.against, colour, None if width is None else width[0], evidence.detectable,
        reasons, _settle(verdict, evidence, wide, reading), tuple(flags), _curves(case),
        reading.signal,
    )


def decide(
    evidence: Evidence, wide: bool, coloured: bool, doubtful: bool = False
) -> tuple[str, tuple[str, ...]]:
    """Return the verdict, and why.

    Two must beat one Gaussian, and every rival that is a single component (a tail, a measured
    shape). A rival that explains the spot where two do not makes it one; where both explain it,
    a change of colour across the spot decides for two, and without it nothing can be told.
    """
    if evidence.p_value >= LEVEL:
        if coloured:
            return "cannot tell", ("its shape is that of one, but its colour changes across it",)
        if wide:
            return "cannot tell", ("its shape is that of one, but wider than lone spots here",)
        if all(d.percent is None for d in evidence.detectable if d.resolution < 1.05):
            return "cannot tell", ("too weak for a second component of any size to show",)
        return "one", ("a second component explains no more than noise and the spot's own "
                       "misfit would",)
    open_rivals = []
    for name, (p_rival, p_two) in evidence.against.items():
        if p_rival >= LEVEL:
            if p_two < LEVEL:
                return "one", (f"{name} explains it, and two components do not",)
            open_rivals.append(name)
    if not open_rivals and doubtful:
        return "cannot tell", ("two explain it better, but no clean layer tells what is noise",)
    if not open_rivals:
        return "two", ("two explain it better than one, and than one that tails",)
    if coloured:
        return "two", ("its colour changes across it",)
    return "cannot tell", tuple(f"{name} explains it as well as two" for name in open_rivals)


def _settle(verdict: str, evidence: Evidence, wide: bool, reading: LaneReading
            ) -> tuple[str, ...]:
    if verdict != "cannot tell":
        return ()
    out = ["develop again with another solvent: two components rarely keep together in both"]
    if evidence.p_value < LEVEL or wide:
        out.append("apply less sample: a tail from overload shrinks, a second component stays")
    else:
        out.append("apply more sample, if the scan is not clipped: the spot is too weak to tell")
    out.append("run a co-spot with the suspected second component beside it")
    if reading.run_mm is not None and reading.trace.pitch > 0.11:
        out.append("scan finer: 300 dots per inch or more")
    if len(evidence.against) == 1:
        out.append("run a spot known to be one component in its own lane and name that lane "
                   "with --shape-from")
    return tuple(out)


def _curves(case: Case) -> Curves:
    return Curves(case.all_x / case.run, case.all_y, case.usable, *case.drawn, case.band)

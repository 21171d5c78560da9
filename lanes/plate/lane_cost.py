"""What a set of lanes costs: the negative logarithm of a likelihood, in nats.

A blob is scattered about its lane; a blob that no lane explains, a lane that no tick marks, a
tick without a lane and a step out of an even row each cost what makes them rare.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from lanes.plate.layout import Blob, Floats, Layout
from lanes.plate.ticks import FOUND as TICK_FOUND
from lanes.quantiles import median

CLOSEST_MM = 3.0   # lanes nearer than this are not put on by hand (common practice)
USUAL_MM = 7.0     # width of a lane where nothing shows it
STRONG = 0.1       # of the strongest blob: a weaker one's width is mostly noise
TICK_SURE = 5.5    # standard deviations of a tick that makes a lane on its own
RUN_TOGETHER = 3   # sure ticks below one blob, from which it is a row of spots that touch
TICK_MM = 0.5      # how far a sample is put beside its tick (common practice: by eye)
TICK_REACH = 3.0   # of TICK_MM, taken as a standard deviation: farther off it marks another lane
# Scatter of a spot about its lane: hand and wavering solvent, and a share of its own width.
BLOB_MM, BLOB_SHARE = 0.5, 0.12
MOST_LEAN = 0.06   # about 3.5 degrees
# The lean of lanes on plates run with care (common practice), as a standard deviation.
LEAN_SD = 0.02
RISE_MM = 3.0      # apart in height, two blobs show a lean; nearer, their places' scatter
# Of the sum of two blobs' heights, and of their widths: nearer than the first they are of one
# height, and farther apart than the second beside each other. At half a sum their half depths would
# touch.
LEVEL, ASIDE = 0.35, 0.35
USUAL_QUANTILE = 0.75  # of strengths: the plate's usual blob is a good one, not one of its specks
# Costs, in nats.
STRAY = 2.0        # a blob off every lane that is hardly one: specks are common
SPOT_LIKE = 5.0    # more, where it is as large as a spot: specks seldom are
SPOT_MM = 1.2
# Of the usual blob's width: a weak spot's own is mostly noise, but seldom less than this.
SPECK_SHARE = 0.35
FAINT_SHARE = 0.25  # of the plate's usual blob: a fainter one hardly makes a lane on its own
# Within so many of a spot's full widths its skirt, and what sharpening and compression leave beside
# it, may be a blob of its own: a Gaussian has 6 % of its height at one full width from its middle.
SKIRT_WIDTHS, SKIRT_DEPTH = 1.5, 0.06
# Standard deviations at which blobs begin to be found, about (`standing_out.USUAL`): strength
# counts from there; and how many more make a large blob wholly like a spot.
FOUND, SPOT_LIKE_OVER = 5.0, 3.0
STRAY_GROWS = 3.0  # standard deviations of a blob for each further nat: a strong one is no speck
STRAY_MOST = 14.0  # one plate in very many has a stain like a heavy spot
# What a tick costs that has no lane, for each of its standard deviations: of a sure one, up to a
# ceiling; of a fainter one, from where ticks are found. Choices, beside the price of a lane at a
# tick.
LEFT_SURE, LEFT_MOST, LEFT_FAINT = 0.7, 8.0, 0.6
MARKED = 1.0       # a lane at a tick
UNMARKED = 4.5     # a lane of blobs alone: any place of some ninety, 1 mm apart
UNTICKED = 3.0     # more, where two or more others have ticks
PARTLY = 2         # lanes without a mark: a hand that left out so many does not mark every lane
# Lanes' names are written under them by eye, a letter's width off. A name makes a lane likelier,
# but less surely than a tick does, and one without a lane is a word of other use.
NAME_MM, NAMED, UNNAMED = 1.0, 2.0, 2.0
NAME_REACH = 3.0   # of NAME_MM, taken as a standard deviation: farther off it names another lane
LEFT_OUT, NAMES_COUNT = 6.0, 3  # a lane that is not named where so many others are: hardly ever
# Of a row of letters, that stand under blobs or in their row; else it names no lanes.
NAMES_KEPT = 2 / 3
# A name in an even row with those under blobs names an empty lane: how far off a multiple of the
# row's step, of the step (two names' middles, each off by `NAME_MM`, at some 8 mm), and how many
# make a row where only one of them has a blob above it.
NAME_STEP, NAMES_ROW = 0.2, 4
# Where the others stand in an even row, a lane's place is one of few: within 15 % of a multiple of
# the step lies a third of all places, within 5 % a tenth.
IN_ROW, OFF_STEP = 1.5, 0.15
# A row is even, so that a step out of it is odd, where about half of its steps at least are within
# so much of a multiple of the usual one; none of them may be shorter than so much of it.
EVEN_STEP, MOSTLY, SHORT_STEP = 0.08, 0.49, 0.6
MOST_LEFT_OUT = 3  # steps without a lane in a row: farther off the row means little
# Mixtures run side by side share substances: of a plate's spots, so many have one of their height
# in another lane (common practice). A speck lies anywhere.
SHARED, SHARED_MOST = 0.7, 2.5
EMPTY = 12.0       # a lane of nothing at all
EMPTY_NAMED = 1.0  # the same, named in the others' row: fractions and blanks are run on purpose
ASKED = -1.0       # the same, where the number was given: a place in the row is one of few
FAINT = 1.2        # of a lane at a tick that is not sure, for each standard deviation it lacks
BESIDE = 8.0       # two blobs of one height side by side in one lane
UNEVEN = 2.5       # a step that is no multiple of the others
NARROW = 12.0      # lanes nearer than their spots are wide, whole
ABREAST = 0.9      # of the usual spot's width: nearer, spots of two lanes would run together
# Of a sum of likelihoods, and mm between lanes: rounding, and so that nothing is divided by 0.
SAME_SCORE, NO_STEP = 1e-9, 1e-9


@dataclass(frozen=True)
class Evidence:
    """The evidence for lanes, in mm: blobs brought down to the origin line, and ticks.

    Attributes
    ----------
    u, sd : (b,) arrays
        Where each blob's lane would cross the origin line, and the scatter of that.
    strength : (b,) array
    large : (b,) bool array
        As large as a spot, and of no spot's skirt.
    beside : (b, b) bool array
        Blobs of one height, side by side: of two lanes.
    ticks, sure : (t,) arrays
        Place and standard deviations of each tick.
    wide : float
        Full width at half height of the usual blob.
    plate : float
        The plate's width.
    lean : float
        What all lanes lean by.
    names : (n,) array
        Middles of the names written under lanes.
    in_row : (n,) bool array
        The names that stand in a row with names under blobs.
    shared : (b,) array
        The evidence for a spot in each blob's height: nats, 0 for one no larger than a speck.
    across : (b,) array
        Full width at half height of each blob.
    """

    u: Floats
    sd: Floats
    strength: Floats
    large: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    beside: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    ticks: Floats
    sure: Floats
    wide: float
    plate: float
    lean: float = 0.0
    names: Floats = field(default_factory=lambda: np.zeros(0))
    in_row: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = field(
        default_factory=lambda: np.zeros(0, bool))
    shared: Floats = field(default_factory=lambda: np.zeros(1))
    across: Floats = field(default_factory=lambda: np.zeros(0))

    @cached_property
    def stray(self) -> Floats:
        """What each blob costs that lies off every lane, (b,)."""
        grown = np.maximum(self.strength - FOUND, 0.0) / STRAY_GROWS
        like = SPOT_LIKE * self.large * np.clip(
            (self.strength - FOUND) / SPOT_LIKE_OVER, 0.0, 1.0)
        # Beside strong spots a faint one may be an impurity of its lane, but hardly makes one.
        return np.asarray(np.minimum(
            STRAY + _firm(self.strength) * (grown + like) + self.shared, STRAY_MOST))

    @cached_property
    def leave(self) -> Floats:
        """What each tick costs that has no lane, (t,)."""
        return np.where(self.sure >= TICK_SURE, np.minimum(LEFT_SURE * self.sure, LEFT_MOST),
                        LEFT_FAINT * (self.sure - TICK_FOUND))


def weigh(
    blobs: tuple[Blob, ...], ticks: list[tuple[float, float]], layout: Layout,
    names: tuple[float, ...] = (),
) -> Evidence:
    """Return blobs, ticks and names as evidence, with the lean that the blobs share."""
    mm = layout.mm_per_unit
    x, y, wide, tall = (np.array([getattr(b, k) for b in blobs], float) * mm
                        for k in ("x", "y", "width", "height"))
    wide = wide / _ran_together(x, wide, ticks, mm)
    rise = y - layout.origin.at(x / mm) * mm
    beside = ((np.abs(y[:, None] - y) < LEVEL * (tall[:, None] + tall))
              & (np.abs(x[:, None] - x) > ASIDE * (wide[:, None] + wide)))
    sd = np.hypot(BLOB_MM, BLOB_SHARE * wide)
    lean = _shared_lean(x, rise, sd, np.array([t for t, _ in ticks]) * mm)
    strength = np.array([b.strength for b in blobs], float)
    middle = 0.5 * layout.width
    run = float(layout.front.at(middle) - layout.origin.at(middle)) * mm
    skirt = _of_skirts(blobs)
    firm = (strength > STRONG * strength.max() if blobs else np.zeros(0, bool)) & ~skirt
    usual, high = ((float(np.median(size[firm])) if firm.any() else 0.5 * USUAL_MM)
                   for size in (wide, tall))
    # Where a scan's dots per inch are wrong, its spots are as small as specks of others; sprayed
    # bands are as low as specks, but as wide as their lanes.
    large = ((wide > min(SPOT_MM, SPECK_SHARE * usual))
             & (tall > min(SPOT_MM, SPECK_SHARE * usual, SPECK_SHARE * high)) & ~skirt)
    u, written = x - lean * rise, np.sort(np.array(names, float)) * mm
    under = (np.abs(written[:, None] - u[strength >= STRONG * strength.max(initial=0.0)])
             < 2.0 * NAME_MM).any(axis=1)
    in_row = _in_row(written, under)
    enough = under.sum() >= 2 or in_row.sum() >= NAMES_ROW
    if not enough or (under | in_row).sum() < NAMES_KEPT * under.size:
        written, in_row = written[:0], in_row[:0]
    return Evidence(
        u, sd, strength, large, beside,
        np.array([t for t, _ in ticks], float) * mm,
        np.array([s for _, s in ticks], float),
        usual, layout.width * mm, lean, written, in_row,
        np.where(large, _shared_heights(u, rise, sd, _firm(strength), run), 0.0),
        wide,
    )


def _ran_together(x: Floats, wide: Floats, ticks: list[tuple[float, float]], mm: float) -> Floats:
    """Return how many spots, side by side, each blob is of: as many as sure ticks stand below it.

    Two may mark the ends of one band; it is 1 for fewer than `RUN_TOGETHER`.
    """
    sure = np.array([t for t, score in ticks if score >= TICK_SURE], float) * mm
    below = (np.abs(sure[:, None] - x) < 0.5 * wide).sum(axis=0)
    return np.where(below >= RUN_TOGETHER, below, 1).astype(float)


def _in_row(
    names: Floats, under: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which `names` (rising) stand in an even row with one that is `under` a blob, (n,)."""
    if names.size < NAMES_COUNT or not under.any():
        return np.zeros(names.size, bool)
    gaps = np.diff(names)
    steps = gaps / max(float(median(gaps)), NO_STEP)
    whole = np.rint(steps)
    even = (np.abs(steps - whole) <= NAME_STEP) & (whole >= 1) & (whole <= MOST_LEFT_OUT)
    row = np.concatenate([[0], np.cumsum(~even)])
    return np.isin(row, row[under])


def _of_skirts(blobs: tuple[Blob, ...]) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which blobs may be but the skirt of a far deeper one beside them, (b,)."""
    if not blobs:
        return np.zeros(0, bool)
    x, y, wide, tall = (np.array([getattr(b, k) for b in blobs], float)
                        for k in ("x", "y", "width", "height"))
    deep = np.array([np.abs(b.depth).max() for b in blobs])
    off = np.hypot((x[:, None] - x) / wide, (y[:, None] - y) / tall)
    return np.asarray(((off < SKIRT_WIDTHS) & (deep[:, None] < SKIRT_DEPTH * deep)).any(axis=1))


def _firm(strength: Floats) -> Floats:
    """Return how far each blob is to be believed beside the plate's usual one, from 0 to 1."""
    usual = float(np.quantile(strength, USUAL_QUANTILE)) if strength.size else 1.0
    return np.asarray(np.clip(strength / (FAINT_SHARE * usual), 0.0, 1.0) ** 2)


def _shared_heights(u: Floats, rise: Floats, sd: Floats, firm: Floats, run: float) -> Floats:
    """Return, in nats, how much likelier each blob's height is of a spot than of a speck.

    A spot's height is one of those in other lanes, give or take what spots scatter by; a speck's
    is any between the lines.
    """
    other = (np.abs(u[:, None] - u) > CLOSEST_MM) * firm
    scatter = np.hypot(sd[:, None], sd)
    near = np.exp(-0.5 * ((rise[:, None] - rise) / scatter) ** 2) / (scatter * np.sqrt(2 * np.pi))
    density = (near * other).sum(axis=1) / np.maximum(other.sum(axis=1), 1.0)
    gain = np.log(1.0 - SHARED + SHARED * density * run)
    return np.asarray(np.clip(gain, 0.0, SHARED_MOST))


def _shared_lean(x: Floats, rise: Floats, sd: Floats, ticks: Floats) -> float:
    """Return the lean at which blobs stand in columns, and over ticks, most sharply."""
    if x.size + ticks.size < 3 or x.size < 2:
        return 0.0
    best, most = 0.0, -np.inf
    for lean in np.linspace(-MOST_LEAN, MOST_LEAN, 25):
        u = x - lean * rise
        apart = np.abs(u[:, None] - u) / np.hypot(sd[:, None], sd)
        # Only blobs of different heights show a lean.
        apart_in_height = np.abs(rise[:, None] - rise) > RISE_MM
        score = 0.5 * float((np.exp(-0.5 * apart**2) * apart_in_height).sum())
        if ticks.size:
            score += float(np.exp(-0.5 * (np.abs(u[:, None] - ticks).min(axis=1) / sd) ** 2).sum())
        score -= 0.5 * (lean / LEAN_SD) ** 2
        if score > most + SAME_SCORE:
            best, most = float(lean), score
    return best


def cost(xs: list[float], seen: Evidence, empty: float = EMPTY) -> float:
    """Return what lanes at `xs` (mm, rising) leave unexplained, in nats.

    `empty` is the cost of a lane that nothing marks and nothing lies in.
    """
    lanes = np.array(xs)
    stray, leave = seen.stray, seen.leave
    if lanes.size == 0:
        return float(stray.sum() + leave.sum())
    total = 0.0
    held = np.zeros(lanes.size, int)
    if seen.u.size:
        distance = np.abs(seen.u[:, None] - lanes)
        to = distance.argmin(axis=1)
        off = 0.5 * (distance[np.arange(to.size), to] / seen.sd) ** 2
        explained = off < stray
        total += float(np.minimum(off, stray).sum())
        one = explained[:, None] & explained & (to[:, None] == to) & seen.beside
        total += 0.5 * BESIDE * float(one.sum())
        held = np.bincount(to[explained & seen.large], minlength=lanes.size)
    marked, sure, faint = np.zeros(lanes.size, bool), np.zeros(lanes.size, bool), 0.0
    if seen.ticks.size:
        apart = np.abs(seen.ticks[:, None] - lanes)
        own = apart.argmin(axis=0)
        near = apart[own, np.arange(lanes.size)]
        marked = near < TICK_REACH * TICK_MM
        sure = marked & (seen.sure[own] >= TICK_SURE)
        total += float(0.5 * np.square(near[marked] / TICK_MM).sum())
        free = np.ones(seen.ticks.size, bool)
        free[own[marked]] = False
        total += float(leave[free].sum())
        faint = FAINT * float(np.clip(TICK_SURE - seen.sure[own[marked]], 0.0, None).sum())
    with_name = _named(lanes, seen.names)
    if with_name.sum() >= NAMES_COUNT:  # a scratch on the line is no lane that a hand forgot
        total += LEFT_OUT * min(int((marked & ~with_name & (held == 0)).sum()), PARTLY)
    named = with_name & ~marked
    total += _names_cost(lanes, seen, named)
    rule = (LEFT_OUT if seen.names.size >= NAMES_COUNT else
            UNTICKED if (seen.sure >= TICK_SURE).sum() >= 2 else 0.0)
    total += MARKED * marked.sum() + faint
    bare = int((~marked & ~named).sum())
    total += NAMED * named.sum() + UNMARKED * bare + rule * min(bare, PARTLY)
    claimed = _named(lanes, seen.names[seen.in_row]) & ~marked & (held == 0)
    total += min(EMPTY_NAMED, empty) * float(claimed.sum())
    total += empty * float((~marked & (held == 0) & ~claimed).sum())
    if lanes.size > 1:
        gaps = np.diff(lanes)
        closest = max(CLOSEST_MM, ABREAST * seen.wide)
        total += float((NARROW * np.clip(1.0 - gaps / closest, 0.0, None)).sum())
        # Where two ticks are sure, a hand left that step between them.
        between = sure[:-1] & sure[1:]
        total += UNEVEN * float((_odd_steps(gaps) & ~between).sum())
        total -= IN_ROW * min(_in_step(gaps), bare)
    return float(total)


def _named(lanes: Floats, names: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which lanes have a name under them that is no nearer to another lane."""
    out = np.zeros(lanes.size, bool)
    if names.size:
        distance = np.abs(names[:, None] - lanes)
        to, near = distance.argmin(axis=1), distance.min(axis=1) < NAME_REACH * NAME_MM
        out[to[near]] = True
    return out


def _names_cost(lanes: Floats, seen: Evidence, named: np.ndarray[tuple[int, ...],
                np.dtype[np.bool_]]) -> float:
    """Return the cost of names beside their lanes, and of those without one."""
    if not seen.names.size:
        return 0.0
    distance = np.abs(seen.names[:, None] - lanes)
    off = 0.5 * np.square(distance[:, named].min(axis=0) / NAME_MM).sum() if named.any() else 0.0
    alone = distance.min(axis=1) >= NAME_REACH * NAME_MM
    return float(off + np.where(seen.in_row, LEFT_OUT, UNNAMED)[alone].sum())


def _odd_steps(gaps: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return which gaps are no multiple of the usual one; none where the row is not even."""
    steps = gaps / max(float(median(gaps)), NO_STEP)
    off = np.abs(steps - np.rint(steps))
    odd = (off > OFF_STEP) | (steps < SHORT_STEP)
    even = gaps.size >= 3 and float(
        ((off < EVEN_STEP) & (steps > SHORT_STEP)).mean()) > MOSTLY
    return odd if even else np.zeros(gaps.size, bool)


def _in_step(gaps: Floats) -> int:
    """Return how many lanes stand where the others' step puts them.

    Two lanes make a row's step and its start; places left out are allowed for.
    """
    counts = []
    for step in (float(median(gaps)), float(gaps.min())):
        steps = gaps / max(step, NO_STEP)
        whole = np.rint(steps)
        fits = (np.abs(steps - whole) <= OFF_STEP) & (whole >= 1) & (whole <= MOST_LEFT_OUT)
        counts.append(int(fits.sum()) - 1)
    return max(0, *counts)

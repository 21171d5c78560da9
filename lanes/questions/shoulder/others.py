"""What other spots of the plate show about one: its shape, and the width to expect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.stats import t as student

from lanes.confidence import BELOW_TWO_SIDED_95, MAD_SD, TWO_SIDED_95
from lanes.questions.shoulder.profile import AS_LONG_AS_WIDE, nearest_gaussian
from lanes.reading import LaneReading
from lanes.spots.cross_profile import cross_profile
from lanes.spots.robust_line import median_line
from lanes.spots.shape_doubt import learn_shapes
from lanes.spots.shape_terms import ASSUMED, LENGTH_PRIOR, ShapeDoubt

FEWEST_LONE = 4    # lone spots that can show a width and its scatter
NEAR_RF = 0.03     # of the spot itself
APART_RF = 0.05    # nearer spots do not show how widths grow
ALONE = 5.0        # sigmas to the next spot
SURE = 25.0        # standard deviations of area
PLAIN = 0.3        # tau over sigma: a tail hides the width
WIDTH_SD = 0.08    # of ln sigma: a neighbour's equals no better (common practice)


def shape_doubt(
    readings: tuple[LaneReading, ...], reading: LaneReading, group: tuple[int, ...]
) -> ShapeDoubt:
    """Return how far the plate's lone spots depart from Gaussians, the spot in question left out.

    What looks like worse shapes than are common may be pairs on the other lanes too: a plate can
    teach that its spots are better than assumed, not worse. A spot worse than that is met by the
    shapes that are held against two one by one, and by its own strips.

    Parameters
    ----------
    readings : tuple of LaneReading
    reading, group
        The lane in question, and the spot's components in it.
    """
    lanes = []
    for r in readings:
        trace = r.trace
        if r is reading:
            asked = np.zeros(trace.position.size, bool)
            for i in group:
                c = r.fit.components[i]
                asked |= np.abs(trace.position - c.centre) < c.spread
            trace = replace(trace, usable=trace.usable & ~asked)
        lanes.append((trace, r.trace.signal - r.background, r.fit, r.noise))
    found = learn_shapes(lanes)
    return replace(found, sds=np.minimum(found.sds, ASSUMED.sds))


def expected_width(
    readings: tuple[LaneReading, ...], reading: LaneReading, group: tuple[int, ...]
) -> tuple[float, float] | None:
    """Return the ln sigma that the plate's lone spots lead to expect of a spot, and its sd.

    ln(sigma) of lone spots is taken as linear in Rf (common practice: spots widen evenly as they
    run), its slope by Theil and Sen's median. The standard deviation is Student's, for so many
    spots. None with fewer than `FEWEST_LONE`.
    """
    parts = [reading.fit.components[i] for i in group]
    at = float(np.average([c.centre for c in parts], weights=[c.area for c in parts]))
    at /= reading.trace.run
    rfs, widths = [], []
    for r in readings:
        for i, c in enumerate(r.fit.components):
            own = r is reading and abs(c.centre / r.trace.run - at) < NEAR_RF
            if not own and _lone(r, i) and abs(c.tau) < PLAIN * c.sigma:
                rfs.append(c.centre / r.trace.run)
                widths.append(float(np.log(c.spread)))
    n = len(rfs)
    if n < FEWEST_LONE:
        return None
    x, y = np.array(rfs), np.array(widths)
    slope, level = median_line(x, y, APART_RF)
    scatter = MAD_SD * float(np.median(np.abs(y - slope * x - level)))
    widened = float(student.ppf(BELOW_TWO_SIDED_95, n - 2)) / TWO_SIDED_95 * np.sqrt(1.0 + 1.0 / n)
    return level + slope * at, max(scatter, WIDTH_SD) * float(widened)


def expected_length(
    readings: tuple[LaneReading, ...], reading: LaneReading, group: tuple[int, ...]
) -> tuple[float, float]:
    """Return the ln of a single spot's length over its width, and its standard deviation.

    As long as wide within `LENGTH_PRIOR`, which counts as one spot beside the plate's own lone
    ones. Pairs taken for one are longer: neither the middle nor the scatter may grow by them.
    Spots applied as lines are shorter than wide.

    Parameters
    ----------
    readings : tuple of LaneReading
    reading, group
        The lane in question, and the spot's components in it, which do not count.
    """
    found = []
    for r in readings:
        parts = r.fit.components
        for i, c in enumerate(parts):
            if r.trace.sheet is None or (r is reading and i in group) or not _lone(r, i):
                continue
            across = cross_profile(
                r.trace.sheet, r.trace.position, r.trace.usable, c.peak(),
                tuple(o.peak() for j, o in enumerate(parts) if j != i), band=np.inf)
            if across is not None:
                found.append(float(np.log(c.spread / nearest_gaussian(across))))
    if not found:
        return AS_LONG_AS_WIDE
    length = min(float(np.median(found)), 0.0)
    scatter = float(np.median(np.abs(np.array(found) - length))) * MAD_SD
    n = len(found)
    sd = np.sqrt((LENGTH_PRIOR**2 + n * scatter**2) / (1 + n))
    return length, min(float(sd), LENGTH_PRIOR)


def _lone(reading: LaneReading, i: int) -> bool:
    """Return whether a spot stands alone, and its area is sure."""
    parts, sd = reading.fit.components, reading.fit.sd(i, "area", noise_only=True)
    c = parts[i]
    alone = all(abs(c.centre - o.centre) > ALONE * max(c.spread, o.spread)
                for j, o in enumerate(parts) if j != i)
    return alone and sd is not None and c.area > SURE * sd

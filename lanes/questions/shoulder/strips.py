"""The spot across its lane: how far its strips differ in shape, and where each component lies.

Two components of one application make pictures of one outline at two places: every strip along
the lane then shows the same profile, at another height. A blotch, a ring or a crescent does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite import hermvander
from numpy.typing import NDArray
from scipy.special import factorial

from lanes.confidence import MAD_SD
from lanes.questions.shoulder.window import Window
from lanes.reading import LaneReading
from lanes.spots.shape_doubt import ShapeDoubt
from lanes.trace.noise import Noise

Floats = NDArray[np.float64]

ORDERS = 7           # Hermite functions along the lane, from the Gaussian itself on
ACROSS = 4           # polynomials across it: even, leaning, bent, wavy
OUTSIDE = 3.5        # sigmas from the spot from which strips show noise only
SAME_CENTRE = 0.25   # of the spot's half width across: two of one application agree so well
SAME_WIDTH = 0.20    # as ln of the widths' ratio (common practice)
SURE = 2.6           # standard deviations, 99 %
WEAK_STRIP = 0.02    # of the spot's amount: strips with less say nothing


@dataclass(frozen=True)
class Across:
    """Two components across the lane.

    Attributes
    ----------
    centre, centre_sd : float
        Of the smaller less that of the larger, in standard deviations of the larger's profile.
    width, width_sd : float
        ln of the smaller's width over the larger's.
    """

    centre: float
    centre_sd: float
    width: float
    width_sd: float

    @property
    def verdict(self) -> str:
        """"for" one outline at two places, "against" it, or "undecided"."""
        off = (abs(self.centre) > max(SAME_CENTRE, SURE * self.centre_sd)
               or abs(self.width) > max(SAME_WIDTH, SURE * self.width_sd))
        if off:
            return "against"
        sure = SURE * self.centre_sd < 2 * SAME_CENTRE and SURE * self.width_sd < 2 * SAME_WIDTH
        return "for" if sure else "undecided"


def roughness(reading: LaneReading, window: Window, doubt: ShapeDoubt) -> float:
    """Return by how much this spot is more misshapen than `doubt` says, at least 1.

    Every strip is resolved into Hermite functions; where they are not in one proportion over the
    strips, the spot's outline is no product of a profile along and one across. Those departures
    stand beside the one that the strips' sum holds, of the same kind and size.
    """
    strips = _strips(reading, window)
    if strips is None:
        return 1.0
    design = _hermite(window.z[window.usable])
    found, variance = _resolved(strips, design, window, reading.noise)
    total = float(found[0].sum())
    share = np.clip(found[0], 0.0, None) / max(total, 1e-300)
    keep = share > WEAK_STRIP
    if total <= 0 or keep.sum() <= ACROSS:
        return 1.0
    place = np.linspace(-1.0, 1.0, share.size)[keep]
    root = np.sqrt(share[keep])
    q = np.linalg.qr(np.vander(place, ACROSS, increasing=True) * root[:, None])[0]
    across = q / root[:, None]  # orthonormal under the spot's own profile
    sds = np.array([doubt.sds[0], doubt.sds[0], *doubt.sds])
    values = found[1:, keep] @ across[:, 1:] / total / sds[:, None]
    noise = (variance[1:, keep] @ across[:, 1:] ** 2) / total**2 / sds[:, None] ** 2
    # A spot that leans as its lane does is not misshapen.
    weight = 1.0 / (1.0 + noise) ** 2
    weight[0, 0] = 0.0
    scale = float(np.sum(weight * (values**2 - noise)) / max(float(weight.sum()), 1e-12))
    return float(np.sqrt(max(scale, 1.0)))


def across_lane(
    reading: LaneReading, window: Window, shapes: Floats, areas: Floats
) -> Across | None:
    """Return how two components lie across the lane, None for a trace without strips.

    Parameters
    ----------
    shapes : (2, m) array
        Each component along the window, of unit area.
    areas : (2,) array
    """
    strips = _strips(reading, window)
    if strips is None:
        return None
    design = np.stack([*shapes[:, window.usable]], axis=1)
    found, variance = _resolved(strips, design, window, reading.noise)
    if found.sum(axis=1).min() <= 0:
        return None
    place = np.linspace(-1.0, 1.0, found.shape[1])
    large, small = (0, 1) if areas[0] >= areas[1] else (1, 0)
    middle, wide, _, _ = _moments(place, found[large], variance[large])
    centre, width, centre_sd, width_sd = _moments(place, found[small], variance[small])
    if not (wide > 0 and width > 0):
        return Across(0.0, np.inf, 0.0, np.inf)
    return Across((centre - middle) / wide, centre_sd / wide, float(np.log(width / wide)),
                  width_sd / width)


def _moments(place: Floats, row: Floats, variance: Floats) -> tuple[float, float, float, float]:
    """Return mean and standard deviation of a profile, and the noise's of both."""
    total = float(row.sum())
    mean = float(row @ place) / total
    square = float(row @ (place - mean) ** 2) / total
    wide = float(np.sqrt(max(square, 0.0)))
    mean_sd = float(np.sqrt(variance @ (place - mean) ** 2)) / total
    square_sd = float(np.sqrt(variance @ ((place - mean) ** 2 - square) ** 2)) / total
    return mean, wide, mean_sd, square_sd / max(2.0 * wide, 1e-12)


def _strips(reading: LaneReading, window: Window) -> Floats | None:
    """Return the strips over the window's usable samples, (n, k), as signal x length."""
    trace = reading.trace
    if trace.strips is None or trace.across is None:
        return None
    first = int(np.searchsorted(trace.position, window.x[0] - 1e-9))
    step = float(trace.across[1] - trace.across[0])
    rows = trace.strips[first:first + window.x.size][window.usable] * step
    return np.asarray(rows, float)


def _hermite(z: Floats) -> Floats:
    k = np.arange(ORDERS)
    bell = np.exp(-0.5 * z * z)
    return np.asarray(hermvander(z, ORDERS - 1) / np.sqrt(2.0**k * factorial(k)) * bell[:, None])


def _resolved(
    strips: Floats, design: Floats, window: Window, noise: Noise
) -> tuple[Floats, Floats]:
    """Return each strip's amounts of the columns of `design`, (c, k), and their variances."""
    use = window.usable
    count = design.shape[1]
    columns = np.concatenate([design, window.columns[use]], axis=1)
    weight = 1.0 / window.gain[use]
    pull = np.linalg.pinv(columns * weight[:, None], rcond=1e-10) * weight
    found = pull @ strips
    rest = (strips - columns @ found)[np.abs(window.z[use]) > OUTSIDE]
    if len(rest) < 8:
        rest = strips - columns @ found
    sds = MAD_SD * np.median(np.abs(rest), axis=0)
    step = np.rint((window.x[use] - window.x[0]) / noise.pitch).astype(int)
    lag = np.abs(step[:, None] - step[None, :])
    acf = np.append(noise.local.autocorrelation, 0.0)
    correlation = acf[np.minimum(lag, acf.size - 1)]
    own = pull[:count] * window.gain[use]
    spread = np.clip(np.einsum("cn,nm,cm->c", own, correlation, own), 0.0, None)
    return found[:count], spread[:, None] * sds[None, :] ** 2

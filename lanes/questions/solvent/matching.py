"""Which spot is which substance on plates of one mixture run in different solvent mixtures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from lanes.rounding import TINY

Floats = NDArray[np.float64]
# By component: the place of its spot on each plate so far, SHARED added where others lie in it too.
Assignment = tuple[tuple[int, ...], ...]

MOST_SPOTS = 7  # on a plate: beyond it there are too many orders to compare
KEPT = 200  # partial assignments carried from plate to plate
SHARED = 1000  # added to a place that several components share
LEAST = 0.01  # probability below which an assignment is not listed

# What substances of one mixture have in common, as far as it decides who is who (common practice
# for the slopes' range; the spreads are choices, and wide).
SLOPES = np.linspace(-2.7, -0.6, 8)  # the mixture's mean slope of log k against log X
SLOPE_MEAN, SLOPE_MEAN_SD = -1.5, 0.6
SLOPE_SD = 0.35  # of one substance about that mean
PLATE_SD = 0.015  # of an Rf from plate to plate
SHARE_SD = 0.2  # of ln(area share): the law bends a share when its spot broadens
BREADTH_SD = 0.2  # of ln(width over what is usual at that Rf)
COLOUR_SD = 0.06  # of each channel's share of a spot's signal
FLAT_SD = 3.0  # decades of log k: wide enough for any intercept, and the same for all assignments
FALL_BEHIND = 12.0  # ln of the best partial assignment's probability over that of one still kept
UNSEEN = 0.005  # that a substance shows nowhere on a plate though it does on another


@dataclass(frozen=True)
class SpotTraits:
    """What a spot may be recognised by on another plate.

    Attributes
    ----------
    rf, rf_sd : float
    width : float
        Full width at half height as a share of the run.
    share : float
        Area over the plate's sum of areas.
    share_sd : float
        Standard deviation of ln(share).
    breadth : float
        ln(width over the usual width at that Rf).
    colour : tuple of float or None
        Each channel's share of the spot's signal; None where there is no colour.
    colour_sd : float
    """

    rf: float
    rf_sd: float
    width: float
    share: float
    share_sd: float
    breadth: float
    colour: tuple[float, ...] | None = None
    colour_sd: float = 0.0


@dataclass(frozen=True)
class Matching:
    """One way to assign spots to components, with its probability among all.

    `spots[p][j]` is the place of component j's spot on plate p, None where it shows nowhere. Two
    components with the same place run together there. Components are numbered by rising Rf on
    plate `reference`, where each has its own spot.
    """

    spots: tuple[tuple[int | None, ...], ...]
    probability: float
    reference: int

    def shared(self, plate: int, component: int) -> bool:
        """Return whether another component lies in the same spot."""
        place = self.spots[plate][component]
        return place is not None and self.spots[plate].count(place) > 1


def log_k(rf: float) -> float:
    """Return RM = log10((1 - Rf) / Rf), IUPAC, Pure Appl. Chem. 65, 819 (1993)."""
    return float(np.log10((1.0 - rf) / rf))


def log_k_sd(rf: float, rf_sd: float) -> float:
    """Return the standard deviation of log k that one of Rf amounts to, to first order."""
    return rf_sd / (rf * (1.0 - rf) * math.log(10))


def match(
    plates: Sequence[Sequence[SpotTraits]], fractions: Sequence[float], *, areas: bool = True
) -> tuple[Matching, ...]:
    """Return the assignments that plates of one mixture leave open, the likeliest first.

    Each component's log k is a line in log X (as in `retention`) whose slope is near that of the
    others and negative, so Rf rises with the stronger solvent; area shares, widths and colours
    stay alike. Every assignment's probability follows by Bayes' rule.

    Parameters
    ----------
    plates : sequence of sequences of SpotTraits
        1 to `MOST_SPOTS` spots each, in order of Rf within (0, 1).
    fractions : sequence of float
        Volume fraction of the stronger solvent of each plate.
    areas : bool
        Whether area shares can be compared (not between kinds of light).

    Returns
    -------
    tuple of Matching
        Those above `LEAST`; their probabilities sum to nearly one.
    """
    counts = [len(spots) for spots in plates]
    reference = counts.index(max(counts))
    log_x = np.log10(np.asarray(fractions, float))
    order = sorted((p for p in range(len(plates)) if p != reference),
                   key=lambda p: (abs(log_x[p] - log_x[reference]), p))
    rows = _Rows(plates, log_x, [reference, *order])
    paths: list[Assignment] = [tuple((j,) for j in range(counts[reference]))]
    weights = np.zeros((1, SLOPES.size)) + _mean_prior()
    for depth, p in enumerate(order, 1):
        paths, weights = _one_plate_more(
            rows, paths, weights, depth, plates[reference], plates[p], areas)
    totals = logsumexp(weights, axis=1)
    chances = np.exp(totals - logsumexp(totals))
    out = [Matching(_spots_of(path, [reference, *order], counts), float(chance), reference)
           for path, chance in zip(paths, chances, strict=True) if chance >= LEAST]
    return tuple(sorted(out, key=lambda m: -m.probability))


def _one_plate_more(
    rows: _Rows, paths: list[Assignment], weights: Floats, depth: int, known: Sequence[SpotTraits],
    spots: Sequence[SpotTraits], areas: bool,
) -> tuple[list[Assignment], Floats]:
    """Return the likeliest assignments grown by one plate's spots, and their weights by slope.

    Parameters
    ----------
    paths : list of Assignment
        The assignments so far, (h,), `weights` (h, slopes) theirs.
    depth : int
        The plate's place in `rows`.
    known, spots : sequence of SpotTraits
        The reference plate's spots, and the plate's own.
    """
    size, count = len(known), len(spots)
    maps = _maps(size, count)
    alike = _alike(maps, known, spots, areas)
    crowd = _crowd(maps, count)
    codes = maps + SHARED * (crowd > 0)
    grown: list[tuple[float, int, int, Floats]] = []
    for h, path in enumerate(paths):
        table = np.stack([rows.gains(path[j], depth, count) for j in range(size)])
        scores = weights[h] + alike[:, None]
        for j in range(size):
            scores = scores + table[j, maps[:, j], crowd[:, j]]
        totals = logsumexp(scores, axis=1)
        best = np.argsort(-totals, kind="stable")[:KEPT]
        grown += [(float(totals[m]), h, int(m), scores[m]) for m in best]
    grown.sort(key=lambda g: -g[0])
    grown = [g for g in grown[:KEPT] if g[0] > grown[0][0] - FALL_BEHIND]
    longer = [tuple((*paths[h][j], int(codes[m, j])) for j in range(size))
              for _, h, m, _ in grown]
    return longer, np.stack([g[3] for g in grown])


def _spots_of(
    path: Assignment, order: Sequence[int], counts: Sequence[int]
) -> tuple[tuple[int | None, ...], ...]:
    """Return the spots of an assignment by plate and component; None where one shows nowhere."""
    spots: list[tuple[int | None, ...]] = [() for _ in counts]
    for depth, p in enumerate(order):
        places = [of_component[depth] % SHARED for of_component in path]
        spots[p] = tuple(None if place == counts[p] else place for place in places)
    return tuple(spots)


def _mean_prior() -> Floats:
    z = (SLOPES - SLOPE_MEAN) / SLOPE_MEAN_SD
    return np.asarray(-0.5 * z**2 - logsumexp(-0.5 * z**2))


class _Rows:
    """Likelihood of one component's places on the plates under each mean slope."""

    def __init__(
        self, plates: Sequence[Sequence[SpotTraits]], log_x: Floats, order: list[int]
    ) -> None:
        self.plates, self.log_x, self.order = plates, log_x, order
        self.known: dict[tuple[int, ...], Floats] = {}

    def gains(self, path: tuple[int, ...], depth: int, count: int) -> Floats:
        """Return log-probabilities (place, how it is shared, mean slope) of the next place.

        The last place is none. Shared is 0 for a spot of one's own, 1 for the first of several
        in one spot, 2 for one that hides in it: the last adds no datum of its own, so what counts
        is the probability to lie within the spot.
        """
        out = np.full((count + 1, 3, SLOPES.size), np.log(UNSEEN))
        before = self._evidence(path)
        for s, spot in enumerate(self.plates[self.order[depth]]):
            out[s, 0] = self._evidence((*path, s)) - before
            out[s, 1] = self._evidence((*path, s + SHARED)) - before
            out[s, 2] = np.minimum(out[s, 1] + np.log(log_k_sd(spot.rf, spot.width)), 0.0)
        return out

    def _evidence(self, path: tuple[int, ...]) -> Floats:
        if path not in self.known:
            self.known[path] = self._work_out(path)
        return self.known[path]

    def _work_out(self, path: tuple[int, ...]) -> Floats:
        x, y, var = [], [], []
        for depth, code in enumerate(path):
            shared, place = divmod(code, SHARED)
            p = self.order[depth]
            if place >= len(self.plates[p]):
                continue
            spot = self.plates[p][place]
            sd = float(np.hypot(spot.rf_sd, PLATE_SD))
            if shared:
                sd = float(np.hypot(sd, 0.5 * spot.width))
            x.append(self.log_x[p])
            y.append(log_k(spot.rf))
            var.append(log_k_sd(spot.rf, sd) ** 2)
        l_x = np.array(x)
        cov = np.diag(var) + SLOPE_SD**2 * np.outer(l_x, l_x) + FLAT_SD**2
        rest = np.array(y)[:, None] - l_x[:, None] * SLOPES[None, :]
        _, log_det = np.linalg.slogdet(2.0 * np.pi * cov)
        chi = np.einsum("im,im->m", rest, np.linalg.solve(cov, rest))
        return np.asarray(-0.5 * (log_det + chi))


@lru_cache(maxsize=32)
def _maps(size: int, count: int) -> NDArray[np.intp]:
    """Return every map of `size` components onto `count` spots, (m, size); `count` is none.

    Every spot has a component. Components left over lie in another's spot or show nowhere; with
    more than two left over, of many, they show nowhere.
    """
    out: set[tuple[int, ...]] = set()
    spare = size - count
    options = range(count + 1) if spare <= 2 else (count,)
    for owners in permutations(range(size), count):
        left = [j for j in range(size) if j not in owners]
        for where in product(options, repeat=spare):
            row = [count] * size
            for s, j in enumerate(owners):
                row[j] = s
            for j, s in zip(left, where, strict=True):
                row[j] = s
            out.add(tuple(row))
    return np.array(sorted(out), np.intp).reshape(len(out), size)


def _crowd(maps: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """Return 0 where a component has its spot alone, 1 for the first of several, 2 for the rest."""
    same = (maps[:, :, None] == maps[:, None, :]) & (maps[:, :, None] < count)
    many = same.sum(axis=2) > 1
    earlier = np.tril(np.ones(same.shape[1:], bool), -1)
    return np.asarray(many.astype(np.intp) + (many & (same & earlier).any(axis=2)))


def _alike(
    maps: NDArray[np.intp], known: Sequence[SpotTraits], spots: Sequence[SpotTraits], areas: bool
) -> Floats:
    """Return how well shares, widths and colours agree with the reference plate's, (m,)."""
    count = len(spots)
    held = (maps[:, :, None] == np.arange(count)).astype(float)  # (m, component, spot)
    ours = np.array([k.share for k in known])
    alone = held.sum(axis=1) == 1
    out = np.zeros(len(maps))
    if areas and len(known) > 1:
        joint = np.einsum("mjs,j->ms", held, ours)
        joint = joint / joint.sum(axis=1, keepdims=True)
        own = np.array([k.share_sd for k in known])
        # A sum of shares is known no worse than its least known part.
        sd2 = (SHARE_SD**2 + np.array([s.share_sd**2 for s in spots])
               + np.max(held * own[None, :, None], axis=1) ** 2)
        apart = np.log(np.array([s.share for s in spots]) / joint)
        out += _normal(apart, sd2).sum(axis=1)
    breadth = np.einsum("mjs,j->ms", held, [k.breadth for k in known])
    theirs = np.array([s.breadth for s in spots])
    # How broad a spot of several is can't be predicted: an even chance.
    wide = _normal(theirs - breadth, np.full(breadth.shape, 2 * BREADTH_SD**2))
    out += np.where(alone, wide, _normal(np.zeros(1), np.full(1, 4 * BREADTH_SD**2))).sum(axis=1)
    if all(s.colour is not None for s in (*known, *spots)):
        a = np.array([k.colour for k in known])
        b = np.array([s.colour for s in spots])
        # Of several in one spot, the signals add up.
        part = held * ours[None, :, None]
        part = part / np.maximum(part.sum(axis=1, keepdims=True), TINY)
        joined = np.einsum("mjs,jc->msc", part, a)
        sd2 = (COLOUR_SD**2 + max(k.colour_sd for k in known) ** 2
               + np.array([s.colour_sd for s in spots])[None, :] ** 2)
        # Shares sum to one: two of the three differ freely.
        out += _normal(joined[..., :2] - b[None, :, :2], sd2[:, :, None]).sum(axis=(1, 2))
    return out


def _normal(apart: Floats, variance: Floats) -> Floats:
    return np.asarray(-0.5 * (apart**2 / variance + np.log(2.0 * np.pi * variance)))

"""Spots known to be of one substance in several lanes: how well Rf repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lanes.reading import LaneReading

CLEAR = 0.05   # Rf to any other spot that was applied, for a match to be beyond doubt
MATCHED = 0.03  # Rf within which the matching spot is looked for
CLUSTER = 0.012  # Rf between neighbours of one cluster
AT_LINES = ("at-origin", "at-front")

Group = list[tuple[float, float]]


def fit_sd(reading: LaneReading, index: int) -> float | None:
    """Return the standard deviation of a spot's Rf by the fit alone, the lines' left out."""
    sd = reading.fit.sd(index, "centre", noise_only=True)
    return None if sd is None else sd / reading.trace.run


def at_line(reading: LaneReading, index: int) -> bool:
    """Return whether a spot sits on the origin or runs with the front: any substance may."""
    return any(f.name in AT_LINES for f in reading.spots[index].flags)


def shared(
    mixtures: Mapping[str, Sequence[LaneReading]], cospots: Mapping[str, LaneReading],
    rest: Sequence[LaneReading],
) -> list[Group]:
    """Return differences in Rf of spots that are of one substance, by pairs of lanes.

    A co-spot lane shares with each part what no other part has near: those spots are of one
    substance whatever the answer to the question. In lanes that are not asked about, a spot that
    stands at one place in three or more is taken for one substance.

    Parameters
    ----------
    mixtures : mapping
        For each co-spot lane, the readings of what was applied there.
    cospots : mapping
    rest : sequence of LaneReading
        Lanes that play no part in the question.

    Returns
    -------
    list of lists of (difference, variance by the fits)
    """
    out: list[Group] = []
    for name, parts in mixtures.items():
        mixed = cospots[name]
        for part in parts:
            others = [s.rf for p in parts if p is not part for s in p.spots]
            out.append(_matched(part, mixed, others))
    out += _clusters(rest)
    return [group for group in out if group]


def _matched(part: LaneReading, mixed: LaneReading, others: Sequence[float]) -> Group:
    own = [s.rf for s in part.spots]
    group = []
    for i, rf in enumerate(own):
        if at_line(part, i) or any(abs(rf - other) < CLEAR for other in others):
            continue
        j = min(range(len(mixed.spots)), key=lambda j: abs(mixed.spots[j].rf - rf), default=None)
        if j is None or abs(mixed.spots[j].rf - rf) > MATCHED:
            continue
        if min(own, key=lambda r: abs(r - mixed.spots[j].rf)) != rf:
            continue
        sds = fit_sd(part, i), fit_sd(mixed, j)
        if sds[0] is not None and sds[1] is not None:
            group.append((mixed.spots[j].rf - rf, sds[0] ** 2 + sds[1] ** 2))
    return group


def _clusters(rest: Sequence[LaneReading]) -> list[Group]:
    """Return neighbours in lane order of every cluster of three or more lanes."""
    seen = sorted(
        (s.rf, k, sd) for k, lane in enumerate(rest) for i, s in enumerate(lane.spots)
        if not at_line(lane, i) and (sd := fit_sd(lane, i)) is not None)
    clusters: list[list[tuple[float, int, float]]] = []
    for spot in seen:
        if clusters and spot[0] - clusters[-1][-1][0] < CLUSTER:
            clusters[-1].append(spot)
        else:
            clusters.append([spot])
    out: dict[tuple[int, int], Group] = {}
    for cluster in clusters:
        lanes = [k for _, k, _ in cluster]
        if len(set(lanes)) != len(lanes) or len(lanes) < 3:
            continue
        ordered = sorted(cluster, key=lambda spot: spot[1])
        # Each lane once: pairs that share none are independent.
        for (a, i, a_sd), (b, j, b_sd) in zip(ordered[::2], ordered[1::2], strict=False):
            out.setdefault((i, j), []).append((a - b, a_sd**2 + b_sd**2))
    return list(out.values())

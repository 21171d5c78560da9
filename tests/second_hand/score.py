"""Judge a reading against a drawing's truth.

Lanes are matched by where they lie in the picture; a reading without scale says no such place,
and its lanes are then matched in their order, as well as they can be. Spots match within 0.03 in
Rf. Two spots of resolution under 0.8 may show one maximum only: they form a group, of which one at
least must be reported, at any Rf between them.

Lost in silence: the command ended well, a visible spot (see `visibility.py`) is not reported, and
no flag of its lane or of the reading says that something may be unread. A `merged` flag says so of
its own neighbourhood only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .truth import TrueLane, TrueSpot, Truth
from .visibility import MIN_CONTRAST_TO_NOISE, is_visible

RF_TOLERANCE = 0.03
GROUP_BELOW = (
    0.8  # resolution: two equal Gaussians show no valley under 0.59, 1 to 4 none under 0.8
)

# Flags that warn their reader: a spot may be there and not reported, or the whole reading be wrong.
SAYS_UNREAD = {
    "outside-lanes": "something lies outside the lanes",
    "fit-poor": "the fit leaves something over",
    "clipped": "the picture lost light",
    "upside-down": "the plate may be upside down",
    "spot-unread": "something stands out in a lane and is reported as no spot",
    "outline-doubtful": "the plate's edges, and so its lanes, may be elsewhere",
    "sideways": "the plate may lie sideways: no lane need be one",
}
# Flags that say only weak spots may be missing.
SAYS_WEAK_UNREAD = {"compressed", "few-levels"}
SAYS = re.compile(
    r"unread|not read|may be missed|not reported|outside the lanes|upside|second plate"
)
WEAK = 2 * MIN_CONTRAST_TO_NOISE
MERGED_REACH = 0.08  # in Rf, how far a merged spot's flag warns of a neighbour: one spot's width


@dataclass(frozen=True)
class Verdict:
    """What became of one picture.

    Attributes
    ----------
    right : bool
        Expected to be read: all lanes and all visible spots there, nothing else. Expected to be in
        doubt: refused, or flagged as unread, or right all the same.
    lanes_right, spots_right : bool
        Every lane with visible spots found once and none where there is none; every visible spot
        (one of each group) reported and none false.
    visible, reported, true, lost, false : int
        Visible spots (a group counts once); spots reported; visible ones reported; visible ones not
        reported; reported ones that match nothing.
    split : int
        Of the false ones, those within a width at half height of a true spot: parts of it.
    lost_in_silence : int
        See above.
    rf_errors : tuple of float
        Reported less true, of matched single spots.
    note : str
        Why not right.
    """

    right: bool
    refused: bool
    lanes_right: bool
    spots_right: bool
    visible: int
    reported: int
    true: int
    lost: int
    false: int
    split: int
    lost_in_silence: int
    rf_errors: tuple[float, ...]
    note: str


def score(truth: Truth, results: dict | None, refusal: str = "") -> Verdict:
    """Return the verdict on `results` (a parsed results.json), or on a refusal (None)."""
    if results is None:
        visible = sum(len(_groups_seen(lane)) for lane in truth.lanes)
        right = truth.expects == "doubt"
        return Verdict(
            right,
            True,
            right,
            right,
            visible,
            0,
            0,
            visible,
            0,
            0,
            0,
            (),
            "" if right else f"refused: {refusal}",
        )
    best = _against(truth, truth.lanes, results)
    if truth.other_plate:  # a reading of the other plate is as good
        other = _against(truth, truth.other_plate, results)
        best = max(best, other, key=lambda v: (v.right, v.true - v.false - v.lost))
    return best


def says_unread(flags: Sequence[dict], weak: bool = False) -> bool:
    """Return whether a flag says that a spot may be unread (a weak one, where `weak`)."""
    return any(
        f["name"] in SAYS_UNREAD
        or (weak and f["name"] in SAYS_WEAK_UNREAD)
        or SAYS.search(f.get("message", ""))
        for f in flags
    )


def _beside_merged(group: Sequence[TrueSpot], reported: Sequence[dict]) -> bool:
    """Return whether a reported spot near the group says that it may hold more than one."""
    return any(
        abs(s["rf"] - group[0].rf) <= MERGED_REACH
        and any(f["name"] == "merged" for f in s.get("flags", []))
        for s in reported
    )


def _is_part(lane: TrueLane, rf: float) -> bool:
    """Return whether `rf` lies within a true spot of the lane, a width at half height about it."""
    run = lane.front_mm - lane.origin_mm
    return any(abs(rf - s.rf) <= s.width_mm / run for s in lane.spots)


def _groups(lane: TrueLane) -> list[list[TrueSpot]]:
    """Return the lane's spots, those that can't be parted together."""
    out: list[list[TrueSpot]] = []
    for i, spot in enumerate(lane.spots):
        if i and lane.pairs[i - 1].resolution < GROUP_BELOW:
            out[-1].append(spot)
        else:
            out.append([spot])
    return out


def _groups_seen(lane: TrueLane) -> list[list[TrueSpot]]:
    return [g for g in _groups(lane) if any(is_visible(s) for s in g)]


def _match(lane: TrueLane, rfs: Sequence[float]) -> list[tuple[int, int]]:
    """Return pairs (group, reported spot), nearest first; a group takes as many as it has spots."""
    groups = _groups(lane)
    near = []
    for g, group in enumerate(groups):
        low, high = group[0].rf, group[-1].rf
        for i, rf in enumerate(rfs):
            off = max(low - rf, rf - high, 0.0)
            if off <= RF_TOLERANCE:
                near.append((off, g, i))
    room = [len(g) for g in groups]
    taken, out = set(), []
    for _, g, i in sorted(near):
        if room[g] and i not in taken:
            room[g] -= 1
            taken.add(i)
            out.append((g, i))
    return out


def _pair_lanes(truth: Truth, lanes: Sequence[TrueLane], results: dict) -> dict[int, int]:
    """Return which reported lane is which true lane: {true: reported}."""
    found = results["lanes"]
    if results["layout"].get("width_mm") and all(x.get("x_mm") is not None for x in found):
        options = [_by_place(lanes, results, view) for view in _views(truth, results["scan"])]
        gain = [
            sum(_gain(lanes[t], found[f]) for t, f in o.items()) + 0.1 * len(o) for o in options
        ]
        return options[int(np.argmax(gain))]
    return _by_order(lanes, found)


def _views(truth: Truth, scan: dict):
    """Yield what may take the reading's pixels to the picture's: a reader may have turned it."""
    from .scene import turn_points

    size = (scan["height_px"], scan["width_px"])
    wide, high = truth.size_px
    for turns in range(4):
        if (size if turns % 2 == 0 else size[::-1]) == (high, wide):
            yield lambda px, turns=turns: turn_points(px, turns, size)


def _gain(lane: TrueLane, reported: dict) -> float:
    return len(_match(lane, [s["rf"] for s in reported["spots"]]))


def _by_place(lanes: Sequence[TrueLane], results: dict, view) -> dict[int, int]:
    from .scene import _homography

    layout = results["layout"]
    w, h = layout["width_mm"], layout["height_mm"]
    matrix = _homography(
        np.array([[0, 0], [w, 0], [w, h], [0, h]], float), view(np.array(layout["corners_px"]))
    )
    middle = (layout["origin_mm"] + layout["front_mm"]) / 2
    ends = np.array([[lane.origin_px, lane.front_px] for lane in lanes], float)
    mids = ends.mean(axis=1)
    apart = np.linalg.norm(np.diff(mids, axis=0), axis=1)
    run = np.linalg.norm(ends[0, 1] - ends[0, 0])
    limit = 0.45 * float(apart.min()) if len(apart) else 0.1 * run
    near = []
    for f, reported in enumerate(results["lanes"]):
        p = matrix @ [reported["x_mm"], middle, 1.0]
        for t, (a, b) in enumerate(ends):
            along = (b - a) / np.linalg.norm(b - a)
            off = p[:2] / p[2] - a
            near.append((abs(float(along[0] * off[1] - along[1] * off[0])), t, f))
    out: dict[int, int] = {}
    for off, t, f in sorted(near):
        if off <= limit and t not in out and f not in out.values():
            out[t] = f
    return out


def _by_order(lanes: Sequence[TrueLane], found: list[dict]) -> dict[int, int]:
    """Return the pairing that keeps the order and matches most spots, then most lanes."""
    n, m = len(lanes), len(found)
    best = np.zeros((n + 1, m + 1))
    for t in range(1, n + 1):
        for f in range(1, m + 1):
            gain = 1 + 10 * _gain(lanes[t - 1], found[f - 1])
            best[t, f] = max(best[t - 1, f], best[t, f - 1], best[t - 1, f - 1] + gain)
    out, t, f = {}, n, m
    while t and f:
        if best[t, f] == best[t - 1, f]:
            t -= 1
        elif best[t, f] == best[t, f - 1]:
            f -= 1
        else:
            t, f = t - 1, f - 1
            out[t] = f
    return out


def _against(truth: Truth, lanes: Sequence[TrueLane], results: dict) -> Verdict:
    found, pairing = results["lanes"], _pair_lanes(truth, lanes, results)
    of_reading = results.get("flags", [])
    visible = true = lost = false = split = silent = 0
    errors: list[float] = []
    missing, extra = [], []
    for t, lane in enumerate(lanes):
        reported = found[pairing[t]] if t in pairing else {"spots": [], "flags": []}
        rfs = [s["rf"] for s in reported["spots"]]
        matches, groups = _match(lane, rfs), _groups(lane)
        hit = {g for g, _ in matches}
        errors += [rfs[i] - groups[g][0].rf for g, i in matches if len(groups[g]) == 1]
        unmatched = [rf for i, rf in enumerate(rfs) if i not in {i for _, i in matches}]
        flags = [*reported.get("flags", []), *of_reading]
        for g, group in enumerate(groups):
            if not any(is_visible(s) for s in group):
                continue
            visible += 1
            if g in hit:
                true += 1
                continue
            lost += 1
            weak = max(s.contrast_to_noise for s in group) < WEAK
            silent += not (says_unread(flags, weak) or _beside_merged(group, reported["spots"]))
            missing.append(f"{lane.name}:{group[0].rf:.2f}")
        false += len(unmatched)
        split += sum(_is_part(lane, rf) for rf in unmatched)
        extra += [f"{lane.name}:{rf:.2f}" for rf in unmatched]
    stray = [x for f, x in enumerate(found) if f not in pairing.values()]
    for x in stray:
        false += len(x["spots"])
        extra += [f"?:{s['rf']:.2f}" for s in x["spots"]]
    needed = {t for t, lane in enumerate(lanes) if _groups_seen(lane)}
    lanes_right = needed <= set(pairing) and not stray
    spots_right = lost == 0 and false == 0
    right = lanes_right and spots_right
    if truth.expects == "doubt":
        right = right or says_unread([*of_reading, *(f for x in found for f in x.get("flags", []))])
    note = "; ".join(
        ([f"{len(needed - set(pairing))} lanes missing"] if needed - set(pairing) else [])
        + ([f"{len(stray)} lanes too many"] if stray else [])
        + (["lost " + " ".join(missing)] if missing else [])
        + (["false " + " ".join(extra)] if extra else [])
    )
    reported_count = sum(len(x["spots"]) for x in found)
    return Verdict(
        right,
        False,
        lanes_right,
        spots_right,
        visible,
        reported_count,
        true,
        lost,
        false,
        split,
        silent,
        tuple(errors),
        "" if right else note or "not in doubt",
    )

"""A reading held against the truth of the plate it was drawn from."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import lanes
from lanes.draw import PlateSpec, draw, save

TOLERANCE = 0.03


@dataclass
class Score:
    """Counts and errors over any number of plates."""

    refused: list[str] = field(default_factory=list)
    lanes: int = 0
    true_lanes: int = 0
    hit: int = 0
    true: int = 0
    found: int = 0
    rf: list[float] = field(default_factory=list)
    percent: list[float] = field(default_factory=list)
    resolution: list[float] = field(default_factory=list)
    rf_z: list[float] = field(default_factory=list)
    percent_z: list[float] = field(default_factory=list)
    resolution_z: list[float] = field(default_factory=list)
    sds: dict[str, list[float]] = field(
        default_factory=lambda: {"Rf": [], "area percent": [], "resolution": []})

    def halves(self) -> str:
        """Return the median half-widths of the 95 % intervals."""
        return ", ".join(f"{name} {1.96 * np.median(found):.3g}"
                         for name, found in self.sds.items() if found)

    def line(self, name: str) -> str:
        def q(values: list[float], at: float) -> float:
            return float(np.quantile(np.abs(values), at)) if values else float("nan")

        def cover(z: list[float]) -> float:
            return float(np.mean(np.abs(z) < 1.96)) if z else float("nan")

        return (
            f"{name:11s} refused {len(self.refused)} lanes {self.lanes}/{self.true_lanes} "
            f"recall {self.hit / max(1, self.true):.3f} precision "
            f"{self.hit / max(1, self.found):.3f} dRf {q(self.rf, .5):.4f} {q(self.rf, .95):.4f} "
            f"d% {q(self.percent, .5):.2f} {q(self.percent, .95):.2f} dRs "
            f"{q(self.resolution, .5):.3f} {q(self.resolution, .95):.3f} cover "
            f"{cover(self.rf_z):.2f} {cover(self.percent_z):.2f} {cover(self.resolution_z):.2f}"
        )

    def __iadd__(self, other: Score) -> Score:
        for name, value in vars(other).items():
            if name != "sds":
                setattr(self, name, getattr(self, name) + value)
        self.sds = {name: [*found, *other.sds[name]] for name, found in self.sds.items()}
        return self


def read(spec: PlateSpec, folder: Path, suffix: str = ".png", **choices: Any) -> lanes.Reading:
    """Draw `spec`, read it from its file with no options but the light, and return the reading."""
    path = folder / f"plate{suffix}"
    for old in (path, path.with_suffix(".json")):
        old.unlink(missing_ok=True)
    save(draw(spec), path)
    if not spec.pencil:
        choices = {"origin": spec.origin, "front": spec.front, **choices}
    if spec.keystone:
        choices = {"plate_width": spec.width, "plate_height": spec.height, **choices}
    return lanes.measure(path, light=spec.light, picture=False, **choices)


def score(spec: PlateSpec, folder: Path, **choices: Any) -> Score:
    """Draw, read and score one plate."""
    truth = draw(spec).truth
    out = Score(true_lanes=len(truth["lanes"]),
                true=sum(len(t["spots"]) for t in truth["lanes"]))
    try:
        reading = read(spec, folder, **choices)
    except lanes.LanesError as error:
        out.refused.append(str(error))
        return out
    return compare(reading, truth, out)


def compare(reading: lanes.Reading, truth: dict[str, Any], out: Score) -> Score:
    out.lanes = len(reading.lanes)
    out.found = sum(len(lane.spots) for lane in reading.lanes)
    for t in truth["lanes"]:
        near = [lane for lane in reading.lanes
                if lane.x_mm is not None and abs(lane.x_mm - t["x"]) < 3.5]
        if not near:
            continue
        lane = min(near, key=lambda r: abs((r.x_mm or 0.0) - t["x"]))
        match = matched([s.rf for s in lane.spots], [s["rf"] for s in t["spots"]])
        out.hit += len(match)
        whole = len(match) == len(t["spots"]) == len(lane.spots)
        for j, i in match.items():
            found, true = lane.spots[i], t["spots"][j]
            out.rf.append(found.rf - true["rf"])
            out.percent.append(found.area_percent - true["percent"])
            if found.rf_sd:
                out.rf_z.append(out.rf[-1] / found.rf_sd)
                out.sds["Rf"].append(found.rf_sd)
            if found.area_percent_sd and whole and len(match) > 1:
                out.percent_z.append(out.percent[-1] / found.area_percent_sd)
                out.sds["area percent"].append(found.area_percent_sd)
        for j, p in enumerate(t["pairs"]):
            if j in match and j + 1 in match and match[j + 1] == match[j] + 1:
                both = lane.pairs[match[j]]
                if both.resolution is None:
                    continue
                out.resolution.append(both.resolution / p["resolution"] - 1)
                if both.resolution_sd:
                    out.resolution_z.append(
                        (both.resolution - p["resolution"]) / both.resolution_sd)
                    out.sds["resolution"].append(both.resolution_sd)
    return out


def matched(found: list[float], true: list[float]) -> dict[int, int]:
    """Return pairs true -> found within 0.03 Rf, the nearest first."""
    ranked = sorted((abs(f - t), i, j) for i, f in enumerate(found) for j, t in enumerate(true))
    used: set[int] = set()
    out: dict[int, int] = {}
    for error, i, j in ranked:
        if error <= TOLERANCE and i not in used and j not in out:
            out[j] = i
            used.add(i)
    return out

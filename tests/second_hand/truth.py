"""What a drawing holds, in millimetres of the plate and in pixels of the picture."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

Point = tuple[float, float]  # (column, row) of the picture as shown; pixel centres are integers


@dataclass(frozen=True)
class TrueSpot:
    """One drawn spot.

    Attributes
    ----------
    rf, rf_mean : float
        Of the apex (middle of what exceeds 90 % of the greatest signal summed across the lane)
        and of the centre of mass, both along the lane.
    position_mm, x_mm : float
        Apex above the lane's origin, and from the plate's left edge.
    picture_px : Point
        The apex in the picture.
    width_mm, across_mm : float
        Full width at half height along the run (measured) and across it (as drawn).
    areas : dict
        Signal x mm^2 of this spot alone for "red", "green" and "blue", under `law`.
    shares : dict
        Per cent of the lane's signal in each of those channels.
    channel, share_percent : str, float
        "all" where the shares agree in every channel within 0.1 %, otherwise the channel in which
        the lane has most signal; the share in it.
    colour : tuple of int
        sRGB at the apex before the camera.
    contrast, contrast_to_noise : float
        Measured in the finished picture (see `visibility.py`): levels of 255, and in units of the
        scatter of the same figure over clean layer.
    covered : bool
        Something (a glove) lies over it.
    """

    rf: float
    rf_mean: float
    position_mm: float
    x_mm: float
    picture_px: Point
    width_mm: float
    across_mm: float
    areas: dict[str, float]
    shares: dict[str, float]
    law: str
    channel: str
    share_percent: float
    colour: tuple[int, int, int]
    shape: str
    contrast: float = 0.0
    contrast_to_noise: float = 0.0
    covered: bool = False


@dataclass(frozen=True)
class TruePair:
    """Neighbours of a lane; resolution is 1.18 (x2 - x1) / (wh1 + wh2)."""

    lower: int
    upper: int
    resolution: float


@dataclass(frozen=True)
class TrueLane:
    """One lane, its line of travel from `origin_px` to `front_px` in the picture."""

    name: str
    x_mm: float
    origin_mm: float
    front_mm: float
    origin_px: Point
    front_px: Point
    spots: tuple[TrueSpot, ...]
    pairs: tuple[TruePair, ...]


@dataclass(frozen=True)
class Truth:
    """Everything known of one picture.

    Attributes
    ----------
    width_mm, height_mm : float or None
        The plate; None where there is no plate in the picture.
    has_scale : bool
        The file states dots per inch that hold for the plate.
    origin_px, front_px : tuple of Point
        From left to right edge of the plate, in the picture.
    origin_marks, front_marks : str
        How each line is shown ("line", "dots", "left", "none" ...).
    orientation : str
        "upright", "upside-down", "sideways-left" (the run goes to the left) or "sideways-right".
    corners_px : tuple of Point
        Lower left, lower right, upper right and upper left corner of the plate as it was run.
    expects : str
        "read", or "doubt" where no one could read it in full: flags or a refusal are then right.
    why_doubt : str
        The reason, empty for "read".
    """

    kind: str
    seed: int
    light: str
    law: str
    width_mm: float | None
    height_mm: float | None
    has_scale: bool
    dpi: float | None
    file_format: str
    quality: int | None
    subsampling: int
    exif_orientation: int
    size_px: tuple[int, int]
    orientation: str
    corners_px: tuple[Point, ...]
    origin_px: tuple[Point, ...]
    front_px: tuple[Point, ...]
    origin_marks: str
    front_marks: str
    lanes: tuple[TrueLane, ...]
    other_plate: tuple[TrueLane, ...]
    also_drawn: tuple[str, ...]
    expects: str
    why_doubt: str

    def to_json(self) -> str:
        """Return the truth as indented JSON."""
        return json.dumps(asdict(self), indent=1)

    @staticmethod
    def read(path: Path) -> Truth:
        """Return the truth kept in a JSON file."""
        return from_dict(json.loads(Path(path).read_text()))


def _point(value: list[float]) -> Point:
    return (float(value[0]), float(value[1]))


def _lane(value: dict) -> TrueLane:
    spots = tuple(
        TrueSpot(**{**s, "picture_px": _point(s["picture_px"]), "colour": tuple(s["colour"])})
        for s in value["spots"]
    )
    pairs = tuple(TruePair(**p) for p in value["pairs"])
    ends = {k: _point(value[k]) for k in ("origin_px", "front_px")}
    return TrueLane(**{**value, **ends, "spots": spots, "pairs": pairs})


def from_dict(value: dict) -> Truth:
    """Return the Truth a parsed JSON file holds."""
    points = {
        k: tuple(_point(p) for p in value[k]) for k in ("corners_px", "origin_px", "front_px")
    }
    lanes = {k: tuple(_lane(v) for v in value[k]) for k in ("lanes", "other_plate")}
    rest = {"size_px": tuple(value["size_px"]), "also_drawn": tuple(value["also_drawn"])}
    return Truth(**{**value, **points, **lanes, **rest})

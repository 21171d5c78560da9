"""What one plate's record says in a line, and plates.json, which holds it for all of them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from lanes import __version__
from lanes.many.ledger import Done

_LIGHTS = {"white": "white light", "254": "254 nm", "366": "366 nm"}


@dataclass(frozen=True)
class Summary:
    """A plate that was read. `flags` counts each flag on the plate, its lanes and its spots."""

    folder: str
    file: str
    sha256: str
    light: str | None
    law: str | None
    channel: str | None
    lanes: int
    spots: int
    flags: Mapping[str, int]
    copy_of: str | None

    @property
    def headline(self) -> str:
        """The reading in a few words."""
        parts = [counted(self.lanes, "lane"), counted(self.spots, "spot"),
                 _LIGHTS.get(self.light or "", "")]
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True)
class Failure:
    """A plate that could not be read, and why, in one line."""

    folder: str
    file: str
    error: str


def counted(number: int, thing: str) -> str:
    """Return a count in words.

    >>> counted(0, "lane"), counted(1, "lane"), counted(2, "lane")
    ('no lanes', '1 lane', '2 lanes')
    """
    return f"{number or 'no'} {thing}{'' if number == 1 else 's'}"


def read_record(out: Path, folder: str) -> dict[str, Any]:
    """Return the content of a plate's results.json."""
    values: dict[str, Any] = json.loads((out / folder / "results.json").read_bytes())
    return values


def summary(done: Done, record: Mapping[str, Any], copy_of: str | None) -> Summary:
    """Return the summary of a plate; `copy_of` names another with the same scan."""
    flags = [flag["name"] for flag in record["flags"]]
    for lane in record["lanes"]:
        flags += [flag["name"] for flag in lane["flags"]]
        flags += [flag["name"] for spot in lane["spots"] for flag in spot["flags"]]
    return Summary(
        done.folder, done.file, done.sha256, record["light"], record["law"], record["channel"],
        len(record["lanes"]), sum(len(lane["spots"]) for lane in record["lanes"]),
        dict(sorted(Counter(flags).items())), copy_of,
    )


def plates_json(plates: Sequence[Summary], failed: Iterable[Failure]) -> bytes:
    """Return plates.json: the same plates and settings give the same bytes."""
    values = {"schema": 1, "version": __version__, "plates": [asdict(one) for one in plates],
              "failed": [asdict(one) for one in failed]}
    return (json.dumps(values, ensure_ascii=False, indent=1) + "\n").encode("utf-8")

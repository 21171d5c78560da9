"""Draw pictures: python -m tests.second_hand --kind KIND|all --seeds 0:5 --out DIR."""

from __future__ import annotations

import argparse
from pathlib import Path

from .drawing import write
from .kinds import KINDS


def seeds_of(text: str) -> range:
    """Return the seeds "A:B" means, B left out."""
    first, _, last = text.partition(":")
    return range(int(first), int(last) if last else int(first) + 1)


def kinds_of(text: str) -> list[str]:
    """Return the kinds named in "all" or "A,B"."""
    names = list(KINDS) if text == "all" else text.split(",")
    unknown = [n for n in names if n not in KINDS]
    if unknown:
        raise SystemExit(f"no kind {unknown[0]}; there are {', '.join(KINDS)}")
    return names


def main() -> None:
    parser = argparse.ArgumentParser(description="Draw plates of known contents.")
    parser.add_argument("--kind", default="all", help="all, or names with commas between")
    parser.add_argument("--seeds", default="0:1", help="FIRST:END, END left out")
    parser.add_argument("--out", required=True, type=Path)
    given = parser.parse_args()
    for kind in kinds_of(given.kind):
        for seed in seeds_of(given.seeds):
            path, truth = write(kind, seed, given.out)
            print(path, truth.light, truth.expects)


if __name__ == "__main__":
    main()

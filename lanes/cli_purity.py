"""The subcommand `lanes purity`: its own arguments, and its answer printed and written."""

from __future__ import annotations

import argparse
import sys

from lanes.errors import InputError
from lanes.settings import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what only this question needs; the plate's own options are added by the caller."""
    parser.add_argument("plate", help="image of the plate")
    parser.add_argument("--lane", required=True, metavar="NAME", help="the sample's lane")
    parser.add_argument("--main", type=float, metavar="RF",
                        help="Rf of the main spot (the largest)")
    parser.add_argument("--limit-lane", action="append", default=[], metavar="NAME=PERCENT",
                        help="a reference lane, and the percent of the sample its spot stands for")
    parser.add_argument("--out", metavar="DIR", help="folder to write record, picture, page to")
    parser.add_argument("--json", action="store_true", help="print purity.json instead of words")


def run(arguments: argparse.Namespace, settings: Settings) -> None:
    """Answer, print the short answer first, and write the folder where one is asked for."""
    limits = limit_lanes(arguments.limit_lane)
    if arguments.out is not None:
        from lanes.output.folder import refuse_existing

        refuse_existing(arguments.out)
    from lanes.answers.purity import purity
    from lanes.output.purity_page import purity_json, purity_text, write_purity

    answer = purity(arguments.plate, arguments.lane, settings, main=arguments.main, limits=limits)
    if arguments.out is not None:
        from pathlib import PurePath

        write_purity(answer, arguments.out, PurePath(arguments.plate).name, settings)
    if arguments.json:
        sys.stdout.write(purity_json(answer).decode("utf-8"))
    else:
        sys.stdout.write(purity_text(answer))
        if arguments.out is not None:
            print(f"\nwritten to {arguments.out}: open purity.html")


def limit_lanes(given: list[str]) -> dict[str, float]:
    """Return lane names and percents from NAME=PERCENT, each."""
    out: dict[str, float] = {}
    for text in given:
        name, mark, number = text.rpartition("=")
        try:
            percent = float(number)
        except ValueError:
            percent = float("nan")
        if not mark or not name or not 0.0 < percent <= 100.0:
            raise InputError(f"--limit-lane {text}: give NAME=PERCENT, a percent from 0 to 100")
        if name in out:
            raise InputError(f"--limit-lane {name} stands twice: give each lane once")
        out[name] = percent
    return out

"""`lanes purity`: how pure is it?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError
from lanes.options import named_numbers, plate_options, settings_from
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "how pure is it, and what would have been missed?"
DESCRIPTION = ("Ask how large the main spot's share of a lane is, and how small another spot\n"
               "would have been missed.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", help="image of the plate")
    parser.add_argument("--lane", metavar="NAME",
                        help="the sample's lane (not needed where there is one)")
    parser.add_argument("--main", type=float, metavar="RF",
                        help="Rf of the main spot (the largest)")
    parser.add_argument("--limit-lane", action="append", default=[], metavar="NAME=PERCENT",
                        help="a reference lane, and the percent of the sample its spot stands "
                        "for; may be repeated, or take several with commas between")
    output_options(parser, "purity")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    limits = limit_lanes(arguments.limit_lane)
    refuse_early(arguments, arguments.plate)
    from lanes.questions.purity.answer import purity
    from lanes.questions.purity.page import render_purity

    answer = purity(arguments.plate, arguments.lane, settings, main=arguments.main, limits=limits)
    deliver(arguments, render_purity(answer, Path(arguments.plate).name, settings))


def limit_lanes(texts: list[str]) -> dict[str, float]:
    """Return lane names and percents from NAME=PERCENT, each."""
    out = named_numbers("--limit-lane", ",".join(texts), "PERCENT") if texts else {}
    for name, percent in out.items():
        if not 0.0 < percent <= 100.0:
            raise InputError(f"--limit-lane {name}={percent:g}: give NAME=PERCENT, from 0 to 100")
    return out

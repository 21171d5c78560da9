"""`lanes shoulder`: is a spot one component or two?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.options import plate_options, settings_from
from lanes.report.deliver import deliver, output_options, progress, refuse_early

HELP = "is a spot one component or two?"
DESCRIPTION = ("Ask of one spot whether it is one component or two: one, two or cannot tell,\n"
               "with error rates from the plate's own noise.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", help="image of the plate, or CSV of distance and signal")
    parser.add_argument("--lane", metavar="NAME",
                        help="the spot's lane; not needed where there is one, as in a CSV")
    parser.add_argument("--rf", type=float, metavar="RF", help="the spot (the lane's strongest)")
    parser.add_argument("--shape-from", metavar="LANE",
                        help="a lane whose strongest spot is one component: its shape is held "
                        "against two")
    parser.add_argument("--bootstraps", type=int, metavar="N",
                        help="traces drawn for each p-value (400)")
    parser.add_argument("--seed", type=int, metavar="N", help="of those traces (fixed)")
    output_options(parser, "shoulder")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    refuse_early(arguments, arguments.plate)
    from lanes.questions.shoulder.answer import BOOTSTRAPS, SEED, shoulder
    from lanes.questions.shoulder.page import render_shoulder

    answer = shoulder(
        arguments.plate, settings, arguments.lane, rf=arguments.rf,
        shape_from=arguments.shape_from,
        bootstraps=BOOTSTRAPS if arguments.bootstraps is None else arguments.bootstraps,
        seed=SEED if arguments.seed is None else arguments.seed, progress=progress("drawn"),
    )
    deliver(arguments, render_shoulder(answer, Path(arguments.plate).name, settings))

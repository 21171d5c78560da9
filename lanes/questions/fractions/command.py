"""`lanes fractions`: which fractions to pool?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError, one_line
from lanes.options import (
    number_or_none,
    numbers,
    plate_options,
    settings_from,
    words,
)
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "which fractions to pool for the most target at a purity?"
DESCRIPTION = ("Say how much of each fraction's lane the target is, and which neighbouring\n"
               "fractions to pool for the most target at the purity asked for.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", nargs="+", help="images of the plates, lanes one after another")
    parser.add_argument("--target", required=True, metavar="RF",
                        help="Rf of the wanted spot")
    parser.add_argument("--purity", required=True, metavar="PERCENT",
                        help="area percent that the pool has to reach, such as 95")
    parser.add_argument("--volumes", metavar="V1,V2,...",
                        help="volume of each fraction (all alike)")
    parser.add_argument("--fractions", metavar="A,B,...",
                        help="the fractions' lanes in order of elution (from left to right, those\n"
                        'without a role and those whose role is "fraction")')
    output_options(parser, "fractions")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    target = _number("--target", arguments.target, "the Rf of the wanted spot, such as 0.45")
    share = arguments.purity.strip()
    purity = _number("--purity", share.removesuffix("%"), "a percent such as 95")
    volumes = None if arguments.volumes is None else numbers("--volumes", arguments.volumes)
    names = words(arguments.fractions) or None
    if arguments.fractions is not None and names is None:
        raise InputError("--fractions: give the names of lanes with commas between")
    refuse_early(arguments, *arguments.plate)
    from lanes.questions.fractions.answer import fractions
    from lanes.questions.fractions.page import render_fractions

    answer = fractions(arguments.plate, target, purity, settings, names=names,
                       volumes=volumes)
    files = ", ".join(Path(plate).name for plate in arguments.plate)
    deliver(arguments, render_fractions(answer, files, settings))


def _number(option: str, text: str, what: str) -> float:
    value = number_or_none(text.strip())
    if value is None:
        raise InputError(f"{option} {one_line(text)!r} is no number: give {what}")
    return value

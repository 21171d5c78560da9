"""`lanes amount`: how much is in it?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError
from lanes.options import named_numbers, plate_options, settings_from, words
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "how much is in it, by standards on the same plate?"
DESCRIPTION = ("Read amounts off a calibration by standards on the same plate, each with its 95 %\n"
               "interval.")
CURVES = ("auto", "line", "quadratic", "power", "saturation")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", help="image of the plate")
    parser.add_argument("--standards", metavar="LANE=AMOUNT,...",
                        help="standards' lanes and amounts, 0 for a blank (amounts in --settings)")
    parser.add_argument("--unknown", metavar="LANE,...",
                        help="samples' lanes, A+B for one sample in two (all with such a spot)")
    parser.add_argument("--rf", type=float, metavar="RF",
                        help="Rf of the spot (the largest of the largest standard)")
    parser.add_argument("--unit", metavar="WORD", help="the amounts' unit, to be printed")
    parser.add_argument("--curve", choices=CURVES, default="auto",
                        help="form of the calibration (by AICc)")
    parser.add_argument("--dilution", metavar="LANE=FACTOR,...",
                        help="how many times a sample was diluted before it was applied")
    output_options(parser, "amount")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    standards = dilution = None
    if arguments.standards is not None:
        standards = named_numbers("--standards", arguments.standards, "AMOUNT")
    if arguments.dilution is not None:
        dilution = named_numbers("--dilution", arguments.dilution, "FACTOR")
    unknowns = None
    if arguments.unknown is not None:
        unknowns = words(arguments.unknown)
        if not unknowns:
            raise InputError("--unknown names no lane: give LANE,LANE,...")
    unit = arguments.unit
    if unit is not None and not (unit.strip() and unit.isprintable() and len(unit) <= 12):
        raise InputError(f"--unit {unit!r} can't be used: give up to 12 printable characters")
    refuse_early(arguments, arguments.plate)
    from lanes.questions.amount.answer import amount
    from lanes.questions.amount.page import render_amount

    answer = amount(arguments.plate, settings, standards=standards, unknowns=unknowns,
                    rf=arguments.rf, unit=unit, curve=arguments.curve, dilution=dilution)
    deliver(arguments, render_amount(answer, Path(arguments.plate).name, settings))

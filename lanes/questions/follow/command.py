"""`lanes follow`: how far is the reaction, and how fast?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError, one_line
from lanes.options import named_numbers, number_or_none, plate_options, settings_from
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "how far is the reaction, and how fast?"
DESCRIPTION = ("Follow the spots of one reaction over lanes taken at several times: shares,\n"
               "conversion, intermediates, and a first-order rate where the series is one.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", nargs="+", help="images of the plates, lanes one after another")
    parser.add_argument("--times", metavar="T1,T2,...|NAME=T,...",
                        help="time of each lane, blank for one to leave out; or of lanes by name\n"
                        "(the times in settings.toml)")
    parser.add_argument("--unit", default="min", metavar="WORD", help="of the times (min)")
    parser.add_argument("--start", type=float, metavar="RF",
                        help="the starting material (the first lane's largest spot)")
    parser.add_argument("--product", type=float, metavar="RF",
                        help="the product (the largest spot that grows)")
    parser.add_argument("--reference", type=float, metavar="RF",
                        help="an internal reference of constant amount: shares are taken over it\n"
                        "(over the lane's total)")
    output_options(parser, "follow")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    times = times_from(arguments.times)
    unit = arguments.unit.strip()
    if not unit or not unit.isprintable() or len(unit) > 20:
        raise InputError("--unit: give a short word such as min or h")
    refuse_early(arguments, *arguments.plate)
    from lanes.questions.follow.answer import follow
    from lanes.questions.follow.page import render_follow

    answer = follow(arguments.plate, times, settings, unit=unit, start=arguments.start,
                    product=arguments.product, reference=arguments.reference)
    files = ", ".join(Path(plate).name for plate in arguments.plate)
    deliver(arguments, render_follow(answer, files, settings))


def times_from(text: str | None) -> tuple[float | None, ...] | dict[str, float] | None:
    """Return the times in `text`: by lane in order, None where blank, or by name."""
    from lanes.questions.follow.times import check_time

    if text is None:
        return None
    if "=" in text:
        named = named_numbers("--times", text, "TIME")
        for time in named.values():
            check_time(time)
        return named
    out: list[float | None] = []
    for part in text.split(","):
        value = number_or_none(part.strip())
        if value is None and part.strip():
            raise InputError(f"--times {one_line(part.strip())!r} is not a time: give numbers with "
                             "commas between, or NAME=TIME")
        out.append(value)
    for value in out:
        if value is not None:
            check_time(value)
    return tuple(out)

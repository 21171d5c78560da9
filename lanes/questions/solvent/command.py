"""`lanes solvent`: which solvent mixture separates this sample best?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError, one_line
from lanes.options import number_or_none, plate_options, settings_from
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "which solvent mixture separates this sample best?"
DESCRIPTION = ("Ask which mixture of two solvents to take, from plates of the same sample run in\n"
               "two or more mixtures; of one plate, whether to go weaker or stronger.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plates", nargs="+", metavar="PLATE=FRACTION",
                        help="image of a plate, and the stronger solvent's share by volume "
                        "(0.3 or 30%%); FRACTION may be left out of a single plate")
    parser.add_argument("--lane", metavar="NAME",
                        help="the sample's lane, on every plate (the one with the most spots)")
    parser.add_argument("--weak", metavar="SOLVENT", help="name of the weaker solvent")
    parser.add_argument("--strong", metavar="SOLVENT", help="name of the stronger solvent")
    parser.add_argument("--target-rf", type=float, metavar="RF",
                        help="the Rf wanted before a column (0.3)")
    output_options(parser, "solvent")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    plates = plates_and_fractions(arguments.plates)
    names = [_word(option, getattr(arguments, option)) for option in ("weak", "strong")]
    settings = settings_from(arguments)
    refuse_early(arguments, *(path for path, _ in plates))
    from lanes.questions.solvent.answer import solvent
    from lanes.questions.solvent.page import render_solvent

    wanted = {} if arguments.target_rf is None else {"target_rf": arguments.target_rf}
    answer = solvent([(path, fraction) for path, fraction in plates], settings,
                     lane=arguments.lane, weak=names[0], strong=names[1], **wanted)
    deliver(arguments, render_solvent(answer, settings))


def plates_and_fractions(texts: list[str]) -> list[tuple[str, float | None]]:
    """Return paths and fractions from PLATE=FRACTION each, the fraction None where left out.

    Raises
    ------
    InputError
        If a fraction is not a number above 0 and up to 1 (or 100 %), or a plate stands twice.
    """
    out: list[tuple[str, float | None]] = []
    for text in texts:
        path, mark, number = text.rpartition("=")
        if not mark or (Path(text).is_file() and not Path(path).is_file()):
            out.append((text, None))
            continue
        share = number.strip()
        value = number_or_none(share.removesuffix("%"))
        if value is not None and share.endswith("%"):
            value /= 100.0
        if not path or value is None:
            raise InputError(f"{one_line(text)}: give PLATE=FRACTION, the stronger solvent's share "
                             "by volume, such as 0.3 or 30%")
        if value == 0.0:
            raise InputError(f"{one_line(text)}: without any stronger solvent log X has no value; "
                             "give a plate of a mixture")
        if not 0.0 < value <= 1.0:
            raise InputError(f"{one_line(text)}: {share} is no share by volume; give a fraction "
                             "above 0 and up to 1, or a percentage such as 30%")
        out.append((path, value))
    for i, (path, _) in enumerate(out):
        if path in [other for other, _ in out[:i]]:
            raise InputError(f"{one_line(path)} stands twice: give each plate once")
    return out


def _word(option: str, texts: str | None) -> str | None:
    if texts is not None and not one_line(texts):
        raise InputError(f"--{option} is empty: give the solvent's name")
    return None if texts is None else one_line(texts)

"""The command: arguments in, tables out. No science here."""

from __future__ import annotations

import argparse
import io
import os
import re
import signal
import sys
from collections.abc import Sequence
from functools import cache
from importlib import import_module
from typing import Any, NoReturn

from lanes.commands import draw, explain, measure, page
from lanes.errors import (
    STOPPED,
    STOPPED_LINE,
    InputError,
    LanesError,
    OutputError,
    one_line,
)
from lanes.questions import QUESTIONS
from lanes.report.deliver import MEASURES
from lanes.report.digits import rf_decimals

EXAMPLES = """\
examples:
  lanes measure plate.png --out reading        find everything, write tables, pictures, report
  lanes measure uv.jpg --light 254             a plate under 254 nm, table only
  lanes measure bands.tif --origin 8 --front 80 --names S1,S2,T1
                                               a plate without pencil: heights in mm
  lanes measure trace.csv --origin 0 --front 75
                                               a trace of two columns, distance and signal
  lanes measure A.png B.png scans/ --out all   many plates: a folder each, one table, one index
  lanes shoulder plate.png --lane 2 --rf 0.4   is that spot one component or two?
  lanes purity plate.png --lane 2 --limit-lane 1=0.5
                                               how pure is it? every other spot against lane 1's
  lanes compare plate.png --unknown U --reference A --cospot U+A=C
                                               is the unknown the reference's substance?
  lanes follow plate.png --times 0,5,15,30,60  how far is the reaction, and how fast?
  lanes fractions plate.png --target 0.4 --purity 95
                                               which fractions to pool for the most of it?
  lanes amount plate.png --standards S1=0.5,S2=1,S3=2,S4=4 --unit ug
                                               how much is in every other lane?
  lanes solvent a.png=15% b.png=30% --out mix  which solvent mixture separates this sample?
  lanes page plate.png                         look at it, put it right by hand, ask
  lanes draw plate.toml --out plate.png        a plate of known contents, with its truth
  lanes explain merged                         what a remark means, and what to do

Results are estimates from one scan: area percent is not mass percent, and nothing here is
validated for release, clinical or forensic decisions.
"""

# What argparse finds wrong, in its own words, and what is printed instead.
_FAULTS = (
    (r"the following arguments are required: (.+)", r"\1 is missing"),
    (r"unrecognized arguments: ([^-].*)", r"\1 comes too late: plates stand before the options"),
    (r"unrecognized arguments: (.+)", r"\1 is not an option here"),
    (r"argument (\S+): expected one argument", r"\1 needs one value after it"),
    (r"argument (\S+): expected 4 arguments",
     r"\1 takes four points: give x,y of each in pixels of the picture, blanks between"),
    (r"argument (\S+): expected (?:at least one argument|\d+ arguments)",
     r"\1 needs more values after it"),
    (r"argument (\S+): invalid float value: (.+)", r"\1 \2 is not a number"),
    (r"argument (\S+): invalid \w+ value: (.+)", r"\1 \2 is not a whole number"),
    (r"argument COMMAND: invalid choice: ('[^']*'|\S+) \(choose from (.+)\)",
     r"\1 is not a command: give one of \2"),
    (r"argument (\S+): invalid choice: ('[^']*'|\S+) \(choose from (.+)\)",
     r"\1 \2 is unknown: give one of \3"),
)


class _Parser(argparse.ArgumentParser):
    def __init__(self, *arguments: Any, **options: Any) -> None:
        # --spot for --spots would hold today, and mean two things once there is an option more.
        super().__init__(*arguments, **{**options, "allow_abbrev": False})
        # -5,10 is a value as -5 is: no option starts with a digit.
        self._negative_number_matcher = re.compile(r"-\.?\d")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Refuse what is left over here, so that the message names this command's own help."""
        known, rest = super().parse_known_args(args, namespace)
        if rest:
            words = sys.argv[1:] if args is None else args
            if not any(word.startswith("-") for word in words):
                self.error(f"{rest[0]} is one too many")
            self.error(f"unrecognized arguments: {' '.join(rest)}")
        return known, rest

    def error(self, message: str) -> NoReturn:
        for pattern, ours in _FAULTS:
            found = re.fullmatch(pattern, message, re.DOTALL)
            if found is not None:
                # Versions of Python differ in whether choices stand in quotation marks.
                message = found.expand(ours).replace("'", "")
                break
        raise InputError(f"{message}: see {self.prog} --help")


COMMANDS: dict[str, Any] = {
    "measure": measure,
    **{name: import_module(f"lanes.questions.{name}.command") for name in QUESTIONS},
    "page": page,
    "draw": draw,
    "explain": explain,
}


@cache  # `main` may be called many times, and making it takes some milliseconds
def _parser() -> argparse.ArgumentParser:
    plain = argparse.RawDescriptionHelpFormatter
    parser = _Parser(
        prog="lanes", formatter_class=plain, epilog=EXAMPLES,
        description="Reads a scan of a thin-layer plate: which spots each lane holds, their Rf, "
        "area\npercent and resolution, each with its uncertainty.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for name, module in COMMANDS.items():
        one = commands.add_parser(name, help=module.HELP, description=module.DESCRIPTION,
                                  formatter_class=plain,
                                  epilog=None if module in (draw, page, explain) else MEASURES)
        module.add_arguments(one)
    return parser


def _picture_of(error: LanesError, arguments: argparse.Namespace) -> str:
    """Draw a plate that was refused where --out asks for a folder; return words on where it is."""
    out = getattr(arguments, "out", None)
    if error.refused is None or not out or getattr(arguments, "no_figures", False):
        return ""
    from lanes.report.unread import leave_unread

    path = leave_unread(out, *error.refused, one_line(error))
    return "" if path is None else f"; see {one_line(path)}"


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code.

    0 done, 1 done but for plates of many, 2 can't, 130 stopped from the keyboard.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that lacks a character shows a question mark rather than a traceback.
        sys.stdout.reconfigure(errors="replace")
    # The matrices here are small: threads only wait for each other, a hundredfold where the
    # processors are busy, and would let the last digit hang on how many there are.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    code: int | None = None
    arguments = argparse.Namespace()
    try:
        arguments = _parser().parse_args(argv)
        arguments.words = list(sys.argv[1:] if argv is None else argv)
        plates = getattr(arguments, "plate", [])
        if "" in ([plates] if isinstance(plates, str) else plates):
            raise InputError("a plate's name is empty: give the path of a picture")
        if arguments.version:
            from lanes import __version__

            print(f"lanes {__version__}")
        elif arguments.command is None:
            _parser().print_help()
        else:
            with rf_decimals(getattr(arguments, "digits", None)):
                code = COMMANDS[arguments.command].run(arguments)
        sys.stdout.flush()
    except LanesError as error:
        print(f"lanes: {one_line(error)}{_picture_of(error, arguments)}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        if argv is None:  # the process's own command line: it ends here, and once more is no news
            signal.signal(signal.SIGINT, signal.SIG_IGN)
        print(STOPPED_LINE, file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        # The reader of a pipe (head, less) closed it: that is not an error of ours.
        sys.stdout = None
        return 0
    except MemoryError:
        print("lanes: not enough memory for this image: scan at fewer dots per inch",
              file=sys.stderr)
        return 2
    except OSError as error:
        problem = OutputError(f"can't read or write: {error.strerror or error}")
        print(f"lanes: {one_line(problem)}: check the disk and the folder", file=sys.stderr)
        return 2
    return code or 0

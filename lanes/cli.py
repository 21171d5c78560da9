"""The command: arguments in, tables out. No science here."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

from lanes import cli_purity
from lanes.errors import InputError, LanesError, OutputError, one_line
from lanes.settings import BACKGROUNDS, CHANNELS, JOINTS, LAWS, LIGHTS, Settings, from_mapping

EXAMPLES = """\
examples:
  lanes measure plate.png --out reading        find everything, write tables, pictures, report
  lanes measure uv.jpg --light 254             a plate under 254 nm, table only
  lanes measure bands.tif --origin 8 --front 80 --names S1,S2,T1
                                               a plate without pencil: heights in mm
  lanes measure trace.csv --origin 0 --front 75
                                               a trace of two columns, distance and signal
  lanes shoulder plate.png --lane 2 --rf 0.4   is that spot one component or two?
  lanes purity plate.png --lane 2 --limit-lane 1=0.5
                                               how pure is it? every other spot against lane 1's
  lanes draw plate.toml --out plate.png        a plate of known contents, with its truth

Results are estimates from one scan: area percent is not mass percent, and nothing here is
validated for release, clinical or forensic decisions.
"""

MEASURE_EXAMPLES = """\
Heights count from the plate's lower edge, x from its left edge, in mm (in pixels where the scan
has no scale). What is not given is looked for; what can't be found with confidence is asked for.
"""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise InputError(f"{message}: see {self.prog} --help")


def _parser() -> argparse.ArgumentParser:
    plain = argparse.RawDescriptionHelpFormatter
    parser = _Parser(
        prog="lanes", formatter_class=plain, epilog=EXAMPLES,
        description="Reads a scan of a thin-layer plate: which spots each lane holds, their Rf, "
        "area\npercent and resolution, each with its uncertainty.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    m = commands.add_parser("measure", help="read a plate's scan, or a trace",
                            formatter_class=plain, epilog=MEASURE_EXAMPLES,
                            description="Read a plate's scan (PNG, TIFF, JPEG, BMP, WebP) or a "
                            "trace (CSV).")
    m.add_argument("plate", help="image of the plate, or CSV of distance and signal")
    m.add_argument("--out", metavar="DIR", help="folder to write tables, pictures and report to")
    m.add_argument("--force", action="store_true",
                   help="replace DIR where an earlier reading made it")
    m.add_argument("--json", action="store_true", help="print results.json instead of a table")
    m.add_argument("--no-figures", action="store_true", help="write no pictures")
    _plate_options(m)

    q = commands.add_parser("shoulder", help="is a spot one component or two?",
                            formatter_class=plain, epilog=MEASURE_EXAMPLES,
                            description="Ask of one spot whether it is one component or two: "
                            "one, two or cannot tell,\nwith error rates from the plate's own "
                            "noise.")
    q.add_argument("plate", help="image of the plate, or CSV of distance and signal")
    q.add_argument("--lane", required=True, metavar="NAME", help="the spot's lane")
    q.add_argument("--rf", type=float, metavar="RF", help="the spot (the lane's strongest)")
    q.add_argument("--shape-from", metavar="LANE",
                   help="a lane whose strongest spot is one component: its shape is held "
                   "against two")
    q.add_argument("--bootstraps", type=int, metavar="N",
                   help="traces drawn for each p-value (400)")
    q.add_argument("--seed", type=int, metavar="N", help="of those traces (fixed)")
    q.add_argument("--out", metavar="DIR", help="folder to write figure, page and JSON to")
    q.add_argument("--json", action="store_true", help="print shoulder.json instead of words")
    _plate_options(q)

    u = commands.add_parser("purity", help="how pure is it?",
                            formatter_class=plain, epilog=MEASURE_EXAMPLES,
                            description="Ask how large the main spot's share of a lane is, and "
                            "how small another spot\nwould have been missed.")
    cli_purity.add_arguments(u)
    _plate_options(u)

    d = commands.add_parser("draw", help="draw a plate of known contents", formatter_class=plain,
                            description="Draw a plate from a description, and its truth beside it "
                            "as JSON.")
    d.add_argument("spec", help="TOML file that describes the plate")
    d.add_argument("--out", required=True, metavar="IMAGE",
                   help="image to write (.png, .tif, .jpg)")
    return parser


def _plate_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how a plate is read: every command that reads one has them."""
    parser.add_argument("--settings", metavar="FILE",
                   help="settings.toml of an earlier reading; options given here come on top")
    light = parser.add_argument_group("light")
    light.add_argument("--light", choices=LIGHTS, help="what lit the plate (auto)")
    light.add_argument("--law", choices=LAWS, help="from light to signal (by the light)")
    light.add_argument("--channel", choices=CHANNELS, help="colour read (best contrast to noise)")
    light.add_argument("--transfer", metavar="CURVE",
                       help="how codes map to light: auto, srgb, linear or a power")
    place = parser.add_argument_group("place")
    place.add_argument("--origin", type=float, metavar="MM", help="height of the origin line")
    place.add_argument("--front", type=float, metavar="MM", help="height of the solvent front")
    place.add_argument("--lanes", metavar="N|X1,X2,...", help="how many lanes, or the x of each")
    place.add_argument("--names", metavar="A,B,...", help="the lanes' names from left to right")
    place.add_argument("--roles", metavar="A,B,...", help="the lanes' roles, free words")
    place.add_argument("--lane-width", type=float, metavar="MM", help="width integrated")
    place.add_argument("--plate-width", type=float, metavar="MM", help="the plate's true width")
    place.add_argument("--plate-height", type=float, metavar="MM", help="the plate's true height")
    place.add_argument("--dpi", type=float, metavar="N", help="dots per inch of the scan")
    place.add_argument("--turn", type=int, metavar="DEG",
                       help="turn the image by 90, 180 or 270 degrees, counter-clockwise")
    fit = parser.add_argument_group("fit")
    fit.add_argument("--background", choices=BACKGROUNDS,
                     help="what lies under the spots (layer: the clean layer beside the lane)")
    fit.add_argument("--joint", choices=JOINTS, help="low-order term fitted with the spots")
    fit.add_argument("--components", type=int, metavar="N",
                     help="spots in each lane, where that is known")


CHOICES = ("light", "law", "channel", "transfer", "origin", "front", "lane_width", "plate_width",
           "plate_height", "dpi", "turn", "background", "joint", "components")


def settings_from(arguments: argparse.Namespace) -> Settings:
    """Return the settings that the command line asks for."""
    start = None
    if arguments.settings:
        from lanes.settings import read_settings

        start = read_settings(arguments.settings)
    values: dict[str, Any] = {
        name: getattr(arguments, name) for name in CHOICES if getattr(arguments, name) is not None
    }
    if arguments.lanes is not None:
        values["lanes"] = _lanes(arguments.lanes)
    for name in ("names", "roles"):
        text = getattr(arguments, name)
        if text is not None:
            values[name] = tuple(part.strip() for part in text.split(","))
    return from_mapping(values, start)


def _lanes(text: str) -> int | tuple[float, ...]:
    try:
        if "," not in text and "." not in text:
            return int(text)
        return tuple(float(part) for part in text.split(",") if part.strip())
    except ValueError:
        raise InputError(
            f"--lanes {text!r}: give a whole number, or the x of each lane with commas between"
        ) from None


def _measure(arguments: argparse.Namespace) -> None:
    settings = settings_from(arguments)
    if arguments.out is not None:
        from lanes.output.folder import refuse_existing

        refuse_existing(arguments.out, force=arguments.force)
    from lanes.measuring import measure

    reading = measure(arguments.plate, settings,
                      picture=arguments.out is not None and not arguments.no_figures)
    if arguments.out is not None:
        from lanes.output.write import write_reading

        write_reading(reading, arguments.out, not arguments.no_figures, arguments.force)
    if arguments.json:
        from lanes.output.record import results_json

        sys.stdout.write(results_json(reading).decode("utf-8"))
    else:
        from lanes.output.tables import text_table

        sys.stdout.write(text_table(reading))
        if arguments.out is not None:
            print(f"\nwritten to {Path(arguments.out)}: open report.html")


def _shoulder(arguments: argparse.Namespace) -> None:
    settings = settings_from(arguments)
    if arguments.out is not None:
        from lanes.output.folder import refuse_existing

        refuse_existing(arguments.out)
    from lanes.answers.shoulder import BOOTSTRAPS, SEED, shoulder
    from lanes.output.shoulder_page import shoulder_json, shoulder_text, write_shoulder

    answer = shoulder(
        arguments.plate, settings, arguments.lane, rf=arguments.rf,
        shape_from=arguments.shape_from,
        bootstraps=BOOTSTRAPS if arguments.bootstraps is None else arguments.bootstraps,
        seed=SEED if arguments.seed is None else arguments.seed,
        progress=_progress if sys.stderr.isatty() else None,
    )
    if arguments.out is not None:
        write_shoulder(answer, arguments.out, Path(arguments.plate).name)
    if arguments.json:
        sys.stdout.write(shoulder_json(answer).decode("utf-8"))
    else:
        sys.stdout.write(shoulder_text(answer))
        if arguments.out is not None:
            print(f"\nwritten to {Path(arguments.out)}: open shoulder.html")


def _purity(arguments: argparse.Namespace) -> None:
    cli_purity.run(arguments, settings_from(arguments))


def _progress(done: int, whole: int) -> None:
    """Say on the terminal how far it is; the line goes when all is done."""
    print("\r" + (f"drawn {done} of {whole}" if done < whole else " " * 30 + "\r"), end="",
          file=sys.stderr, flush=True)


def _draw(arguments: argparse.Namespace) -> None:
    from lanes.draw import draw, read_spec, save

    save(draw(read_spec(arguments.spec)), Path(arguments.out))
    print(f"drawn: {arguments.out}, its truth beside it")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code: 0 done, 2 can't, 130 stopped from the keyboard."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that lacks a character shows a question mark rather than a traceback.
        sys.stdout.reconfigure(errors="replace")
    # The matrices here are small: threads only wait for each other, a hundredfold where the
    # processors are busy, and would let the last digit hang on how many there are.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        arguments = _parser().parse_args(argv)
        if arguments.version:
            from lanes import __version__

            print(f"lanes {__version__}")
        elif arguments.command is None:
            _parser().print_help()
        else:
            {"measure": _measure, "shoulder": _shoulder, "purity": _purity, "draw": _draw}[
                arguments.command](arguments)
        sys.stdout.flush()
    except LanesError as error:
        print(f"lanes: {one_line(error)}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("lanes: stopped; nothing is half-written", file=sys.stderr)
        return 130
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
    return 0

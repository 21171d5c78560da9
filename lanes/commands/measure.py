"""`lanes measure`: every lane of a plate, or a trace."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from lanes.options import plate_options, settings_from
from lanes.report.deliver import refuse_early

HELP = "which spots each lane holds: Rf, area percent, resolution"
DESCRIPTION = "Read a plate's scan (PNG, TIFF, JPEG, BMP, WebP) or a trace (CSV)."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", help="image of the plate, or CSV of distance and signal")
    parser.add_argument("--out", metavar="DIR",
                        help="folder to write tables, pictures and report to")
    parser.add_argument("--force", action="store_true",
                        help="replace DIR where an earlier reading made it")
    parser.add_argument("--json", action="store_true",
                        help="print results.json instead of a table")
    parser.add_argument("--no-figures", action="store_true", help="write no pictures")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Measure, write the folder where one was asked for, and print."""
    settings = settings_from(arguments)
    refuse_early(arguments, arguments.plate)
    from lanes.measuring import measure

    reading = measure(arguments.plate, settings,
                      picture=arguments.out is not None and not arguments.no_figures)
    if arguments.out is not None:
        from lanes.report.write import write_reading

        write_reading(reading, arguments.out, not arguments.no_figures, arguments.force)
    if arguments.json:
        from lanes.report.record import results_json

        sys.stdout.write(results_json(reading).decode("utf-8"))
        return
    from lanes.report.tables import text_table

    sys.stdout.write(text_table(reading))
    if arguments.out is not None:
        print(f"\nwritten to {Path(arguments.out)}: open report.html")

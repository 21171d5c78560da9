"""`lanes measure`: every lane of a plate, of many plates, or of a trace."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from lanes.errors import InputError
from lanes.options import plate_options, settings_from
from lanes.report.deliver import progress, refuse_early

HELP = "which spots each lane holds: Rf, area percent, resolution"
DESCRIPTION = """\
Read a plate's scan (PNG, TIFF, JPEG, BMP, WebP) or a trace (CSV). Of several, or of a folder,
each goes to a folder of its own in --out, with one table and one index page over all. A run that
was stopped goes on where it was. Exit code 1: done, but some plates could not be read."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", nargs="+",
                        help="image of a plate, CSV of distance and signal, or folder of images")
    parser.add_argument("--out", metavar="DIR",
                        help="folder to write tables, pictures and report to")
    parser.add_argument("--force", action="store_true",
                        help="replace DIR, or plates in it, where an earlier reading made them")
    parser.add_argument("--json", action="store_true",
                        help="print results.json (of many plates: plates.json) instead of a table")
    parser.add_argument("--no-figures", action="store_true", help="write no pictures")
    many = parser.add_argument_group("many plates")
    many.add_argument("--workers", metavar="N", help="processes at work (one a processor)")
    many.add_argument("--watch", action="store_true",
                      help="go on reading what is dropped into the folder, until Ctrl-C")
    many.add_argument("--cluster", metavar="ADDRESS",
                      help="let the workers of a running dask.distributed scheduler read, as in "
                      "tcp://10.0.0.1:8786; one you trust, since it runs the code it is sent")
    many.add_argument("--shared-path", action="store_true",
                      help="the cluster's workers open the files by their path (they are sent)")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> int:
    """Measure, write the folder where one was asked for, print, and return the exit code."""
    settings = settings_from(arguments)
    if len(arguments.plate) > 1 or arguments.watch or Path(arguments.plate[0]).is_dir():
        return _run_many(arguments)
    for option in ("workers", "cluster", "shared_path"):
        if getattr(arguments, option):
            raise InputError(f"--{option.replace('_', '-')} is about many plates: give more than "
                             "one, or a folder")
    refuse_early(arguments, arguments.plate[0])
    from lanes.measuring import measure

    reading = measure(arguments.plate[0], settings,
                      picture=arguments.out is not None and not arguments.no_figures,
                      progress=progress("lanes fitted:"))
    if arguments.out is not None:
        from lanes.report.write import write_reading

        write_reading(reading, arguments.out, not arguments.no_figures, arguments.force)
    if arguments.json:
        from lanes.report.record import results_json

        sys.stdout.write(results_json(reading).decode("utf-8"))
        return 0
    from lanes.report.tables import text_table

    sys.stdout.write(text_table(reading))
    if arguments.out is not None:
        print(f"\nwritten to {Path(arguments.out)}: open report.html")
    return 0


def _run_many(arguments: argparse.Namespace) -> int:
    workers = _workers(arguments.workers)
    if arguments.out is None or not arguments.out.strip():
        first = Path(arguments.plate[0])
        if arguments.watch:
            raise InputError("--watch goes on until it is stopped, and its results need a folder: "
                             "give --out DIR")
        what = (f"{first.name or first} is a folder: give one image file" if first.is_dir()
                else "several plates are given: give one")
        raise InputError(f"{what}, or a folder for the results of many with --out DIR")
    if arguments.cluster is None and arguments.shared_path:
        raise InputError("--shared-path is about a cluster's workers: give --cluster ADDRESS too")
    if arguments.cluster is not None and workers is not None:
        raise InputError("--workers is about this machine, and a cluster has its own: leave out "
                         "--workers or --cluster")
    from lanes.many.run import Job, read_plates, watch_plates
    from lanes.many.summary import counted, plates_json

    job = Job(arguments.plate, arguments.out, settings_from(arguments), not arguments.no_figures,
              arguments.force, workers, arguments.cluster, arguments.shared_path)
    result = (watch_plates if arguments.watch else read_plates)(job)
    if arguments.json:
        sys.stdout.write(plates_json(result.plates, result.failed).decode("utf-8"))
    else:
        spots = sum(plate.spots for plate in result.plates)
        failed = f"; {counted(len(result.failed), 'plate')} not read" if result.failed else ""
        print(f"{counted(len(result.plates), 'plate')}, {counted(spots, 'spot')}{failed}\n"
              f"written to {Path(arguments.out)}: open index.html")
    return 1 if result.failed else 0


def _workers(text: str | None) -> int | None:
    if text is None:
        return None
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 1024:
        raise InputError(f"--workers {text}: give a whole number, 1 to 1024")
    return int(text)

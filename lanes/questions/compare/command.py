"""`lanes compare`: is it the same substance?"""

from __future__ import annotations

import argparse
from pathlib import Path

from lanes.errors import InputError
from lanes.options import plate_options, settings_from
from lanes.report.deliver import deliver, output_options, refuse_early

HELP = "is it the same substance as a reference, and what is not explained?"
DESCRIPTION = ("Hold the spots of an unknown against references on the same plate: which are\n"
               "there, which are not, which the plate can't tell, and what matches no reference.")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plate", help="image of the plate")
    parser.add_argument("--unknown", metavar="NAME",
                        help='the unknown\'s lane (the one with the role "unknown")')
    parser.add_argument("--reference", action="append", default=[], metavar="NAME",
                        help='a reference\'s lane; may be repeated (all with the role "reference")')
    parser.add_argument("--cospot", action="append", default=[], metavar="U+A=NAME",
                        help="a lane where unknown and references were applied in one place; may "
                        'be repeated (those with the role "co-spot" hold all)')
    parser.add_argument("--other-plate", metavar="FILE",
                        help="image of another plate, where the references stand")
    parser.add_argument("--bridge", metavar="NAME",
                        help="a standard's lane on both plates, for --other-plate")
    parser.add_argument("--other-settings", metavar="FILE",
                        help="settings.toml of the other plate's reading, which names its lanes")
    output_options(parser, "compare")
    plate_options(parser)


def run(arguments: argparse.Namespace) -> None:
    """Answer, and deliver the answer."""
    settings = settings_from(arguments)
    known = [arguments.unknown, *arguments.reference]
    mixed = cospots(arguments.cospot, [name for name in known if name is not None])
    if arguments.other_settings is not None and arguments.other_plate is None:
        raise InputError("--other-settings is about --other-plate: give that too")
    refuse_early(arguments, arguments.plate, arguments.other_plate)
    from lanes.questions.compare.answer import compare
    from lanes.questions.compare.page import render_compare
    from lanes.settings_file import read_settings

    other = None
    if arguments.other_settings is not None:
        other = read_settings(arguments.other_settings)
    answer = compare(
        arguments.plate, settings, unknown=arguments.unknown, references=arguments.reference,
        cospots=mixed, other_plate=arguments.other_plate, bridge=arguments.bridge,
        other_settings=other)
    deliver(arguments, render_compare(answer, Path(arguments.plate).name, settings))


def cospots(texts: list[str], known: list[str]) -> dict[str, tuple[str, ...]]:
    """Return co-spot lanes and what was applied in each, from U+A=NAME each.

    Parameters
    ----------
    texts : list of str
    known : list of str
        Names of the lanes compared: one that holds a + itself is kept whole.

    Raises
    ------
    InputError
        If a part is not of that form, or a lane stands twice.
    """
    out: dict[str, tuple[str, ...]] = {}
    for text in texts:
        mixture, mark, name = (part.strip() for part in text.rpartition("="))
        parts = _parts(mixture, sorted(known, key=len, reverse=True))
        if not mark or not name or len(parts) < 2 or not all(parts):
            raise InputError(f"--cospot {text.strip()!r}: give what was applied in one place and "
                             "its lane, as in --cospot U+A=NAME")
        if name in out:
            raise InputError(f"--cospot: lane {name} stands twice: give each lane once")
        out[name] = parts
    return out


def _parts(mixture: str, known: list[str]) -> tuple[str, ...]:
    """Return the names in a mixture, + between them."""
    for name in known:
        if mixture == name:
            return (name,)
        if mixture.startswith(f"{name}+"):
            return (name, *_parts(mixture[len(name) + 1:], known))
    first, mark, rest = mixture.partition("+")
    return (first.strip(), *(_parts(rest, known) if mark else ()))

"""The options every command that reads a plate shares, and the settings they amount to."""

from __future__ import annotations

import argparse
from typing import Any

from lanes.about import About, about_words
from lanes.errors import InputError
from lanes.lengths import UNITS, WAYS, Length, from_words
from lanes.setting_values import (
    BACKGROUNDS,
    BASELINE_ORDERS,
    CHANNELS,
    LAWS,
    LIGHTS,
    SPOTS,
    option_name,
)
from lanes.settings import Settings
from lanes.settings_file import from_mapping

CHOICES = ("light", "law", "channel", "transfer", "origin", "front", "lane_width", "plate_width",
           "plate_height", "dpi", "turn", "background", "baseline_order", "components", "spots",
           "page", "which_plate")
LENGTHS = ("origin", "front", "lane_width", "plate_width", "plate_height")
LENGTHS_HELP = """A LENGTH is 10mm, 120px (pixels of the picture as it is seen) or 12% (of the
plate's height, of its width for x); a bare number is mm."""


def plate_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how a plate is read."""
    parser.add_argument("--settings", metavar="FILE",
                        help="settings.toml of an earlier reading; options given here come on top")
    light = parser.add_argument_group("light")
    light.add_argument("--light", metavar="{" + ",".join(LIGHTS) + "}",
                       help="what lit the plate (auto); 365 is 366")
    light.add_argument("--law", choices=LAWS, help="from light to signal (by the light)")
    light.add_argument("--channel", choices=CHANNELS,
                       help="colour read (the one that shows every spot best)")
    light.add_argument("--transfer", metavar="CURVE",
                       help="the file's tone curve: auto, srgb, linear or a power")
    light.add_argument("--spots", choices=SPOTS, help="spots darker or lighter than the layer")
    place = parser.add_argument_group("place", LENGTHS_HELP)
    place.add_argument("--origin", metavar="LENGTH", help="height of the origin line")
    place.add_argument("--front", metavar="LENGTH", help="height of the solvent front")
    place.add_argument("--lanes", metavar="N|X1,X2,...", help="how many lanes, or the x of each")
    place.add_argument("--names", metavar="A,B,...", help="the lanes' names from left to right")
    place.add_argument("--roles", metavar="A,B,...", help="the lanes' roles, free words")
    place.add_argument("--lane-width", metavar="LENGTH", help="width integrated")
    place.add_argument("--plate-width", metavar="MM", help="the plate's true width")
    place.add_argument("--plate-height", metavar="MM", help="the plate's true height")
    place.add_argument("--dpi", type=float, metavar="N", help="dots per inch of the scan")
    place.add_argument("--turn", type=_turn, metavar="DEG",
                       help="turn the image by 0, 90, 180 or 270 degrees, counter-clockwise (auto)")
    place.add_argument("--page", type=int, metavar="N", help="page of a file with several (1)")
    place.add_argument("--plate", type=int, metavar="N", dest="which_plate",
                       help="plate of a picture with several (1), by rows from the upper left")
    place.add_argument("--corners", nargs=4, metavar="X,Y",
                       help="the plate's corners in pixels of the picture, in any order")
    place.add_argument("--whole-image", action="store_true", default=None,
                       help="the picture's edges are the plate's")
    about = parser.add_argument_group("about")
    about.add_argument("--about", action="append", default=[], metavar="KEY=TEXT",
                        help="sample, solvent, stain, date or notes, to stand in the results; may "
                        "be repeated")
    about.add_argument("--substance", action="append", default=[], metavar="LANE@RF=NAME",
                        help="a spot's substance, to stand in the results; may be repeated")
    fit = parser.add_argument_group("fit")
    fit.add_argument("--background", choices=BACKGROUNDS,
                     help="what lies under the spots (layer: the clean layer beside the lane)")
    fit.add_argument("--baseline-order", choices=BASELINE_ORDERS,
                     help="baseline fitted with the spots")
    fit.add_argument("--components", type=int, metavar="N",
                     help="spots in each lane, where that is known")
    parser.add_argument("--digits", type=int, choices=range(2, 7), metavar="N",
                        help="decimals of Rf that are printed (2); JSON and CSV hold all")


def settings_from(arguments: argparse.Namespace) -> Settings:
    """Return the settings that the command line asks for."""
    start = None
    if arguments.settings is not None:
        from lanes.settings_file import read_settings

        start = read_settings(arguments.settings)
    values: dict[str, Any] = {
        name: getattr(arguments, name) for name in CHOICES if getattr(arguments, name) is not None
    }
    for name in LENGTHS:
        if name in values:
            values[name] = from_words(option_name(name), values[name])
    if arguments.whole_image is not None:
        values["whole_image"] = True
    if arguments.corners is not None:
        values["corners"] = tuple(_corner(words) for words in arguments.corners)
    if arguments.lanes is not None:
        values["lanes"] = _lanes(arguments.lanes)
    for name in ("names", "roles"):
        text = getattr(arguments, name)
        if text is not None:
            values[name] = tuple(part.strip() for part in text.split(","))
    if arguments.about or arguments.substance:
        values["about"] = about_words(arguments.about, arguments.substance,
                                      start.about if start else About())
    return from_mapping(values, start)


def _turn(text: str) -> int | str:
    return text if text == "auto" else int(text)


def _corner(words: str) -> tuple[float, float]:
    numbers_given = [number_or_none(part) for part in words.split(",")]
    x, y = numbers_given if len(numbers_given) == 2 else (None, None)
    if x is None or y is None:
        raise InputError(f"--corners {words!r}: give four times x,y in pixels of the picture, as "
                         "in --corners 40,30 900,35 905,980 38,970")
    return x, y


def _lanes(text: str) -> int | tuple[Length, ...]:
    stated = [part.strip() for part in text.split(",") if part.strip()]
    try:
        if "," not in text and "." not in text and not text.strip().endswith(UNITS):
            return int(text)
        return tuple(from_words("--lanes", part) for part in stated)
    except InputError as error:
        if " is no length" not in str(error):
            raise
        cause = str(error).partition(":")[0]
        raise InputError(f"{cause}: give a whole number, or the x of each lane with commas "
                         f"between, each as {WAYS}") from None
    except ValueError:
        raise InputError(
            f"--lanes {text!r}: give a whole number, or the x of each lane with commas between"
        ) from None


def named_numbers(option: str, stated: str, what: str) -> dict[str, float]:
    """Return names and numbers from NAME=NUMBER,NAME=NUMBER; `what` says what the number is.

    Raises
    ------
    InputError
        If a part is not NAME=NUMBER, a number is not finite, or a name stands twice.
    """
    out: dict[str, float] = {}
    for text in stated.split(","):
        name, mark, number = (part.strip() for part in text.rpartition("="))
        value = number_or_none(number)
        if not mark or not name or value is None:
            raise InputError(f"{option} {text.strip()!r}: give NAME={what}, with commas between")
        if name in out:
            raise InputError(f"{option} {name} stands twice: give each name once")
        out[name] = value
    return out


def numbers(option: str, stated: str) -> tuple[float, ...]:
    """Return the numbers in `stated`, commas between them, or raise InputError."""
    out = tuple(number_or_none(part) for part in stated.split(","))
    known = tuple(value for value in out if value is not None)
    if len(known) < len(out):
        raise InputError(f"{option} {stated!r}: give numbers with commas between")
    return known


def words(stated: str | None) -> tuple[str, ...]:
    """Return the words in `stated`, commas between them; none where it was not given."""
    if stated is None:
        return ()
    return tuple(part for each in stated.split(",") if (part := each.strip()))


def number_or_none(text: str) -> float | None:
    """Return `text` as a finite number, or None."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if abs(value) < float("inf") else None

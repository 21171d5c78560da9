"""`lanes draw`: a plate of known contents."""

from __future__ import annotations

import argparse
from pathlib import Path

HELP = "draw a plate of known contents"
DESCRIPTION = "Draw a plate from a description, and its truth beside it as JSON."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("spec", help="TOML file that describes the plate")
    parser.add_argument("--out", required=True, metavar="IMAGE",
                        help="image to write (.png, .tif, .jpg)")


def run(arguments: argparse.Namespace) -> None:
    """Draw and save."""
    from lanes.draw import draw, read_spec, save

    save(draw(read_spec(arguments.spec)), Path(arguments.out))
    print(f"drawn: {arguments.out}, its truth beside it")

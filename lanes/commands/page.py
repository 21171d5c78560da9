"""`lanes page`: the plate on the screen, in this machine's browser."""

from __future__ import annotations

import argparse
import sys
from importlib.util import find_spec

from lanes.errors import InputError

HELP = "the plate on the screen: look, drag, read again"
DESCRIPTION = ("Show a plate in the browser, where its corners, lines and lanes can be put right\n"
               "by hand and questions asked. The page is served to this machine only.")
NEEDS = ("starlette", "uvicorn")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("plates", nargs="*", metavar="PLATE",
                        help="image of a plate, or the folder of a saved reading")
    parser.add_argument("--no-browser", action="store_true",
                        help="only print the address, open no browser")
    parser.add_argument("--port", type=int, default=0, metavar="N", help="port (a free one)")


def run(arguments: argparse.Namespace) -> None:
    """Serve until interrupted."""
    if any(find_spec(name) is None for name in NEEDS):
        raise InputError('the page needs an optional extra: pip install "lanes[page]"')
    from lanes.page.server import serve

    serve(arguments.plates, browser=not arguments.no_browser, port=arguments.port,
          say=lambda line: print(line, flush=True, file=sys.stdout))

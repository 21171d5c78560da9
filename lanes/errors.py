"""Errors a person can act on: each says what is wrong and what mends it."""

from __future__ import annotations

from typing import Any

# Stopped from the keyboard: 128 and SIGINT's number, as shells give it, and what is said.
STOPPED, STOPPED_LINE = 130, "lanes: stopped; nothing is half-written"

class LanesError(Exception):
    """Root of every error this package raises on purpose.

    Its text is one line: the cause, then the mend. The command prints it and exits with 2.
    `refused` holds the scan and the settings of a plate that was read so far and no further: what
    a picture of it can be drawn from.
    """

    refused: tuple[Any, Any] | None = None


class InputError(LanesError, ValueError):
    """The file, option or settings given can't be used. Remedy: the one named in the message."""


class LayoutError(LanesError):
    """The plate, a line or the lanes were not found with confidence.

    Remedy: give what is missing; the message names the option.
    """


class OutputError(LanesError, OSError):
    """The results can't be written. Remedy: another folder, or `--force` over an own one."""


def counted(count: int, word: str) -> str:
    """Return a count with its word, one or several.

    >>> counted(1, "lane"), counted(4, "lane")
    ('1 lane', '4 lanes')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def one_line(text: object) -> str:
    """Return `text` folded to a single line, for messages that quote another library."""
    return " ".join(str(text).split())

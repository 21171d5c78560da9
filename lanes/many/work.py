"""One plate as a unit of work: what to read and how, and the files that come back as bytes."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from lanes import __version__
from lanes.errors import LanesError, one_line
from lanes.settings import Settings

if TYPE_CHECKING:
    from lanes.plate.picture import Picture

RECORD = "work.json"
THUMBNAIL = "thumbnail.jpg"
SCHEMA = 1
# Pixels: a row of the index stays low, and a thousand plates stay a page of some megabytes.
THUMBNAIL_SIZE = (120, 96)
# The drawing library's style and Python's warning filters belong to the whole process: a worker
# with several threads still reads one plate at a time.
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True)
class Work:
    """One plate to be read.

    Attributes
    ----------
    path : str
        The scan, or a trace.
    settings : Settings
    figures : bool
        Draw the pictures.
    data : bytes or None
        The file itself, where the worker can't open `path`.
    """

    path: str
    settings: Settings
    figures: bool
    data: bytes | None = None


@dataclass(frozen=True)
class Outcome:
    """The files of a plate that was read, or in one line why it could not be."""

    files: Mapping[str, bytes]
    error: str | None = None


def key(file: str, sha256: str, settings: Settings, figures: bool) -> str:
    """Return what stays the same as long as reading again would give the same files.

    Parameters
    ----------
    file, sha256 : str
        The scan's name without its folder, which its record holds, and the hash of its bytes.
    """
    parts = [SCHEMA, __version__, file, sha256, settings.to_toml(), figures]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def read_plate(work: Work) -> Outcome:
    """Read one plate; whatever is wrong with it comes back as a line, never as an error."""
    with _ONE_AT_A_TIME:
        try:
            with _file(work) as path:
                return Outcome(_files(path, work))
        except LanesError as error:
            return Outcome({}, one_line(error))
        except MemoryError:
            return Outcome({}, "not enough memory for this image: scan at fewer dots per inch, or "
                           "give fewer --workers")
        except Exception as error:  # the other plates go on, whatever this one met
            return Outcome({}, f"the program itself failed ({type(error).__name__}: "
                           f"{one_line(error)}): report it, with the scan")


@contextmanager
def _file(work: Work) -> Iterator[Path]:
    if work.data is None:
        yield Path(work.path)
        return
    with TemporaryDirectory(prefix="lanes-") as folder:
        path = Path(folder) / Path(work.path).name
        path.write_bytes(work.data)
        yield path


def _files(path: Path, work: Work) -> dict[str, bytes]:
    from lanes.measuring import measure
    from lanes.report.write import reading_files

    reading = measure(path, work.settings, picture=work.figures)
    files = {name: content if isinstance(content, bytes) else content()
             for name, content in reading_files(reading, work.figures).items()}
    if reading.picture is not None:
        files[THUMBNAIL] = thumbnail(reading.picture)
    source = reading.source
    # Last in the folder: what it lists was there before it.
    files[RECORD] = _json({
        "schema": SCHEMA, "version": __version__, "file": source.file, "sha256": source.sha256,
        "key": key(source.file, source.sha256, work.settings, work.figures),
        "bytes": {name: len(data) for name, data in files.items()},
    })
    return files


def _json(values: Mapping[str, object]) -> bytes:
    return (json.dumps(values, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def thumbnail(picture: Picture) -> bytes:
    """Return the plate as a small JPEG for the index."""
    import io

    from PIL import Image

    small = Image.fromarray(picture.pixels)
    small.thumbnail(THUMBNAIL_SIZE)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=80)
    return out.getvalue()

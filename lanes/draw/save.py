"""Writes a drawn plate and its truth side by side."""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path
from typing import Any

from PIL import Image

from lanes.draw.render import Drawing
from lanes.errors import OutputError, one_line

FORMATS = {".png": "PNG", ".tif": "TIFF", ".tiff": "TIFF", ".jpg": "JPEG", ".jpeg": "JPEG"}


def save(drawing: Drawing, path: str | Path) -> None:
    """Write the picture to `path` (png, tif or jpg by suffix) and its truth to a .json beside it.

    Raises
    ------
    OutputError
        If a file of either name exists, the suffix is not one of these, the format can't hold
        the picture, or the folder can't be written to. Nothing is left behind.
    """
    path = Path(path)
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise OutputError(f"{path.name}: the picture's name must end in .png, .tif or .jpg"
                          if path.name else "--out is empty: give the picture a name that ends in "
                          ".png, .tif or .jpg")
    beside = path.with_suffix(".json")
    deep = drawing.pixels.dtype.itemsize == 2
    if deep and (drawing.pixels.ndim == 3 or kind == "JPEG"):
        raise OutputError(
            f"{path.name}: 16 bits are saved as grey png or tif only: "
            "draw with mode grey, or with 8 bits"
        )
    if os.path.lexists(path.parent) and not path.parent.is_dir():
        raise OutputError(f"{path.parent} is a file, and nothing goes inside it: choose another")
    if not path.parent.is_dir():
        raise OutputError(f"folder {path.parent} does not exist: make it, or choose another")
    for target in (path, beside):
        if os.path.lexists(target):
            raise OutputError(f"{target.name} exists already: choose another name")
    parts = [target.with_name(f".{target.name}.{os.getpid()}.part") for target in (path, beside)]
    done: list[Path] = []
    try:
        _picture(drawing, parts[0], kind)
        parts[1].write_text(json.dumps(drawing.truth, indent=1) + "\n", encoding="utf-8")
        for part, target in zip(parts, (path, beside), strict=True):
            part.replace(target)
            done.append(target)
    except OSError as error:
        for left in done:
            left.unlink(missing_ok=True)
        why = error.strerror or one_line(error)
        raise OutputError(f"{path.name} can't be written: {why}: choose another folder") from None
    finally:
        for part in parts:
            part.unlink(missing_ok=True)


def _picture(drawing: Drawing, path: Path, kind: str) -> None:
    options: dict[str, Any] = {"dpi": (drawing.spec.dpi, drawing.spec.dpi)}
    if kind == "JPEG":
        options |= {"quality": 95, "subsampling": 0}
    if kind == "TIFF":
        options["compression"] = "tiff_lzw"
    if kind == "PNG":
        # Grain repeats nothing but runs: a fifth of the time of zlib's own search, and fewer bytes.
        options["compress_type"] = zlib.Z_RLE
    Image.fromarray(drawing.pixels).save(path, kind, **options)

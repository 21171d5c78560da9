"""A plate the program reads wrong: its pencil lines are not where the solvent stood."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from lanes.draw import LaneSpec, PlateSpec, SpotSpec, draw, save

ORIGIN, FRONT, WIDTH, HEIGHT, DPI = 9.0, 52.0, 45.0, 62.0, 200
XS = (9.0, 22.0, 35.0)
RFS = ((0.3, 0.7), (0.25, 0.5, 0.75), (0.4,))
FALSE_ORIGIN, FALSE_FRONT = 12.5, 57.0  # what is drawn in pencil
FALSE_X = 17.6  # a tick beside the middle lane, which has none


def misread(folder: Path) -> Path:
    """Draw the plate and return its path.

    Pencil lines stand 3.5 mm above the origin and 5 mm above the front, and the middle lane's
    tick 4.4 mm beside it, as where a plate was used twice.
    """
    plain = PlateSpec(
        width=WIDTH, height=HEIGHT, origin=ORIGIN, front=FRONT, dpi=DPI, margin=4.0, seed=5,
        labels=False, pencil=False,
        lanes=tuple(LaneSpec(x, tuple(SpotSpec(rf, 1.2) for rf in rfs))
                    for x, rfs in zip(XS, RFS, strict=True)))
    path = folder / "twice.png"
    save(draw(plain), path)
    with Image.open(path) as image:
        pixels = np.asarray(image.convert("RGB")).astype(float)
    scale = DPI / 25.4
    left, low = 4.0 * scale, (4.0 + HEIGHT) * scale

    def stroke(x0: float, x1: float, y0: float, y1: float) -> None:
        rows = slice(round(low - y1 * scale), round(low - y0 * scale) + 1)
        columns = slice(round(left + x0 * scale), round(left + x1 * scale) + 1)
        pixels[rows, columns] *= 0.72

    for y in (FALSE_ORIGIN, FALSE_FRONT):
        stroke(1.0, WIDTH - 1.0, y - 0.1, y + 0.1)
    for x in (XS[0], FALSE_X, XS[2]):
        stroke(x - 0.1, x + 0.1, FALSE_ORIGIN - 1.5, FALSE_ORIGIN + 1.5)
    Image.fromarray(np.rint(pixels.clip(0, 255)).astype(np.uint8)).save(path, dpi=(DPI, DPI))
    return path

"""The plate's picture for the screen: as photographed, and as squared."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from PIL import Image

from lanes.plate.layout import Layout
from lanes.plate.picture import picture
from lanes.scan.scan import Scan
from lanes.scan.transfer import linear_to_srgb

LONGEST_PX = 2400  # of the picture on the screen: zoomed in, still finer than a spot's edge
QUALITY = 90       # of JPEG (common practice: no block shows)


def photo_jpeg(scan: Scan) -> tuple[bytes, int]:
    """Return the upright scan as JPEG in sRGB, and how many pixels a side of one of its has."""
    reduce = max(1, -(-max(scan.height_px, scan.width_px) // LONGEST_PX))
    names = ("red", "green", "blue") if "red" in scan.channels else ("mean",)
    planes = [np.rint(255 * linear_to_srgb(np.clip(scan.light(name, reduce), 0, 1))).astype(
        np.uint8) for name in names]
    return _jpeg(np.stack(planes if len(planes) == 3 else planes * 3, axis=-1)), reduce


def squared_jpeg(scan: Scan, layout: Layout) -> bytes:
    """Return the plate squared up, as JPEG in sRGB."""
    return _jpeg(picture(scan, layout).pixels)


def _jpeg(pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> bytes:
    out = BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()

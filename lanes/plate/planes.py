"""The plate squared up in every channel on a coarse grid: what blobs and lanes are sought on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, reduce
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lanes.plate.by_hand import Mask as Outlined
from lanes.plate.by_hand import masked, without_masked
from lanes.plate.holes import holes
from lanes.plate.layout import Layout
from lanes.plate.square import Grid, all_at_places, base_channels, base_light, choose_grid, places
from lanes.plate.thin import Bridge, thin_matter
from lanes.scan.pixels import ColourStep
from lanes.scan.scan import Scan

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
T = TypeVar("T", bound=np.generic)

# Side of a coarse sample. The narrowest spot, 1 mm at half height, spans four of them.
COARSE_MM = 0.25
EDGE_MM = 1.2      # of the plate's rim: chipped layer, its shadow
PENCIL_MM = 0.7    # to each side of a line's middle: stroke, blur and a wavering hand
BLUR_MM = 0.6      # beyond half a thick stroke's width: its soft edge, a second pull
LABEL_MM = (2.5, 1.8, 8.0)  # about a lane's foot: half width, above and below the origin line


@dataclass(frozen=True, eq=False)
class Planes:
    """Light of each channel on one coarse grid, lowest row first, thin matter taken out.

    Attributes
    ----------
    light : dict of (rows, columns) arrays
        By channel: red, green and blue, or the mean of a grey scan.
    fine : (rows, columns) array
        The mean of the channels on the fine grid, as it is.
    thin : (rows, columns) bool array
        On the fine grid: specks, scratches and pencil.
    grid, fine_grid : Grid
    step : int
        Fine samples along a coarse one's side.
    bridge : Bridge
        What takes thin matter out of light on the fine grid.
    colour_step : ColourStep or None
        The finest difference of colour that the file keeps, in codes.
    transfer : str
        From codes to light, as `Scan.transfer`.
    finest_step : float
        As `Scan.finest_step`.
    holes : (rows, columns) bool array or None
        On the fine grid: where the layer is gone. Layer stands there instead.
    """

    light: dict[str, Image]
    fine: Image
    thin: Mask
    grid: Grid
    fine_grid: Grid
    step: int
    bridge: Bridge
    colour_step: ColourStep | None = None
    transfer: str = "srgb"
    finest_step: float = 1.0
    holes: Mask | None = None

    @property
    def block_step(self) -> float:
        """In codes, what a block's mean is kept in where the file is a JPEG, else 0."""
        return 0.0 if self.colour_step is None else self.colour_step.block_mean


def planes_of(scan: Scan, layout: Layout, masks: tuple[Outlined, ...] = ()) -> Planes:
    """Return the planes of the plate where `layout` has it, less what is masked."""
    return _planes(scan, layout.width, layout.height, layout.corners_px.tobytes(),
                   layout.mm_per_unit, masks)


@lru_cache(maxsize=1)  # lines, lanes, channel and colours of one plate share them
def _planes(
    scan: Scan, width: float, height: float, corners: bytes, mm_per_unit: float,
    masks: tuple[Outlined, ...],
) -> Planes:
    corners_px = np.frombuffer(corners).reshape(4, 2)
    fine_grid, reduce = choose_grid(width, height, corners_px, mm_per_unit)
    size = (width, height, corners_px)
    names = base_channels(scan)
    where = places(fine_grid, reduce, *size)
    seen = np.moveaxis(base_light(scan, reduce), 2, 0)
    fine = dict(zip(names, all_at_places(tuple(seen), where), strict=True))
    del where, seen
    base_light.cache_clear()  # a picture's light takes as much memory as the picture
    gone = holes(fine, fine_grid.mm)
    if masks or gone is not None:
        hidden = masked(fine_grid, masks)
        hidden |= gone if gone is not None else False
        fine = {c: without_masked(image, hidden, fine_grid.mm) for c, image in fine.items()}
    mean = np.asarray(sum(fine.values()) / len(fine), np.float32)
    # Pencil and dust show in every channel, and in their mean against the least noise.
    thin = thin_matter(mean, fine_grid.mm)
    bridge = Bridge(thin, fine_grid.mm)
    light = {c: coarsen(bridge.over(image), fine_grid)[0] for c, image in fine.items()}
    step = coarse_step(fine_grid)
    shape = next(iter(light.values())).shape
    grid = Grid(shape[0], shape[1], fine_grid.pitch * step, fine_grid.mm * step)
    return Planes(light, mean, thin, grid, fine_grid, step, bridge, scan.colour_step,
                  scan.transfer, scan.finest_step, gone)


def coarse_step(grid: Grid) -> int:
    """Return how many samples of `grid` make the side of a coarse one."""
    return max(1, round(COARSE_MM / grid.mm))


def coarsen(image: Image, grid: Grid) -> tuple[Image, int]:
    """Return `image` averaged over blocks of about 0.25 mm, and the block's side in samples."""
    step = coarse_step(grid)
    rows, columns = image.shape[0] // step * step, image.shape[1] // step * step
    tall = reduce(np.add, (image[i:rows:step, :columns] for i in range(step)))
    total = reduce(np.add, (tall[:, i::step] for i in range(step)))
    return np.asarray(total / np.float32(step**2), np.float32), step


def enlarge(coarse: NDArray[T], shape: tuple[int, ...], step: int) -> NDArray[T]:
    """Return a `coarse` mask or image on the fine grid of `shape`."""
    row = np.minimum(np.arange(shape[0]) // step, coarse.shape[0] - 1)
    column = np.minimum(np.arange(shape[1]) // step, coarse.shape[1] - 1)
    return np.asarray(coarse[row][:, column])


def off_layer(layout: Layout, grid: Grid, step: int) -> Mask:
    """Return where no clean layer is to be expected: edges, pencil, ticks and labels."""
    rows, columns = grid.rows // step, grid.columns // step
    pitch = grid.pitch * step
    unit = layout.mm_per_unit
    y = (np.arange(rows)[:, None] + 0.5) * pitch
    x = (np.arange(columns)[None, :] + 0.5) * pitch
    edge = EDGE_MM / unit
    off = (y < edge) | (y > layout.height - edge) | (x < edge) | (x > layout.width - edge)
    for line in (layout.origin, layout.front):
        off |= np.abs(y - line.at(x)) < max(PENCIL_MM / unit, 0.5 * line.thick + BLUR_MM / unit)
    below = layout.origin.at(x) - y
    half, above, under = LABEL_MM
    for lane in layout.lanes:
        off |= (np.abs(x - lane.x) < half / unit) & (below > -above / unit) & (below < under / unit)
    return off

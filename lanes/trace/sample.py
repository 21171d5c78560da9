"""A lane as a trace: signal integrated across the lane, along its own path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lanes.plate.layout import Lane, Layout
from lanes.plate.signal import Signal

Floats = NDArray[np.float64]

STRIPS = 9
BEYOND_MM = 2.0  # how far the trace reaches past the origin and the front
PENCIL_MM = 0.4  # half the width of what the origin line and the front hide


@dataclass(frozen=True)
class Trace:
    """One lane's signal against distance from the origin.

    Attributes
    ----------
    position : (n,) array
        Distance along the path from the origin line, evenly spaced, in mm.
    signal : (n,) array
        Signal integrated across the lane, in signal x mm.
    usable : (n,) bool array
        False where pencil or another mark hides the layer.
    gain : (n,) array
        Noise of each sample relative to clean layer (the law amplifies noise in dark spots).
    run : float
        Distance from origin to front in mm.
    across : (k,) array or None
        Offsets of the strips from the path in mm.
    strips : (n, k) array or None
        Mean signal of each strip of the lane's width; their weighted sum is `signal`.
    clipped : (n,) array
        Share of the lane's width at each sample that is beyond the scan's range.
    thin : (n,) array
        Share of the lane's width at each sample from which thin matter was taken out.
    """

    position: Floats
    signal: Floats
    usable: NDArray[np.bool_]
    gain: Floats
    run: float
    across: Floats | None
    strips: Floats | None
    clipped: Floats
    thin: Floats

    @property
    def pitch(self) -> float:
        """Distance between samples in mm."""
        return float(self.position[1] - self.position[0])

    @property
    def rf(self) -> Floats:
        """Position as a share of the run."""
        return self.position / self.run


def sample(signal: Signal, layout: Layout, lane: Lane) -> Trace:
    """Integrate `signal` across `lane`, along its path.

    The signal is interpolated linearly at points evenly spaced along the path and across it, and
    summed across; distance is measured along the path from the origin line.

    Parameters
    ----------
    signal : Signal
    layout : Layout
    lane : Lane
        One of `layout.lanes`.

    Returns
    -------
    Trace
        From 2 mm below the origin to 2 mm past the front, as far as the plate reaches.
    """
    grid = signal.grid
    y0, _ = layout.ends(lane)
    run = layout.run(lane)
    beyond = BEYOND_MM / layout.mm_per_unit
    slant = float(np.hypot(1.0, lane.lean))
    low = max(-beyond, -(y0 - grid.pitch) * slant)
    high = min(run + beyond, (layout.height - y0 - grid.pitch) * slant)
    position = np.arange(np.ceil(low / grid.pitch), np.floor(high / grid.pitch) + 1) * grid.pitch
    count = max(STRIPS, round(lane.width / grid.pitch))
    across = ((np.arange(count) + 0.5) / count - 0.5) * lane.width
    # The normal to the path points to larger x.
    y = y0 + position[:, None] / slant - across[None, :] * lane.lean / slant
    x = lane.x + lane.lean * position[:, None] / slant + across[None, :] / slant
    where = np.stack([grid.row(y), grid.column(x)]).astype(np.float32)

    def at(image: NDArray[np.generic], fill: float = 0.0) -> Floats:
        return ndimage.map_coordinates(
            image, where, np.float32, order=1, mode="constant", cval=fill, prefilter=False
        ).astype(float)

    values, gain = at(signal.values), at(signal.gain, 1.0)
    thin = at(signal.thin.astype(np.float32)).mean(axis=1)
    step = lane.width / count
    spans = np.array_split(np.arange(count), STRIPS)
    usable = thin < 0.3
    for line in (0.0, run):
        usable &= np.abs(position - line) > PENCIL_MM / layout.mm_per_unit
    return Trace(
        position=position,
        signal=values.sum(axis=1) * step,
        usable=usable,
        gain=np.sqrt(np.square(gain).mean(axis=1)),
        run=run,
        across=np.array([across[s].mean() for s in spans]),
        strips=np.stack([values[:, s].mean(axis=1) for s in spans], axis=1),
        clipped=at(signal.clipped).mean(axis=1),
        thin=thin,
    )

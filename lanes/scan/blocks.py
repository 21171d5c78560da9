"""Blocks that lossy compression left in a picture, and the steps that their means move in."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.scan.pixels import ColourStep

BLOCK = 8          # side in pixels of what JPEG transforms: ITU-T T.81
BLOCKY = 1.15      # times other steps between neighbours; clean plates stay below 1.03
# Codes a block's mean moves by. Up to one code compression is no coarser than 8 bits are anyway:
# the standard's example table (ITU-T T.81, table K.1) comes to it where a library calls it
# quality 75.
MEAN_STEP = 1.0
CAPPED = 4.0       # times the mean step: a steeper one is the edge of a spot or of pencil
LEAST_PHASE = 1e-3  # of the cap: a picture without steps in one phase is blocks altogether
PER_CODE = 257     # of 16 bits in one of 8: 65535 / 255
COMB = 0.4         # share of blocks, as a resultant, that keep to one step; by chance below 0.1
ROUNDED = 0.3      # codes: what rounding of three channels to whole ones makes means differ by
# The least step between blocks that differ, as a quantile; and of it, up to which the file's own is
# sought: 1.6 codes show as 1 and 2.
LEAST, AT_LEAST = 0.25, 1.6
LUMA = (0.299, 0.587, 0.114)  # of red, green, blue: ITU-R BT.601, as JPEG files take it (T.871)
LEVEL_SHIFT = 128.0           # taken off before the transform: ITU-T T.81, A.3.1
LARGEST_STEP = 128            # eighths of a code; quality 10 of a library comes to 80
LEAST_PX = 128     # sixteen blocks a side
MOST_PX = 1024     # side of what is looked at for blocks
LOOKED_AT = 0.125  # of a picture, at most, for whether it has any: little memory is taken


def blockiness(codes: NDArray[np.integer[Any]]) -> float:
    """Return how many times as large steps between neighbours are at the edges of 8 x 8 blocks.

    The mean step in the largest of eight phases over that in the next, in whichever direction
    shows less of it: a scanner's stripes run one way, JPEG's blocks (ITU-T T.81) both. Near 1
    where there are no blocks.

    Parameters
    ----------
    codes : (rows, columns, channels) array
    """
    if min(codes.shape[:2]) < LEAST_PX:
        return 1.0
    grey = codes[:, :, codes.shape[2] // 2].astype(np.float32)
    return min(_excess(np.abs(np.diff(grey, axis=1))), _excess(np.abs(np.diff(grey, axis=0)).T))


def _excess(steps: NDArray[np.float32]) -> float:
    phases = _phases(steps)
    *_, second, largest = sorted(phases)
    cap = CAPPED * float(steps.mean())
    return largest / max(second, LEAST_PHASE * cap) if cap > 0.0 else 1.0


def _phases(steps: NDArray[np.float32]) -> list[float]:
    """Return the mean step from one column to the next in each of eight phases."""
    columns = np.minimum(steps, CAPPED * float(steps.mean())).mean(axis=0, dtype=float)
    return [float(columns[k::BLOCK].mean()) for k in range(BLOCK)]


def mean_step(codes: NDArray[np.integer[Any]]) -> float:
    """Return in how large steps, in codes of 8 bits, the means of JPEG's blocks move.

    JPEG keeps a block's mean as a multiple of one step (the first entry of its table of luminance,
    an eighth of a code each). Multiples of a step q turn exp(2 pi i mean / q) by whole turns, so
    that its mean over all blocks is long; the largest such step counts, of those that neighbours
    differ by at least. Infinite where no neighbours differ: then every step would do.

    Parameters
    ----------
    codes : (rows, columns, channels) array, upright with the blocks
    """
    luma = codes.astype(np.float32) / (PER_CODE if codes.dtype == np.uint16 else 1)
    luma = luma @ np.array(LUMA, np.float32) if luma.shape[2] == 3 else luma[:, :, 0]
    top = 1 + int(np.argmax(_phases(np.abs(np.diff(luma, axis=0)).T)))
    left = 1 + int(np.argmax(_phases(np.abs(np.diff(luma, axis=1)))))
    luma = luma[top:, left:]
    rows, columns = (side // BLOCK for side in luma.shape)
    whole = luma[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    means = BLOCK * whole.mean(axis=(1, 3), dtype=float)
    steps = np.concatenate([np.abs(np.diff(means, axis=k)).ravel() for k in (0, 1)])
    steps = steps[steps > BLOCK * ROUNDED]
    if not steps.size:
        return math.inf
    eighths = (means - BLOCK * LEVEL_SHIFT).ravel()
    most = min(LARGEST_STEP, int(AT_LEAST * float(np.quantile(steps, LEAST))))
    kept = [0.0, *(abs(np.exp(2j * np.pi / q * eighths).mean()) for q in range(1, most + 2))]
    peaks = [q for q in range(1, most + 1)
             if kept[q] > COMB and kept[q] >= max(kept[q - 1], kept[q + 1])]
    return max(peaks, default=0) / BLOCK


def hidden_step(codes: NDArray[np.integer[Any]]) -> ColourStep | None:
    """Return the steps of a picture that was compressed before it came into its file, or None.

    Its blocks show. Colour is taken to be kept as the standard's example tables have it, as
    coarsely as luma, in blocks twice as wide.

    Parameters
    ----------
    codes : (rows, columns, channels) array of 8 bits
    """
    few = int((codes.shape[0] * codes.shape[1] * LOOKED_AT) ** 0.5)
    if blockiness(_centre(codes, min(MOST_PX, few))) <= BLOCKY:
        return None
    step = mean_step(_centre(codes, MOST_PX))
    step = max(MEAN_STEP, step) if math.isfinite(step) else MEAN_STEP
    return ColourStep(step, 2 * BLOCK, float(np.ceil(step)), step)


def _centre(codes: NDArray[np.integer[Any]], side: int) -> NDArray[np.integer[Any]]:
    row, column = (slice(max((n - side) // 2, 0), (n + side) // 2) for n in codes.shape[:2])
    return codes[row, column]

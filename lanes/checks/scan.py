"""How a plate was scanned: scale, samples, levels, compression and lamp."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lanes.flags import Flag, flag
from lanes.plate.channel import CLIPPED, WEIGHTS
from lanes.plate.layout import Layout
from lanes.plate.signal import Signal
from lanes.reading import LaneReading
from lanes.scan.blocks import BLOCK, BLOCKY, LEAST_PX, MEAN_STEP, MOST_PX, blockiness, mean_step
from lanes.scan.scan import Scan
from lanes.scan.transfer import code_table
from lanes.spots.shapes import FWHM

Floats = NDArray[np.float64]

# Dots per inch that software writes where it knows none (common practice).
DEFAULT_DPI = (72.0, 96.0)
# Median full width at half height. Spots are applied 1 to 2 mm wide and grow (common practice); a
# disc of 1 mm is 0.87 mm wide at half height once integrated across.
TOO_WIDE_MM, TOO_NARROW_MM = 4.0, 0.8
# Ten samples over a peak's base of four sigma (common practice).
PER_SIGMA = 2.5
MOST_TIMES = 99.0  # of blocks' steps over others, that are printed
# Colours over levels of the richest channel, up to which a picture has one tone: rounding of the
# other channels adds a few.
TONED = 1.1
INNER = 1.0, 99.0  # percentiles of the codes: the layer and its spots, not the pencil
SPARSE_MM = 1.5    # between points at which the layer's light is looked at: its lamp is smooth
ALIKE = 0.9        # share of neighbouring pixels with the same codes; quiet grey scans reach 0.87
PALETTE = 256      # colours of a palette image; a colour scan has thousands
# Darkest over brightest part of the layer: beyond it the error of area percent doubles (drawn
# plates).
LAMP = 0.5
FEW = 16           # one sample in so many: where they show more colours, all do


def scale_remark(
    scan: Scan, layout: Layout, readings: Sequence[LaneReading]
) -> tuple[Flag, ...]:
    """Return the remark on a file's dots per inch that the spots' widths contradict."""
    # The spots' own widths: what the scan spreads a point over is taken off.
    widths = [math.sqrt(max(s.width_mm**2 - (FWHM * r.trace.blur) ** 2, 0.0))
              for r in readings for s in r.spots if s.width_mm is not None]
    if not layout.scaled or scan.dpi is None or not widths:
        return ()
    wide = float(np.median(widths))
    default = any(abs(scan.dpi - d) < 0.5 for d in DEFAULT_DPI)
    if default and wide > TOO_WIDE_MM:
        return (flag("scale-implausible", f"the file says {scan.dpi:.0f} dots per inch, which "
                     f"software writes where it knows none: spots would be {wide:.1f} mm wide in "
                     f"the median, and no more than {TOO_WIDE_MM:.0f} mm are usual"),)
    if wide < TOO_NARROW_MM:
        return (flag("scale-implausible", f"at {scan.dpi:.0f} dots per inch spots would be "
                     f"{wide:.2f} mm wide in the median; {TOO_NARROW_MM} mm or more are usual"),)
    return ()


def scan_remarks(
    scan: Scan, layout: Layout, signal: Signal, readings: Sequence[LaneReading]
) -> tuple[Flag, ...]:
    """Return remarks on how the picture was taken and kept."""
    out = [*_coarse(layout, readings)]
    clean = signal.clipped[::2, ::2][signal.bare[::2, ::2]]
    over = float(clean.mean()) if clean.size else 0.0
    if over > CLIPPED:
        out.append(flag("clipped", f"{100 * over:.0f} % of the clean layer is at the end of the "
                        f"scan's range; no more than {100 * CLIPPED:.0f} % is wanted"))
    codes = _inside(scan, layout)
    blocks = blockiness(codes)
    step = 0.0
    if blocks > BLOCKY:  # a file of another kind may have been made from a JPEG
        step = scan.colour_step.block_mean if scan.colour_step else mean_step(codes)
    if step > MEAN_STEP:
        size = f"{BLOCK} x {BLOCK} blocks"
        found = f", whose means move in steps of {step:.1f} codes" if math.isfinite(step) else ""
        times = min(blocks, MOST_TIMES)
        out.append(flag("compressed", f"steps between pixels are {times:.1f} times as large at the "
                        f"edges of {size}{found}; no more than {BLOCKY} times or "
                        f"{MEAN_STEP:.0f} code is wanted"))
    elif over <= CLIPPED:
        out += _levels(codes)
    lit = _evenness(scan, layout, signal)
    if lit is not None and lit < LAMP:
        out.append(flag("lamp-uneven", f"the darkest part of the layer has {100 * lit:.1f} % of "
                        f"the brightest one's light; {100 * LAMP:.0f} % or more is wanted"))
    return tuple(out)


def _coarse(layout: Layout, readings: Sequence[LaneReading]) -> tuple[Flag, ...]:
    """Return the remark on too few samples a sigma; pixels need no scale."""
    lower = layout.corners_px[1] - layout.corners_px[0]
    pixels = float(np.hypot(*lower)) / layout.width
    sigmas = [c.sigma * pixels for r in readings for c in r.fit.components]
    if not sigmas or float(np.median(sigmas)) >= PER_SIGMA:
        return ()
    return (flag("coarse", f"the scan has {np.median(sigmas):.1f} samples to a spot's sigma; "
                 f"{PER_SIGMA} or more are wanted"),)


def _inside(scan: Scan, layout: Layout) -> NDArray[np.integer[Any]]:
    """Return the codes of the plate's middle, upright with the picture."""
    low, high = np.sort(layout.corners_px, axis=0)[1:3]
    left, right = (int(np.clip(v, 0, scan.width_px)) for v in (low[0], high[0]))
    top, bottom = (int(np.clip(v, 0, scan.height_px)) for v in (low[1], high[1]))
    return scan.codes[_middle(top, bottom), _middle(left, right)]


def _middle(first: int, last: int) -> slice:
    centre, half = (first + last) // 2, MOST_PX // 2
    return slice(max(first, centre - half), min(last, centre + half))


def _levels(codes: NDArray[np.integer[Any]]) -> tuple[Flag, ...]:
    """Return the remark on a picture of few colours, or of neighbours without noise."""
    if min(codes.shape[:2]) < LEAST_PX:
        return ()
    # Channel by channel: logic over a short last axis is slow.
    alike = float(np.logical_and.reduce(
        [codes[:, 1:, c] == codes[:, :-1, c] for c in range(codes.shape[2])]).mean())
    if alike > ALIKE:
        return (flag("few-levels", f"{100 * alike:.0f} % of neighbouring pixels are alike; no more "
                     f"than {100 * ALIKE:.0f} % is wanted"),)
    some = codes[::2, ::2].reshape(-1, codes.shape[2]).astype(np.int64)
    if some.shape[1] == 1 or _colours(some[::FEW]) > PALETTE:
        return ()
    count = _colours(some)
    if count > PALETTE or _one_tone(some, count):
        return ()
    return (flag("few-levels", f"the plate is kept in {count} colours; more than {PALETTE} are "
                 "wanted"),)


def _colours(codes: NDArray[np.int64]) -> int:
    """Return how many colours there are among `codes`, (n, 3)."""
    # Sorted: a fifth of the time of numpy's own, which keeps them in a table (timed, numpy 2.4).
    colour = np.sort((codes[:, 0] << 32) + (codes[:, 1] << 16) + codes[:, 2])
    return int(np.count_nonzero(np.diff(colour))) + 1


def _one_tone(codes: NDArray[np.int64], count: int) -> bool:
    """Return whether all channels follow one, grey or toned, whose levels have no gaps.

    Such a picture has no more colours than levels; a palette leaves most levels out.
    """
    if (codes == codes[:, :1]).all():
        return True
    channel = max(codes.T, key=lambda each: np.unique(each).size)
    if count > TONED * np.unique(channel).size:
        return False
    low, high = np.percentile(channel, INNER)
    used = np.unique(channel[(channel >= low) & (channel <= high)]).size
    return bool(used > 0.5 * (high - low + 1.0))


def _evenness(scan: Scan, layout: Layout, signal: Signal) -> float | None:
    """Return the darkest twentieth of the layer's light over the brightest, at sparse points."""
    grid = signal.grid
    step = max(1, round(SPARSE_MM / grid.mm))
    row, column = np.nonzero(signal.bare[::step, ::step])
    if row.size < 50:
        return None
    u, v = layout.to_pixels((column * step + 0.5) * grid.pitch, (row * step + 0.5) * grid.pitch)
    i = np.clip(np.rint(v), 0, scan.height_px - 1).astype(int)
    j = np.clip(np.rint(u), 0, scan.width_px - 1).astype(int)
    light = code_table(scan.bits, scan.transfer)[scan.codes[i, j]]
    if light.shape[1] == 1:
        one = light[:, 0]
    else:
        weights = WEIGHTS[signal.channel]
        one = sum((w * light[:, k] for k, c in enumerate(("red", "green", "blue"))
                   if (w := weights.get(c, 0.0))), np.zeros(len(light), np.float32))
    low, high = np.percentile(one, [5, 95])
    return float(low / high) if high > 0 else None

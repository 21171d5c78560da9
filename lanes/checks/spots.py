"""How the samples were applied: spots too wide, unsymmetrical, streaking or overloaded."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lanes.flags import Flag, flag
from lanes.plate.signal import kubelka_munk, reflectance
from lanes.reading import LaneReading
from lanes.spots.quantities import full_width, width_at
from lanes.spots.robust_line import median_line

Floats = NDArray[np.float64]

# Full width at half height. Spots of 1 to 2 mm are applied (common practice), and a plate height
# of 50 micrometres over 75 mm spreads the larger ones to 4.9 mm (sigma^2 = H z, from memory).
WIDEST_MM = 5.0
WIDER = 1.8       # times what the plate's other spots make of this Rf
FLATTEST = 0.25   # of the square of a width at Rf 0: what a line that falls may come to (a choice)
FOOT = 0.05       # of a spot's height: where its reach is taken, as its symmetry is
APART = 0.02      # in Rf: nearer ones say nothing of how widths grow
FEWEST = 5        # spots that say what is usual on a plate
# Symmetry factor that is accepted without a limit of its own: Ph. Eur., 11th ed. (2022),
# 2.2.46 (from memory).
SYMMETRY_LOW, SYMMETRY_HIGH = 0.8, 1.8
STREAK = 4.0      # tail over front at 5 % of the height: symmetry 2.5
# Of the layer's light. Stray light of 1 % of it, usual in a scanner (common practice), then takes
# a tenth of what is measured there.
DARKEST = 0.1


def spot_remarks(
    readings: Sequence[LaneReading], law: str, reference: float, millimetres: bool
) -> tuple[tuple[tuple[Flag, ...], ...], ...]:
    """Return remarks on every spot of every lane.

    Parameters
    ----------
    readings : sequence of LaneReading
    law : str
        The law that made the signal.
    reference : float
        Reflectance of the layer.
    millimetres : bool
        Whether lengths are millimetres.
    """
    usual = _usual_widths(readings)
    return tuple(
        tuple(
            (*_wide(reading, i, widths[i], millimetres), *_tail(reading, i),
             *_dark(reading, i, law, reference))
            for i in range(len(reading.spots))
        )
        for reading, widths in zip(readings, usual, strict=True)
    )


def _width(reading: LaneReading, i: int) -> float:
    """Return a spot's full width at half height in plate units."""
    known = reading.spots[i].width_mm
    return known if known is not None else full_width(reading.fit.components[i])


def _merged(reading: LaneReading) -> set[int]:
    return {i for pair in reading.fit.merged for i in pair}


def _usual_widths(readings: Sequence[LaneReading]) -> list[Floats]:
    """Return the width that the plate's spots make usual at each spot's Rf; NaN if too few do.

    The square of a width grows in proportion to the way run; slope and height are the medians of
    Theil (1950) and Sen (1968), which no single odd spot can move.
    """
    rf, squared = [], []
    for reading in readings:
        for i, c in enumerate(reading.fit.components):
            if i not in _merged(reading):
                rf.append(c.centre / reading.trace.run)
                squared.append(_width(reading, i) ** 2)
    if len(rf) < FEWEST:
        return [np.full(len(r.spots), np.nan) for r in readings]
    x, y = np.array(rf), np.array(squared)
    slope, start = median_line(x, y, APART)
    if slope < 0.0:
        slope, start = 0.0, float(np.median(y))
    usual = (np.maximum(start + slope * np.array([s.rf for s in r.spots]), FLATTEST * start)
             for r in readings)
    # Where the line falls below nothing no width is usual.
    return [np.sqrt(np.where(squares > 0.0, squares, np.nan)) for squares in usual]


def _wide(reading: LaneReading, i: int, usual: float, millimetres: bool) -> tuple[Flag, ...]:
    wide = _width(reading, i)
    if millimetres and wide > WIDEST_MM:
        return (flag("wide", f"it is {wide:.1f} mm wide at half height; no more than "
                     f"{WIDEST_MM:.0f} mm are usual"),)
    if wide > WIDER * usual:  # never where `usual` is not a number
        return (flag("wide", f"it is {wide / usual:.1f} times as wide as the plate's other spots "
                     f"would be there; no more than {WIDER} times is usual"),)
    return ()


def _tail(reading: LaneReading, i: int) -> tuple[Flag, ...]:
    # Widths of merged spots are shared out, and a weak spot's tail is noise.
    if i in _merged(reading) or any(f.name in ("weak", "no-uncertainty")
                                    for f in reading.spots[i].flags):
        return ()
    factor = reading.spots[i].asymmetry
    if factor is None:
        return ()
    back = 2.0 * factor - 1.0  # over the front: what symmetry is made of
    ratio, word = max((back, "behind"), (1.0 / back, "ahead of"))
    if ratio > STREAK:
        reach = max(width_at(reading.fit.components[i], FOOT))
        share = 100 * reach / reading.trace.run
        return (flag("streak", f"it reaches {ratio:.1f} times as far {word} its apex as to the "
                     f"other side, {share:.0f} % of the run; less than {STREAK:.0f} times is "
                     "wanted"),)
    if not SYMMETRY_LOW <= factor <= SYMMETRY_HIGH:
        return (flag("asymmetric", f"its symmetry factor is {factor:.2f}; {SYMMETRY_LOW} to "
                     f"{SYMMETRY_HIGH} is wanted"),)
    return ()


def _dark(reading: LaneReading, i: int, law: str, reference: float) -> tuple[Flag, ...]:
    """Return the remark on a spot whose middle is darker than stray light allows."""
    trace = reading.trace
    if law == "emission" or trace.strips is None:
        return ()
    component = reading.fit.components[i]
    near = np.abs(trace.position - component.centre) < component.sigma
    near &= trace.usable
    if not near.any():
        return ()
    peak = float(trace.strips[near].max())
    share = float(_remaining(peak, law, reference))
    if share >= DARKEST:
        return ()
    return (flag("overloaded", f"its middle leaves {100 * share:.1f} % of the layer's light; "
                 f"{100 * DARKEST:.0f} % or more is wanted"),)


def _remaining(value: float, law: str, reference: float) -> float:
    """Return the share of the layer's light that is left where the signal is `value`."""
    if law == "optical-density":
        return float(10.0 ** -value)
    return float(reflectance(value + kubelka_munk(reference)) / reference)

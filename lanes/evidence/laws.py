"""A lane's trace under another law from light to signal, its spots fitted anew."""

from __future__ import annotations

from dataclasses import replace

from lanes.checks.blobs import without_other_side
from lanes.evidence.detection_limit import Lane, refitted
from lanes.plate.layout import Lane as Place
from lanes.plate.signal import to_signal
from lanes.reading import LaneReading, Plate
from lanes.rounding import TINY
from lanes.spots.fit import Fit
from lanes.spots.law_doubt import limit_under
from lanes.trace.background import background
from lanes.trace.noise import layer_noise
from lanes.trace.sample import sample
from lanes.trace.stripes import without_stripes

# The laws that turn each light into signal. Quenching dims the layer's glow as an absorber dims
# white light, so both absorbing laws are used for it (common practice); emission has one.
LAWS_OF = {
    "white": ("kubelka-munk", "optical-density"),
    "254": ("optical-density", "kubelka-munk"),
    "366": ("emission",),
}


def other_laws(plate: Plate) -> tuple[str, ...]:
    """Return the laws that the plate's signal could have been made by, but was not."""
    return tuple(law for law in LAWS_OF[plate.light] if law != plate.signal.law)


def limits_by_law(
    plate: Plate, reading: LaneReading, area: float, sigma: float
) -> tuple[float | None, ...]:
    """Return the area percent that a further spot would be: by the law in use, then by the others.

    Parameters
    ----------
    plate, reading
        The lane it would stand in, which has spots.
    area, sigma : float
        The spot's, by the law in use.
    """
    total = sum(spot.area for spot in reading.spots)
    signal = plate.signal
    return (100.0 * area / (total + area), *(
        limit_under(reading.trace, reading.fit, signal.law, law, signal.reference, area, sigma)
        for law in other_laws(plate)))


def area_by_any_law(
    plate: Plate, reading: LaneReading, area: float | None, sigma: float
) -> float | None:
    """Return the area beside the lane's spots that `area` stands for by that law which gives most.

    Parameters are those of `limits_by_law`; None where `area` is None.
    """
    if area is None:
        return None
    total = sum(one.area for one in reading.spots)
    if not total > 0.0:
        return area
    most = max(p for p in limits_by_law(plate, reading, area, sigma) if p is not None)
    return total * most / (100.0 - most)


def under_law(plate: Plate, place: Place, law: str, start: Lane, fit: Fit) -> tuple[Lane, Fit]:
    """Return lane and fit under `law`: the same spots fitted anew, none sought.

    Parameters
    ----------
    plate : Plate
    place : lanes.plate.layout.Lane
    law : str
    start : Lane
        What the reading under the plate's own law started from; `fit` is what it came to.
    """
    settings = replace(plate.settings, law=law, channel=plate.signal.channel)
    signal = to_signal(plate.scan, plate.layout, settings, plate.light)
    trace = without_other_side(sample(signal, plate.layout, place), plate.layout, place)
    trace = without_stripes(trace, plate.signal, plate.layout, place)
    flat = trace.signal
    if settings.background != "layer":
        flat = flat - background(flat, settings.background, usable=trace.usable,
                                 pitch=signal.grid.mm)
    noise = layer_noise(signal, plate.layout, place.width)
    if noise is None:
        # The noise only weighs the fit: its size over the tallest point carries over.
        noise = replace(start.noise, sd=start.noise.sd * float(flat.max())
                        / max(float(start.flat.max()), TINY))
    lane = replace(start, trace=trace, flat=flat, noise=noise)
    return lane, refitted(lane, fit)

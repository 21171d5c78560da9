"""Readings of invented plates whose every figure is known, for the tests of the output."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from lanes.flags import Flag, flag
from lanes.plate.layout import Lane, Layout, Line
from lanes.plate.picture import Picture
from lanes.reading import LaneReading, Reading, Source
from lanes.settings import Settings
from lanes.spots.fit import Attempt, Fit
from lanes.spots.model import Component
from lanes.spots.quantities import Pair, Spot
from lanes.trace.noise import Noise
from lanes.trace.sample import Trace

WIDTH, HEIGHT, ORIGIN, FRONT = 60.0, 100.0, 10.0, 85.0
SD = 0.02


def gaussian(z, centre, height, sigma):
    return height * np.exp(-0.5 * ((z - centre) / sigma) ** 2)


def lane_reading(name, peaks, *, run=75.0, scaled=True, x=None, seed=0, sd=SD, flags=(), role=None):
    """Return a lane of Gaussian `peaks` (rf, height, sigma), in lengths of one unit."""
    unit = run / 75.0
    z = np.arange(-2.0, 77.05, 0.1) * unit
    noise = np.random.default_rng(seed).normal(0.0, sd, z.size + 4)
    noise = np.convolve(noise, np.ones(5) / np.sqrt(5.0), "valid")
    curves = np.array([gaussian(z, r * run, h, s * unit) for r, h, s in peaks])
    curves = curves.reshape(-1, z.size)
    background = 0.3 + 0.002 * z / unit
    baseline = 0.01 * np.cos(z / unit / 40.0)
    model = baseline + curves.sum(axis=0)
    usable = (np.abs(z) > 0.6 * unit) & (np.abs(z - run) > 0.6 * unit)
    signal = background + model + noise + np.where(usable, 0.0, 1.7)
    areas = [h * s * unit * np.sqrt(2 * np.pi) for _, h, s in peaks]
    spots = []
    for (rf, height, sigma), area in zip(peaks, areas, strict=True):
        small = height < 10 * sd
        spots.append(
            Spot(
                rf=rf, rf_sd=0.0123 * sd / height, hrf=100 * rf,
                position_mm=rf * run if scaled else None,
                area=area, area_sd=None if small else 0.05 * area,
                area_percent=100 * area / sum(areas),
                area_percent_sd=None if small or len(peaks) == 1 else 1.234,
                height=height,
                width_mm=2.3548200450309493 * sigma * unit if scaled else None,
                sigma_mm=sigma * unit if scaled else None, asymmetry=1.0,
                plate_number=(rf * run / sigma / unit) ** 2, signal_to_noise=height / sd,
                flags=(flag("weak", "signal to noise is 6"),) if small else (),
            )
        )  # fmt: skip
    pairs = []
    for i, ((r1, _, s1), (r2, _, s2)) in enumerate(pairwise(peaks)):
        rs = 1.18 * (r2 - r1) * 75.0 / (2.3548200450309493 * (s1 + s2))
        pairs.append(Pair(i, i + 1, r2 - r1, rs, 0.0345, 1.0 if rs < 0.6 else 0.07))
    fit = Fit(
        components=tuple(
            Component(r * run, h, s * unit, 0.0, a)
            for (r, h, s), a in zip(peaks, areas, strict=True)
        ),
        covariance=None, baseline_order="linear", baseline=baseline, model=model, peaks=curves,
        r_squared=0.9987 if peaks else None, reduced_chi_square=1.04, aicc=-5123.4, bic=-5100.1,
        tried=tuple(
            Attempt(n, "gaussian", 3.2 / (n + 1), 3 * n + 2, -5000.0 - 10 * n, -4990.0 - 9 * n)
            for n in range(len(peaks) + 2)
        ),
    )  # fmt: skip
    return LaneReading(
        name=name, role=role, x_mm=x if scaled else None, width_mm=6.0 if scaled else None,
        run_mm=run if scaled else None, spots=tuple(spots), pairs=tuple(pairs),
        limit=0.0123456, fit=fit,
        noise=Noise(sd, np.array([1.0, 0.8, 0.6, 0.4, 0.2]), 0.1 * unit, "clean layer"),
        trace=Trace(
            position=z, signal=signal, usable=usable, gain=1 + 0.2 * curves.sum(axis=0), run=run,
            across=None, strips=None, clipped=np.zeros(z.size), thin=np.zeros(z.size),
        ),
        background=background, flags=tuple(flags),
    )  # fmt: skip


def drawing(layout, lanes, per_unit=6.0, seed=1):
    """Return the plate drawn: pencil lines, and dark spots where the lanes' spots are."""
    rows, columns = round(layout.height * per_unit), round(layout.width * per_unit)
    y = layout.height - (np.arange(rows)[:, None] + 0.5) / per_unit
    x = (np.arange(columns)[None, :] + 0.5) / per_unit
    grey = 236 + np.random.default_rng(seed).normal(0.0, 1.5, (rows, columns))
    for line in (layout.origin, layout.front):
        grey -= 90.0 * (np.abs(y - line.at(x)) < 1.2 / per_unit)
    unit = layout.mm_per_unit
    for place, lane in zip(layout.lanes, lanes, strict=True):
        for spot, component in zip(lane.spots, lane.fit.components, strict=True):
            x0, y0 = layout.path(place, spot.rf)
            wide, high = 1.7 / unit, component.sigma
            square = ((x - x0) / wide) ** 2 + ((y - y0) / high) ** 2
            grey -= 110 * (1 - np.exp(-component.height)) * np.exp(-0.5 * square)
    shade = np.clip(grey, 0, 255)[:, :, None] * np.array([1.0, 0.995, 0.98])
    return Picture(shade.astype(np.uint8), layout.width, layout.height)


def plate(peaks=None, names=None, *, unit=1.0, scaled=True, flags=()):
    """Return a plate's reading; by default four lanes, the third of them empty."""
    if peaks is None:
        peaks = [
            [(0.15, 0.9, 0.9), (0.42, 2.4, 1.1), (0.60, 0.06, 1.0), (0.71, 1.3, 1.3)],
            [(0.30, 1.4, 1.0), (0.335, 0.8, 1.0), (0.80, 0.7, 1.4)],
            [],
            [(0.42, 1.9, 1.1)],
        ]
        names = ("1", "crude", "blank", "<b>&\"'$x$")
    lanes, found = [], []
    pitch = (WIDTH - 12.0) / len(peaks)
    for i, (name, spots) in enumerate(zip(names, peaks, strict=True)):
        x = (8.0 + pitch * (i + 0.35)) * unit
        found.append(Lane(name, x, 6.0 * unit, lean=0.01 * i))
        lane = lane_reading(name, spots, run=75.0 * unit, scaled=scaled, x=x, seed=i)
        if not spots:
            lane = replace(lane, flags=(flag("no-spot", "nothing above 3 sd of the noise"),))
        lanes.append(lane)
    corners = np.array([[10, 610], [370, 610], [370, 10], [10, 10]], float) * unit
    layout = Layout(
        WIDTH * unit, HEIGHT * unit, scaled, 1.0 if scaled else 1.0 / unit, corners,
        Line((ORIGIN * unit,)), Line((FRONT * unit,)), tuple(found),
        {"origin": 0.98, "front": 0.71, "lanes": 0.93},
    )  # fmt: skip
    return Reading(
        Source("plate <1> & co.png", "ab" * 32, 380, 620, 8, "RGB", 150.0, "srgb"),
        "white", "kubelka-munk", "green", layout, drawing(layout, lanes, 6.0 / unit),
        tuple(lanes), tuple(flags), Settings(light="white", origin=ORIGIN * unit),
    )  # fmt: skip


def unscaled():
    """Return a plate in pixels: its lengths are unknown in mm."""
    remark = Flag("scale-unknown", "no dots per inch in the file: give --plate-width")
    peaks = [[(0.2, 1.2, 1.0), (0.5, 0.8, 1.2), (0.9, 1.1, 1.1)], [(0.5, 1.0, 1.0)]]
    return plate(peaks, ("a", "b"), unit=6.0, scaled=False, flags=(remark,))


def trace_only():
    """Return the reading of a trace given as two columns: no plate, no picture."""
    lane = lane_reading("trace", [(0.31, 1.0, 1.0), (0.52, 0.5, 1.2), (0.7, 0.9, 1.2)])
    source = Source("densitogram.csv", "cd" * 32, None, None, None, None, None, None)
    return Reading(source, None, None, None, None, None, (lane,), (), Settings())

"""From the contents of a plate to the picture a scanner or camera takes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import gaussian_filter, map_coordinates

from lanes.draw import marks
from lanes.draw.signal import signal
from lanes.draw.spec import PlateSpec
from lanes.draw.truth import truth
from lanes.draw.view import View, grid, view

Floats = NDArray[np.float64]
Light = NDArray[np.float32]

# Linear light (r, g, b) of the clean layer: reflectance, green glow, faint violet. From memory
# of plates, as are the numbers below: they set how a drawn plate looks, not what it holds.
LAYER = {
    "white": (0.86, 0.86, 0.86),
    "254": (0.10, 0.60, 0.22),
    "366": (0.018, 0.014, 0.052),
}
EMISSION = (0.35, 0.62, 1.0)  # colour of a fluorescent spot that has none of its own
EMITTED = 0.9  # linear light per signal under 366 nm
BED = {"white": (1.0, 1.0, 1.0), "254": (0.10, 0.14, 0.12), "366": (0.10, 0.09, 0.14)}
GRAPHITE = {"white": 0.6, "254": 0.6, "366": 0.15}  # share of light a pencil stroke takes
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear light, IEC 61966-2-1
GRAIN = 0.3  # full width at half height of the grain's correlation kernel, mm
MOTTLE = 3.0  # standard deviation of the mottle's kernel, mm


@dataclass(frozen=True)
class Drawing:
    """A drawn plate.

    Attributes
    ----------
    pixels : (rows, columns) or (rows, columns, 3) array
        uint8 or uint16 codes, row 0 at the top.
    truth : dict
        What the plate holds and where, in plain values for JSON.
    spec : PlateSpec
        What it was drawn from.
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    truth: dict[str, Any]
    spec: PlateSpec


def draw(spec: PlateSpec) -> Drawing:
    """Draw `spec`. The same spec gives the same pixels.

    White light follows Kubelka & Munk (1931): F(R) = F(R_layer) + s with
    F(R) = (1-R)^2/(2R), so R = 1 + F - sqrt(F^2 + 2F). At 254 nm the glow is E0 10^-s; at 366 nm
    emission is added in proportion to s.
    """
    seen = view(spec)
    # Where the plate is resampled, a little bed round it is enough: the rest is even.
    x, y = grid(spec, spec.margin if seen.flat else 2.0 + 4 * spec.blur)
    light = _marked(spec, _layer(spec, x, y), x, y)
    light = _on_bed(spec, light, x, y, cropped=seen.flat and spec.margin == 0)
    if spec.mode == "grey":
        light = light @ np.array(LUMINANCE, np.float32)[:, None]
    sigma = spec.blur * spec.dpi / 25.4
    if sigma > 0:
        light = gaussian_filter(light, (sigma, sigma, 0), mode="nearest", truncate=4)
    if not seen.flat:
        light = _projected(light, seen, x, y)
    light = _exposed(spec, light)
    return Drawing(_codes(spec, light), truth(spec, seen), spec)


def encode(light: Light) -> Light:
    """Return linear `light` from 0 to 1 as sRGB from 0 to 1 (IEC 61966-2-1)."""
    high = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, high).astype(np.float32)


def _rng(spec: PlateSpec, stream: int) -> np.random.Generator:
    # A stream for each effect: switching one off leaves the others as they were.
    return np.random.default_rng([spec.seed, stream])


def _layer(spec: PlateSpec, x: Floats, y: Floats) -> Light:
    texture = _texture(spec, x, y)[..., None]
    layer = np.array(LAYER[spec.light], np.float32)
    default = EMISSION if spec.light == "366" else (1.0, 1.0, 1.0)
    s = signal(spec, x, y, default).astype(np.float32)
    if spec.light == "white":
        clean = np.clip(layer * texture, 0.01, 0.99)
        f = (1 - clean) ** 2 / (2 * clean) + s
        return np.asarray(1 + f - np.sqrt(f * f + 2 * f), np.float32)
    if spec.light == "254":
        return layer * texture * np.power(np.float32(10), -s)
    colour = np.array(EMISSION if s.shape[-1] == 1 else (1, 1, 1), np.float32)
    return (layer + EMITTED * s * colour) * texture


def _texture(spec: PlateSpec, x: Floats, y: Floats) -> Light:
    out = np.ones((y.size, x.size), np.float32)
    if spec.grain > 0:
        fine = _rng(spec, 1).standard_normal(out.shape, dtype=np.float32)
        fine = gaussian_filter(fine, GRAIN / 2.3548 * spec.dpi / 25.4, mode="wrap", truncate=3)
        out += spec.grain / fine.std() * fine
    if spec.mottle > 0:
        # Smooth over several mm, so a node each mm carries it; the same at every dpi.
        nodes = (np.arange(-3.0, spec.height + 4), np.arange(-3.0, spec.width + 4))
        coarse = _rng(spec, 2).standard_normal((nodes[0].size, nodes[1].size))
        coarse = gaussian_filter(coarse, MOTTLE, mode="reflect")
        coarse = (coarse - coarse.mean()) * (spec.mottle / coarse.std())
        # Beyond the plate is bed: nodes end there, and so does what the spline is asked for.
        rows = np.clip(y[::-1], nodes[0][0], nodes[0][-1])
        columns = np.clip(x, nodes[1][0], nodes[1][-1])
        smooth = RectBivariateSpline(*nodes, coarse)(rows, columns)
        out += smooth[::-1].astype(np.float32)
    return out


def _marked(spec: PlateSpec, light: Light, x: Floats, y: Floats) -> Light:
    taken = GRAPHITE[spec.light] * marks.pencil(spec, x, y, _rng(spec, 3))
    light = light * (1 - taken[..., None])
    if spec.scratches:
        light = light * (1 - marks.scratches(spec, x, y, _rng(spec, 4))[..., None])
    if spec.dust:
        dust = marks.specks(spec, x, y, _rng(spec, 5))[..., None]
        # Lint glows under 366 nm; elsewhere a speck is a shadow.
        lit = np.float32(0.25 if spec.light == "366" else 0.05)
        light = light * (1 - dust) + lit * dust
    return light.astype(np.float32)


def _on_bed(spec: PlateSpec, light: Light, x: Floats, y: Floats, *, cropped: bool) -> Light:
    if cropped:
        return light
    pitch = 25.4 / spec.dpi
    # Share of each pixel that the plate covers, its edges falling between pixels.
    across = np.clip((spec.width / 2 - np.abs(x - spec.width / 2)) / pitch + 0.5, 0, 1)
    up = np.clip((spec.height / 2 - np.abs(y - spec.height / 2)) / pitch + 0.5, 0, 1)
    plate = np.outer(up, across).astype(np.float32)[..., None]
    bed = spec.bed * np.array(BED[spec.light], np.float32)
    return light * plate + bed * (1 - plate)


def _projected(light: Light, seen: View, x: Floats, y: Floats) -> Light:
    pitch = x[1] - x[0]
    onto_grid = np.array([[1 / pitch, 0, -x[0] / pitch], [0, -1 / pitch, y[0] / pitch], [0, 0, 1]])
    back = onto_grid @ np.linalg.inv(seen.homography)
    column = np.arange(seen.columns)[None, :]
    row = np.arange(seen.rows)[:, None]
    u, v, w = (m[0] * column + m[1] * row + m[2] for m in back)
    at = np.array([v / w, u / w], np.float32)
    planes = [
        map_coordinates(light[..., c], at, order=1, mode="nearest", prefilter=False)
        for c in range(light.shape[-1])
    ]
    return np.stack(planes, axis=-1)


def _exposed(spec: PlateSpec, light: Light) -> Light:
    rows, columns, _ = light.shape
    v = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    u = np.linspace(-1, 1, columns, dtype=np.float32)[None, :]
    if spec.lamp > 0:
        cu, cv = _rng(spec, 6).uniform(-0.3, 0.3, 2).astype(np.float32)
        distance = (u - cu) ** 2 + (v - cv) ** 2
        light = light * (1 - spec.lamp * distance / distance.max())[..., None]
    if spec.glare > 0:
        rng = _rng(spec, 7)
        cu, cv = rng.uniform(-0.6, 0.6, 2)
        wide, high = rng.uniform(0.25, 0.5), rng.uniform(0.12, 0.3)
        patch = np.exp(-0.5 * (((u - cu) / wide) ** 2 + ((v - cv) / high) ** 2))
        light = light + (spec.glare * patch[..., None]).astype(np.float32)
    if spec.noise > 0:
        grains = _rng(spec, 8).standard_normal(light.shape, dtype=np.float32)
        grains *= spec.noise * np.sqrt(0.01 + 0.99 * np.maximum(light, 0))
        light = light + grains
    return np.clip(light, 0, 1).astype(np.float32)


def _codes(spec: PlateSpec, light: Light) -> NDArray[np.uint8] | NDArray[np.uint16]:
    coded = encode(light) if spec.transfer == "srgb" else light
    if spec.mode == "grey":
        coded = coded[..., 0]
    if spec.bits == 8:
        return np.rint(coded * 255).astype(np.uint8)
    return np.rint(coded.astype(np.float64) * 65535).astype(np.uint16)

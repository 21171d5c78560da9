"""From light to a file: lamp, optics, noise, a maker's processing, coding and compression."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from .optics import srgb_code

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Camera:
    """How a picture is taken.

    Attributes
    ----------
    exposure : float
        Linear light that a white of reflectance 1 is brought to before the tone curve.
    cast : tuple of float
        Gain of red, green and blue.
    tone, contrast : str, float
        "srgb" (as the standard says), "s-curve", "filmic" or "lifted"; how far it bends.
    saturation : float
        How far colours are pushed away from grey.
    vignette, fall, fall_angle : float
        Light lost in the corners; change of light over the picture, and its direction (radians).
    blur : float
        Sd of the optics in pixels.
    noise : (float, float)
        Variance per linear light, and constant sd.
    denoise : float
        0 none, 1 smooths everything under the edges away.
    sharpen, radius : float
        Amount and radius (pixels) of unsharp masking: halos round dark lines.
    file_format, quality, subsampling : str, int or None, int
        "PNG" or "JPEG"; JPEG's quality and chroma subsampling (0 none, 2 halves both ways).
    grey : bool
        Kept as one channel.
    """

    exposure: float = 0.95
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)
    tone: str = "srgb"
    contrast: float = 0.0
    saturation: float = 1.0
    vignette: float = 0.0
    fall: float = 0.0
    fall_angle: float = 0.0
    blur: float = 0.6
    noise: tuple[float, float] = (2e-5, 0.001)
    denoise: float = 0.0
    sharpen: float = 0.0
    radius: float = 1.2
    file_format: str = "PNG"
    quality: int | None = None
    subsampling: int = 0
    grey: bool = False


def lamp(camera: Camera, shape: tuple[int, int]) -> Floats:
    """Return the light over the picture, about 1 in the middle."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    slope = np.cos(camera.fall_angle) * x + np.sin(camera.fall_angle) * y
    return (1 + 0.5 * camera.fall * slope) * (1 - camera.vignette * (x * x + y * y) / 2)


def take(light: Floats, camera: Camera, rng: np.random.Generator) -> Image.Image:
    """Return the picture of linear `light` (rows, columns, 3), as decoded from its file."""
    codes = np.empty_like(light)
    shot, read = camera.noise
    table = _tone_table(camera)
    for c in range(3):  # a channel at a time keeps the working set small
        plane = light[:, :, c] * np.float32(camera.exposure * camera.cast[c])
        plane = ndimage.gaussian_filter(plane, camera.blur, truncate=3)
        spread = np.sqrt(np.float32(shot) * np.maximum(plane, 0) + np.float32(read**2))
        plane += spread * rng.standard_normal(plane.shape, np.float32)
        index = np.clip(plane * np.float32(TABLE / BRIGHTEST), 0, TABLE).astype(np.int32)
        codes[:, :, c] = table[index]
    if camera.saturation != 1:
        grey = codes.mean(axis=2, keepdims=True)
        codes = grey + camera.saturation * (codes - grey)
    if camera.denoise:
        codes = _smear(codes, camera.denoise)
    if camera.sharpen:
        luma = codes.mean(axis=2)
        edge = luma - ndimage.gaussian_filter(luma, camera.radius, truncate=3)
        codes = codes + camera.sharpen * np.clip(edge, -0.12, 0.12)[:, :, None]
    if camera.grey:
        codes = np.repeat(codes @ np.array([[0.299], [0.587], [0.114]], np.float32), 3, axis=2)
    image = Image.fromarray(np.clip(codes * 255 + 0.5, 0, 255).astype(np.uint8))
    if camera.grey:
        image = image.convert("L")
    if camera.file_format == "PNG":
        return image
    kept = io.BytesIO()
    save(image, kept, camera)
    return Image.open(io.BytesIO(kept.getvalue())).copy()


def save(image: Image.Image, to, camera: Camera, **more) -> None:
    """Write `image` as the camera's file; `more` goes to Pillow."""
    if camera.file_format == "JPEG":
        more = {"quality": camera.quality, "subsampling": camera.subsampling, **more}
    image.save(to, camera.file_format, **more)


TABLE = 65535  # steps of the tone curve's table
BRIGHTEST = 1.6  # linear light at its end


def _tone_table(camera: Camera) -> Floats:
    """Return codes in [0, 1] for linear light from 0 to `BRIGHTEST`."""
    x = np.linspace(0, BRIGHTEST, TABLE + 1)
    k = camera.contrast
    if camera.tone == "filmic":  # a shoulder: highlights bend instead of clipping
        y = srgb_code((1 - np.exp(-x * (1.4 + k))) / (1 - np.exp(-(1.4 + k))))
    else:
        y = srgb_code(x)
    if camera.tone == "s-curve":
        y = y + k * (y * y * (3 - 2 * y) - y)
    if camera.tone == "lifted":  # shadows opened, middle flattened
        y = y + k * 0.35 * y * (1 - y) ** 2 * 2
    return np.clip(y, 0, 1).astype(np.float32)


def _smear(codes: Floats, strength: float) -> Floats:
    """Return `codes` smoothed where the picture is nearly flat; edges stay (a guided filter)."""
    size = 7
    floor = np.float32((0.012 * strength) ** 2)
    out = np.empty_like(codes)
    for c in range(3):
        mean = ndimage.uniform_filter(codes[:, :, c], size)
        square = ndimage.uniform_filter(codes[:, :, c] ** 2, size)
        share = np.clip(square - mean**2, 0, None)
        share = share / (share + floor)
        out[:, :, c] = mean + share * (codes[:, :, c] - mean)
    return out

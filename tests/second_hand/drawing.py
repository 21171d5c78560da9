"""The doors: a kind and a seed in, a picture and its truth out."""

from __future__ import annotations

from pathlib import Path
from zlib import crc32

import numpy as np
from PIL import Image

from .kinds import KINDS
from .plate import DrawnPlate
from .scene import Scene, photograph
from .truth import Truth

OPEN_SEEDS = range(16)  # may be looked at while the program is worked on
UNSEEN_SEEDS = range(16, 20)  # kept for the last judgement: look at nothing but their totals

# Stored turned so that the tag turns it back (Exif 2.3, tag 274).
_STORED = {
    3: Image.Transpose.ROTATE_180,
    6: Image.Transpose.ROTATE_90,
    8: Image.Transpose.ROTATE_270,
}


def scene_of(kind: str, seed: int) -> tuple[Scene, np.random.Generator]:
    """Return the scene of a kind and seed, and the generator that goes on to draw it."""
    rng = np.random.default_rng([crc32(kind.encode()), seed])
    return KINDS[kind](rng, seed), rng


def drawn(kind: str, seed: int) -> tuple[Image.Image, Truth, DrawnPlate | None]:
    """Return the picture, its truth, and the plate's own light and signal before the camera."""
    scene, rng = scene_of(kind, seed)
    return photograph(scene, kind, seed, rng)


def draw(kind: str, seed: int) -> tuple[Image.Image, Truth]:
    """Return the picture (as its file would be shown, JPEG's losses included) and its truth."""
    image, truth, _ = drawn(kind, seed)
    return image, truth


def write(kind: str, seed: int, folder: Path) -> tuple[Path, Truth]:
    """Write `KIND-SEED.png` or `.jpg` and its `.json` into a folder; return the picture's path."""
    image, truth = draw(kind, seed)
    return save(image, truth, Path(folder) / f"{kind}-{seed}"), truth


def save(image: Image.Image, truth: Truth, stem: Path) -> Path:
    """Write a picture as its truth says its file is, with its dots per inch and orientation."""
    stem.parent.mkdir(parents=True, exist_ok=True)
    more: dict = {"dpi": (truth.dpi, truth.dpi)} if truth.dpi else {}
    if truth.file_format == "JPEG":
        more |= {"quality": truth.quality, "subsampling": truth.subsampling}
        if truth.exif_orientation != 1:
            exif = Image.Exif()
            exif[274] = truth.exif_orientation
            more["exif"] = exif
            image = image.transpose(_STORED[truth.exif_orientation])
    path = Path(f"{stem}.{'jpg' if truth.file_format == 'JPEG' else 'png'}")
    image.save(path, truth.file_format, **more)
    Path(f"{stem}.json").write_text(truth.to_json())
    return path

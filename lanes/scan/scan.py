"""A scan: codes as the file holds them, and the linear light they stand for."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lanes.errors import InputError
from lanes.flags import Flag, flag
from lanes.scan.blocks import hidden_step
from lanes.scan.decode import check_page, decode, file_kind, read_bytes
from lanes.scan.pixels import STRIP, Codes, ColourStep, Raw, guarded, turned
from lanes.scan.stated import EXIF_UNKNOWN_DPI, dots, power_text, stated_transfer
from lanes.scan.tiff import BITS, MIN_IS_WHITE, PHOTOMETRIC, deep_tiff, tiff_pages, tiff_tags
from lanes.scan.transfer import Light, code_table
from lanes.settings import Settings

# Relative luminance of linear red, green and blue: IEC 61966-2-1 (Rec. ITU-R BT.709).
_LUMINANCE = (0.2126, 0.7152, 0.0722)
_WEIGHTS = {
    "red": (1.0, 0.0, 0.0),
    "green": (0.0, 1.0, 0.0),
    "blue": (0.0, 0.0, 1.0),
    "mean": (1 / 3, 1 / 3, 1 / 3),
    "luminance": _LUMINANCE,
    "red+green": (0.5, 0.5, 0.0),
    "green+blue": (0.0, 0.5, 0.5),
    "red+blue": (0.5, 0.0, 0.5),
}
# EXIF orientation: quarter turns counter-clockwise that follow a left-right mirroring, if any.
_ORIENTATIONS = {
    1: (0, False), 2: (0, True), 3: (2, False), 4: (2, True),
    5: (1, True), 6: (3, False), 7: (3, True), 8: (1, False),
}  # fmt: skip


_PNG_DEPTH = 24  # which byte of the file holds the bits a channel: PNG 11.2.1, behind 8 + 8 + 8


@dataclass(frozen=True, eq=False)
class Scan:
    """One image as the file holds it, upright, with what the file states of itself.

    Attributes
    ----------
    codes : (height_px, width_px, C) array of uint8 or uint16
        C is 1 (grey) or 3 (red, green, blue). Contiguous and locked.
    file, sha256 : str
        The file's name without its folder, and the hash of its bytes.
    width_px, height_px : int
        After turning.
    bits : int
        8 or 16: the depth of `codes`.
    mode : str
        The image library's word for the kind of pixel in the file.
    dpi : float or None
        Dots per inch; None where unknown, implausible, or written by a camera.
    transfer : str
        "srgb", "linear", or the power as text: the tone curve, from codes to light.
    camera : bool
        Whether the file was made by a camera rather than a scanner.
    flags : tuple of Flag
    colour_step : ColourStep or None
        The finest difference of colour that a JPEG's own tables keep; None for other files.
    """

    codes: Codes
    file: str
    sha256: str
    width_px: int
    height_px: int
    bits: int
    mode: str
    dpi: float | None
    transfer: str
    camera: bool = False
    flags: tuple[Flag, ...] = ()
    colour_step: ColourStep | None = None

    @property
    def finest_step(self) -> float:
        """The step in which the file keeps light, in codes of 255."""
        step = 1.0 if self.colour_step is None else self.colour_step.luma
        return step * 255 / ((1 << self.bits) - 1)

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels `light` offers: only "mean" for a grey scan."""
        return tuple(_WEIGHTS) if self.codes.shape[2] == 3 else ("mean",)

    def light(self, channel: str, reduce: int = 1) -> Light:
        """Return linear light from 0 to 1, averaged over blocks of `reduce` x `reduce` pixels.

        Parameters
        ----------
        channel : str
            One of `channels`. "luminance" weighs by IEC 61966-2-1.
        reduce : int
            Side of a block in pixels. The rows at the bottom and the columns at the right that
            fill no block are dropped.

        Returns
        -------
        (height_px // reduce, width_px // reduce) array of float32

        Raises
        ------
        InputError
            If the scan has no such channel, or no block fits in it.
        """
        table = code_table(self.bits, self.transfer)
        tables = [(c, table * np.float32(w)) for c, w in self._parts(channel)]

        def value(rows: Codes) -> Light:
            (first, scaled), *others = tables
            total = scaled.take(rows[:, :, first])
            for c, scaled in others:
                total += scaled.take(rows[:, :, c])
            return total

        return self._blocks(value, reduce)

    def colours(
        self, row: NDArray[np.float64], column: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return linear light at places between pixels, by linear interpolation.

        Parameters
        ----------
        row, column : arrays of one shape
            In pixels; centres lie at whole numbers. Beyond the image its outermost pixels count.

        Returns
        -------
        array
            Of the same shape and a last axis of 3 (red, green, blue), or 1 for a grey scan.
        """
        table = code_table(self.bits, self.transfer)
        row = np.clip(row, 0, self.height_px - 1)
        column = np.clip(column, 0, self.width_px - 1)
        top, left = np.floor(row).astype(int), np.floor(column).astype(int)
        down, right = (row - top)[..., None], (column - left)[..., None]
        low, far = np.minimum(top + 1, self.height_px - 1), np.minimum(left + 1, self.width_px - 1)
        upper = table[self.codes[top, left]] * (1 - right) + table[self.codes[top, far]] * right
        lower = table[self.codes[low, left]] * (1 - right) + table[self.codes[low, far]] * right
        return np.asarray(upper * (1 - down) + lower * down, np.float64)

    def clipped(self, channel: str, reduce: int = 1) -> Light:
        """Return the share of pixels at code 0 or the highest code, in the blocks of `light`.

        In a mixture of channels a pixel counts where any of them is at its limit.
        """
        parts = self._parts(channel)
        top = (1 << self.bits) - 1
        if self.codes.min() > 0 and self.codes.max() < top:
            return np.zeros(self._reduced(reduce), np.float32)

        def value(rows: Codes) -> Light:
            hit = np.zeros(rows.shape[:2], bool)
            for c, _ in parts:
                hit |= (rows[:, :, c] == 0) | (rows[:, :, c] == top)
            return hit.astype(np.float32)

        return self._blocks(value, reduce)

    def _parts(self, channel: str) -> list[tuple[int, float]]:
        if channel not in self.channels:
            kind = "grey" if len(self.channels) == 1 else "in colour"
            raise InputError(
                f"{self.file} is {kind} and has no channel {channel!r}: "
                f"give --channel {' or '.join(self.channels)}"
            )
        if len(self.channels) == 1:
            return [(0, 1.0)]
        return [(c, w) for c, w in enumerate(_WEIGHTS[channel]) if w]

    def _reduced(self, reduce: int) -> tuple[int, int]:
        if not 1 <= reduce <= min(self.width_px, self.height_px):
            raise InputError(f"reduce {reduce} must be from 1 to the image's shorter side")
        return self.height_px // reduce, self.width_px // reduce

    def _blocks(self, value: Callable[[Codes], Light], reduce: int) -> Light:
        height, width = self._reduced(reduce)
        out = np.empty((height, width), np.float32)
        # Half a strip: codes are looked up by indices of eight bytes.
        step = max(1, STRIP // (2 * self.width_px * reduce))
        for top in range(0, height, step):
            end = min(top + step, height)
            block = value(self.codes[top * reduce : end * reduce, : width * reduce])
            if reduce > 1:
                rows = _total(block[i::reduce] for i in range(reduce))
                block = _total(rows[:, i::reduce] for i in range(reduce))
                block /= reduce**2
            # Weights rounded to float32 may add up to a hair above 1.
            np.minimum(block, 1, out=out[top:end])
        return out


def _total(arrays: Iterable[Light]) -> Light:
    # The built-in sum, without a new array at each step.
    arrays = iter(arrays)
    total = next(arrays).copy()
    for array in arrays:
        total += array
    return total


def read_scan(
    path: str | Path, *, transfer: str = "auto", turn: int = 0, dpi: float | None = None,
    page: int | None = None,
) -> Scan:
    """Read one page of a PNG, TIFF, JPEG, BMP, WebP or (with its extra) HEIC file.

    Opaque transparency is dropped. A file with a pixel that is not opaque is refused: what shows
    through was never measured, and any colour put there would be invented.

    Parameters
    ----------
    path : str or Path
    transfer : str
        "auto" believes the file (a plain curve in its colour profile, or a PNG's sRGB or gAMA
        chunk) and takes sRGB where it states nothing. Only the curve of a profile is used, not
        its colours.
    turn : int
        Quarter turns counter-clockwise, in degrees, after the EXIF orientation.
    dpi : float or None
        Dots per inch, instead of the file's own.
    page : int or None
        Which page, from 1; None reads the first and flags that there are more.

    Raises
    ------
    InputError
        If the file can't be read, is not such an image, is broken, or is too large or too small.
    """
    Settings(transfer=transfer, turn=turn, dpi=dpi, page=page)
    name, data = read_bytes(path)
    sha256 = hashlib.sha256(data).hexdigest()
    kind = file_kind(name, data)
    with guarded(name, kind):
        raw, deep, pages = _decoded(name, kind, data, (page or 1) - 1)
        del data  # the file's bytes go before the codes come
        codes = _upright(raw, int(turn) // 90)
    bits = 8 * codes.dtype.itemsize
    flags: list[Flag] = []
    if page is None and pages > 1:
        flags.append(flag("more-pages", f"{name} holds {pages} pages and the first was read: "
                          "choose one with --page"))
    if deep and bits == 8:
        flags.append(flag("depth-lost", f"{name} holds 16 bits a channel and was read at 8"))
    transfer, doubts = _tone_curve(name, raw, deep, transfer)
    dpi, camera, remarks = _resolution(name, kind, raw, max(codes.shape[:2]), dpi)
    return Scan(
        codes, name, sha256, codes.shape[1], codes.shape[0], bits, raw.mode,
        None if dpi is None else float(dpi), transfer, camera, (*flags, *doubts, *remarks),
        raw.colour_step or (hidden_step(codes) if bits == 8 else None),
    )  # fmt: skip


def _decoded(name: str, kind: str, data: bytes, index: int) -> tuple[Raw, bool, int]:
    """Return page `index` as decoded, whether it holds 16 bits, and the count of pages."""
    places = tiff_pages(data) if kind == "TIFF" else []
    start = 0
    if places:
        check_page(name, index, len(places))
        index, start = places[index]
    tags = tiff_tags(name, data, start) if places else {}
    deep = 16 in tags.get(BITS, ()) or (kind == "PNG" and data[_PNG_DEPTH] == 16)
    raw = deep_tiff(name, data, tags, index) if deep and tags else None
    if raw is None:
        inverted = deep and tags.get(PHOTOMETRIC) == (MIN_IS_WHITE,)
        raw = decode(name, kind, BytesIO(data), inverted, index)
    return raw, deep, len(places) or raw.pages


def _upright(raw: Raw, turns: int) -> Codes:
    """Return the codes turned by the file's own orientation and then by `turns`, locked."""
    own, mirrored = _ORIENTATIONS.get(raw.orientation, (0, False))
    codes, upright = turned(raw.shape, raw.dtype, own + turns, mirrored)
    for top, strip in raw.strips:
        upright[top : top + len(strip)] = strip
    codes.setflags(write=False)
    return codes


def _tone_curve(name: str, raw: Raw, deep: bool, transfer: str) -> tuple[str, list[Flag]]:
    """Return the tone curve as `Scan.transfer` names it, and the doubt of it."""
    if transfer != "auto":
        named = transfer in ("srgb", "linear")
        return transfer if named else power_text(float(transfer)), []
    stated = "" if raw.mode == "CMYK" else stated_transfer(raw.info)
    flags = []
    if stated == "" or (deep and not stated):
        why = "says nothing" if stated is None else "says nothing that can be used"
        flags.append(flag("transfer-assumed",
                          f"{name} {why} of its tone curve, from codes to light: taken as sRGB"))
    return stated or "srgb", flags


def _resolution(
    name: str, kind: str, raw: Raw, side: int, dpi: float | None
) -> tuple[float | None, bool, list[Flag]]:
    """Return dots per inch, whether a camera made the file, and a remark on the file's own."""
    own, remark = dots(name, kind, raw.info.get("dpi"), side)
    # A scanner may sign its files with make and model too, but then states its resolution.
    camera = raw.exposure or (raw.maker and own in (None, EXIF_UNKNOWN_DPI))
    if dpi is None and not camera:
        return own, camera, [remark] if remark else []
    return dpi, camera, []


def read_for(path: str | Path, settings: Settings) -> Scan:
    """Read the picture of a plate as `settings` ask. Errors are those of `read_scan`."""
    turn = 0 if isinstance(settings.turn, str) else settings.turn
    return read_scan(path, transfer=settings.transfer, turn=turn, dpi=settings.dpi,
                     page=settings.page)

"""The steps in which a lossy WebP keeps luma and colour, from its own header.

A WebP is a RIFF file, whose chunk "VP8 " holds one key frame of RFC 6386 (VP8). That frame's header
is packed by an arithmetic coder (section 7) and holds the quantizers (section 9.6), of whole
macroblocks in up to four segments (section 9.3).
"""

from __future__ import annotations

from collections.abc import Iterator

from lanes.scan.pixels import ColourStep

# Steps of a block's first coefficient, by the quantizer's index: RFC 6386, section 14.1, from
# memory.
_FIRST = (
    4, 5, 6, 7, 8, 9, 10, 10, 11, 12, 13, 14, 15, 16, 17, 17, 18, 19, 20, 20, 21, 21, 22, 22, 23,
    23, 24, 25, 25, 26, 27, 28, 29, 30, 31, 32, 33, 34, 35, 36, 37, 37, 38, 39, 40, 41, 42, 43, 44,
    45, 46, 46, 47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58, 59, 60, 61, 62, 63, 64, 65, 66, 67,
    68, 69, 70, 71, 72, 73, 74, 75, 76, 76, 77, 78, 79, 80, 81, 82, 83, 84, 85, 86, 87, 88, 89, 91,
    93, 95, 96, 98, 100, 101, 102, 104, 106, 108, 110, 112, 114, 116, 118, 122, 124, 126, 128, 130,
    132, 134, 136, 138, 140, 143, 145, 148, 151, 154, 157,
)
_MOST_COLOUR = 132  # largest first step of colour: section 9.6
# The first coefficient of 4 x 4 pixels moves them by an eighth of itself. Of a smooth macroblock of
# 16 x 16 the sixteen first ones are transformed once more (section 14.3), at twice the step, and
# that moves it by a sixty-fourth.
_SMALL, _WHOLE = 8.0, 32.0
_MACROBLOCK_PX, _COLOUR_PX = 16, 8  # sides, in the picture's pixels, whose colour is halved
# Luma takes 219 of 255 codes and colour 224: ITU-R BT.601, which the format takes (from memory).
_LUMA, _COLOUR = 255 / 219, 255 / 224
_HEADER = 10  # bytes before what the coder packed: section 9.1
_LOCAL_HEADER = 16  # bytes in an animation's frame before its own chunks


class _Packed:
    """Whole numbers packed by the arithmetic coder at even odds: RFC 6386, section 7.3."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 2
        self._value = int.from_bytes(data[:2], "big")
        self._range, self._shifted = 255, 0

    def bit(self) -> int:
        split = 1 + ((self._range - 1) >> 1)
        one = self._value >= split << 8
        if one:
            self._value -= split << 8
        self._range = self._range - split if one else split
        while self._range < 128:
            self._range, self._value, self._shifted = (
                2 * self._range, 2 * self._value, self._shifted + 1)
            if self._shifted == 8:
                self._shifted = 0
                self._value += self._data[self._at]
                self._at += 1
        return int(one)

    def number(self, bits: int) -> int:
        value = 0
        for _ in range(bits):
            value = 2 * value + self.bit()
        return value

    def signed(self, bits: int) -> int:
        """Return a number with its sign behind it, or 0 where a first bit says it is left out."""
        if not self.bit():
            return 0
        value = self.number(bits)
        return -value if self.bit() else value


def webp_step(data: bytes) -> ColourStep | None:
    """Return the coarsest steps of the first picture in a WebP; None where it is lossless.

    Raises
    ------
    IndexError
        If the file is cut short.
    """
    frame = next(_frames(data, 12), None)
    if frame is None:
        return None
    packed = _Packed(frame[_HEADER:])
    packed.number(2)  # how colours are stored and clamped
    absolute, segments = True, [0]
    if segmented := packed.bit():
        mapped = packed.bit()
        if packed.bit():
            absolute = bool(packed.bit())
            segments = [packed.signed(7) for _ in range(4)]
            for _ in range(4):
                packed.signed(6)  # the loop filter's levels
        else:
            segmented = 0
        for _ in range(3 if mapped else 0):
            if packed.bit():
                packed.number(8)
    packed.number(1 + 6 + 3)  # the loop filter's kind, level and sharpness
    if packed.bit() and packed.bit():
        for _ in range(8):
            packed.signed(6)
    packed.number(2)  # how many partitions follow
    whole = packed.number(7)
    luma, _, _, colour, _ = (packed.signed(4) for _ in range(5))
    if segmented:
        whole = max(segments) + (0 if absolute else whole)
    step = _LUMA * max(1.0, _first(whole + luma) / _WHOLE)
    first_of_colour = min(_first(whole + colour), _MOST_COLOUR)
    return ColourStep(_COLOUR * max(1.0, first_of_colour / _SMALL), _COLOUR_PX, step, step,
                      _MACROBLOCK_PX)


def _first(index: int) -> int:
    return _FIRST[min(max(index, 0), len(_FIRST) - 1)]


def _frames(data: bytes, start: int) -> Iterator[bytes]:
    """Yield the lossy pictures among a file's chunks from byte `start` on."""
    while start + 8 <= len(data):
        name, size = data[start: start + 4], int.from_bytes(data[start + 4: start + 8], "little")
        start += 8
        if name == b"VP8 ":
            yield data[start: start + size]
        elif name == b"ANMF":
            yield from _frames(data[start: start + size], _LOCAL_HEADER)
        elif name == b"VP8L":
            return
        start += size + size % 2

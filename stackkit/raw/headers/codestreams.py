"""The sizes that JPEG and JPEG XL streams claim, read before they are decoded."""

from __future__ import annotations

import re
from dataclasses import dataclass

_STANDALONE = frozenset((0x01, *range(0xD0, 0xD8)))
_FRAMES = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})
_SCAN, _END = 0xDA, 0xD9
_AFTER_SCAN = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL)
_LOSSLESS, _TABLES = 0xC3, 0xC4
_MOST_COLOURS, _MOST_TABLE, _NOT_SAMPLED_DOWN = 4, 3, 0x11


@dataclass(frozen=True)
class JpegFrame:
    """Of a JPEG stream: sides in px, samples a pixel, bits a sample, and whether it is lossless;
    ``whole``: its end is there.
    """

    width: int
    height: int
    samples: int
    bits: int
    lossless: bool
    whole: bool


def jpeg_frame(data: bytes) -> JpegFrame:
    """The frame header of a JPEG stream (ISO/IEC 10918-1, annex B).  Raises ``ValueError``."""
    if data[:2] != b"\xff\xd8":
        raise ValueError("it does not start as JPEG does")
    at, frame = 2, None
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF or marker in _STANDALONE:
            at += 1 if marker == 0xFF else 2
            continue
        if marker == _END:
            break
        if marker in _FRAMES and frame is None:
            if at + 10 > len(data):
                break
            height, width = (int.from_bytes(data[k : k + 2], "big") for k in (at + 5, at + 7))
            frame = (width, height, data[at + 9], data[at + 4], marker == _LOSSLESS)
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == _SCAN:
            following = _AFTER_SCAN.search(data, at)
            at = following.start() if following else len(data)
    if frame is None:
        raise ValueError("it holds no JPEG frame")
    whole = data[at : at + 2] == b"\xff\xd9"
    return JpegFrame(*frame, whole)


def check_lossless(data: bytes) -> None:
    """Whether the headers of a lossless JPEG stream are fit for LibRaw.

    A stream that is not is silently not decoded by LibRaw.  Frame, Huffman tables and
    scan as in ISO/IEC 10918-1, annexes B and H; the first table is number 0.  Raises
    ``ValueError``.
    """
    at, frame, tables = 2, b"", set[int]()
    while True:
        marker, length = data[at + 1 : at + 2], int.from_bytes(data[at + 2 : at + 4], "big")
        body = data[at + 4 : at + 2 + length]
        if data[at : at + 1] != b"\xff" or marker in b"\x00\xff" or len(body) != length - 2:
            raise ValueError("its JPEG headers are damaged")
        if marker[0] == _LOSSLESS:
            frame = body
        elif marker[0] in _FRAMES:
            raise ValueError("it is no lossless JPEG")
        elif marker[0] == _TABLES:
            tables |= _huffman_tables(body)
        elif marker[0] == _SCAN:
            break
        at += 2 + length
    shift = body[-1] & 15 if body else 16
    sound = len(frame) >= 9 and len(frame) == 6 + 3 * frame[5] and len(body) == 4 + 2 * body[0]
    if not (sound and 1 <= frame[0] - shift <= 16 and frame[5] <= _MOST_COLOURS):
        raise ValueError("its JPEG headers are damaged")
    if frame[7] != _NOT_SAMPLED_DOWN or 0 not in tables:
        raise ValueError("it is a JPEG of an unusual form")


def _huffman_tables(body: bytes) -> set[int]:
    """The numbers of the tables that a segment defines."""
    found, at = set(), 0
    while at < len(body):
        codes = sum(body[at + 1 : at + 17])
        if body[at] > _MOST_TABLE or not 0 < codes <= 256 or at + 17 + codes > len(body):
            raise ValueError("its JPEG tables are damaged")
        found.add(body[at])
        at += 17 + codes
    return found


@dataclass(frozen=True)
class JxlFrame:
    """Of a JPEG XL stream: sides in px and bits a sample."""

    width: int
    height: int
    bits: int


def jxl_frame(data: bytes) -> JxlFrame:
    """The header of a JPEG XL stream (ISO/IEC 18181-1, SizeHeader and ImageMetadata).

    Raises ``ValueError``, also for films, previews and channels beside the colours, whose sizes
    multiply and of which a raw picture has none.
    """
    bits = _Bits(_jxl_codestream(data))
    width, height = _jxl_sides(bits)
    if bits.take(1):  # all fields as usual
        return JxlFrame(width, height, 8)
    if bits.take(1):
        bits.take(3)  # orientation
        if bits.take(1):
            _jxl_sides(bits)  # of the picture as it should be shown
        if bits.take(1) or bits.take(1):
            raise ValueError("it holds more than one JPEG XL picture")
    if bits.take(1):  # floating point: bits a sample, then of the exponent
        depth = bits.choose(0, 0, 0, 6, base=(32, 16, 24, 1))
        bits.take(4)
    else:
        depth = bits.choose(0, 0, 0, 6, base=(8, 10, 12, 1))
    bits.take(1)  # whether 16 bits suffice within
    if bits.choose(0, 0, 4, 12, base=(0, 1, 2, 1)):
        raise ValueError("it holds JPEG XL channels beside its colours")
    return JxlFrame(width, height, depth)


def _jxl_sides(bits: _Bits) -> tuple[int, int]:
    small = bits.take(1)
    height = _side(bits, small)
    ratio = bits.take(3)
    if ratio == 0:
        return _side(bits, small), height
    top, bottom = ((1, 1), (12, 10), (4, 3), (3, 2), (16, 9), (5, 4), (2, 1))[ratio - 1]
    return height * top // bottom, height


def _jxl_codestream(data: bytes) -> bytes:
    """The first bytes behind the signature, out of the container (ISO/IEC 18181-2) if any."""
    at = 0
    if data[4:8] == b"JXL ":
        while (kind := data[at + 4 : at + 8]) not in (b"jxlc", b"jxlp"):
            size = int.from_bytes(data[at : at + 4], "big")
            if size < 8 or at + size > len(data):
                raise ValueError("its JPEG XL boxes are damaged")
            at += size
        at += 16 if data[at : at + 4] == b"\0\0\0\1" else 8
        at += 4 if kind == b"jxlp" else 0
    if data[at : at + 2] != b"\xff\x0a":
        raise ValueError("it does not start as JPEG XL does")
    return data[at + 2 : at + 64]


def _side(bits: _Bits, small: int) -> int:
    if small:
        return 8 * (1 + bits.take(5))
    return bits.choose(9, 13, 18, 30, base=(1, 1, 1, 1))


class _Bits:
    """Bits of a codestream, the lowest of each byte first."""

    def __init__(self, data: bytes) -> None:
        self._value = int.from_bytes(data, "little")
        self._left = 8 * len(data)

    def take(self, count: int) -> int:
        if count > self._left:
            raise ValueError("its JPEG XL header is cut short")
        value = self._value & ((1 << count) - 1)
        self._value >>= count
        self._left -= count
        return value

    def choose(self, *widths: int, base: tuple[int, int, int, int]) -> int:
        """A number of the width that the next two bits choose, on top of its base."""
        chosen = self.take(2)
        return base[chosen] + self.take(widths[chosen])

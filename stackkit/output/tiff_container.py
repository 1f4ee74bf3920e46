"""A little-endian TIFF 6.0 writer for layouts that general writers cannot make.

It writes pictures in encoded strips, as they are produced, one below another (SubIFDs, TIFF
Technical Note 1), with EXIF and GPS directories.  Pictures that outgrow 32-bit offsets are written
as BigTIFF.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterable, Sequence
from collections.abc import Mapping as TagTable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, BinaryIO

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, DOUBLE = 1, 2, 3, 4, 5, 7, 10, 12
_LONG8 = 16

_FORMATS = {BYTE: "B", SHORT: "H", LONG: "I", DOUBLE: "d", _LONG8: "Q"}

Tags = TagTable[int, tuple[int, Any]]
"""Tag number → (field type, value or sequence of values)."""

EXIF_IFD, GPS_IFD = 34665, 34853
_STRIP_OFFSETS, _STRIP_BYTE_COUNTS, _SUB_IFDS = 273, 279, 330


@dataclass(frozen=True)
class TiffPicture:
    """``tags`` without offsets and byte counts, and the encoded ``strips`` in order."""

    tags: Tags
    strips: Iterable[bytes]


@dataclass(frozen=True)
class _Layout:
    """What differs between the two: header, numbers of entries, counts and offsets."""

    head: bytes
    entries: str
    word: str
    offset: int

    @property
    def room(self) -> int:
        """Bytes of a value that fit into its entry."""
        return struct.calcsize(self.word)


_CLASSIC = _Layout(b"II*\0", "<H", "<I", LONG)
_BIG = _Layout(b"II+\0" + struct.pack("<HH", 8, 0), "<Q", "<Q", _LONG8)


def write_pictures(
    file: BinaryIO,
    pictures: Sequence[TiffPicture],
    beside: TagTable[int, Tags | None],
    *,
    big: bool = False,
) -> None:
    """Write ``pictures`` into the empty ``file``: the first, and the others below it.

    ``beside``: further directories, by the tag in the first one that points to them.
    """
    layout = _BIG if big else _CLASSIC
    file.write(layout.head + struct.pack(layout.word, 0))
    main, *below = [_placed(file, picture, layout) for picture in pictures]
    if below:
        main[_SUB_IFDS] = (layout.offset, [_laid(file, tags, layout) for tags in below])
    for pointer, tags in beside.items():
        if tags:
            main[pointer] = (layout.offset, _laid(file, tags, layout))
    first = _laid(file, main, layout)
    file.seek(len(layout.head))
    file.write(struct.pack(layout.word, first))


def one_picture(tags: Tags, exif: Tags, strip: bytes, gps: Tags | None = None) -> bytes:
    """The bytes of a file with one picture in one strip."""
    memory = io.BytesIO()
    write_pictures(memory, [TiffPicture(tags, [strip])], {EXIF_IFD: exif, GPS_IFD: gps})
    return memory.getvalue()


def _placed(file: BinaryIO, picture: TiffPicture, layout: _Layout) -> dict[int, tuple[int, Any]]:
    """Writes the strips; returns the tags with their offsets."""
    offsets, counts = [], []
    for strip in picture.strips:
        offsets.append(file.tell())
        counts.append(len(strip))
        file.write(strip + bytes(len(strip) % 2))
    found = {_STRIP_OFFSETS: (layout.offset, offsets), _STRIP_BYTE_COUNTS: (layout.offset, counts)}
    return {**picture.tags, **found}


def _laid(file: BinaryIO, tags: Tags, layout: _Layout) -> int:
    """Writes a directory followed by its values; returns its offset."""
    at = file.tell()
    entries = sorted(tags.items())
    entry = struct.calcsize("<HH") + 2 * layout.room
    values_at = at + struct.calcsize(layout.entries) + entry * len(entries) + layout.room
    head, tail = struct.pack(layout.entries, len(entries)), b""
    for tag, (kind, value) in entries:
        count, data = _encode(kind, value)
        if len(data) <= layout.room:
            field = data.ljust(layout.room, b"\0")
        else:
            field = struct.pack(layout.word, values_at + len(tail))
            tail += data + bytes(len(data) % 2)
        head += struct.pack("<HH", tag, kind) + struct.pack(layout.word, count) + field
    file.write(head + struct.pack(layout.word, 0) + tail)
    return at


def _encode(kind: int, value: Any) -> tuple[int, bytes]:
    """Number of values and their bytes."""
    if kind == ASCII:
        data = value.encode("ascii", "replace") + b"\0"
        return len(data), data
    if kind == UNDEFINED:
        return len(value), bytes(value)
    values = list(value) if isinstance(value, tuple | list | bytes) else [value]
    if kind in (RATIONAL, SRATIONAL):
        code = "<II" if kind == RATIONAL else "<ii"
        pairs = [Fraction(v).limit_denominator(1_000_000) for v in values]
        return len(values), b"".join(struct.pack(code, p.numerator, p.denominator) for p in pairs)
    return len(values), struct.pack(f"<{len(values)}{_FORMATS[kind]}", *values)

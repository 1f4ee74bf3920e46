"""A minimal little-endian TIFF 6.0 writer for files that general writers cannot lay out.

It writes one image directory with one strip of ready-made bytes, an EXIF and a GPS directory.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping as TagTable
from fractions import Fraction
from typing import Any

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL, DOUBLE = 1, 2, 3, 4, 5, 7, 10, 12

_FORMATS = {BYTE: "B", SHORT: "H", LONG: "I", DOUBLE: "d"}

Tags = TagTable[int, tuple[int, Any]]
"""Tag number → (field type, value or sequence of values)."""

_STRIP_OFFSETS, _STRIP_BYTE_COUNTS, _EXIF_IFD, _GPS_IFD = 273, 279, 34665, 34853


def _encode(kind: int, value: Any) -> tuple[int, bytes]:
    """Number of values and their bytes."""
    if kind == ASCII:
        data = value.encode("ascii", "replace") + b"\0"
        return len(data), data
    if kind == UNDEFINED:
        return len(value), bytes(value)
    values = list(value) if isinstance(value, tuple | list) else [value]
    if kind in (RATIONAL, SRATIONAL):
        code = "<II" if kind == RATIONAL else "<ii"
        pairs = [Fraction(v).limit_denominator(1_000_000) for v in values]
        return len(values), b"".join(struct.pack(code, p.numerator, p.denominator) for p in pairs)
    return len(values), struct.pack(f"<{len(values)}{_FORMATS[kind]}", *values)


def _directory(tags: Tags, offset: int) -> bytes:
    """One image file directory at ``offset`` with its values behind it (no next directory)."""
    entries = sorted(tags.items())
    values_at = offset + 2 + 12 * len(entries) + 4
    head, tail = struct.pack("<H", len(entries)), b""
    for tag, (kind, value) in entries:
        count, data = _encode(kind, value)
        if len(data) <= 4:
            field = data.ljust(4, b"\0")
        else:
            field = struct.pack("<I", values_at + len(tail))
            tail += data + b"\0" * (len(data) % 2)
        head += struct.pack("<HHI", tag, kind, count) + field
    return head + struct.pack("<I", 0) + tail


def one_image_tiff(tags: Tags, exif: Tags, strip: bytes, gps: Tags | None = None) -> bytes:
    """The bytes of a file with one image in one strip.

    ``tags``, ``exif`` and ``gps`` leave out the offsets and byte counts, which are filled in here.
    """
    padded = strip + b"\0" * (len(strip) % 2)
    main: dict[int, tuple[int, Any]] = dict(tags)
    main[_STRIP_OFFSETS] = (LONG, 8)
    main[_STRIP_BYTE_COUNTS] = (LONG, len(strip))
    further = {_EXIF_IFD: exif} | ({_GPS_IFD: gps} if gps else {})
    main |= dict.fromkeys(further, (LONG, 0))
    at = 8 + len(padded)
    end = at + len(_directory(main, at))
    behind = b""
    for pointer, directory in further.items():
        main[pointer] = (LONG, end + len(behind))
        behind += _directory(directory, end + len(behind))
    return b"II*\0" + struct.pack("<I", at) + padded + _directory(main, at) + behind

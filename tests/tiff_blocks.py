"""TIFF structures laid out by hand: both byte orders, EXIF and GPS directories, and JPEG's APP1."""

from __future__ import annotations

import struct
from typing import Any

EXIF_IFD, GPS_IFD = 34665, 34853
_FORMATS = {1: "B", 3: "H", 4: "I", 5: "I", 6: "b", 7: "B", 9: "i", 10: "i", 11: "f", 12: "d"}

Fields = dict[int, tuple[int, Any]]
"""Tag number → (field type of TIFF 6.0, text or numbers; a rational as two of them)."""


def tiff_block(main: Fields, linked: dict[int, Fields] | None = None, order: str = "<") -> bytes:
    """One directory, and those to which its tags ``linked`` point."""
    linked = linked or {}
    start = b"II*\0" if order == "<" else b"MM\0*"
    block = bytearray(start + struct.pack(f"{order}I", 8))
    pointers = dict.fromkeys(linked, (4, (0,)))
    size = len(_directory({**main, **pointers}, 8, order))
    places, tail = {}, b""
    for code, fields in linked.items():
        places[code] = (4, (8 + size + len(tail),))
        tail += _directory(fields, 8 + size + len(tail), order)
    return bytes(block + _directory({**main, **places}, 8, order) + tail)


def _directory(fields: Fields, offset: int, order: str) -> bytes:
    head, tail = struct.pack(f"{order}H", len(fields)), b""
    values_at = offset + 2 + 12 * len(fields) + 4
    for code, (kind, value) in sorted(fields.items()):
        count, data = _encoded(kind, value, order)
        field = data.ljust(4, b"\0")
        if len(data) > 4:
            field = struct.pack(f"{order}I", values_at + len(tail))
            tail += data + b"\0" * (len(data) % 2)
        head += struct.pack(f"{order}HHI", code, kind, count) + field
    return head + bytes(4) + tail


def _encoded(kind: int, value: Any, order: str) -> tuple[int, bytes]:
    if isinstance(value, str):
        data = value.encode() + b"\0"
        return len(data), data
    data = struct.pack(f"{order}{len(value)}{_FORMATS[kind]}", *value)
    return len(value) // (2 if kind in (5, 10) else 1), data


def in_jpeg(block: bytes) -> bytes:
    """The start of a JPEG file that holds the block as EXIF 2.32, 4.7.2 wants it, and its end."""
    jfif = b"\xff\xe0\x00\x10JFIF\0\1\1\0\0\1\0\1\0\0"
    app1 = b"\xff\xe1" + struct.pack(">H", len(block) + 8) + b"Exif\0\0" + block
    quantisation = b"\xff\xdb\x00\x43\0" + bytes(range(1, 65))
    return b"\xff\xd8" + jfif + app1 + quantisation + b"\xff\xda\x00\x02" + b"\xff\xd9"

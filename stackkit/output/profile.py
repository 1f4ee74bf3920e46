"""A small ICC profile for a linear colour space (ICC.1:2022, version 4.4, matrix/TRC)."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable

import numpy as np

from stackkit.picture.colour.spaces import D50, Space, adaptation, to_connection

_WHITE = np.array([0.9642, 1.0, 0.8249])
"""The connection space's illuminant as headers give it (7.2.16)."""


def linear_profile(space: Space) -> bytes:
    """The bytes of a display profile with linear curves; reproducible."""
    columns = to_connection(space)
    columns *= (_WHITE / columns.sum(axis=1))[:, None]
    curve = b"curv" + bytes(8)  # no entries: the identity (10.6)
    tags = {
        b"desc": _text(f"{space.name}, linear light"),
        b"cprt": _text("No copyright, use freely"),
        b"wtpt": _xyz(_WHITE),
        b"chad": b"sf32" + bytes(4) + _fixed(adaptation(space.white, D50).ravel()),
        b"rXYZ": _xyz(columns[:, 0]),
        b"gXYZ": _xyz(columns[:, 1]),
        b"bXYZ": _xyz(columns[:, 2]),
        **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve),
    }
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    places: dict[bytes, int] = {}
    for name, data in tags.items():
        if data not in places:
            places[data] = at + len(body)
            body += data + bytes(-len(data) % 4)
        table += name + struct.pack(">II", places[data], len(data))
    profile = _header(128 + len(table) + len(body)) + table + body
    # The profile ID (7.2.18) leaves out fields 44, 64 and 84, which are zero here anyway, except
    # for the rendering intent.
    blank = profile[:64] + bytes(4) + profile[68:]
    return profile[:84] + hashlib.md5(blank, usedforsecurity=False).digest() + profile[100:]


def _header(size: int) -> bytes:
    date = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    relative_colorimetric = 1
    return b"".join(
        [
            struct.pack(">I4xI4s4s4s", size, 0x04400000, b"mntr", b"RGB ", b"XYZ "),
            date + b"acsp" + bytes(24),
            struct.pack(">I", relative_colorimetric) + _fixed(_WHITE),
            bytes(48),
        ]
    )


def _fixed(values: Iterable[float]) -> bytes:
    """s15Fixed16Number (4.6)."""
    return b"".join(struct.pack(">i", round(value * 65536)) for value in values)


def _xyz(values: Iterable[float]) -> bytes:
    return b"XYZ " + bytes(4) + _fixed(values)


def _text(words: str) -> bytes:
    """Text in one language (10.15)."""
    data = words.encode("utf-16-be")
    return b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(data), 28) + data

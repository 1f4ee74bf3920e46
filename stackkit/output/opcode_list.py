"""DNG opcode lists as bytes, for files that ask for corrections (DNG 1.7.1, chapter 7).

Big-endian whatever the file's byte order.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

_VERSION_1_3 = bytes((1, 3, 0, 0))


def opcode_list(opcodes: Iterable[bytes]) -> bytes:
    """The value of a tag OpcodeList1, 2 or 3 (51008, 51009, 51022; type UNDEFINED)."""
    listed = list(opcodes)
    return struct.pack(">I", len(listed)) + b"".join(listed)


def opcode(number: int, data: bytes, *, optional: bool = False) -> bytes:
    """One opcode of a list: its header and its data."""
    header = struct.pack(">I4sII", number, _VERSION_1_3, int(optional), len(data))
    return header + data


def area_data(
    top: int,
    left: int,
    bottom: int,
    right: int,
    *,
    plane: int = 0,
    planes: int = 1,
    pitch: tuple[int, int] = (1, 1),
) -> bytes:
    """The sites an opcode applies to; ``bottom`` and ``right`` are the first outside."""
    return struct.pack(">8I", top, left, bottom, right, plane, planes, *pitch)


def gain_map_opcode(
    area: bytes,
    gains: ArrayLike,
    *,
    spacing: tuple[float, float] | None = None,
    origin: tuple[float, float] = (0.0, 0.0),
    optional: bool = False,
) -> bytes:
    """GainMap of ``gains`` (points down, points across) or (…, …, planes) over ``area``, from
    :func:`area_data`.

    ``spacing`` and ``origin`` (down, across) are shares of the picture's height and width; without
    ``spacing`` the points reach from edge to edge.  For a Bayer mosaic write four, one per site,
    with pitch (2, 2).
    """
    values = np.asarray(gains, dtype=">f4")
    values = values[:, :, None] if values.ndim == 2 else values
    down, across, planes = values.shape
    steps = spacing or (1 / max(down - 1, 1), 1 / max(across - 1, 1))
    head = struct.pack(">2I4dI", down, across, *steps, *origin, planes)
    return opcode(9, area + head + values.tobytes(), optional=optional)

"""DNG opcode lists as stored in a file (DNG 1.7.1, chapter 7).

``apply`` carries them out; a process that only reads files needs no more than this.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from stackkit.raw.opcodes import tables

_HEADER = 16
MOST_OPCODES = 64
"""Longest list that is read: many times what cameras write, and still done in seconds."""


@dataclass(frozen=True)
class Opcode:
    """One opcode: its number, whether the file allows it to be skipped, its data as stored."""

    number: int
    optional: bool
    data: bytes

    @property
    def name(self) -> str:
        """The specification's name, or the number."""
        return tables.name(self.number)


@dataclass(frozen=True)
class Opcodes:
    """All opcodes of a file: OpcodeList1 (``raw``), 2 (``linear``) and 3 (``picture``).

    ``raw_origin`` and ``origin``: row, column of the visible mosaic's pixel (0, 0) in the stored
    picture and in the active area; ``area``: the active area's height, width.
    """

    raw: tuple[Opcode, ...]
    linear: tuple[Opcode, ...]
    picture: tuple[Opcode, ...]
    raw_origin: tuple[int, int]
    origin: tuple[int, int]
    area: tuple[int, int]


NO_OPCODES = Opcodes((), (), (), (0, 0), (0, 0), (0, 0))


def parse(blob: bytes) -> tuple[Opcode, ...]:
    """The opcodes of a list as stored in the file.

    Raises ``ValueError`` in plain words when the list's counts do not fit its bytes: then no part
    of it can be trusted, and half a correction is worse than none (three of a sensor's four gain
    maps would colour the picture).  What single opcodes hold is judged later (``opcodes.account``).
    """
    if len(blob) < 4:
        raise ValueError("the opcode list is cut short")
    (count,) = struct.unpack_from(">I", blob)
    if count > MOST_OPCODES:
        raise ValueError(f"the opcode list is damaged: it claims {count} opcodes")
    if count * _HEADER > len(blob) - 4:
        raise ValueError(
            f"the opcode list is cut short: {count} opcodes do not fit {len(blob)} bytes"
        )
    found, at = [], 4
    for k in range(count):
        if at + _HEADER > len(blob):
            raise ValueError(f"the opcode list is cut short after {k} of {count} opcodes")
        number, _version, flags, size = struct.unpack_from(">4I", blob, at)
        at += _HEADER
        if size > len(blob) - at:
            raise ValueError(f"the opcode list is cut short within opcode {k + 1} of {count}")
        found.append(Opcode(number, bool(flags & 1), blob[at : at + size]))
        at += size
    return tuple(found)

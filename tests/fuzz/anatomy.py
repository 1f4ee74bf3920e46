"""Where the parts of a TIFF-like or JPEG file lie, so that it can be hurt in telling places."""

from __future__ import annotations

import struct
from dataclasses import dataclass

SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8}
SIZES |= {17: 8, 18: 8}
FORMS = {1: "B", 2: "B", 3: "H", 4: "I", 5: "I", 6: "b", 7: "B", 8: "h", 9: "i", 10: "i", 11: "f"}
FORMS |= {12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}
OPCODES = (51008, 51009, 51022)
_LINKS = (330, 34665, 34853)
_STARTS, _COUNTS = (273, 324), (279, 325)

Span = tuple[int, int]


@dataclass(frozen=True)
class Entry:
    """A directory entry: ``at`` where it stands, ``place`` where its values do."""

    at: int
    code: int
    kind: int
    count: int
    place: int


@dataclass(frozen=True)
class Anatomy:
    """Of a whole file: the TIFF structure's ``start``, byte ``order`` and whether offsets have 64
    bits; directories by where they begin (``heads``) and where they name the next (``nexts``);
    ``parts`` of the picture and ``lists`` of opcodes as start and end.
    """

    start: int
    order: str
    wide: bool
    heads: tuple[int, ...]
    nexts: tuple[int, ...]
    entries: tuple[Entry, ...]
    parts: tuple[Span, ...]
    lists: tuple[Span, ...]

    @property
    def word(self) -> str:
        """The form of an offset."""
        return self.order + ("Q" if self.wide else "I")


def anatomy(data: bytes) -> Anatomy:
    """The parts of a whole file, TIFF-like or a JPEG with an EXIF block."""
    start = data.index(b"Exif\0\0") + 6 if data.startswith(b"\xff\xd8") else 0
    block = data[start:]
    order = "<" if block.startswith(b"II") else ">"
    wide = struct.unpack_from(f"{order}H", block, 2)[0] == 43
    waiting = [struct.unpack_from(f"{order}Q" if wide else f"{order}I", block, 8 if wide else 4)[0]]
    heads, nexts, entries = [], [], []
    while waiting:
        head = waiting.pop(0)
        found, end = _directory(block, head, order, wide)
        heads.append(start + head)
        nexts.append(start + end)
        (following,) = struct.unpack_from(f"{order}Q" if wide else f"{order}I", block, end)
        links = [n for e in found if e.code in _LINKS for n in _numbers(block, e, order)]
        waiting += [place for place in (*links, following) if place]
        entries += [Entry(e.at + start, e.code, e.kind, e.count, e.place + start) for e in found]
    moved = [Entry(e.at, e.code, e.kind, e.count, e.place - start) for e in entries]
    values = {code: [n for e in moved if e.code == code for n in _numbers(block, e, order)]
              for code in (*_STARTS, *_COUNTS)}  # fmt: skip
    parts = [
        (place, place + size)
        for a, b in zip(_STARTS, _COUNTS, strict=True)
        for place, size in zip(values[a], values[b], strict=True)
    ]
    if start:
        parts = [(start + len(block) // 3, len(data))]
    lists = [(e.place, e.place + e.count) for e in entries if e.code in OPCODES]
    return Anatomy(
        start, order, wide, tuple(heads), tuple(nexts), tuple(entries), tuple(parts), tuple(lists)
    )


def _directory(block: bytes, head: int, order: str, wide: bool) -> tuple[list[Entry], int]:
    """Its entries, and where it names the next directory."""
    count_form, word, room = ("Q", "Q", 8) if wide else ("H", "I", 4)
    (count,) = struct.unpack_from(order + count_form, block, head)
    at = head + (8 if wide else 2)
    entries = []
    for _ in range(count):
        code, kind, number, place = struct.unpack_from(f"{order}HH{word}{word}", block, at)
        inline = number * SIZES[kind] <= room
        entries.append(Entry(at, code, kind, number, at + 4 + room if inline else place))
        at += 4 + 2 * room
    return entries, at


def _numbers(block: bytes, entry: Entry, order: str) -> tuple[int, ...]:
    form = f"{order}{entry.count}{FORMS[entry.kind]}"
    return struct.unpack_from(form, block, entry.place)

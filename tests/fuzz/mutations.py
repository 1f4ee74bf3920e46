"""Ways of damaging a file that know its structure: directories, opcodes, codestreams, lengths.

Each takes a file's bytes, where its parts lie, and random numbers, and changes the bytes in place.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .anatomy import FORMS, SIZES, Anatomy, Entry, Span

Rng = np.random.Generator
Mutation = Callable[[bytearray, Anatomy, Rng], None]

_WHOLE = (0, 1, 2, 3, 4, 7, 8, 16, 31, 32, 33, 48, 63, 64, 255, 256, 1000, 2**15, 2**16 - 1, 2**16)
_WHOLE += (2**20, 2**24, 2**27, 2**30, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**63, 2**64 - 1)
_FLOATS = (0.0, -0.0, 1.0, -1.0, 0.5, 2.0, 1e-30, 1e-9, 999.0, 1e6, 1e30, 1e300, -1e300)
_FLOATS += (float("nan"), float("inf"), float("-inf"))
_SIDES = (0, 1, 31, 32, 33, 47, 48, 49, 64, 65, 96, 1000, 8192, 16000, 20000, 29000, 40000, 65535)
_SIDES += (100_000, 2**24, 2**31 - 1, 2**31, 2**32 - 1)
_SIDE_TAGS = (256, 257, 277, 278, 322, 323, 50719, 50720, 50829, 50830)
_TELLING = (254, 258, 259, 262, 277, 284, 317, 339, 33421, 33422, 34675, 50706, 50711, 50712)
_TELLING += (50713, 50714, 50715, 50716, 50717, 50728, 50829, 50830, 50974, 50975, 51041, 52547)
_FORMS_OF_TAGS = (*range(1, 19), 129, 0, 200, 65535)
_LINKS = (330, 34665, 34853)
_MARKS = (
    b"IIRO",
    b"IIRS",
    b"MMOR",
    b"IIU\0",
    b"II\x1a\0\0\0HEAPCCDR",
    b"FUJIFILMCCD-RAW ",
    b"\0MRM",
)
_MARKS += (
    b"FOVb",
    b"\0\0\0\x18ftypcrx ",
    b"II+\0",
    b"MM\0*",
    b"MM\0+",
    b"II*\0",
    b"\xff\xd8\xff\xe1",
)
_JPEG_FRAMES = (0xC0, 0xC1, 0xC2, 0xC3)
_MOST_AT_ONCE = 4


@dataclass(frozen=True)
class Mutant:
    """A damaged file: ``room`` blank bytes that follow ``data`` and take no place on the disk;
    ``deeds`` the names of what was done to it.
    """

    data: bytes
    room: int
    deeds: tuple[str, ...]


def mutant(data: bytes, parts: Anatomy, rng: Rng) -> Mutant:
    """One to four mutations of a whole file, few more often than many."""
    body, deeds, room = bytearray(data), [], 0
    for _ in range(min(int(rng.geometric(0.5)), _MOST_AT_ONCE)):
        deed = _DEEDS[int(rng.choice(len(_DEEDS), p=_SHARES))]
        deed(body, parts, rng)
        deeds.append(deed.__name__)
    if rng.random() < 0.01:
        room = int(rng.choice((2**20, 2**25, 2**28, 2**30, 2**31)))
        _claim(body, parts, rng, room)
        deeds.append("claim")
    return Mutant(bytes(body), room, tuple(deeds))


def _put(body: bytearray, at: int, data: bytes) -> None:
    """Overwrite, where that is still within the file."""
    if 0 <= at <= len(body) - len(data):
        body[at : at + len(data)] = data


def _number(body: bytearray, at: int, form: str, value: float) -> None:
    """One number, cut to what its form holds."""
    size = struct.calcsize(form)
    if form[-1] in "fd":
        with np.errstate(over="ignore"):
            narrow = float(np.float32(value)) if form[-1] == "f" else value
        _put(body, at, struct.pack(form, narrow))
    else:
        data = (int(value) % (1 << 8 * size)).to_bytes(size, "little")
        _put(body, at, data if form[0] == "<" else data[::-1])


def _whole(rng: Rng, size: int) -> int:
    """An extreme, a small number, one of the size of a place in the file, or anything."""
    chosen = rng.integers(4)
    if chosen == 0:
        return int(rng.integers(0, 300))
    if chosen == 1:
        return int(rng.integers(0, size + 100))
    if chosen == 2:
        return int(rng.integers(0, 2**32))
    return _WHOLE[int(rng.integers(len(_WHOLE)))]


def _entry(parts: Anatomy, rng: Rng, codes: tuple[int, ...] = ()) -> Entry:
    """One entry, of these tags where there are any."""
    wanted = [entry for entry in parts.entries if entry.code in codes] or parts.entries
    return wanted[int(rng.integers(len(wanted)))]


def _value(body: bytearray, parts: Anatomy, entry: Entry, rng: Rng, value: float) -> None:
    """One of an entry's numbers."""
    size = struct.calcsize(f"={FORMS[entry.kind]}")
    k = int(rng.integers(max(entry.count * SIZES[entry.kind] // size, 1)))
    _number(body, entry.place + k * size, parts.order + FORMS[entry.kind], value)


def tag_number(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """One tag takes another's number."""
    number = _entry(parts, rng).code if rng.random() < 0.7 else int(rng.integers(2**16))
    _number(body, _entry(parts, rng).at, parts.order + "H", number)


def tag_type(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """A tag of another field type."""
    kind = _FORMS_OF_TAGS[int(rng.integers(len(_FORMS_OF_TAGS)))]
    _number(body, _entry(parts, rng).at + 2, parts.order + "H", kind)


def tag_count(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """A tag of more or fewer values."""
    entry = _entry(parts, rng)
    near = (entry.count - 1, entry.count + 1, 2 * entry.count, entry.count // 2)
    count = near[int(rng.integers(4))] if rng.random() < 0.5 else _whole(rng, len(body))
    _number(body, entry.at + 4, parts.word, count)


def tag_offset(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Values that lie elsewhere: beyond the file, in the header, over the directory."""
    entry = _entry(parts, rng)
    place = int(rng.choice((_whole(rng, len(body)), entry.at, 0, len(body) - 1, len(body) - 8)))
    _number(body, entry.at + (12 if parts.wide else 8), parts.word, place)


def tag_value(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """One number of any tag."""
    entry = _entry(parts, rng)
    floating = FORMS[entry.kind] in "fd"
    value = rng.choice(_FLOATS) if floating else _whole(rng, len(body))
    _value(body, parts, entry, rng, value)


def telling_value(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """One number of a tag on which decoding depends."""
    entry = _entry(parts, rng, _TELLING)
    floating = FORMS[entry.kind] in "fd"
    _value(body, parts, entry, rng, rng.choice(_FLOATS) if floating else _whole(rng, 300))


def sides(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Absurd dimensions, some that fit each other."""
    for _ in range(int(rng.integers(1, 4))):
        entry = _entry(parts, rng, _SIDE_TAGS)
        _value(body, parts, entry, rng, _SIDES[int(rng.integers(len(_SIDES)))])


def grown_picture(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Width, height and strip of a picture far larger than the file, all in step."""
    width, height = (int(rng.integers(1000, 30000)) for _ in range(2))
    for code, side in ((256, width), (257, height), (278, height), (322, width), (323, height)):
        for entry in parts.entries:
            if entry.code == code:
                _number(body, entry.place, parts.order + FORMS[entry.kind], side)
    for entry in parts.entries:
        if entry.code == 50829:
            for k, edge in enumerate((0, 0, height, width)):
                at = entry.place + k * SIZES[entry.kind]
                _number(body, at, parts.order + FORMS[entry.kind], edge)


def circle(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Directories that lead back to others, to themselves, or nowhere."""
    heads = [head - parts.start for head in parts.heads]
    target = int(rng.choice((*heads, *heads, _whole(rng, len(body)) % 2**62)))
    links = [entry.place for entry in parts.entries if entry.code in _LINKS]
    places = [*parts.nexts, *links]
    _number(body, places[int(rng.integers(len(places)))], parts.word, target)


def link(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """A tag turned into a pointer to a directory."""
    entry = _entry(parts, rng)
    _number(body, entry.at, parts.order + "H", _LINKS[int(rng.integers(3))])
    head = parts.heads[int(rng.integers(len(parts.heads)))] - parts.start
    _number(body, entry.at + 2, parts.order + "H", 4)
    _number(body, entry.at + (12 if parts.wide else 8), parts.word, head)


def entry_count(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """A directory of more or fewer entries."""
    head = parts.heads[int(rng.integers(len(parts.heads)))]
    _number(body, head, parts.order + ("Q" if parts.wide else "H"), _whole(rng, 100))


def swapped_entries(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """One entry copied over another."""
    size = 20 if parts.wide else 12
    start, target = _entry(parts, rng).at, _entry(parts, rng).at
    _put(body, target, bytes(body[start : start + size]))


def opcode_word(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Whole numbers of an opcode list: its count, numbers, flags, sizes, areas, pitches."""
    start, end = _span(parts.lists or parts.parts, rng)
    heads = _opcode_heads(bytes(body[start:end]))
    for _ in range(int(rng.integers(1, 4))):
        head = heads[int(rng.integers(len(heads)))]
        at = start + head + 4 * int(rng.integers(0, 30)) if rng.random() < 0.9 else start
        _number(body, at, ">I", _whole(rng, 300))


def opcode_float(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Gains, coefficients and centres of an opcode list."""
    start, end = _span(parts.lists or parts.parts, rng)
    heads = _opcode_heads(bytes(body[start:end]))
    for _ in range(int(rng.integers(1, 4))):
        at = start + heads[int(rng.integers(len(heads)))] + 16 + 4 * int(rng.integers(0, 40))
        form = (">d", ">f")[int(rng.integers(2))]
        value = (
            rng.choice(_FLOATS) if rng.random() < 0.5 else rng.normal(0, 10 ** rng.uniform(-3, 6))
        )
        _number(body, at, form, float(value))


def opcode_moved(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Data of an opcode moved by some bytes, or one opcode's data given to another."""
    start, end = _span(parts.lists or parts.parts, rng)
    heads = _opcode_heads(bytes(body[start:end]))
    one, other = (start + heads[int(rng.integers(len(heads)))] for _ in range(2))
    size = int(rng.integers(16, 120))
    _put(body, min(other + int(rng.integers(-3, 4)), end - size), bytes(body[one : one + size]))


def _opcode_heads(blob: bytes) -> list[int]:
    """Where the opcodes of a list begin, as far as it can be followed."""
    heads, at = [4], 4
    while at + 16 <= len(blob) and len(heads) < 20:
        at += 16 + int.from_bytes(blob[at + 12 : at + 16], "big")
        heads.append(at)
    return heads[:-1] or heads


def _span(spans: tuple[Span, ...], rng: Rng) -> Span:
    return spans[int(rng.integers(len(spans)))] if spans else (0, 1)


def stream_head(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Bits in the first bytes of a strip, tile or codestream, where it says what it holds."""
    start, _ = _span(parts.parts, rng)
    for _ in range(int(rng.integers(1, 5))):
        at = start + int(rng.integers(0, 40))
        if at < len(body):
            body[at] ^= 1 << int(rng.integers(8))


def stream_bytes(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Bytes anywhere in the picture."""
    start, end = _span(parts.parts, rng)
    for at in rng.integers(start, max(end, start + 1), int(rng.integers(1, 20))):
        _put(body, int(at), bytes([int(rng.integers(256))]))


def jpeg_frame(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """Precision, sides, colours or sampling in a JPEG frame header (ISO/IEC 10918-1, annex B)."""
    places = [k for kind in _JPEG_FRAMES if (k := body.find(bytes((0xFF, kind, 0)))) >= 0]
    at = places[int(rng.integers(len(places)))] if places else int(rng.integers(len(body)))
    field = int(rng.integers(6))
    if field < 3:
        for place in (at + 5, at + 7)[: field + 1]:
            _number(body, place, ">H", _SIDES[int(rng.integers(len(_SIDES)))])
    else:
        _number(body, at + int(rng.integers(2, 20)), ">B", int(rng.integers(256)))


def part_table(body: bytearray, parts: Anatomy, rng: Rng) -> None:
    """Starts and lengths of strips and tiles: beyond the file, over each other, of nothing."""
    entry = _entry(parts, rng, (273, 279, 324, 325))
    _value(body, parts, entry, rng, _whole(rng, len(body)))


def any_bytes(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """Bytes anywhere, the first five hundred more often."""
    reach = min(len(body), 500) if rng.random() < 0.5 else len(body)
    for at in rng.integers(0, max(reach, 1), int(rng.integers(1, 8))):
        _put(body, int(at), bytes([int(rng.integers(256))]))


def cut(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """The file ends early."""
    del body[int(len(body) * rng.random() ** 0.5) :]


def spliced(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """Bytes lost or doubled in the middle."""
    at, size = int(rng.integers(len(body) + 1)), int(rng.integers(1, 600))
    if rng.random() < 0.5:
        del body[at : at + size]
    else:
        body[at:at] = body[at : at + size]


def blank(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """A stretch of zeros or ones, often to the end."""
    at = int(rng.integers(len(body) + 1))
    size = len(body) - at if rng.random() < 0.5 else int(rng.integers(1, 1000))
    _put(body, at, bytes([int(rng.choice((0, 255)))]) * min(size, len(body) - at))


def foreign_mark(body: bytearray, parts: Anatomy, rng: Rng) -> None:  # noqa: ARG001
    """The first bytes of another format."""
    _put(body, 0, _MARKS[int(rng.integers(len(_MARKS)))])


def _claim(body: bytearray, parts: Anatomy, rng: Rng, room: int) -> None:
    """Counts that the blank bytes behind the file make believable."""
    entry = _entry(parts, rng)
    count = max(1, int(room * rng.random()) // SIZES[entry.kind])
    _number(body, entry.at + 4, parts.word, count)
    _number(body, entry.at + (12 if parts.wide else 8), parts.word, len(body) - parts.start)
    if rng.random() < 0.5:
        grown_picture(body, parts, rng)
        for other in parts.entries:
            if other.code in (279, 325):
                _number(body, other.place, parts.order + FORMS[other.kind], room)


_WEIGHTS: dict[Mutation, float] = {
    tag_number: 1,
    tag_type: 1,
    tag_count: 2,
    tag_offset: 1.5,
    tag_value: 2,
    telling_value: 3,
    sides: 1.5,
    grown_picture: 0.3,
    circle: 1,
    link: 0.5,
    entry_count: 0.5,
    swapped_entries: 1,
    opcode_word: 2.5,
    opcode_float: 2,
    opcode_moved: 1,
    stream_head: 2,
    stream_bytes: 1.5,
    jpeg_frame: 1,
    part_table: 1,
    any_bytes: 1.5,
    cut: 1,
    spliced: 0.7,
    blank: 0.7,
    foreign_mark: 0.3,
}
_DEEDS = tuple(_WEIGHTS)
_SHARES = np.array([*_WEIGHTS.values()]) / sum(_WEIGHTS.values())

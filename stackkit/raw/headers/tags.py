"""The directories of TIFF-like files and of JPEG's EXIF block, read within bounds.

Tag numbers and types are those of TIFF 6.0, TIFF/EP, EXIF 2.32 (CIPA DC-008) and DNG 1.7.1
(chapters 3 to 5).  Whatever a file claims, directories, entries and bytes read are limited.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Container, Iterator, Mapping
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

import tifffile

Directory = Mapping[int, Any]
"""Tag number → text, a tuple of numbers (n/0 as NaN), or the bytes of an opcode list or profile."""

CFA, LINEAR_RAW = 32803, 34892
LINEARIZATION_TABLE = 50712
OPCODE_LISTS = (51008, 51009, 51022)
ICC_PROFILE = 34675

_SUB_IFDS, _EXIF_IFD, _GPS_IFD = 330, 34665, 34853
_GPS_TIME = (7, 29)
_TEXTS = frozenset({1, 3, 29, 271, 272, 305, 306, 36867, 36868, 36880, 36881, 36882, 37520, 37521})
_TEXTS |= {37522, 42036, 50708, 50931, 50932}
_BYTES = frozenset({*OPCODE_LISTS, ICC_PROFILE})
_EXIF = frozenset(
    {
        *(33434, 33437, 34855, 34866, 34867, 36867, 36868, 36880, 36881, 36882),
        *(37386, 37520, 37521, 37522, 41989, 42034, 42036),
    }
)
_KEPT = frozenset(
    {
        *(254, 256, 257, 258, 259, 262, 271, 272, 273, 274, 277, 278, 279, 284, 305, 306, 317),
        *(322, 323, 324, 325, 339, 33421, 33422),
        *(50706, 50708, 50711, 50712, 50713, 50714, 50715, 50716, 50717, 50719, 50720),  # DNG
        *(50721, 50722, 50723, 50724, 50725, 50726, 50727, 50728, 50729, 50730, 50736),
        *(50778, 50779, 50829, 50830, 50931, 50932, 50935, 50964, 50965, 50974, 50975, 51041),
        *(52529, 52530, 52531, 52532, 52547),
        *_BYTES,
        *_EXIF,  # TIFF/EP keeps some of them in the first directory
    }
)

_LAYOUT = frozenset({256, 257, 258, 259, 273, 277, 278, 279, 322, 323, 324, 325})
"""Left out when they occur twice: readers differ in which they take."""

_MOST_DIRECTORIES = 16
"""In a row, and below one of them."""
_MOST_ENTRIES = 1024
_MOST_BYTES = 2**24
_MOST_IN_ALL = 2**25
_MOST_SEGMENTS = 256

_FORMATS = {1: "B", 3: "H", 4: "I", 5: "II", 6: "b", 7: "B", 8: "h", 9: "i", 10: "ii", 11: "f"}
_FORMATS |= {2: "B", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q", 129: "B"}
"""Field types of TIFF 6.0 (1-12), its supplement (13), BigTIFF (16-18) and EXIF 3.0 (129)."""
_LETTERS = (1, 2, 7, 129)
_OFFSETS = (3, 4, 13, 16, 18)
_VERSIONS = {42: False, 43: True, 0x55: False, 0x4F52: False, 0x5352: False}
"""Whether offsets have 64 bits.  42 TIFF, 43 BigTIFF; the others are variants of cameras' raws."""

_Entry = tuple[int, int, int]
"""Field type, number of values, and where they are stored."""


class _Block:
    """A TIFF structure in an open file; its offsets count from ``start``.

    Raises ``ValueError`` when it does not begin as one.
    """

    def __init__(self, file: BinaryIO, start: int, size: int) -> None:
        self._file, self._start, self.size = file, start, size
        self._left = _MOST_IN_ALL
        head = self.read(0, min(size, 16))
        self.order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
        if not self.order or len(head) < 8:
            raise ValueError("no TIFF structure")
        version, first = struct.unpack(f"{self.order}HI", head[2:8])
        wide = _VERSIONS.get(version)
        if wide is None:
            raise ValueError("no TIFF structure")
        self.count, self.word = ("Q", "Q") if wide else ("H", "I")
        self.first = self.unpack("Q", 8)[0] if wide and len(head) == 16 else first

    def read(self, offset: int, count: int) -> bytes:
        """These bytes; none where some lie outside the block, or where they are too many."""
        if offset < 0 or count > min(self.size - offset, self._left, _MOST_BYTES):
            return b""
        self._left -= count
        self._file.seek(self._start + offset)
        data = self._file.read(count)
        return data if len(data) == count else b""

    def unpack(self, form: str, offset: int) -> tuple[Any, ...]:
        """Numbers in the block's byte order; none where they lie outside."""
        form = self.order + form
        data = self.read(offset, struct.calcsize(form))
        return struct.unpack(form, data) if data else ()


def read_directories(path: Path) -> tuple[Directory, ...]:
    """The image directories of a TIFF-like file or of a JPEG's EXIF block.

    Sub-directories stand behind their parent; only tags that this package uses are kept.  The
    EXIF directory's are merged into the directory that names it, and so are date and time of the
    GPS directory; the place is not (:func:`read_gps`).  What is damaged is left out; empty when
    the file is of another kind or cannot be read.  Nothing is raised.
    """
    found: list[Directory] = []
    with suppress(OSError, ValueError), _opened(path) as block:
        found += (_tags(block, entries) for entries in _directories(block))
    return tuple(found)


def largest_value(path: Path) -> int:
    """Bytes of the longest value that the directories of :func:`read_directories` claim to hold.

    0 when there are none.  Whoever reads all tags should ask before.
    """
    with suppress(OSError, ValueError), _opened(path) as block:
        claims = (
            count * struct.calcsize(f"={_FORMATS[kind]}")
            for entries in _directories(block)
            for kind, count, _ in entries.values()
        )
        return max(claims, default=0)
    return 0


def lacks_values(path: Path) -> bool:
    """Whether values of tags that :func:`read_directories` keeps lie behind the end of the file."""
    with suppress(OSError, ValueError), _opened(path) as block:
        return any(
            place + count * struct.calcsize(f"={_FORMATS[kind]}") > block.size
            for entries in _directories(block)
            for code, (kind, count, place) in entries.items()
            if code in _KEPT
        )
    return True


def read_gps(path: Path) -> Directory:
    """The GPS directory, with the place: for those only who were asked for it.

    EXIF 2.32, 4.6.6: 1-4 latitude and longitude, 5-6 height, 7 and 29 time and date.
    """
    with suppress(OSError, ValueError), _opened(path) as block:
        entries, _ = _entries(block, block.first)
        return _linked(block, entries, _GPS_IFD, (*range(1, 8), 29))
    return {}


@contextmanager
def _opened(path: Path) -> Iterator[_Block]:
    """The TIFF structure of the file; pipes are never opened.

    Raises ``ValueError`` when it has none, and ``OSError``.
    """
    if not path.is_file():
        raise ValueError("not a file")
    with path.open("rb") as file:
        start, size = 0, path.stat().st_size
        if file.read(2) == b"\xff\xd8":
            start, size = _exif_in_jpeg(file, size)
        yield _Block(file, start, size)


def _exif_in_jpeg(file: BinaryIO, size: int) -> tuple[int, int]:
    """Start and size of the TIFF structure in a JPEG's APP1 segment (EXIF 2.32, 4.7.2)."""
    at = 2
    for _ in range(_MOST_SEGMENTS):
        file.seek(at)
        head = file.read(10)
        marker, length = head[1:2], int.from_bytes(head[2:4], "big")
        if len(head) < 10 or head[0] != 0xFF or marker in (b"\xda", b"\xd9"):
            break
        if marker == b"\xff":  # a filling byte
            at += 1
            continue
        if marker == b"\xe1" and head[4:] == b"Exif\0\0":
            return at + 10, min(length - 8, size - at - 10)
        at += 2 + max(length, 2)
    return 0, 0


def _directories(block: _Block) -> Iterator[Mapping[int, _Entry]]:
    """The entries of each directory; a chain that runs in a circle comes to an end."""
    seen: set[int] = set()
    offset = block.first
    while offset and offset not in seen and len(seen) < _MOST_DIRECTORIES:
        seen.add(offset)
        entries, offset = _entries(block, offset)
        if not entries:
            return
        yield entries
        for below in _offsets(block, entries, _SUB_IFDS):
            yield _entries(block, below)[0]


def _entries(block: _Block, offset: int) -> tuple[dict[int, _Entry], int]:
    """The entries of one directory by their tag, and where the next directory is (0: none)."""
    room = struct.calcsize(block.word)
    start, size = offset + struct.calcsize(f"={block.count}"), 4 + 2 * room
    (number,) = block.unpack(block.count, offset) or (0,)
    if number > _MOST_ENTRIES:
        return {}, 0
    table = block.read(start, size * min(number, max(block.size - start, 0) // size))
    entries: dict[int, _Entry] = {}
    unclear: set[int] = set()
    rows = struct.iter_unpack(f"{block.order}HH{block.word}{block.word}", table)
    for k, (code, kind, count, place) in enumerate(rows):
        if kind in _FORMATS:
            inline = count * struct.calcsize(f"={_FORMATS[kind]}") <= room
            where = start + k * size + 4 + room if inline else place
            if code in entries and code in _LAYOUT:
                unclear.add(code)
            entries.setdefault(code, (kind, count, where))
    for code in unclear:
        del entries[code]
    (following,) = block.unpack(block.word, start + size * number) or (0,)
    return entries, following


def _offsets(block: _Block, entries: Mapping[int, _Entry], code: int) -> tuple[int, ...]:
    kind, count, place = entries.get(code, (0, 0, 0))
    if kind not in _OFFSETS:
        return ()
    return block.unpack(f"{min(count, _MOST_DIRECTORIES)}{_FORMATS[kind]}", place)


def _tags(block: _Block, entries: Mapping[int, _Entry]) -> Directory:
    own = {code: _value(block, code, entries[code]) for code in entries if code in _KEPT}
    exif = _linked(block, entries, _EXIF_IFD, _EXIF)
    gps = _linked(block, entries, _GPS_IFD, _GPS_TIME)
    return {code: value for code, value in own.items() if value} | exif | gps


def _linked(
    block: _Block, entries: Mapping[int, _Entry], pointer: int, kept: Container[int]
) -> dict[int, Any]:
    """What is kept of the directory to which the entry ``pointer`` points."""
    values: dict[int, Any] = {}
    for offset in _offsets(block, entries, pointer)[:1]:
        inner, _ = _entries(block, offset)
        values = {code: _value(block, code, inner[code]) for code in inner if code in kept}
    return {code: value for code, value in values.items() if value}


def _value(block: _Block, code: int, entry: _Entry) -> str | bytes | tuple[float, ...]:
    """Text for tags of text, numbers for tags of numbers, empty where the file mixes them up."""
    kind, count, place = entry
    form = _FORMATS[kind]
    if code in _TEXTS or code in _BYTES:
        data = block.read(place, count) if kind in _LETTERS else b""
        if code in _BYTES:
            return data
        return data.partition(b"\0")[0].decode("utf-8", "replace").strip()
    if kind in (2, 129):
        return ()
    size = struct.calcsize(f"={form}")
    data = block.read(place, count * size)
    numbers = struct.unpack(f"{block.order}{len(data) // size * len(form)}{form[0]}", data)
    if len(form) == 2:
        pairs = zip(numbers[::2], numbers[1::2], strict=True)
        return tuple(top / bottom if bottom else math.nan for top, bottom in pairs)
    return numbers


def pages(tiff: tifffile.TiffFile) -> Iterator[tifffile.TiffPage]:
    """The pages of tifffile in the order of :func:`read_directories`."""
    for page in islice(tiff.pages, _MOST_DIRECTORIES):
        assert isinstance(page, tifffile.TiffPage)
        yield page
        if _SUB_IFDS in page.tags:
            yield from islice(page.pages, _MOST_DIRECTORIES)


def whole(tags: Directory, code: int, default: int) -> int:
    """The tag's first number if it is a whole one."""
    value = tags.get(code, (default,))[0]
    return value if isinstance(value, int) else default


def is_dng(directories: tuple[Directory, ...]) -> bool:
    """Whether the file is marked as a DNG, the only format known to follow its tags.

    Version 0 does not count: LibRaw would decode nothing.
    """
    return bool(directories) and any(directories[0].get(50706, ()))


def main_place(directories: tuple[Directory, ...]) -> int | None:
    """Which directory holds the sensor's samples: main pictures, mosaics and large ones first."""

    def merit(place: int) -> tuple[bool, bool, int]:
        tags = directories[place]
        pixels = whole(tags, 256, 0) * whole(tags, 257, 0)
        return whole(tags, 254, 0) == 0, tags[262] == (CFA,), pixels

    raws = [k for k, tags in enumerate(directories) if tags.get(262) in ((CFA,), (LINEAR_RAW,))]
    return max(raws, key=merit, default=None)

"""How a DNG stores its samples, and whether that can be used (DNG 1.7.1, chapters 3 to 5)."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackkit.errors import RawFileError
from stackkit.raw.headers.checks import (
    COPY_AGAIN,
    CUT_SHORT,
    LARGER_THAN_PLACE,
    LEAST_SIDE,
    MISSING,
    check_size,
)
from stackkit.raw.headers.tags import CFA, Directory, is_dng, lacks_values, main_place, whole

PLAIN, JPEG, LOSSY_JPEG, JPEG_XL = 1, 7, 34892, 52546
_DEFLATE = (8, 32946)
LINEARIZATION_TABLE = 50712

_ONLY = "only red, green and blue Bayer mosaics can be used"
_LIBRAW_COLOURS = 4
_LONGEST_SAMPLE, _LONGEST_HEADER = 4, 2**16
"""Bytes of a strip or tile: twice what samples of 16 bits take unpacked, and some beside."""


@dataclass(frozen=True)
class Layout:
    """How the main directory, number ``place``, stores its samples.

    Sides in px; ``block`` the rows and columns of a strip or tile; ``parts`` start and end of each
    in the file; ``area`` the active area in the stored picture: top, left, bottom, right;
    ``interleave`` the number of fields down and across; ``mosaic`` one colour a pixel, or three;
    ``cut``: some parts end behind the end of the file.
    """

    place: int
    mosaic: bool
    width: int
    height: int
    bits: int
    compression: int
    block: tuple[int, int]
    parts: tuple[tuple[int, int], ...]
    area: tuple[int, int, int, int]
    interleave: tuple[int, int]
    cut: bool

    @property
    def samples(self) -> int:
        """Samples a pixel."""
        return 1 if self.mosaic else 3

    @property
    def beyond_libraw(self) -> bool:
        """Whether LibRaw would refuse the samples or put them in the wrong places.

        It knows no JPEG XL, no deflated whole numbers and no interleaved fields, puts a curve of
        its own in place of a lossy JPEG's linearisation table, and reads plain strips as if they
        followed each other in the file.
        """
        apart = any(a[1] != b[0] for a, b in zip(self.parts, self.parts[1:], strict=False))
        strips = self.block[1] == self.width
        plain = self.compression == PLAIN and strips and apart
        unknown = self.compression in (JPEG_XL, LOSSY_JPEG, *_DEFLATE)
        return unknown or plain or self.interleave != (1, 1)


def read_layout(path: Path, size: int, directories: tuple[Directory, ...]) -> Layout | None:
    """The layout of a DNG of ``size`` bytes; None when the file is no DNG.

    Raises ``RawFileError`` for a form that cannot be used, sides out of bounds, and a file that
    ends before its picture begins.
    """
    if not is_dng(directories):
        return None
    place = main_place(directories)
    if place is None:
        raise RawFileError(path, "damaged: it names no raw picture", COPY_AGAIN)
    tags = directories[place]
    width, height = whole(tags, 256, 0), whole(tags, 257, 0)
    strip = (min(whole(tags, 278, height), height), width)
    found = Layout(
        place=place,
        mosaic=tags[262] == (CFA,),
        width=width,
        height=height,
        bits=whole(tags, 258, 1),
        compression=whole(tags, 259, PLAIN),
        block=(whole(tags, 323, 0), whole(tags, 322, 0)) if 324 in tags else strip,
        parts=parts_of(tags),
        area=_area(tags, height, width),
        interleave=(whole(tags, 50975, 1), whole(tags, 52547, 1)),
        cut=any(end > size for _, end in parts_of(tags)),
    )
    _check_form(path, found, tags)
    _check_bounds(path, size, found)
    return found


def parts_of(tags: Directory) -> tuple[tuple[int, int], ...]:
    """Start and end of each strip or tile in the file."""
    return tuple(
        (start, start + count)
        for starts, counts in ((273, 279), (324, 325))
        for start, count in zip(tags.get(starts, ()), tags.get(counts, ()), strict=False)
        if isinstance(start, int) and isinstance(count, int)
    )


def _area(tags: Directory, height: int, width: int) -> tuple[int, int, int, int]:
    area = tags.get(50829, ())
    if len(area) != 4 or not all(isinstance(edge, int) for edge in area):
        return 0, 0, height, width
    return area[0], area[1], area[2], area[3]


def _check_form(path: Path, found: Layout, tags: Directory) -> None:
    samples, bits = whole(tags, 277, 1), found.bits
    if whole(tags, 339, 1) != 1:
        raise RawFileError(path, "its samples are not whole numbers; only whole numbers are read")
    if not 8 <= bits <= 16:
        raise RawFileError(path, f"its samples have {bits} bits; 8 to 16 can be used")
    if samples == 1 and not found.mosaic:
        raise RawFileError(path, f"from a black-and-white sensor; {_ONLY}")
    if samples != found.samples:
        raise RawFileError(path, f"it has {samples} samples a pixel; {_ONLY}")
    if found.mosaic and whole(tags, 50711, 1) != 1:
        raise RawFileError(path, f"its colour pattern is staggered; {_ONLY}")
    if whole(tags, 284, 1) != 1 or max(tags.get(50974, (1,))) > 1:  # planar, sub-tile blocks
        raise RawFileError(path, "its samples are stored in an order that is not read")


def _check_bounds(path: Path, size: int, found: Layout) -> None:
    top, left, bottom, right = found.area
    if not (0 <= top < bottom <= found.height and 0 <= left < right <= found.width):
        raise RawFileError(path, "damaged: its active area lies outside its picture", COPY_AGAIN)
    each = 2 if found.mosaic else 2 * _LIBRAW_COLOURS
    check_size(path, (right - left, bottom - top), (found.width, found.height), each)
    if not (min(found.interleave) >= 1 and max(found.interleave) <= LEAST_SIDE):
        raise RawFileError(path, "damaged: its rows or columns are interleaved too often")
    if min((start for start, _ in found.parts), default=size) >= size or (
        found.cut and lacks_values(path)
    ):
        raise RawFileError(path, CUT_SHORT, COPY_AGAIN)
    rows, columns = found.block
    if not (
        0 < rows <= found.height + LEAST_SIDE**2 and 0 < columns <= found.width + LEAST_SIDE**2
    ):
        raise RawFileError(path, f"damaged: its parts are {columns}×{rows} pixels", COPY_AGAIN)
    check_lengths(path, found.parts, rows * columns * found.samples)
    if len(found.parts) != ceil(found.height / rows) * ceil(found.width / columns):
        raise RawFileError(path, MISSING, COPY_AGAIN)


def check_lengths(path: Path, parts: tuple[tuple[int, int], ...], samples: int) -> None:
    """Parts (start and end of each in the file) may not be far longer than their samples."""
    if any(end - start > _LONGEST_SAMPLE * samples + _LONGEST_HEADER for start, end in parts):
        raise RawFileError(path, LARGER_THAN_PLACE, COPY_AGAIN)


def read_pattern(path: Path, tags: Directory) -> NDArray[np.uint8]:
    """Colours (2, 2) of the active area's top left sites, 0 R, 1 G, 2 B.

    DNG 1.7.1, ActiveArea: CFAPattern starts at its top left corner.  Raises ``RawFileError`` for
    other mosaics than Bayer's.
    """
    repeat, colours = tags.get(33421, ()), tags.get(33422, ())
    usable = len(repeat) == 2 and colours and repeat[0] * repeat[1] == len(colours)
    if not usable or not all(isinstance(number, int) for number in (*repeat, *colours)):
        raise RawFileError(path, "damaged: it does not name its colour pattern", COPY_AGAIN)
    rows, columns = repeat
    tile = np.tile(np.array(colours).reshape(rows, columns), (2, 2))
    cell = tile[:2, :2]
    if any((tile[y::2, x::2] != cell[y, x]).any() for y in (0, 1) for x in (0, 1)):
        quad = (
            "a quad Bayer mosaic: "
            if (rows, columns) == (4, 4) and (cell == cell[0, 0]).all()
            else ""
        )
        reason = f"its colour pattern repeats every {columns}×{rows} sites; {_ONLY}"
        raise RawFileError(path, quad + reason)
    names = "".join("RGB"[c] if 0 <= c < 3 else "?" for c in cell.ravel())
    if names not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise RawFileError(path, f"its colour pattern is {names}; {_ONLY}")
    return np.array(cell, dtype=np.uint8)

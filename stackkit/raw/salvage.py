"""What a truncated DNG still holds: rows, strips and tiles whose bytes are all there.

A copy that was interrupted ends early, or in zeros where its room had been reserved.  Nothing is
guessed: a row of plain samples counts when all its bytes are there, a compressed strip or tile when
all of its are and it unpacks without a fault.
"""

from __future__ import annotations

from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from stackkit.errors import RawFileError
from stackkit.raw import dng
from stackkit.raw.headers.checks import COPY_AGAIN, CUT_SHORT
from stackkit.raw.headers.layout import PLAIN, Layout
from stackkit.raw.headers.tags import Directory

LEAST_SHARE = 0.1
"""Share of the samples that must be there."""
_BLANK = 32
"""Zeros at the end of a file that are no samples: so many never occur above black."""
_OWN_ZEROS = 8
"""Zeros with which a compressed part may end by itself."""
_CHUNK = 2**20
"""Bytes read at a time."""


def end_of_data(path: Path, found: Layout, black: float) -> int:
    """Bytes of the file without the zeros at its end, if these are no data.

    Plain samples of a ``black`` below 1 may be zero.
    """
    size = path.stat().st_size
    if found.compression == PLAIN and black < 1:
        return size
    with path.open("rb") as file:
        end = size
        while end > 0:
            start = max(end - _CHUNK, 0)
            file.seek(start)
            held = len(file.read(end - start).rstrip(b"\0"))
            end = start + held
            if held:
                break
    if size - end < _BLANK:
        return size
    return end if found.compression == PLAIN else end + _OWN_ZEROS


def is_cut(found: Layout, end: int) -> bool:
    """Whether some of the picture lies behind the ``end`` of the data."""
    return any(
        _rows_there(number, found, end) < _rows(number, found) for number in range(len(found.parts))
    )


def salvaged(
    path: Path, found: Layout, tags: Directory, end: int
) -> tuple[NDArray[np.uint16], NDArray[np.bool_]]:
    """The stored picture as ``dng.stored_samples`` gives it, and which pixels (H, W) are there.

    The others are 0.  Raises ``RawFileError`` when it is too large for the memory one may take.
    """
    dng.check_room(path, found)
    shape = (found.height, found.width) if found.mosaic else (found.height, found.width, 3)
    data, there = np.zeros(shape, dtype=np.uint16), np.zeros(shape[:2], dtype=np.bool_)
    across = ceil(found.width / found.block[1])
    with dng.outside_faults(path), dng.open_tiff(path) as tiff:
        page = dng.page_of(tiff, found)
        for number in range(len(found.parts)):
            rows = _rows_there(number, found, end)
            part = _unpacked(path, page, number, found, rows) if rows else None
            if part is not None:
                down, right = divmod(number, across)
                top, left = down * found.block[0], right * found.block[1]
                place = np.s_[top : top + rows, left : left + found.block[1]]
                data[place] = part.reshape(*part.shape[:2], *shape[2:])[:rows, : shape[1] - left]
                there[place] = True
    return dng.straightened(dng.woven(data, found), tags), dng.woven(there, found)


def check_share(path: Path, share: float) -> None:
    """Whether a ``share`` of a picture is enough to use.  Raises ``RawFileError``."""
    if share == 0:
        raise RawFileError(path, CUT_SHORT, COPY_AGAIN)
    if share < LEAST_SHARE:
        reason = f"cut off: only {max(int(100 * share), 1)} % of it is there"
        raise RawFileError(path, reason, COPY_AGAIN)


def _rows(number: int, found: Layout) -> int:
    """Rows of the picture that a part holds."""
    down = number // ceil(found.width / found.block[1])
    return min(found.block[0], found.height - down * found.block[0])


def _bytes_of_row(found: Layout) -> int:
    """Of a plain part; rows end on whole bytes (TIFF 6.0, section 3)."""
    return ceil(found.block[1] * found.samples * found.bits / 8)


def _rows_there(number: int, found: Layout, end: int) -> int:
    """Whole rows of a part that lie before the ``end`` of the data.

    Plain parts are read on for as long as their place is, whatever length the file names; what
    lies in a tile beside the picture need not be there.
    """
    start, stop = found.parts[number]
    if found.compression == PLAIN:
        left = number % ceil(found.width / found.block[1]) * found.block[1]
        columns = min(found.block[1], found.width - left)
        last = ceil(columns * found.samples * found.bits / 8)
        row = _bytes_of_row(found)
        return min(max(end - start - last + row, 0) // row, _rows(number, found))
    return _rows(number, found) if stop <= end else 0


def _unpacked(
    path: Path, page: tifffile.TiffPage, number: int, found: Layout, rows: int
) -> NDArray[np.unsignedinteger[Any]] | None:
    """Samples (rows, columns, samples a pixel) of one part; None where it is damaged."""
    start, stop = found.parts[number]
    plain = found.compression == PLAIN
    with path.open("rb") as file:
        file.seek(start)
        data = file.read(rows * _bytes_of_row(found) if plain else stop - start)
    try:
        depth = found.bits
        if plain:
            data = data.ljust(found.block[0] * _bytes_of_row(found), b"\0")
        else:
            depth = dng.stream_depth(path, data, number, found)
        part, *_ = page.decode(data, number, jpegtables=page.jpegtables)
    except Exception:  # imagecodecs raises anything
        return None
    if part is None or part.shape[1] < rows or part.dtype not in (np.uint8, np.uint16):
        return None
    return dng.stretched(part[0], depth, found.bits)

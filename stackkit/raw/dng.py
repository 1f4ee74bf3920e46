"""The samples of DNGs that LibRaw does not decode, and the damage that it ignores."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from math import ceil
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import tifffile
from numpy.typing import NDArray

from stackkit.errors import RawFileError
from stackkit.raw.headers.checks import (
    BLANK_END,
    COPY_AGAIN,
    CUT_SHORT,
    LARGER_THAN_PLACE,
    MISSING,
    MOST_BYTES,
)
from stackkit.raw.headers.codestreams import check_lossless, jpeg_frame, jxl_frame
from stackkit.raw.headers.layout import (
    JPEG,
    JPEG_XL,
    LINEARIZATION_TABLE,
    LOSSY_JPEG,
    PLAIN,
    Layout,
)
from stackkit.raw.headers.tags import Directory, largest_value, pages

# tifffile reports odd tags through logging; without a handler Python prints them on the terminal.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

_Sample = TypeVar("_Sample", bound=np.generic)

_TAIL = 512
"""Blank bytes at the end of compressed samples that no encoder writes."""
_HEAD = 2**16
"""Bytes within which a JPEG header gives its size."""
_LOOSE = 4
"""How many times larger than its place a lossless JPEG may be before LibRaw is not asked."""
_WORKING_BYTES = 16
"""Upper bound of what decoding a strip or tile takes for each of its samples."""
_LONGEST_TAG = 2**26
"""Bytes: many times the notes, maps and profiles that cameras put into a tag."""


def check_parts(path: Path, found: Layout) -> None:
    """Damage to samples that decoders ignore, returning old contents of the memory.

    A part (strip or tile) of JPEG starts with FF D8 (ISO/IEC 10918-1), and its header gives the
    number of samples, of which LibRaw would decode any number; the last part of any compression
    ends blank where a copy was interrupted after its room had been reserved.  Raises
    ``RawFileError``.
    """
    if found.compression == PLAIN:
        return
    with path.open("rb") as file:
        parts = enumerate(found.parts) if found.compression in (JPEG, LOSSY_JPEG) else ()
        for number, (start, end) in parts:
            file.seek(start)
            head = file.read(min(end - start, _HEAD))
            if not head.startswith(b"\xff\xd8"):
                raise RawFileError(path, MISSING, COPY_AGAIN)
            claimed, _ = _claims(path, head, found)
            if claimed > _LOOSE * found.block[0] * found.block[1]:
                raise RawFileError(path, LARGER_THAN_PLACE, COPY_AGAIN)
            if claimed < _needed(number, found):
                raise RawFileError(path, MISSING, COPY_AGAIN)
        start, end = max(found.parts)
        file.seek(max(start, end - _TAIL))
        if not any(file.read(_TAIL)):
            raise RawFileError(path, BLANK_END, COPY_AGAIN)


def stored_samples(path: Path, found: Layout, tags: Directory) -> NDArray[np.uint16]:
    """The whole stored picture through tifffile: (H, W) codes of a mosaic, or (H, W, 3).

    Fields are put in their places (DNG 1.7.1, RowInterleaveFactor and ColumnInterleaveFactor) and
    the linearisation table is applied (chapter 5, mapping raw values).  JPEG XL of fewer bits than
    BitsPerSample is stretched to these; with as many, its codes are taken as they are (the
    specification is silent on this, readers differ).  Raises ``RawFileError``.
    """
    depth = _check_streams(path, found)
    shape = (found.height, found.width) if found.mosaic else (found.height, found.width, 3)
    with outside_faults(path), open_tiff(path) as tiff:
        data = np.asarray(page_of(tiff, found).asarray())
    if data.squeeze().shape != shape or data.dtype not in (np.uint8, np.uint16):
        raise RawFileError(path, "damaged: its samples do not fill its picture", COPY_AGAIN)
    return straightened(woven(stretched(data.reshape(shape), depth, found.bits), found), tags)


def page_of(tiff: tifffile.TiffFile, found: Layout) -> tifffile.TiffPage:
    """Tifffile's page of the main picture."""
    starts = tuple(start for start, _ in found.parts)
    return next(page for page in pages(tiff) if tuple(page.dataoffsets) == starts)


def stretched(
    data: NDArray[np.unsignedinteger[Any]], depth: int, bits: int
) -> NDArray[np.unsignedinteger[Any]]:
    """Codes of ``depth`` bits over the whole range of ``bits``, where these are more."""
    if depth >= bits:
        return data
    table = np.arange(2**depth) * ((2**bits - 1) / (2**depth - 1))
    return np.take(np.round(table).astype(np.uint16), data, mode="clip")


def woven(data: NDArray[_Sample], found: Layout) -> NDArray[_Sample]:
    """The stored picture (H, W, …) with its fields put in their places."""
    for axis, fields in enumerate(found.interleave):
        data = _woven(data, axis, fields)
    return data


def _woven(data: NDArray[_Sample], axis: int, fields: int) -> NDArray[_Sample]:
    """Every ``fields``-th row (axis 0) or column (1) of the picture lies together in ``data``."""
    if fields == 1:
        return data
    places = np.arange(data.shape[axis])
    stored = np.concatenate([places[field::fields] for field in range(fields)])
    return np.take(data, np.argsort(stored), axis=axis)


def straightened(data: NDArray[np.unsignedinteger[Any]], tags: Directory) -> NDArray[np.uint16]:
    """Codes through the linearisation table, if there is one."""
    if LINEARIZATION_TABLE in tags:
        table = np.clip(np.nan_to_num(tags[LINEARIZATION_TABLE]), 0, 65535).astype(np.uint16)
        return np.take(table, data, mode="clip")
    return data.astype(np.uint16, copy=False)


def _check_streams(path: Path, found: Layout) -> int:
    """The bits of a sample.  No part may claim more samples than its place in the picture has."""
    check_room(path, found)
    depths = set()
    with path.open("rb") as file:
        for number, (start, end) in enumerate(found.parts):
            file.seek(start)
            depths.add(stream_depth(path, file.read(end - start), number, found))
    if len(depths) != 1:
        raise RawFileError(path, "damaged: its parts differ in their bits", COPY_AGAIN)
    return depths.pop()


def check_room(path: Path, found: Layout) -> None:
    """Whether a part can be unpacked in the memory that one may take.  Raises ``RawFileError``."""
    rows, columns = found.block
    if rows * columns * found.samples * _WORKING_BYTES > MOST_BYTES:
        raise RawFileError(path, f"too large: its parts are {columns}×{rows} pixels")


def stream_depth(path: Path, data: bytes, number: int, found: Layout) -> int:
    """The bits of a sample in part ``number``, whose bytes are ``data``.

    Raises ``RawFileError`` when it claims to hold more than its place has, or less, or is not
    whole.
    """
    if not data:
        raise RawFileError(path, MISSING, COPY_AGAIN)
    claimed, depth = _claims(path, data, found)
    if claimed > found.block[0] * found.block[1]:
        raise RawFileError(path, LARGER_THAN_PLACE, COPY_AGAIN)
    if claimed and claimed < _needed(number, found):
        raise RawFileError(path, MISSING, COPY_AGAIN)
    if found.compression in (JPEG, LOSSY_JPEG) and not jpeg_frame(data).whole:
        raise RawFileError(path, CUT_SHORT, COPY_AGAIN)
    return depth


def _needed(number: int, found: Layout) -> int:
    """Pixels that a part must hold to fill its place.

    With fewer, a decoder leaves what the memory held before: perhaps another frame.
    """
    rows, columns = found.block
    top, left = divmod(number, ceil(found.width / columns))
    right = min(columns, found.width - left * columns) if found.beyond_libraw else columns
    return min(rows, found.height - top * rows) * min(right, found.width)


def _claims(path: Path, data: bytes, found: Layout) -> tuple[int, int]:
    """Pixels and bits that a part claims to hold.  Raises ``RawFileError``."""
    try:
        if found.compression == JPEG_XL:
            stream = jxl_frame(data)
            return stream.width * stream.height, stream.bits
        if found.compression in (JPEG, LOSSY_JPEG):
            frame = jpeg_frame(data)
            if found.compression == JPEG:
                check_lossless(data)
            # A lossless JPEG may join neighbours of a mosaic as if they were colours of one pixel.
            return frame.width * frame.height * frame.samples // found.samples, found.bits
    except ValueError as fault:
        reason = f"damaged: of a part of its picture, {fault}"
        raise RawFileError(path, reason, COPY_AGAIN) from fault
    return 0, found.bits


def open_tiff(path: Path) -> tifffile.TiffFile:
    """The file opened by tifffile, which reads some tags whole, however long they are.

    Raises ``RawFileError`` when one is absurdly long, and what tifffile raises.
    """
    if largest_value(path) > _LONGEST_TAG:
        raise RawFileError(path, "damaged: it holds a tag of absurd length", COPY_AGAIN)
    return tifffile.TiffFile(path)


@contextmanager
def outside_faults(path: Path) -> Iterator[None]:
    """Whatever a library raises for a damaged file, as ``RawFileError``."""
    try:
        yield
    except RawFileError:
        raise
    except MemoryError as fault:
        raise RawFileError(path, "too large for the memory that is free") from fault
    except Exception as fault:  # tifffile and imagecodecs raise anything
        raise RawFileError(path, "damaged or cut short", COPY_AGAIN) from fault


def balance(first: Directory) -> tuple[float, float, float] | None:
    """Multipliers for R, G, B, green = 1, from AsShotNeutral (DNG 1.7.1) of the first directory."""
    neutral = first.get(50728, ())
    if len(neutral) != 3 or not (np.isfinite(neutral).all() and min(neutral) > 0):
        return None
    red, green, blue = neutral
    return green / red, 1.0, green / blue

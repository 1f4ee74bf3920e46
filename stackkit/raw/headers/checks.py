"""Which files may serve as a frame: their signatures, and the limits they must keep."""

from __future__ import annotations

import codecs
import stat
from pathlib import Path

from stackkit.errors import RawFileError, why

LEAST_SIDE = 32
"""Smallest width and height of a picture, px."""
MOST_PIXELS = 400_000_000
"""Largest plane that is unpacked: beyond every camera, and still within memory."""
MOST_BYTES = 2**31
"""Most memory that one decoder may ask for."""

COPY_AGAIN = "Copy it from the camera again, or leave it out."
CUT_SHORT = "cut short: the file ends before its picture does"
MISSING = "damaged: a part of its picture is missing"
LARGER_THAN_PLACE = "damaged: a part of it is larger than its place"
NOT_AS_SAID = "damaged: its samples are not what its tags say"
BLANK_END = "damaged: the end of its picture is blank"

BIG_TIFF_STARTS = (b"II+\0", b"MM\0+")
"""TIFF with offsets of 64 bits, which LibRaw does not read."""
TIFF_STARTS = (b"II*\0", b"MM\0*", *BIG_TIFF_STARTS)
JPEG_START = b"\xff\xd8\xff"
_RAW_STARTS = (
    *((0, start) for start in TIFF_STARTS),
    (0, b"IIRO"),
    (0, b"IIRS"),
    (0, b"MMOR"),
    (0, b"IIU\0"),
    (0, b"II\x1a\0\0\0HEAPCCDR"),
    (0, b"FUJIFILM"),
    (0, b"\0MRM"),
    (0, b"FOVb"),
    (4, b"ftypcrx "),
)
"""Offset and first bytes of the raw formats LibRaw reads: TIFF 6.0, its variants, and others.

The variants are common practice among makers.  LibRaw itself also takes files with no such mark
for raws, by their size alone, so it is only asked about these.
"""
_OTHER_STARTS = (
    (0, JPEG_START, "a JPEG picture, not a raw one"),
    (0, b"\x89PNG", "a PNG picture, not a raw one"),
    (0, b"SIMPLE  =", "a FITS picture, not a camera's raw file"),
    (4, b"ftyp", "a HEIF picture or a film, not a raw picture"),
)


def first_bytes(path: Path) -> tuple[int, bytes]:
    """Size and first bytes of a regular file; pipes, sockets and devices are never opened.

    Raises ``RawFileError`` when it is something else or cannot be read.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise RawFileError(path, "a folder, not a file")
        if not stat.S_ISREG(status.st_mode):
            raise RawFileError(path, "a pipe, socket or device, not a file")
        if status.st_size == 0:
            raise RawFileError(path, "empty file", COPY_AGAIN)
        with path.open("rb") as file:
            return status.st_size, file.read(4096)
    except OSError as error:
        raise RawFileError(path, f"cannot be read: {why(error)}") from error


def not_raw(head: bytes) -> str:
    """Why a file that starts with ``head`` is no raw picture; empty when it may be one."""
    if any(head[at:].startswith(mark) for at, mark in _RAW_STARTS):
        return ""
    for at, mark, reason in _OTHER_STARTS:
        if head[at:].startswith(mark):
            return reason
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)  # the last character may be cut
    except UnicodeDecodeError:
        return "not a raw picture"
    return "not a raw picture" if b"\0" in head else "a text file, not a raw picture"


def check_size(path: Path, visible: tuple[int, int], stored: tuple[int, int], each: int) -> None:
    """Bounds before anything is allocated: (width, height) seen and stored, bytes a stored pixel.

    Raises ``RawFileError``.
    """
    (width, height), pixels = visible, stored[0] * stored[1]
    if pixels > MOST_PIXELS or pixels * each > MOST_BYTES:
        most = min(MOST_PIXELS, MOST_BYTES // each) // 1_000_000
        raise RawFileError(path, f"too large: {width}×{height}, over {most} million pixels")
    if min(width, height) < LEAST_SIDE:
        raise RawFileError(path, f"too small: {width}×{height} pixels")

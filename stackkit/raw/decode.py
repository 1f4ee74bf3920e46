"""From a file to the samples the sensor gave."""

from __future__ import annotations

import codecs
import errno
import io
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from stackkit.errors import InputError
from stackkit.raw.metadata import LIBRAW_FAULTS, Directory, read_directories

LEAST_SIDE = 32
"""Smallest width and height of a picture, px."""
MOST_PIXELS = 400_000_000
"""Largest plane that is unpacked: beyond every camera, and still within memory."""

_TIFF_STARTS = (b"II*\0", b"MM\0*")
_RAW_STARTS = (
    *((0, start) for start in _TIFF_STARTS),
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
    (0, b"\xff\xd8\xff", "a JPEG picture, not a raw one"),
    (0, b"\x89PNG", "a PNG picture, not a raw one"),
    (0, b"SIMPLE  =", "a FITS picture, not a camera's raw file"),
    (4, b"ftyp", "a HEIF picture or a film, not a raw picture"),
)

_CFA, _LINEAR_RAW = 32803, 34892
_CUT_SHORT = "cut short: the file ends before its picture does"
_BLANK_END = "damaged: the end of its picture is blank"
_TAIL = 512
"""Blank bytes at the end of compressed samples that no encoder writes."""
_COPY_AGAIN = "Copy it from the camera again, or leave it out."


class RawFileError(InputError):
    """A file that cannot serve as a frame; ``reason`` says why in a few words, for lists."""

    def __init__(self, path: Path, reason: str, advice: str = "") -> None:
        super().__init__(f"{path}: {reason}. {advice}".rstrip())
        self.reason = reason


@dataclass(frozen=True)
class Mosaic:
    """The visible Bayer plane of one raw file, untouched.

    ``data`` (H, W) uint16 codes; ``pattern`` (2, 2) colour indices 0 R, 1 G, 2 B of the top left
    sites; ``black`` (2, 2) black levels of those sites in codes; ``white`` the code at which
    samples clip; ``balance`` multipliers for R, G, B that make the as-shot white neutral,
    green = 1, or None when the camera did not say.
    """

    data: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black: NDArray[np.float64]
    white: float
    balance: tuple[float, float, float] | None


def decode(path: Path) -> Mosaic:
    """The mosaic of the raw file ``path``, its samples a copy.

    A linearisation table in the file is applied (by LibRaw), nothing else.  Raises
    ``RawFileError`` (an ``InputError``) when the file cannot be read, is no raw picture, is cut
    short or damaged, or holds something else than a Bayer mosaic.
    """
    with open_raw(path) as (raw, directories):
        main = _dng_samples(directories)
        try:
            _check_samples(path, main)
            raw.unpack()
            pattern = _pattern(path, raw)
            black = _black(raw, main)
            data = np.array(raw.raw_image_visible, dtype=np.uint16, order="C", copy=True)
            if black.min() >= 1 and not data[-1].any():
                raise RawFileError(path, _BLANK_END, _COPY_AGAIN)
            return Mosaic(
                data=data,
                pattern=pattern,
                black=black,
                white=_white(path, raw, float(black.max())),
                balance=_balance(raw),
            )
        except LIBRAW_FAULTS as fault:
            raise RawFileError(path, "damaged or cut short", _COPY_AGAIN) from fault


@contextmanager
def open_raw(path: Path) -> Iterator[tuple[Any, tuple[Directory, ...]]]:
    """The file opened by LibRaw (a ``rawpy.RawPy``), pixels not yet unpacked, and its directories.

    The directories are empty when the file is not TIFF-like.  Raises ``RawFileError`` for
    everything that can be told without unpacking.
    """
    size, head = _head(path)
    reason = _not_raw(head)
    if reason:
        raise RawFileError(path, reason)
    with rawpy.RawPy() as raw:
        try:
            _open(raw, path)
        except LIBRAW_FAULTS as fault:
            raise _refusal(path, size, head) from fault
        _check_size(path, raw.sizes)
        directories = read_directories(path)
        if head.startswith(_TIFF_STARTS) and directories:
            _check_directories(path, size, directories, raw.sizes)
        yield raw, directories


def _open(raw: Any, path: Path) -> None:
    """Opens by name; rawpy takes names as UTF-8 only, so files of other names go by content."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        raw.open_buffer(io.BytesIO(path.read_bytes()))
    else:
        raw.open_file(str(path))


def _head(path: Path) -> tuple[int, bytes]:
    """Size and first bytes of a regular file; pipes, sockets and devices are never opened."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise RawFileError(path, "a folder, not a file")
        if not stat.S_ISREG(status.st_mode):
            raise RawFileError(path, "a pipe, socket or device, not a file")
        if status.st_size == 0:
            raise RawFileError(path, "empty file", _COPY_AGAIN)
        with path.open("rb") as file:
            return status.st_size, file.read(4096)
    except OSError as error:
        raise RawFileError(path, f"cannot be read: {why(error)}") from error


def why(error: OSError) -> str:
    """Why reading failed, in plain words."""
    words = {
        errno.EACCES: "permission denied",
        errno.EPERM: "permission denied",
        errno.ENOENT: "it does not exist",
        errno.ELOOP: "the link leads back to itself",
        errno.EIO: "the disk or card reports a fault",
    }
    return words.get(error.errno or 0, error.strerror or str(error))


def _not_raw(head: bytes) -> str:
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


def _refusal(path: Path, size: int, head: bytes) -> RawFileError:
    """Why LibRaw took a file that looks like a raw for none."""
    if head.startswith(_TIFF_STARTS):
        first = int.from_bytes(head[4:8], "little" if head.startswith(b"II") else "big")
        if len(head) < 8 or first + 2 > size:
            return RawFileError(path, _CUT_SHORT, _COPY_AGAIN)
        directories = read_directories(path)
        first_tags = directories[0] if directories else {}
        if 262 in first_tags and 50706 not in first_tags and _main_directory(directories) is None:
            return RawFileError(path, "a TIFF picture, not a raw one")
    version = ".".join(map(str, rawpy.libraw_version))
    reason = f"damaged, or in a raw format that LibRaw {version} does not know"
    return RawFileError(path, reason, _COPY_AGAIN)


def _check_size(path: Path, sizes: Any) -> None:
    if min(sizes.width, sizes.height) < LEAST_SIDE:
        raise RawFileError(path, f"too small: {sizes.width}×{sizes.height} pixels")
    if sizes.raw_width * sizes.raw_height > MOST_PIXELS:
        most = MOST_PIXELS // 1_000_000
        raise RawFileError(
            path, f"too large: {sizes.width}×{sizes.height}, over {most} million pixels"
        )


def _main_directory(directories: tuple[Directory, ...]) -> Directory | None:
    """The largest directory that holds sensor samples."""
    raws = [d for d in directories if d.get(262) in ((_CFA,), (_LINEAR_RAW,))]
    return max(raws, key=lambda d: (d.get(256, (0,)), d.get(257, (0,))), default=None)


def _dng_samples(directories: tuple[Directory, ...]) -> Directory | None:
    """The main directory of a DNG, the only format known to keep to its tags; else None."""
    return _main_directory(directories) if directories and 50706 in directories[0] else None


def _parts(main: Directory) -> list[tuple[int, int]]:
    """Start and end of each strip or tile."""
    return [
        (start, start + count)
        for starts, counts in ((273, 279), (324, 325))
        for start, count in zip(main.get(starts, ()), main.get(counts, ()), strict=False)
        if isinstance(start, int) and isinstance(count, int)
    ]


def _is_plane(directory: Directory, sizes: Any) -> bool:
    """Whether the directory has the size of the plane that LibRaw found."""
    sides = (*directory.get(256, ()), *directory.get(257, ()))
    return sides == (sizes.raw_width, sizes.raw_height)


def _check_directories(
    path: Path, size: int, directories: tuple[Directory, ...], sizes: Any
) -> None:
    """What LibRaw lets pass: plain grey TIFF as a mosaic, and a DNG cut within its directory."""
    main = _main_directory(directories)
    if 50706 not in directories[0]:
        grey = directories[0].get(262) in ((0,), (1,)) and _is_plane(directories[0], sizes)
        if main is None and grey:
            raise RawFileError(path, "a grey TIFF picture, not a raw one")
    elif main is None:
        raise RawFileError(path, "damaged: it names no raw picture", _COPY_AGAIN)
    elif max((end for _, end in _parts(main)), default=size + 1) > size:
        raise RawFileError(path, _CUT_SHORT, _COPY_AGAIN)


def _check_samples(path: Path, main: Directory | None) -> None:
    """Damage to compressed samples over which LibRaw passes, giving what the memory held.

    A part (strip or tile) of JPEG starts with FF D8 (ISO/IEC 10918-1); the last part of any
    compression ends blank where a copy was interrupted after its room had been reserved.
    """
    if main is None or main.get(259, (1,)) == (1,):
        return
    parts = sorted(_parts(main))
    with path.open("rb") as file:
        for start, _ in parts if main[259] in ((7,), (34892,)) else ():
            file.seek(start)
            if file.read(2) != b"\xff\xd8":
                raise RawFileError(path, "damaged: a part of its picture is missing", _COPY_AGAIN)
        start, end = parts[-1]
        file.seek(max(start, end - _TAIL))
        if not any(file.read(_TAIL)):
            raise RawFileError(path, _BLANK_END, _COPY_AGAIN)


def _pattern(path: Path, raw: Any) -> NDArray[np.uint8]:
    """Colours of the visible area's top left sites, both greens as 1."""
    only = "only red, green and blue Bayer mosaics can be used"
    if raw.raw_type != rawpy.RawType.Flat:
        raise RawFileError(path, f"its colours are already mixed, or not whole numbers; {only}")
    tile = raw.raw_pattern
    if tile.shape == (1, 1):
        raise RawFileError(path, f"from a black-and-white sensor; {only}")
    if tile.shape != (2, 2):
        height, width = tile.shape
        raise RawFileError(path, f"its colour pattern repeats every {width}×{height} sites; {only}")
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    letters = raw.color_desc.decode("ascii", "replace")
    sites = [raw.raw_color(top + y, left + x) for y in (0, 1) for x in (0, 1)]
    names = "".join(letters[site : site + 1] for site in sites)
    if names not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise RawFileError(path, f"its colour pattern is {names}; {only}")
    return np.array(["RGB".index(name) for name in names], dtype=np.uint8).reshape(2, 2)


def _black(raw: Any, main: Directory | None) -> NDArray[np.float64]:
    """Black levels of the top left sites: exact from DNG tags, else LibRaw's whole numbers."""
    if main is not None:
        with suppress(KeyError, ValueError):  # tags are missing or do not fit each other
            return _dng_black(main, raw.sizes)
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    levels = raw.black_level_per_channel
    sites = [[levels[raw.raw_color(top + y, left + x)] for x in (0, 1)] for y in (0, 1)]
    return np.array(sites, dtype=np.float64)


def _dng_black(main: Directory, sizes: Any) -> NDArray[np.float64]:
    """DNG 1.4: BlackLevel repeats by BlackLevelRepeatDim from the active area's top left corner.

    Sites of one place in the 2×2 pattern are averaged, as are the rows' and columns' deltas.
    LibRaw drops fractions and larger repeats, and evens odd margins without moving the levels.
    """
    rows, cols = main.get(50713, (1, 1))
    top, left, *_ = main.get(50829, (0, 0))
    levels = np.array(main[50714], dtype=np.float64).reshape(rows, cols)
    levels += sum(np.mean(main[code]) for code in (50715, 50716) if code in main)
    tile = np.tile(levels, (2, 2))
    black = np.array([[tile[y::2, x::2].mean() for x in (0, 1)] for y in (0, 1)])
    if not np.isfinite(black).all() or not _is_plane(main, sizes):
        raise ValueError("black levels of another plane")
    return np.roll(black, (top - sizes.top_margin, left - sizes.left_margin), axis=(0, 1))


def _white(path: Path, raw: Any, black: float) -> float:
    levels = [raw.white_level, *(raw.camera_white_level_per_channel or ())]
    above = [level for level in levels if level > black]
    if not above:
        raise RawFileError(path, f"its white level {levels[0]} is not above its black {black:g}")
    return float(min(above))


def _balance(raw: Any) -> tuple[float, float, float] | None:
    red, green, blue, *_ = raw.camera_whitebalance
    if not (np.isfinite([red, green, blue]).all() and min(red, green, blue) > 0):
        return None
    return red / green, 1.0, blue / green

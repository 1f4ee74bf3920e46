"""From a file to the samples the sensor gave."""

from __future__ import annotations

import errno
import io
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from stackkit.errors import InputError
from stackkit.raw.metadata import LIBRAW_FAULTS, Directory, read_directories

LEAST_SIDE = 16
MOST_PIXELS = 400_000_000

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
    (4, b"ftyphei", "a HEIF picture, not a raw one"),
    (4, b"ftypmif", "a HEIF picture, not a raw one"),
    (4, b"ftyp", "a film, not a raw picture"),
)

_CFA, _LINEAR_RAW = 32803, 34892
_CUT_SHORT = "cut short: the file ends before its picture does"
_COPY_AGAIN = "Copy it from the camera again, or leave it out."


class UnusableRaw(InputError):
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
    ``UnusableRaw`` (an ``InputError``) when the file cannot be read, is no raw picture, is cut
    short or damaged, or holds something else than a Bayer mosaic.
    """
    with open_raw(path) as raw:
        try:
            raw.unpack()
            pattern = _pattern(path, raw)
            black = _black(path, raw, pattern)
            return Mosaic(
                data=np.array(raw.raw_image_visible, dtype=np.uint16, order="C", copy=True),
                pattern=pattern,
                black=black,
                white=_white(path, raw, float(black.max())),
                balance=_balance(raw),
            )
        except LIBRAW_FAULTS as fault:
            raise UnusableRaw(path, "damaged or cut short", _COPY_AGAIN) from fault


@contextmanager
def open_raw(path: Path) -> Iterator[Any]:
    """The file opened by LibRaw (a ``rawpy.RawPy``), headers read, pixels not yet unpacked.

    Raises ``UnusableRaw`` for everything that can be told without unpacking.
    """
    size, head = _head(path)
    reason = _not_raw(head)
    if reason:
        raise UnusableRaw(path, reason)
    try:
        raw = rawpy.imread(_source(path))
    except LIBRAW_FAULTS as fault:
        raise UnusableRaw(path, _refused(path, size, head), _COPY_AGAIN) from fault
    with raw:
        _check_size(path, raw.sizes)
        if head.startswith(_TIFF_STARTS):
            _check_directories(path, size, read_directories(path))
        yield raw


def _source(path: Path) -> Any:
    """What rawpy can open: it takes names as UTF-8 only, so other names go by their content."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        return io.BytesIO(path.read_bytes())
    return str(path)


def _head(path: Path) -> tuple[int, bytes]:
    """Size and first bytes of a regular file; pipes, sockets and devices are never opened."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise UnusableRaw(path, "a folder, not a file")
        if not stat.S_ISREG(status.st_mode):
            raise UnusableRaw(path, "a pipe, socket or device, not a file")
        if status.st_size == 0:
            raise UnusableRaw(path, "empty file", _COPY_AGAIN)
        with path.open("rb") as file:
            return status.st_size, file.read(4096)
    except OSError as error:
        raise UnusableRaw(path, f"cannot be read: {why(error)}") from error


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
    # UTF-8 may be cut within its last character; no text holds NUL.
    if b"\0" not in head and len(head.decode("utf-8", "ignore").encode()) > len(head) - 4:
        return "a text file, not a raw picture"
    return "not a raw picture"


def _refused(path: Path, size: int, head: bytes) -> str:
    """Why LibRaw took a file that looks like a raw for none."""
    if head.startswith(_TIFF_STARTS):
        order = "little" if head.startswith(b"II") else "big"
        if len(head) < 8 or int.from_bytes(head[4:8], order) + 2 > size:  # type: ignore[arg-type]
            return _CUT_SHORT
        directories = read_directories(path)
        if directories and 50706 not in directories[0] and _main_directory(directories) is None:
            return "a TIFF picture, not a raw one"
    version = ".".join(map(str, rawpy.libraw_version))
    return f"damaged, or in a raw format that LibRaw {version} does not know"


def _check_size(path: Path, sizes: Any) -> None:
    if min(sizes.width, sizes.height) < LEAST_SIDE:
        raise UnusableRaw(path, f"too small: {sizes.width}×{sizes.height} pixels")
    if sizes.raw_width * sizes.raw_height > MOST_PIXELS:
        most = MOST_PIXELS // 1_000_000
        raise UnusableRaw(
            path, f"too large: {sizes.width}×{sizes.height}, over {most} million pixels"
        )


def _main_directory(directories: tuple[Directory, ...]) -> Directory | None:
    """The largest directory that holds sensor samples."""
    raws = [d for d in directories if d.get(262) in (_CFA, _LINEAR_RAW)]
    return max(raws, key=lambda d: d.get(256, 0) * d.get(257, 0), default=None)


def _check_directories(path: Path, size: int, directories: tuple[Directory, ...]) -> None:
    """What LibRaw lets pass: plain grey TIFF as a mosaic, strips past the end of the file.

    LibRaw notices most cut files, but only when it unpacks, and a cut within the directory gives
    an invented picture without a word.  Only DNG is known to keep to right byte counts.
    """
    main = _main_directory(directories)
    if not directories:
        return
    if 50706 not in directories[0]:
        if main is None and directories[0].get(262) in (0, 1) and 33422 not in directories[0]:
            raise UnusableRaw(path, "a grey TIFF picture, not a raw one")
        return
    if main is not None:
        for starts, counts in ((273, 279), (324, 325)):
            parts = zip(main.get(starts, ()), main.get(counts, ()), strict=False)
            if any(start + count > size for start, count in parts):
                raise UnusableRaw(path, _CUT_SHORT, _COPY_AGAIN)


def _pattern(path: Path, raw: Any) -> NDArray[np.uint8]:
    """Colours of the visible area's top left sites, both greens as 1."""
    only = "only red, green and blue Bayer mosaics can be used"
    if raw.raw_type != rawpy.RawType.Flat:
        raise UnusableRaw(path, f"its colours are already mixed, or not whole numbers; {only}")
    tile = raw.raw_pattern
    if tile.shape == (1, 1):
        raise UnusableRaw(path, f"from a black-and-white sensor; {only}")
    if tile.shape != (2, 2):
        height, width = tile.shape
        raise UnusableRaw(path, f"its colour pattern repeats every {width}×{height} sites; {only}")
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    letters = raw.color_desc.decode("ascii", "replace")
    names = "".join(letters[raw.raw_color(top + y, left + x)] for y in (0, 1) for x in (0, 1))
    if names not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        raise UnusableRaw(path, f"its colour pattern is {names}; {only}")
    return np.array([["RGB".index(name) for name in names]], dtype=np.uint8).reshape(2, 2)


def _black(path: Path, raw: Any, pattern: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Black levels of the top left sites: exact from DNG tags, else LibRaw's whole numbers."""
    directories = read_directories(path)
    main = _main_directory(directories)
    if main is not None and 50714 in main and 50706 in directories[0]:
        black = _dng_black(main, raw.sizes)
        if black is not None:
            return black
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    levels = raw.black_level_per_channel
    site = [[levels[raw.raw_color(top + y, left + x)] for x in (0, 1)] for y in (0, 1)]
    return np.array(site, dtype=np.float64)


def _dng_black(main: Directory, sizes: Any) -> NDArray[np.float64] | None:
    """DNG 1.4: BlackLevel repeats by BlackLevelRepeatDim from the active area's top left corner.

    Sites of one place in the 2×2 pattern are averaged, as are the rows' and columns' deltas.
    LibRaw drops fractions and larger repeats, and moves odd margins without moving the levels.
    """
    rows, cols = main.get(50713, (1, 1))
    levels = np.array(main[50714], dtype=np.float64).ravel()
    deltas = [np.mean(main[code]) for code in (50715, 50716) if code in main]
    if levels.size != rows * cols or not np.isfinite([*levels, *deltas]).all():
        return None
    tile = np.tile(levels.reshape(rows, cols), (2, 2))
    black = np.array([[tile[y::2, x::2].mean() for x in (0, 1)] for y in (0, 1)]) + sum(deltas)
    top, left, *_ = main.get(50829, (0, 0))
    return np.roll(black, (top - sizes.top_margin, left - sizes.left_margin), axis=(0, 1))


def _white(path: Path, raw: Any, black: float) -> float:
    levels = [raw.white_level, *(raw.camera_white_level_per_channel or ())]
    above = [level for level in levels if level > black]
    if not above:
        raise UnusableRaw(path, f"its white level {levels[0]} is not above its black {black:g}")
    return float(min(above))


def _balance(raw: Any) -> tuple[float, float, float] | None:
    red, green, blue, *_ = raw.camera_whitebalance
    if not (np.isfinite([red, green, blue]).all() and min(red, green, blue) > 0):
        return None
    return red / green, 1.0, blue / green

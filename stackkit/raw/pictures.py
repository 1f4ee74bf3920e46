"""Finished pictures as lights of last resort: JPEG, and TIFF in red, green and blue."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stackkit.errors import RawFileError
from stackkit.raw.dng import open_tiff, outside_faults
from stackkit.raw.headers.checks import (
    COPY_AGAIN,
    CUT_SHORT,
    LEAST_SIDE,
    MISSING,
    MOST_BYTES,
    check_size,
)
from stackkit.raw.headers.codestreams import jpeg_frame
from stackkit.raw.headers.layout import check_lengths, parts_of
from stackkit.raw.headers.tags import ICC_PROFILE, Directory, whole

WHITE = 65535
_RGB = 2
_PLANAR = 2
_FLOATING = 3
_COMPRESSIONS = (1, 5, 8, 32773, 32946, 50000)
"""None, LZW, deflate, PackBits, deflate, Zstandard: all unpack into strips of a known size."""
_MOST_JPEG = 2**28
"""Bytes of a file, which may have a short film behind its picture."""
_JPEG_BYTES = 10
"""Of memory for each pixel of a progressive JPEG: coefficients, colours, and one of them linear."""
_JPEG_PIXELS = 1024
"""Most for a byte: each 8×8 block of the finest colour has a bit at least, and that colour every
second row or column (ISO/IEC 10918-1, F.1.2 and G.1.2)."""
_JPEG = "a JPEG picture, not a raw one"
_TIFF = "a TIFF picture, not a raw one"
_LOST = (
    "its colours were mixed from neighbouring pixels, and noise and small stars are perhaps "
    "smoothed away; of each pixel one colour is used"
)
LINEAR = "a linear raw: the camera has already computed its colours"
LINEAR_LOST = (
    "no untouched raw: the camera has already computed its colours (demosaiced), perhaps denoised "
    "or merged from several shots; of each pixel one colour is used"
)


@dataclass(frozen=True)
class Picture:
    """``size`` width, height in px; ``reason`` names it, ``lost``: what it lacks."""

    size: tuple[int, int]
    reason: str
    lost: str


def jpeg_picture(path: Path, size: int) -> tuple[Picture, bytes]:
    """What a JPEG file of ``size`` bytes claims, and its bytes.

    Raises ``RawFileError`` when it is cut short, grey, or its sides are out of bounds.
    """
    if size > _MOST_JPEG:
        raise RawFileError(path, f"too large: {size / 1e9:.1f} GB of JPEG")
    try:
        data = path.read_bytes()
        frame = jpeg_frame(data)
    except OSError as fault:
        raise RawFileError(path, "cannot be read", COPY_AGAIN) from fault
    except ValueError as fault:
        raise RawFileError(path, f"a JPEG picture, damaged: {fault}", COPY_AGAIN) from fault
    if (frame.samples, frame.bits, frame.lossless) != (3, 8, False):
        raise RawFileError(path, "a JPEG picture of another form than three colours of 8 bits")
    sides = (frame.width, frame.height)
    check_size(path, sides, sides, _JPEG_BYTES)
    if not frame.whole or frame.width * frame.height > _JPEG_PIXELS * size:
        raise RawFileError(path, CUT_SHORT, COPY_AGAIN)
    lost = (
        f"{_JPEG}: 8 bits, compressed with losses, with the camera's own brightness curve (taken "
        f"for that of sRGB); {_LOST}"
    )
    return Picture(sides, _JPEG, lost), data


def jpeg_codes(path: Path, data: bytes) -> NDArray[np.uint8]:
    """(H, W, 3) codes of a JPEG stream whose sides are known to be in bounds."""
    with outside_faults(path):
        return np.asarray(imagecodecs.jpeg8_decode(data, outcolorspace="RGB"))


def tiff_picture(path: Path, directories: tuple[Directory, ...]) -> Picture | None:
    """What the first directory of a TIFF file claims; None when it is not red, green and blue in
    8 or 16 whole bits.  Raises ``RawFileError`` for sides out of bounds.
    """
    tags = directories[0] if directories else {}
    bits = whole(tags, 258, 1)
    form = (whole(tags, 262, 0), whole(tags, 277, 1), whole(tags, 339, 1))
    if form != (_RGB, 3, 1) or bits not in (8, 16) or whole(tags, 259, 1) not in _COMPRESSIONS:
        return None
    sides = (whole(tags, 256, 0), whole(tags, 257, 0))
    check_size(path, sides, sides, 3 * bits // 8)
    _check_parts(path, tags, sides, 3 * bits // 8)
    if 0 in (*tags.get(279, ()), *tags.get(325, ())):
        raise RawFileError(path, MISSING, COPY_AGAIN)
    curve = "its values are linear, as its profile says" if is_linear(tags) else (
        "its brightness curve is taken for that of sRGB"
    )  # fmt: skip
    return Picture(sides, _TIFF, f"{_TIFF}: {bits} bits; {curve}; {_LOST}")


def _check_parts(path: Path, tags: Directory, sides: tuple[int, int], each: int) -> None:
    """Strips and tiles checked against the file and the picture; ``each`` bytes a pixel.

    The picture and its largest part, unpacked and then put in order, are in memory at a time.
    """
    width, height = sides
    block = (width, min(whole(tags, 278, height), height))
    if 324 in tags:
        block = (whole(tags, 322, 0), whole(tags, 323, 0))
    limits = (width + LEAST_SIDE**2, height + LEAST_SIDE**2)
    if not all(0 < part <= most for part, most in zip(block, limits, strict=True)):
        reason = f"damaged: its parts are {block[0]}×{block[1]} pixels"
        raise RawFileError(path, reason, COPY_AGAIN)
    if (width * height + 2 * block[0] * block[1]) * each > MOST_BYTES:
        raise RawFileError(path, f"too large: {width}×{height}, in parts of {block[0]}×{block[1]}")
    parts = parts_of(tags)
    if max((end for _, end in parts), default=0) > path.stat().st_size:
        raise RawFileError(path, CUT_SHORT, COPY_AGAIN)
    planes = 3 if whole(tags, 284, 1) == _PLANAR else 1
    if len(parts) != ceil(width / block[0]) * ceil(height / block[1]) * planes:
        raise RawFileError(path, MISSING, COPY_AGAIN)
    check_lengths(path, parts, block[0] * block[1] * 3)


def tiff_codes(path: Path, tags: Directory) -> NDArray[np.uint8 | np.uint16]:
    """(H, W, 3) codes of the first directory, which :func:`tiff_picture` has let pass."""
    with outside_faults(path), open_tiff(path) as tiff:
        page = tiff.pages[0]
        data = np.asarray(page.asarray())
    if whole(tags, 284, 1) == _PLANAR:
        data = np.moveaxis(data, 0, -1)
    if data.shape != (whole(tags, 257, 0), whole(tags, 256, 0), 3):
        raise RawFileError(path, "damaged: its samples do not fill its picture", COPY_AGAIN)
    return data


def is_linear(tags: Directory) -> bool:
    """Whether the ICC profile's red curve is a straight line (ICC.1:2022, 10.6 and 10.18)."""
    profile = tags.get(ICC_PROFILE, b"")
    count = int.from_bytes(profile[128:132], "big")
    for k in range(min(count, 100)):
        entry = profile[132 + 12 * k : 144 + 12 * k]
        if entry[:4] == b"rTRC":
            curve = profile[int.from_bytes(entry[4:8], "big") :]
            none = curve[:4] == b"curv" and curve[8:12] == b"\0\0\0\0"
            one = curve[:4] == b"curv" and curve[8:14] == b"\0\0\0\1\1\0"
            power = curve[:4] == b"para" and curve[8:10] == b"\0\0" and curve[12:16] == b"\0\1\0\0"
            return bool(none or one or power)
    return False


def one_colour_a_site(
    codes: NDArray[np.unsignedinteger[Any]], pattern: NDArray[np.uint8]
) -> NDArray[np.uint16]:
    """The mosaic (H, W) that takes the colours of ``pattern`` (2, 2) out of codes (H, W, 3)."""
    mosaic = np.empty(codes.shape[:2], dtype=np.uint16)
    for y, x in np.ndindex(2, 2):
        mosaic[y::2, x::2] = codes[y::2, x::2, pattern[y, x]]
    return mosaic


def straight(codes: NDArray[np.uint16], most: int, linear: bool) -> NDArray[np.uint16]:
    """Codes up to ``most`` as linear ones up to 65535; sRGB's (IEC 61966-2-1) unless ``linear``."""
    share = np.arange(most + 1) / most
    if not linear:
        share = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.round(share * WHITE).astype(np.uint16)[codes]


def refused_tiff(tags: Directory) -> str:
    """Why a TIFF file whose first directory holds ``tags`` is of no use."""
    if whole(tags, 339, 1) == _FLOATING:
        return f"{_TIFF}: floating-point values, such as a result of stacking"
    if whole(tags, 262, 0) in (0, 1):
        return "a grey TIFF picture, not a raw one"
    return f"{_TIFF}, and not three colours of 8 or 16 bits"

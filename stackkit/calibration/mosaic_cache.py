"""The scratch cache: calibrated mosaics on disk, read window by window.

A sample is kept as an unsigned 16-bit code: 0 is missing, else ADU = (code - 1) · step - pedestal.
For an undivided mosaic the coding is exact.  Files are written once; samples rejected later are
kept as separate masks, so that every method can still see the samples as they were.  Windows are
copied out and the file is closed again: mapped pages would count as our memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Codes, Mask, Plane
from stackkit.errors import OutputError
from stackkit.jit import jit
from stackkit.run.files import reason

_LARGEST = 65535
"""The highest 16-bit code."""


@dataclass(frozen=True)
class Coding:
    """ADU = (code - 1) · ``step`` - ``pedestal``."""

    step: float
    pedestal: float


@dataclass(frozen=True)
class Window:
    """A rectangle of the mosaic: rows ``top`` to ``bottom``, columns ``left`` to ``right``, ends
    excluded.
    """

    top: int
    bottom: int
    left: int
    right: int


@dataclass(frozen=True)
class Cache:
    """Where the session's mosaics lie: all of one shape (H, W) and one coding."""

    folder: Path
    shape: tuple[int, int]
    coding: Coding


def coding_for(black: float, white: float) -> Coding:
    """A coding that holds everything from code 0 to ``white``, exactly up to 16 bits.

    Of 16 bits, the one code that does not fit is the highest, which is clipped anyway.
    """
    pedestal = float(np.ceil(black))
    step = 2.0 ** np.ceil(np.log2(max(white / _LARGEST, 2.0**-4)))
    return Coding(float(step), pedestal)


def encode(adu: Plane, coding: Coding) -> Codes:
    """Codes of ADU; NaN becomes 0, values outside the coding its nearest end."""
    codes = adu / np.float32(coding.step)
    codes += np.float32(coding.pedestal / coding.step + 1)
    missing = ~np.isfinite(codes)
    np.clip(np.rint(codes, out=codes), 1, 65535, out=codes)
    codes[missing] = 0
    return codes.astype(np.uint16)


def decode(codes: Codes, coding: Coding, without: Mask | None = None) -> Plane:
    """ADU (float32) of codes, NaN where missing or, if given, in the mask ``without``."""
    adu = np.empty(codes.shape, dtype=np.float32)
    _decode(codes, coding.step, coding.pedestal, adu)
    if without is not None:
        np.putmask(adu, without, np.nan)
    return adu


@jit
def _decode(codes, step, pedestal, adu):  # type: ignore[no-untyped-def]
    for y in range(codes.shape[0]):
        for x in range(codes.shape[1]):
            code = codes[y, x]
            adu[y, x] = (code - 1.0) * step - pedestal if code != 0 else np.nan


def mosaic_file(cache: Cache, frame: int) -> Path:
    """Where one frame's codes lie."""
    return cache.folder / f"{frame:05d}.mosaic"


def mask_file(cache: Cache, frame: int) -> Path:
    """Where the mask of its rejected samples lies."""
    return cache.folder / f"{frame:05d}.rejected"


def put(cache: Cache, frame: int, adu: Plane) -> None:
    """Keep one calibrated mosaic (H, W).  Raises ``OutputError`` when the disk refuses."""
    _write(mosaic_file(cache, frame), encode(adu, cache.coding))


def put_rejected(cache: Cache, frame: int, rejected: Mask) -> None:
    """Keep which samples (H, W) of a frame are not to be used."""
    _write(mask_file(cache, frame), np.packbits(rejected, axis=1))


def _write(path: Path, array: NDArray[np.generic]) -> None:
    try:
        # Not numpy's tofile, which does not report that the last bytes did not fit.
        path.write_bytes(np.ascontiguousarray(array).data)
    except OSError as error:
        raise OutputError(f"Cannot keep a frame in {path.parent}: {reason(error)}") from error


def whole(cache: Cache) -> Window:
    """The window that is the whole mosaic."""
    return Window(0, cache.shape[0], 0, cache.shape[1])


def get(cache: Cache, frame: int, window: Window) -> Codes:
    """Codes of a window of one frame, as they were put."""
    mapped = np.memmap(mosaic_file(cache, frame), dtype=np.uint16, mode="r", shape=cache.shape)
    return np.array(mapped[window.top : window.bottom, window.left : window.right])


def get_rejected(cache: Cache, frame: int, window: Window) -> Mask:
    """Rejected samples of a window; none when the frame was not judged."""
    size = (window.bottom - window.top, window.right - window.left)
    path = mask_file(cache, frame)
    if not path.exists():
        return np.zeros(size, dtype=bool)
    packed = (cache.shape[1] + 7) // 8
    mapped = np.memmap(path, dtype=np.uint8, mode="r", shape=(cache.shape[0], packed))
    first = window.left // 8
    rows = np.array(mapped[window.top : window.bottom, first : (window.right + 7) // 8])
    bits = np.unpackbits(rows, axis=1)
    start = window.left - 8 * first
    return bits[:, start : start + size[1]].astype(bool)

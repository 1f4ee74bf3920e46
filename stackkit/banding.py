"""Offsets of single rows, new in every frame, which the electronics leave in some sensors."""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stackkit.noise import MAD_TO_SIGMA

Plane = NDArray[np.float32]

_SEGMENTS, _SAMPLES = 12, 40
"""A row's offset is the median over so many segments of the median of so many samples."""
_AROUND = 41
"""Rows of one parity over which the picture's own level is followed: stars are narrower, and sky
and ground change more slowly, or in few segments at once."""
_WORTH = 1.35
"""Scatter of the rows' offsets, in units of what noise alone gives, from which on they are taken
off."""
_MEDIAN_LOSS = 1.2533
"""Standard deviation of a median over that of a mean (Gaussian)."""
_MOST = 6.0
"""Offsets beyond so many times their own scatter are edges in the picture, not bands."""


def row_offsets(adu: Plane) -> Plane | None:
    """ADU (H,) to take off each row; None if there is nothing but noise.

    ``adu`` (H, W) above black, NaN where missing.
    """
    height, width = adu.shape
    segments = min(_SEGMENTS, width // 2 // _SAMPLES)
    if segments < 3 or height < 2 * _AROUND:
        return None
    columns = np.linspace(0, width // 2 - 1, segments * _SAMPLES).astype(np.int64)
    levels = np.empty((height, 2, segments), dtype=np.float32)
    _medians(adu, columns.reshape(segments, _SAMPLES), levels)
    levels = levels.reshape(height, 2 * segments)
    if not np.isfinite(levels).all():
        return None
    # Rows of one parity hold the same colours.  From one to the next only bands jump.
    steps = levels[2:] - levels[:-2]
    jumps = np.median(steps, axis=1)
    if not _scatter(jumps) > _WORTH * _noise(steps, jumps):
        return None
    found = np.empty_like(levels)
    for row in (0, 1):
        own = levels[row::2]
        found[row::2] = own - median_filter(own, (_AROUND, 1), mode="nearest")
    offsets = np.median(found, axis=1)
    scatter, noise = _scatter(offsets), _noise(found, offsets)
    offsets[np.abs(offsets) > _MOST * scatter] = 0
    share = 1 - min(noise / max(scatter, 1e-9), 1.0) ** 2
    return np.asarray(offsets * share, dtype=np.float32)


def _scatter(values: Plane) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values)))


def _noise(segments: Plane, rows: Plane) -> float:
    """Standard deviation of a row's median that its segments' own scatter explains."""
    return _MEDIAN_LOSS * _scatter(segments - rows[:, None]) / float(np.sqrt(segments.shape[1]))


@numba.njit(cache=True, nogil=True)
def _medians(adu, columns, levels):  # type: ignore[no-untyped-def]
    """Medians (H, 2, segments) of the even and the odd columns of each row, NaN if all miss."""
    buffer = np.empty(columns.shape[1], dtype=np.float32)
    for y in range(adu.shape[0]):
        for odd in range(2):
            for s in range(columns.shape[0]):
                n = 0
                for x in columns[s]:
                    v = adu[y, 2 * x + odd]
                    if np.isfinite(v):
                        buffer[n] = v
                        n += 1
                levels[y, odd, s] = np.median(buffer[:n]) if n > 0 else np.nan

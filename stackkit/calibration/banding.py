"""Offsets of single rows, new in every frame, which the electronics leave in some sensors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stackkit.arrays import Plane
from stackkit.calibration.quantiles import insert
from stackkit.jit import jit
from stackkit.robust import sigma_about_zero

_SEGMENTS, _SAMPLES = 12, 40
"""A row's offset is the median over these segments of the mean of the middle half of the samples of
each: medians of whole codes would come in steps of half a code, larger than many bands."""
_AROUND = 41
"""Rows of one parity over which the picture's own level is estimated: stars are narrower, and sky
and ground change more slowly, or in few segments at once."""
_LEAST_RATIO = 1.5
"""Ratio of the scatter of the rows' offsets to that from noise alone, above which they are
subtracted."""
_MOST = 6.0
"""Offsets beyond this multiple of their own scatter are edges in the picture, not bands."""


def row_offsets(adu: Plane) -> Plane | None:
    """ADU (H,) to subtract from each row; None if there is nothing but noise.

    ``adu`` (H, W) above black, NaN where missing.
    """
    height, width = adu.shape
    segments = min(_SEGMENTS, width // 2 // _SAMPLES)
    if segments < 3 or height < 2 * _AROUND:
        return None
    columns = np.linspace(0, width // 2 - 1, segments * _SAMPLES).astype(np.int64)
    levels = np.empty((height, 2, segments), dtype=np.float32)
    _midmeans(adu, columns.reshape(segments, _SAMPLES), levels)
    levels = levels.reshape(height, 2 * segments)
    whole = np.asarray(np.isfinite(levels).all(axis=1))
    if not whole.all():
        return _of_the_whole_rows(adu, whole)
    # Rows of one parity hold the same colours.  Relative to the mean of their neighbours, which
    # removes gradients, only bands jump.
    steps = levels[2:-2] - np.float32(0.5) * (levels[4:] + levels[:-4])
    jumps = np.median(steps, axis=1)
    if not _scatter(jumps) > _LEAST_RATIO * _noise(steps):
        return None
    found = np.empty_like(levels)
    for row in (0, 1):
        own = levels[row::2]
        found[row::2] = own - _level(own)
    offsets = np.median(found, axis=1)
    scatter, noise = _scatter(offsets), _noise(found)
    if not scatter > noise:
        return None
    offsets[np.abs(offsets) > _MOST * scatter] = 0
    return np.asarray(offsets * (1 - (noise / scatter) ** 2), dtype=np.float32)


def _of_the_whole_rows(adu: Plane, whole: NDArray[np.bool_]) -> Plane | None:
    """The same of a picture that was cut off: its first ``whole`` rows, 0 for the others."""
    count = int(np.argmin(whole))
    if whole[count:].any():
        return None
    count -= count % 2
    found = row_offsets(adu[:count])
    return None if found is None else np.pad(found, (0, len(adu) - count))


def _level(rows: Plane) -> Plane:
    """Running median over ``_AROUND`` rows, extrapolated linearly beyond the picture."""
    half = _AROUND // 2
    beyond = np.arange(half, dtype=np.float32)[:, None]
    ends = []
    for own in (rows, rows[::-1]):
        near, far = np.median(own[:half], axis=0), np.median(own[half : 2 * half], axis=0)
        ends.append(near + (near - far) / half * (0.5 * (half + 1) + beyond))
    padded = np.concatenate([ends[0][::-1], rows, ends[1]])
    return np.asarray(median_filter(padded, (_AROUND, 1))[half:-half], dtype=np.float32)


def _scatter(values: Plane) -> float:
    return sigma_about_zero(values)


def _noise(segments: Plane) -> float:
    """Standard deviation of the rows' medians that is not shared by their segments.

    Medians over one half of the segments and over the other differ by twice that, whatever the
    segments' distribution.
    """
    one, other = (np.median(segments[:, half::2], axis=1) for half in (0, 1))
    return 0.5 * _scatter(one - other)


@jit
def _midmeans(adu, columns, levels):  # type: ignore[no-untyped-def]
    """Means (H, 2, segments) of the middle half of the even and of the odd columns' samples of each
    row, NaN if all miss.
    """
    buffer = np.empty(columns.shape[1], dtype=np.float32)
    for y in range(adu.shape[0]):
        for odd in range(2):
            for s in range(columns.shape[0]):
                n = 0
                for x in columns[s]:
                    v = adu[y, 2 * x + odd]
                    if np.isfinite(v):
                        insert(buffer, n, v)
                        n += 1
                middle = buffer[n // 4 : n - n // 4]
                levels[y, odd, s] = middle.mean() if n > 0 else np.nan

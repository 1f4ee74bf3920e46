"""Offsets of single rows, new in every frame, which the electronics leave in some sensors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from stackkit.noise import MAD_TO_SIGMA

Plane = NDArray[np.float32]

_SEGMENTS, _SAMPLES = 16, 40
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
    found = np.zeros((height, 2 * segments), dtype=np.float32)
    for row, column in np.ndindex(2, 2):
        site = adu[row::2, column::2][:, columns]
        levels = np.nanmedian(site.reshape(len(site), segments, _SAMPLES), axis=2)
        own = levels - median_filter(levels, (_AROUND, 1), mode="nearest")
        found[row::2, column * segments : (column + 1) * segments] = own
    offsets = np.nan_to_num(np.nanmedian(found, axis=1))
    spread = MAD_TO_SIGMA * float(np.nanmedian(np.abs(found - offsets[:, None])))
    noise = _MEDIAN_LOSS * spread / float(np.sqrt(2 * segments))
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(offsets)))
    if not scatter > _WORTH * noise:
        return None
    offsets[np.abs(offsets) > _MOST * scatter] = 0
    return np.asarray(offsets * (1 - (noise / scatter) ** 2), dtype=np.float32)

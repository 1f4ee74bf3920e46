"""Where stars may be: local maxima of the smoothed cells that stand out of the noise."""

from __future__ import annotations

import numpy as np

from stackkit.arrays import Array, Index, Mask, Plane
from stackkit.jit import FAST, jit
from stackkit.robust import sigma_about_median
from stackkit.stars.background import background, spread_out

_DETECTION = 5.0
"""Height of a star's peak over the filtered noise, in standard deviations."""
_WIDTH = 0.7
"""Standard deviation, cells, of the Gaussian that they are smoothed with."""
_REACH = 3
_SAMPLE = 80_000
"""Cells that suffice for the scatter of them all, to half a per cent."""


def peaks(summed: Plane, empty: Mask, most: int) -> Array:
    """Approximate places (N, 2) of stars as x, y of the mosaic, the ``most`` brightest, the
    brightest first; none in ``empty`` cells.
    """
    if min(summed.shape) < 8 or empty.all():
        return np.zeros((0, 2))
    level, rms = background(summed, empty)
    flat = summed - spread_out(level, summed.shape)
    flat[empty] = 0
    smooth = np.empty_like(flat)
    _smoothed(flat, _weights(), smooth)
    every = max(int((smooth.size / _SAMPLE) ** 0.5), 1)
    some = smooth[::every, ::every][~empty[::every, ::every]]
    threshold = _DETECTION * max(sigma_about_median(some) if some.size else 0.0, 1e-6)
    scale = rms / max(float(np.median(rms)), 1e-9)
    limit = spread_out(np.float32(threshold) * np.maximum(scale, np.float32(0.5)), summed.shape)
    smooth[empty] = 0
    rows, columns = _maxima(smooth, limit)
    order = np.argsort(-smooth[rows, columns], kind="stable")[:most]
    return np.stack([2.0 * columns[order] + 0.5, 2.0 * rows[order] + 0.5], axis=1)


def _maxima(picture: Plane, limit: Plane) -> tuple[Index, Index]:
    """Rows and columns of the places over the limit that none of the eight around exceeds."""
    rows, columns = np.nonzero(picture > limit)
    own, bounds = picture[rows, columns], np.array(picture.shape) - 1
    highest = np.ones(len(rows), dtype=bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            beside = picture[np.clip(rows + dy, 0, bounds[0]), np.clip(columns + dx, 0, bounds[1])]
            highest &= own >= beside
    return rows[highest], columns[highest]


def _weights() -> Plane:
    along = np.exp(-0.5 * (np.arange(-_REACH, _REACH + 1) / _WIDTH) ** 2)
    return np.asarray(along / along.sum(), dtype=np.float32)


@jit(fastmath=FAST)
def _smoothed(picture, weights, out):  # type: ignore[no-untyped-def]
    """Convolution with ``weights`` along columns and rows; the edge is mirrored."""
    height, width = picture.shape
    padded = np.empty(width + 2 * _REACH, dtype=np.float32)
    for y in range(height):
        padded[:] = 0
        for k in range(len(weights)):
            j = y + k - _REACH
            j = -j - 1 if j < 0 else (2 * height - 1 - j if j >= height else j)
            row, share = picture[j], weights[k]
            for x in range(width):
                padded[_REACH + x] += share * row[x]
        for k in range(_REACH):
            padded[k] = padded[2 * _REACH - 1 - k]
            padded[width + _REACH + k] = padded[width + _REACH - 1 - k]
        line = out[y]
        line[:] = 0
        for k in range(len(weights)):
            share = weights[k]
            for x in range(width):
                line[x] += share * padded[x + k]

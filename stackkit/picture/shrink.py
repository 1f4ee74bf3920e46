"""A picture reduced by means over areas, a band of rows at a time to save memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import sparse

from stackkit.arrays import Plane

_BAND = 128
"""Rows of the small picture made at a time."""


def _as_they_are(picture: Plane, first: int, last: int) -> Plane:
    return picture[:, first:last]


def shrink(
    picture: Plane,
    longest: int,
    rows_of: Callable[[Plane, int, int], Plane] = _as_they_are,
) -> Plane:
    """``picture`` (C, H, W) with its long side at most ``longest``: means, NaN left out.

    ``rows_of`` returns the rows (C, n, W) of the picture from the first up to the last.
    """
    count, *sides = picture.shape
    scale = min(1.0, longest / max(sides))
    rows, columns = (_area_means(n, max(1, round(n * scale))) for n in sides)
    small = np.empty((count, rows.shape[0], columns.shape[0]), dtype=np.float32)
    for start in range(0, small.shape[1], _BAND):
        band = rows[start : start + _BAND]
        first, last = band.indices.min(), band.indices.max() + 1
        band = band[:, first:last]
        changed = rows_of(picture, first, last)
        for plane, out in zip(changed, small[:, start : start + _BAND], strict=True):
            known = np.isfinite(plane)
            total = (columns @ (band @ np.where(known, plane, 0)).T).T
            share = (columns @ (band @ known.astype(np.float32)).T).T
            out[:] = np.where(share > 1e-3, total / np.maximum(share, 1e-3), np.nan)
    return small


def _area_means(size: int, smaller: int) -> sparse.csr_array:
    """The matrix (smaller, size) whose rows average equal stretches of a line of pixels."""
    edges = np.linspace(0, size, smaller + 1)
    first = np.floor(edges[:-1]).astype(int)
    last = np.ceil(edges[1:] - 1e-9).astype(int)
    counts = last - first
    row = np.repeat(np.arange(smaller), counts)
    column = np.concatenate([np.arange(a, b) for a, b in zip(first, last, strict=True)])
    overlap = np.minimum(edges[row + 1], column + 1) - np.maximum(edges[row], column)
    weights = overlap * smaller / size
    return sparse.csr_array((weights.astype(np.float32), (row, column)), shape=(smaller, size))

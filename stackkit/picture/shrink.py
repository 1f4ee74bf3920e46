"""A picture reduced by means over areas, a band of rows at a time to save memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stackkit.arrays import Plane
from stackkit.jit import FAST, jit

_TINY = 1e-9
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
    rows, columns = (np.linspace(0, n, max(1, round(n * scale)) + 1) for n in sides)
    small = np.empty((count, len(rows) - 1, len(columns) - 1), dtype=np.float32)
    for start in range(0, small.shape[1], _BAND):
        edges = rows[start : start + _BAND + 1]
        first, last = int(edges[0]), int(np.ceil(edges[-1] - _TINY))
        band = rows_of(picture, first, last)
        _means(band, edges - first, columns, small[:, start : start + _BAND])
    return small


@jit(fastmath=FAST)
def _means(picture, rows, columns, out):  # type: ignore[no-untyped-def]
    """Means ``out`` (C, h, w) over areas between the edges ``rows`` (h + 1,), ``columns`` (w + 1,).

    Along columns first: places that lie side by side are added side by side.
    """
    height, width = picture.shape[1:]
    total, share = np.empty(width, np.float32), np.empty(width, np.float32)
    nothing = np.float32(np.nan)
    for c in range(out.shape[0]):
        for y in range(out.shape[1]):
            total[:], share[:] = 0, 0
            for j in range(int(rows[y]), min(int(np.ceil(rows[y + 1] - _TINY)), height)):
                part = np.float32(min(rows[y + 1], j + 1.0) - max(rows[y], float(j)))
                row = picture[c, j]
                for x in range(width):
                    known = not np.isnan(row[x])
                    total[x] += part * (row[x] if known else np.float32(0))
                    share[x] += part if known else np.float32(0)
            for x in range(out.shape[2]):
                light, there = np.float32(0), np.float32(0)
                for i in range(int(columns[x]), min(int(np.ceil(columns[x + 1] - _TINY)), width)):
                    part = np.float32(min(columns[x + 1], i + 1.0) - max(columns[x], float(i)))
                    light += part * total[i]
                    there += part * share[i]
                area = (rows[y + 1] - rows[y]) * (columns[x + 1] - columns[x])
                out[c, y, x] = light / there if there > 1e-3 * area else nothing

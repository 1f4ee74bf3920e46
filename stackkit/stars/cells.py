"""Cells of 2×2 samples: what stars are first looked for in, whatever the colours of the sites."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.jit import jit


def cells(adu: Plane) -> Plane:
    """Sum of each 2×2 cell of a mosaic (H, W) → (H//2, W//2); missing samples filled in.

    A missing sample is replaced by the median of the eight of its site around it: good enough for
    detection, and never used to measure.  The centre of cell (i, j) lies at x = 2j + 0.5,
    y = 2i + 0.5.
    """
    total = np.empty((adu.shape[0] // 2, adu.shape[1] // 2), dtype=np.float32)
    if _sum(adu, np.full((2, 2), np.nan, dtype=np.float32), total):
        _sum(adu, _usual(adu), total)
    return total


def empty_cells(adu: Plane) -> NDArray[np.bool_]:
    """Cells (H//2, W//2) of which no sample is there: what lies behind the end of a file."""
    gone = np.isnan(adu[: adu.shape[0] // 2 * 2, : adu.shape[1] // 2 * 2])
    rows = gone[::2] & gone[1::2]
    return np.asarray(rows[:, ::2] & rows[:, 1::2])


def _usual(adu: Plane) -> Plane:
    """Median (2, 2) of each of the four sites, 0 where there is nothing."""
    sites = [[adu[dy::2, dx::2] for dx in (0, 1)] for dy in (0, 1)]
    known = [[site[np.isfinite(site)] for site in row] for row in sites]
    medians = [[np.median(own) if own.size else 0 for own in row] for row in known]
    return np.array(medians, dtype=np.float32)


@jit
def _sum(adu, usual, total):  # type: ignore[no-untyped-def]
    """Sums of the cells; whether a sample was missing with all those around it, ``usual`` (2, 2)
    then in its place.
    """
    alone = False
    for i in range(total.shape[0]):
        upper, lower, out = adu[2 * i], adu[2 * i + 1], total[i]
        gaps = 0
        for j in range(total.shape[1]):
            out[j] = upper[2 * j] + upper[2 * j + 1] + lower[2 * j] + lower[2 * j + 1]
            gaps += np.isnan(out[j])
        for j in range(total.shape[1] if gaps else 0):
            if np.isnan(out[j]):
                value = np.float32(0)
                for dy in range(2):
                    for dx in range(2):
                        own = adu[2 * i + dy, 2 * j + dx]
                        if np.isnan(own):
                            own = _around(adu, 2 * i + dy, 2 * j + dx)
                        if np.isnan(own):
                            own, alone = usual[dy, dx], True
                        value += own
                out[j] = value
    return alone


@jit
def _around(adu, y, x):  # type: ignore[no-untyped-def]
    """Median of the eight samples of a site's kind around it; NaN where none is there."""
    rising, n = np.empty(8, dtype=np.float32), 0
    bottom, right = adu.shape[0] // 2 * 2, adu.shape[1] // 2 * 2
    for dy in (-2, 0, 2):
        for dx in (-2, 0, 2):
            # Beyond the edge the last one of its kind.
            j, i = y + dy, x + dx
            j = j + 2 if j < 0 else (j - 2 if j >= bottom else j)
            i = i + 2 if i < 0 else (i - 2 if i >= right else i)
            value, at = adu[j, i], n
            if np.isnan(value):
                continue
            while at > 0 and rising[at - 1] > value:
                rising[at] = rising[at - 1]
                at -= 1
            rising[at] = value
            n += 1
    middle = np.float32(0.5) * (rising[max(n - 1, 0) // 2] + rising[n // 2])
    return middle if n else np.float32(np.nan)

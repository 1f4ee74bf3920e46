"""Quantiles over the frames at each site, from the mosaic cache."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

import numpy as np

from stackkit.arrays import Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Cache, Window
from stackkit.jit import jit
from stackkit.sorting import sort_rows, sorting_network

_BUDGET = 32 * 2**20
_MOST_FRAMES = 15
"""A quartile needs no more; taken evenly over the session."""


def quantile_of(cache: Cache, frames: Sequence[int], share: float, pool: Executor) -> Plane:
    """The value (H, W) below which a ``share`` of some frames lies at each site, in codes.

    Each frame is taken less its sky's level.  NaN where a sample is missing in all of them.
    """
    few = min(len(frames), _MOST_FRAMES)
    chosen = [frames[int(i)] for i in np.linspace(0, len(frames) - 1, few).round()]
    levels = np.array(list(pool.map(lambda k: _level(cache, k), chosen)), dtype=np.float32)
    middle, network = np.empty(cache.shape, dtype=np.float32), sorting_network(len(chosen))
    rows = max(int(_BUDGET / (2 * len(chosen) * cache.shape[1])) // 2 * 2, 8)
    bands = [
        Window(top, min(top + rows, cache.shape[0]), 0, cache.shape[1])
        for top in range(0, cache.shape[0], rows)
    ]

    def one(band: Window) -> None:
        codes = np.stack([mosaic_cache.get(cache, k, band) for k in chosen])
        _quantile_over_frames(codes, levels, share, network, middle[band.top : band.bottom])

    for _ in pool.map(one, bands):
        pass
    return middle


def _level(cache: Cache, frame: int) -> tuple[float, float, float, float]:
    """Median code of each of the four sites, from every eighth row: frames differ in sky level."""
    codes = mosaic_cache.get(cache, frame, mosaic_cache.whole(cache))
    rows = [codes[y::16, x::2] for y in (0, 1) for x in (0, 1)]
    a, b, c, d = (float(np.median(r[r != 0])) if r.any() else 0.0 for r in rows)
    return a, b, c, d


@jit
def insert(rising, count, value):  # type: ignore[no-untyped-def]
    """Put a value among the first ``count`` of a rising row: the quickest sort of a few samples."""
    i = count
    while i > 0 and rising[i - 1] > value:
        rising[i] = rising[i - 1]
        i -= 1
    rising[i] = value


@jit
def _quantile_over_frames(codes, levels, share, network, out):  # type: ignore[no-untyped-def]
    """Quantile over frames (N, h, w) of code minus its frame's and site's level, NaN if none.

    The bands begin on even rows, so that rows and sites go together.
    """
    count, height, width = codes.shape
    missing, nothing = np.float32(np.inf), np.float32(np.nan)
    values = np.empty((count, width), dtype=np.float32)
    known = np.empty(width, dtype=np.int32)
    for y in range(height):
        known[:] = 0
        for k in range(count):
            row, own = codes[k, y], values[k]
            even, odd = levels[k, 2 * (y & 1)], levels[k, 2 * (y & 1) + 1]
            for x in range(width):
                level = odd if x & 1 else even
                own[x] = row[x] - level if row[x] != 0 else missing
                known[x] += row[x] != 0
        sort_rows(values, network)
        for x in range(width):
            at = int((known[x] - 1) * share + 0.5)
            out[y, x] = values[at, x] if known[x] > 0 else nothing

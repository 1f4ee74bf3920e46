"""Hot and dead pixels, found from the lights themselves: they stay while the stars move.

A defect is off in all frames, a star hardly ever: the lower quartile over the frames at each site
forgets the stars.  A site is suspect when that stands out from its neighbours of the same colour,
and its direct neighbours (other colours) do not stand out with it, as they would under a star that
has hardly moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

import numba
import numpy as np
from numpy.typing import NDArray

from stackkit import scratch
from stackkit.scratch import Cache, Window

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

STANDS_OUT, _UNTRIED, _TRIED = 6.0, 7.0, 3
"""Deviation of a site's quartile, in standard deviations of such quartiles; the second with fewer
than so many frames, where no first stack will acquit a star.

High, so that the light of slowly moving stars is not taken for defects; the weaker ones are found
when the samples are judged against a first stack (``lasting.py``).
"""
SHARED = 0.15
"""Share of a site's excess that its direct neighbours may show before it may be a star."""
_MOSTLY = 0.25
"""Share of the frames in which a star may stand elsewhere without the site being taken for hot."""
_BUDGET = 32 * 2**20
_MOST_FRAMES = 15
"""A quartile needs no more; taken evenly over the session."""


def find_defects(cache: Cache, frames: Sequence[int], pool: Executor) -> Mask:
    """Defective sites (H, W) of the frames in the cache.

    In a single frame nothing has moved: its lone spikes are taken.
    """
    limit = STANDS_OUT if len(frames) >= _TRIED else _UNTRIED
    return spikes(quantile_of(cache, frames, _MOSTLY, pool), limit, 1 / cache.coding.step)


def quantile_of(cache: Cache, frames: Sequence[int], share: float, pool: Executor) -> Plane:
    """The value (H, W) below which a ``share`` of some frames lies at each site, in codes.

    Each frame is taken less its sky's level.  NaN where a sample is missing in all of them.
    """
    few = min(len(frames), _MOST_FRAMES)
    chosen = [frames[int(i)] for i in np.linspace(0, len(frames) - 1, few).round()]
    levels = np.array(list(pool.map(lambda k: _level(cache, k), chosen)), dtype=np.float32)
    middle = np.empty(cache.shape, dtype=np.float32)
    rows = max(int(_BUDGET / (2 * len(chosen) * cache.shape[1])) // 2 * 2, 8)
    bands = [
        Window(top, min(top + rows, cache.shape[0]), 0, cache.shape[1])
        for top in range(0, cache.shape[0], rows)
    ]

    def one(band: Window) -> None:
        codes = np.stack([scratch.get(cache, k, band) for k in chosen])
        _quantile_over_frames(codes, levels, share, middle[band.top : band.bottom])

    for _ in pool.map(one, bands):
        pass
    return middle


def _level(cache: Cache, frame: int) -> tuple[float, float, float, float]:
    """Median code of each of the four sites, from every eighth row: frames differ in sky level."""
    codes = scratch.get(cache, frame, scratch.whole(cache))
    rows = [codes[y::16, x::2] for y in (0, 1) for x in (0, 1)]
    a, b, c, d = (float(np.median(r[r != 0])) if r.any() else 0.0 for r in rows)
    return a, b, c, d


@numba.njit(cache=True, nogil=True)
def _quantile_over_frames(codes, levels, share, out):  # type: ignore[no-untyped-def]
    """Quantile over frames (N, h, w) of code minus its frame's and site's level, NaN if none.

    The bands begin on even rows, so that rows and sites go together.
    """
    count, height, width = codes.shape
    kept = np.empty(count, dtype=np.float32)
    for y in range(height):
        for x in range(width):
            site = 2 * (y & 1) + (x & 1)
            n = 0
            for k in range(count):
                if codes[k, y, x] != 0:
                    v = codes[k, y, x] - levels[k, site]
                    i = n
                    while i > 0 and kept[i - 1] > v:
                        kept[i] = kept[i - 1]
                        i -= 1
                    kept[i] = v
                    n += 1
            out[y, x] = kept[int((n - 1) * share + 0.5)] if n > 0 else np.nan


def spikes(plane: Plane, limit: float = _UNTRIED, quantum: float = 0.0) -> Mask:
    """Sites of a mosaic (H, W) that stand out alone, high or low; NaN sites are defects too.

    ``quantum`` is what the plane's values count in.
    """
    excess = np.empty(plane.shape, dtype=np.float32)
    beside = np.empty(plane.shape, dtype=np.float32)
    _excess(np.pad(plane, 2, mode="reflect"), excess)
    _beside(np.pad(excess, 1, mode="reflect"), beside)
    sigma = np.empty((2, 2))
    mask = np.zeros(plane.shape, dtype=bool)
    for y in (0, 1):
        for x in (0, 1):
            own = excess[y::2, x::2]
            sigma[y, x] = _spread(own, quantum)
    noise = np.tile(sigma, (plane.shape[0] // 2 + 1, plane.shape[1] // 2 + 1))
    noise = noise[: plane.shape[0], : plane.shape[1]]
    with np.errstate(invalid="ignore"):
        high = (excess > limit * noise) & (beside < SHARED * excess + 0.7 * noise)
        low = (excess < -limit * noise) & (beside > SHARED * excess - 0.7 * noise)
    mask = high | low | ~np.isfinite(plane)
    return mask


def _spread(values: Plane, quantum: float) -> float:
    """Standard deviation by the median absolute deviation (Gaussian).

    In short exposures of a dark sky most values are the same code, and their median deviation
    says nothing; then that of the values a few codes around it does.
    """
    away = np.abs(values)
    spread = 1.4826 * float(np.nanmedian(away))
    if spread < quantum:
        spread = max(spread, float(np.sqrt(np.mean(away[away <= 3 * quantum] ** 2))))
    return max(spread, 1e-6)


@numba.njit(cache=True, nogil=True)
def _excess(padded, out):  # type: ignore[no-untyped-def]
    """Each site minus the median of the eight sites of its colour around it (2 px away)."""
    near = np.empty(8, dtype=np.float32)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            n = 0
            for dy in (0, 2, 4):
                for dx in (0, 2, 4):
                    v = padded[y + dy, x + dx]
                    if (dy != 2 or dx != 2) and np.isfinite(v):
                        i = n
                        while i > 0 and near[i - 1] > v:
                            near[i] = near[i - 1]
                            i -= 1
                        near[i] = v
                        n += 1
            middle = 0.5 * (near[(n - 1) // 2] + near[n // 2]) if n > 0 else np.nan
            out[y, x] = padded[y + 2, x + 2] - middle


@numba.njit(cache=True, nogil=True)
def _beside(padded, out):  # type: ignore[no-untyped-def]
    """Median of the excess of the four direct neighbours."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            a, b = padded[y, x + 1], padded[y + 2, x + 1]
            c, d = padded[y + 1, x], padded[y + 1, x + 2]
            low = min(min(a, b), min(c, d))
            high = max(max(a, b), max(c, d))
            out[y, x] = 0.5 * (a + b + c + d - low - high)

"""Hot and dead pixels, found from the lights themselves: they stay while the stars move.

A defect is off in all frames, a star hardly ever: the lower quartile over the frames at each site
suppresses the stars.  A site is suspect when that stands out from its neighbours of the same
colour, and its direct neighbours (other colours) do not stand out with it, as they would under a
star that has hardly moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

import numpy as np

from stackkit.arrays import Mask, Plane
from stackkit.calibration.mosaic_cache import Cache
from stackkit.calibration.quantiles import quantile_of
from stackkit.jit import jit
from stackkit.robust import MAD_TO_SIGMA
from stackkit.sorting import sort_rows, sorting_network

STANDS_OUT, _UNTRIED, _TRIED = 6.0, 7.0, 3
"""Deviation of a site's quartile, in standard deviations of such quartiles; the second with fewer
frames than the third number, where no first stack will acquit a star.

High, so that the light of slowly moving stars is not taken for defects; the weaker ones are found
when the samples are judged against a first stack (``fixed_pattern``).
"""
SHARED = 0.15
"""Share of a site's excess that its direct neighbours may show before it may be a star."""
_SAMPLE = 100_000
"""Sites of a kind that suffice for their scatter, to a third of a per cent."""
_MOSTLY = 0.25
"""Quantile over the frames: the site is dark without the star in at least this share of them."""


def find_defects(cache: Cache, frames: Sequence[int], pool: Executor) -> Mask:
    """Defective sites (H, W) of the frames in the cache.

    In a single frame nothing has moved: its lone spikes are taken.
    """
    limit = STANDS_OUT if len(frames) >= _TRIED else _UNTRIED
    return spikes(quantile_of(cache, frames, _MOSTLY, pool), limit, 1 / cache.coding.step)


def spikes(plane: Plane, limit: float = _UNTRIED, quantum: float = 0.0) -> Mask:
    """Sites of a mosaic (H, W) that stand out alone, high or low; NaN sites are defects too.

    ``quantum`` is the step of the plane's values.
    """
    excess = np.empty(plane.shape, dtype=np.float32)
    _excess(np.pad(plane, 2, mode="reflect"), sorting_network(8), excess)
    noise = [[_spread(excess[y::2, x::2], quantum) for x in (0, 1)] for y in (0, 1)]
    mask = ~np.isfinite(plane)
    _stands_out(np.pad(excess, 1, mode="reflect"), np.array(noise, np.float32), limit, mask)
    return mask


def _spread(values: Plane, quantum: float) -> float:
    """Standard deviation by the median absolute deviation (Gaussian), of a sample of large planes.

    In short exposures of a dark sky most values are the same code, and their median deviation is
    zero; then that of the values a few codes around it is used.
    """
    every = max(int((values.size / _SAMPLE) ** 0.5), 1)
    away = np.abs(values[::every, ::every])
    spread = MAD_TO_SIGMA * float(np.nanmedian(away))
    if spread < quantum:
        spread = max(spread, float(np.sqrt(np.mean(away[away <= 3 * quantum] ** 2))))
    return max(spread, 1e-6)


@jit
def _excess(padded, network, out):  # type: ignore[no-untyped-def]
    """Each site minus the median of the eight sites of its colour around it (2 px away)."""
    height, width = out.shape
    missing, nothing, half = np.float32(np.inf), np.float32(np.nan), np.float32(0.5)
    around, known = np.empty((8, width), dtype=np.float32), np.empty(width, dtype=np.int32)
    for y in range(height):
        known[:] = 0
        k = 0
        for j in range(0, 5, 2):
            for i in range(0, 5, 2):
                if j == 2 and i == 2:
                    continue
                row, own = padded[y + j], around[k]
                for x in range(width):
                    v = row[x + i]
                    own[x] = v if v == v else missing
                    known[x] += v == v
                k += 1
        sort_rows(around, network)
        for x in range(width):
            n = known[x]
            middle = half * (around[max(n - 1, 0) // 2, x] + around[n // 2, x])
            out[y, x] = padded[y + 2, x + 2] - middle if n > 0 else nothing


@jit
def _stands_out(excess, noise, limit, mask):  # type: ignore[no-untyped-def]
    """Set what is over the limit and its four direct neighbours, by their median, are not.

    ``excess`` (H + 2, W + 2), padded; ``noise`` (2, 2) of the four sites.
    """
    for y in range(mask.shape[0]):
        for x in range(mask.shape[1]):
            own, sigma = excess[y + 1, x + 1], noise[y & 1, x & 1]
            if not abs(own) > limit * sigma:
                continue
            a, b = excess[y, x + 1], excess[y + 2, x + 1]
            c, d = excess[y + 1, x], excess[y + 1, x + 2]
            low, high = min(min(a, b), min(c, d)), max(max(a, b), max(c, d))
            beside = 0.5 * (a + b + c + d - low - high)
            if own > 0:
                mask[y, x] |= beside < SHARED * own + 0.7 * sigma
            else:
                mask[y, x] |= beside > SHARED * own - 0.7 * sigma

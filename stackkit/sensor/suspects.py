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
from stackkit.calibration.quantiles import insert, quantile_of
from stackkit.jit import jit
from stackkit.robust import MAD_TO_SIGMA

STANDS_OUT, _UNTRIED, _TRIED = 6.0, 7.0, 3
"""Deviation of a site's quartile, in standard deviations of such quartiles; the second with fewer
frames than the third number, where no first stack will acquit a star.

High, so that the light of slowly moving stars is not taken for defects; the weaker ones are found
when the samples are judged against a first stack (``fixed_pattern``).
"""
SHARED = 0.15
"""Share of a site's excess that its direct neighbours may show before it may be a star."""
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

    In short exposures of a dark sky most values are the same code, and their median deviation is
    zero; then that of the values a few codes around it is used.
    """
    away = np.abs(values)
    spread = MAD_TO_SIGMA * float(np.nanmedian(away))
    if spread < quantum:
        spread = max(spread, float(np.sqrt(np.mean(away[away <= 3 * quantum] ** 2))))
    return max(spread, 1e-6)


@jit
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
                        insert(near, n, v)
                        n += 1
            middle = 0.5 * (near[(n - 1) // 2] + near[n // 2]) if n > 0 else np.nan
            out[y, x] = padded[y + 2, x + 2] - middle


@jit
def _beside(padded, out):  # type: ignore[no-untyped-def]
    """Median of the excess of the four direct neighbours."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            a, b = padded[y, x + 1], padded[y + 2, x + 1]
            c, d = padded[y + 1, x], padded[y + 1, x + 2]
            low = min(min(a, b), min(c, d))
            high = max(max(a, b), max(c, d))
            out[y, x] = 0.5 * (a + b + c + d - low - high)

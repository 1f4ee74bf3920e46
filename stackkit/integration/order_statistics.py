"""The noise of order statistics of Gaussian samples."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

_MEDIAN = np.array([
    1.0, 1.0, 1.34601, 1.1928, 1.43417, 1.28846, 1.47313, 1.34546,
    1.49491, 1.38329, 1.50879, 1.41022, 1.51839, 1.43039, 1.52542, 1.44605,
    1.53079, 1.45856, 1.53503, 1.4688, 1.53845, 1.47732, 1.54128, 1.48454,
])  # fmt: skip
"""N times the variance of the median of N standard Gaussian samples, N = 1 to 24.

By integration of the order statistics, as the tests do again; for more, see ``median_variances``.
"""

Table = NDArray[np.float32]


@lru_cache(maxsize=64)
def median_variances(most: int) -> Table:
    """Variance of the median of 0 … ``most`` standard Gaussian samples (most + 1,).

    From 25 on the first terms of the series in 1/N: π/2 · (1 - (4-π)/(2N)) for odd N, and what the
    mean of the middle two gains, π/2 · (1 - 1.34/N), for even N, within 0.1 %.
    """
    n = np.maximum(np.arange(most + 1), 1)
    scaled = np.pi / 2 * (1 - np.where(n % 2, (4 - np.pi) / 2, 1.34) / n)
    known = min(len(_MEDIAN), most)
    scaled[1 : known + 1] = _MEDIAN[:known]
    return _fixed(scaled / n)


@lru_cache(maxsize=64)
def extreme_variances(most: int) -> Table:
    """Variance of the largest of 0 … ``most`` standard Gaussian samples (most + 1,), integrated."""
    x, step = np.linspace(-9, 9, 1201, retstep=True)
    below, density = ndtr(x), np.exp(-x * x / 2) / np.sqrt(2 * np.pi)
    out = np.ones(most + 1)
    for n in range(1, most + 1):
        of_largest = n * density * below ** (n - 1) * step
        mean = np.sum(of_largest * x)
        out[n] = np.sum(of_largest * (x - mean) ** 2)
    return _fixed(out)


def _fixed(table: NDArray[np.float64]) -> Table:
    out = table.astype(np.float32)
    out.setflags(write=False)
    return out

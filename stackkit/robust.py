"""Scatter of samples some of which are wrong.

``scipy.stats`` has the same (``median_abs_deviation``), but loading it takes 0.4 s, and nothing
else here asks for it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

MAD_TO_SIGMA = 1.4826
"""Standard deviation over median absolute deviation of Gaussian samples: 1/Φ⁻¹(3/4)."""


def sigma_about_zero(values: ArrayLike) -> float:
    """Standard deviation of Gaussian samples about zero, from the median of their sizes."""
    return MAD_TO_SIGMA * float(np.median(np.abs(values)))


def sigma_about_median(values: ArrayLike) -> float:
    """Standard deviation of Gaussian samples about their median."""
    own = np.asarray(values)
    return sigma_about_zero(own - np.median(own))


def medians_of_known(values: NDArray[Any]) -> NDArray[Any]:
    """Median of the known values of each row (n, m): NaN is left out, and stays where all are.

    ``numpy.nanmedian`` takes the rows one by one or masks them, and twenty times as long.
    """
    ordered = np.sort(values, axis=1)  # NaN comes last
    known = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(len(values))
    low, high = ordered[rows, np.maximum(known - 1, 0) // 2], ordered[rows, known // 2]
    return np.asarray((low + high) / 2)


def block_medians(plane: NDArray[Any], side: int) -> NDArray[np.float32]:
    """Medians (n, …, …) of blocks of planes (n, h, w), NaN where nothing is known."""
    short = [(0, -length % side) for length in plane.shape[1:]]
    whole = np.pad(plane, [(0, 0), *short], constant_values=np.nan)
    colours, rows, columns = len(plane), *(length // side for length in whole.shape[1:])
    blocks = whole.reshape(colours, rows, side, columns, side).swapaxes(2, 3)
    medians = medians_of_known(blocks.reshape(colours * rows * columns, -1))
    return np.asarray(medians.reshape(colours, rows, columns), dtype=np.float32)

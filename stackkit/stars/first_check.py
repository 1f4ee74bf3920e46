"""First check of a frame before any star is measured: clipped samples, and blurred stars as spots.

Stars far out of focus are too wide to be measured one by one, but can still be counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter

from stackkit.arrays import Plane
from stackkit.robust import sigma_about_median
from stackkit.stars.cells import cells

_SIDE = 4
"""Cells of 2×2 samples per box of the coarse check, in either direction."""
_AROUND = 9
"""Boxes whose median is taken for the sky."""
_HEIGHT = 6.0
"""How far a spot stands out, in standard deviations."""


@dataclass(frozen=True)
class FirstCheck:
    """``clipped``: share of the samples at their limit; ``spots``: bright ones seen coarsely."""

    clipped: float = 0.0
    spots: int = 0


UNSEEN = FirstCheck()
"""A frame that was not checked."""


def first_check(adu: Plane, clip: float) -> FirstCheck:
    """A coarse check of a mosaic (H, W), ADU above black, NaN where missing."""
    clipped = np.count_nonzero(adu >= clip) / max(int(np.count_nonzero(~np.isnan(adu))), 1)
    return FirstCheck(float(clipped), _spots(cells(adu)))


def _spots(summed: Plane) -> int:
    """How many maxima of 4×4 cells stand out of their surroundings."""
    rows, columns = (side // _SIDE for side in summed.shape)
    if min(rows, columns) < 3:
        return 0
    cut = summed[: rows * _SIDE, : columns * _SIDE]
    coarse = cut.reshape(rows, _SIDE, columns, _SIDE).mean(axis=(1, 3))
    flat = coarse - _around(coarse)
    spread = sigma_about_median(flat)
    peaks = (flat == maximum_filter(flat, size=3)) & (flat > _HEIGHT * max(spread, 1e-6))
    return int(np.count_nonzero(peaks))


def _around(coarse: Plane) -> Plane:
    """Median of the boxes around each; that of every third one serves its neighbours, too."""
    third = 3
    padded = np.pad(coarse, _AROUND // 2, mode="symmetric")
    windows = sliding_window_view(padded, (_AROUND, _AROUND))[1::third, 1::third]
    rising = np.sort(windows.reshape(*windows.shape[:2], -1), axis=2)
    medians = rising[:, :, rising.shape[2] // 2]
    rows, columns = (
        np.minimum(np.arange(side) // third, n - 1)
        for side, n in zip(coarse.shape, medians.shape, strict=True)
    )
    return np.asarray(medians[rows[:, None], columns])

"""First check of a frame before any star is measured: clipped samples, and blurred stars as spots.

Stars far out of focus are too wide to be measured one by one, but can still be counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter, median_filter

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
    known = np.isfinite(adu)
    clipped = np.count_nonzero(adu[known] >= clip) / max(int(np.count_nonzero(known)), 1)
    return FirstCheck(float(clipped), _spots(cells(adu)))


def _spots(summed: Plane) -> int:
    """How many maxima of 4×4 cells stand out of their surroundings."""
    rows, columns = (side // _SIDE for side in summed.shape)
    if min(rows, columns) < 3:
        return 0
    cut = summed[: rows * _SIDE, : columns * _SIDE]
    coarse = cut.reshape(rows, _SIDE, columns, _SIDE).mean(axis=(1, 3))
    flat = coarse - median_filter(coarse, size=_AROUND)
    spread = sigma_about_median(flat)
    peaks = (flat == maximum_filter(flat, size=3)) & (flat > _HEIGHT * max(spread, 1e-6))
    return int(np.count_nonzero(peaks))

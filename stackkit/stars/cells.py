"""Cells of 2×2 samples: what stars are first looked for in, whatever the colours of the sites."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.robust import medians_of_known


def cells(adu: Plane) -> Plane:
    """Sum of each 2×2 cell of a mosaic (H, W) → (H//2, W//2); missing samples filled in.

    A missing sample is replaced by its site's median nearby: good enough for detection, and never
    used to measure.  The centre of cell (i, j) lies at x = 2j + 0.5, y = 2i + 0.5.
    """
    height, width = adu.shape[0] // 2 * 2, adu.shape[1] // 2 * 2
    total = np.zeros((height // 2, width // 2), dtype=np.float32)
    for dy in (0, 1):
        for dx in (0, 1):
            site = adu[dy:height:2, dx:width:2]
            total += _filled(site)
    return total


def _filled(site: Plane) -> Plane:
    """One site plane with each missing sample at the median of the eight around it."""
    missing = ~np.isfinite(site)
    if not missing.any():
        return site
    if missing.all():
        return np.zeros_like(site)
    height, width = site.shape
    rows, columns = np.nonzero(missing)
    near = np.stack(
        [
            site[np.clip(rows + dy, 0, height - 1), np.clip(columns + dx, 0, width - 1)]
            for dy in (-1, 0, 1)
            for dx in (-1, 0, 1)
            if dy or dx
        ],
        axis=1,
    )
    beside = medians_of_known(near)
    lost = np.isnan(beside)
    if lost.any():
        beside[lost] = np.nanmedian(site)
    filled = site.copy()
    filled[rows, columns] = beside
    return filled


def empty_cells(adu: Plane) -> NDArray[np.bool_]:
    """Cells (H//2, W//2) of which no sample is there: what lies behind the end of a file."""
    height, width = adu.shape[0] // 2 * 2, adu.shape[1] // 2 * 2
    there = np.isfinite(adu[:height, :width]).reshape(height // 2, 2, width // 2, 2)
    return np.asarray(~there.any(axis=(1, 3)))

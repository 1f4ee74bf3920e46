"""From a raw file to a bilinear picture: what yardstick, rival and oracle have in common."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Bilinear weights at a colour's neighbours.  Green is the cross: a 3×3 square would blur the
#: green sites themselves and make every width that is held against it look better.
_CROSS = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], dtype=np.float32) / 4
_SQUARE = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], dtype=np.float32) / 4


def read(path: Path) -> tuple[Picture, NDArray[np.uint8]]:
    """Mosaic (H, W) in ADU above black and the colour (0 R, 1 G, 2 B) of every site."""
    with rawpy.imread(str(path)) as raw:
        site = raw.raw_colors_visible
        black = np.array(raw.black_level_per_channel, dtype=np.float32)[site]
        data = raw.raw_image_visible - black
    return data, np.where(site == 3, 1, site).astype(np.uint8)


def demosaic(data: Picture, site: NDArray[np.uint8], missing: Mask | None = None) -> Picture:
    """Bilinear picture (3, H, W); ``missing`` samples (H, W) do not count, NaN where none is left.

    Weights are normalised over the samples there are, so edges and gaps are not darkened.
    """
    known = np.ones(data.shape, bool) if missing is None else ~missing
    planes = []
    for colour, kernel in enumerate((_SQUARE, _CROSS, _SQUARE)):
        here = ((site == colour) & known).astype(np.float32)
        weight = cv2.filter2D(here, -1, kernel, borderType=cv2.BORDER_CONSTANT)
        total = cv2.filter2D(
            np.where(here > 0, data, 0).astype(np.float32),
            -1,
            kernel,
            borderType=cv2.BORDER_CONSTANT,
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            planes.append(np.where(weight > 0, total / weight, np.nan))
    return np.asarray(planes, dtype=np.float32)

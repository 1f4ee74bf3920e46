"""From the sensor's orientation to the upright picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def upright(array: NDArray[Any], orientation: int) -> NDArray[Any]:
    """A view of ``array`` (…, H, W) rotated and mirrored so that it is upright.

    ``orientation`` is the TIFF/EXIF value 1-8 (TIFF 6.0, page 36): what the first row and the
    first column of the stored picture are in the scene.  5-8 swap width and height.  Values
    outside 1-8 are reserved there and leave the picture as it is.
    """
    if orientation in (5, 6, 7, 8):
        array = np.swapaxes(array, -1, -2)
    if orientation in (2, 3, 6, 7):
        array = array[..., ::-1]
    if orientation in (3, 4, 7, 8):
        array = array[..., ::-1, :]
    return array

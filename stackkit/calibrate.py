"""From codes to ADU above black, missing samples marked.

Darks and flats are applied here when there are any; a phone's session has none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stackkit.raw.decode import Mosaic

Plane = NDArray[np.float32]


def calibrate(mosaic: Mosaic) -> Plane:
    """ADU above black (H, W) float32 of a mosaic.  Clipped samples keep their value."""
    adu = mosaic.data.astype(np.float32)
    for y in (0, 1):
        for x in (0, 1):
            adu[y::2, x::2] -= np.float32(mosaic.black[y, x])
    return adu


def clip_level(mosaic: Mosaic) -> float:
    """ADU from which on a sample of any colour may be clipped."""
    return float(mosaic.white - np.max(mosaic.black)) * 0.995

"""The picture that integration makes and the output rooms write."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Stack:
    """One linear picture, its variance, and how many frames stand behind every pixel.

    ``value`` and ``variance``: (3, H, W) float32, camera-native R, G, B in ADU above black of one
    reference frame and in ADU², in the reference frame's sensor orientation, NaN where no frame
    reaches.  ``coverage``: (H, W) int16, frames that count at the pixel.
    """

    value: NDArray[np.float32]
    variance: NDArray[np.float32]
    coverage: NDArray[np.int16]

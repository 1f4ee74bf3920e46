"""From a file to the samples the sensor gave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Mosaic:
    """The visible Bayer plane of one raw file, untouched.

    ``data`` (H, W) uint16 codes; ``pattern`` (2, 2) colour indices 0 R, 1 G, 2 B of the top left
    sites; ``black`` (2, 2) black levels of those sites in codes; ``white`` the code at which
    samples clip; ``balance`` multipliers for R, G, B that make the as-shot white neutral,
    green = 1, or None when the camera did not say.
    """

    data: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black: NDArray[np.float64]
    white: float
    balance: tuple[float, float, float] | None

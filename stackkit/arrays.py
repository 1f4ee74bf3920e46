"""Names of the arrays that modules hand to each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Figures: coordinates, directions, matrices."""
Plane = NDArray[np.float32]
"""Samples or values of a picture, (H, W) or (3, H, W)."""
Codes = NDArray[np.uint16]
"""Samples as the sensor counts them, or as the mosaic cache keeps them."""
Index = NDArray[np.int64]
"""Numbers of rows, stars or frames."""
Mask = NDArray[np.bool_]
"""What is meant, place by place."""

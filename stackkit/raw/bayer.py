"""A sensor's Bayer pattern, as the compiled loops take it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.jit import jit

TO_GREEN, TO_NEXT, TO_OTHER = 0.2, 0.45, 0.45
"""Share of the steepness given from red or blue to green, from green to red or blue, and between
red and blue."""
_SHARES = np.array([[0, TO_GREEN, TO_OTHER], [TO_NEXT, 0, TO_NEXT], [TO_OTHER, TO_GREEN, 0]])
NEVER = 1 << 20
"""A clip code beyond all codes."""


@dataclass(frozen=True)
class Bayer:
    """A sensor's colours for the kernels: ``layout`` (8,), red x y, blue x y, green parity, picture
    width and height, the code from which on a sample is clipped; ``cross`` (3, 3), what a colour's
    steepness gives to another.
    """

    layout: NDArray[np.int64]
    cross: Plane


def bayer(
    pattern: NDArray[np.uint8],
    width: int,
    height: int,
    balance: tuple[float, float, float] | None = None,
    clip: int = NEVER,
) -> Bayer:
    """The sensor of a 2×2 pattern (0 red, 1 green, 2 blue) and a picture's size.

    ``balance`` holds the as-shot multipliers, which bring the colours to one scale; without them
    (None) each colour keeps to itself.  ``clip``: the code from which on a sample is clipped.
    """
    cross = np.zeros((3, 3), dtype=np.float32)
    if balance is not None:
        scale = np.array(balance)
        cross = np.asarray(_SHARES * scale[:, None] / scale[None, :], dtype=np.float32)
    return Bayer(layout_of(pattern, width, height, clip), cross)


def neutral(sensor: Bayer) -> Bayer:
    """The same sensor as it sees light that is white: equally strong in all colours."""
    return Bayer(sensor.layout, _SHARES.astype(np.float32) * sensor.cross.any())


def layout_of(
    pattern: NDArray[np.uint8], width: int, height: int, clip: int = NEVER
) -> NDArray[np.int64]:
    """Sites of a 2×2 Bayer pattern for the kernels: red x y, blue x y, green parity, W, H, clip."""
    (red_y,), (red_x,) = np.nonzero(pattern == 0)
    (blue_y,), (blue_x,) = np.nonzero(pattern == 2)
    parity = (red_x + red_y + 1) & 1
    sites = [red_x, red_y, blue_x, blue_y, parity, width, height, clip]
    return np.array(sites, dtype=np.int64)


@jit(inline="always")
def colour_at(x, y, layout):  # type: ignore[no-untyped-def]
    """Colour of a site: 0 red, 1 green, 2 blue."""
    if (x + y) & 1 == layout[4]:
        return 1
    return 0 if y & 1 == layout[1] else 2

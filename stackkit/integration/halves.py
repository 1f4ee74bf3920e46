"""Compiled loops: the noise of sums of frames, from differences of independent parts of them.

The scene is the same in both parts and cancels; what is left is noise.
"""

from __future__ import annotations

import numpy as np

from stackkit.jit import FAST, jit


@jit(fastmath=FAST)
def noise_of_one(parts, side, out):  # type: ignore[no-untyped-def]
    """Noise of the first part's mean, the scene taken out: its means over blocks (3, h, w).

    ``parts`` (3, 2 or more, 3, H, W): weighted sums and weights of three independent parts.  From
    weights a and b: the first minus the others, times √(b/(a + b)), has the first one's variance.
    """
    row = np.empty(out.shape[2] * side, dtype=np.float32)
    for c in range(3):
        for y in range(out.shape[1] * side):
            for x in range(len(row)):
                a, b = parts[0, 1, c, y, x], parts[1, 1, c, y, x] + parts[2, 1, c, y, x]
                rest = (parts[1, 0, c, y, x] + parts[2, 0, c, y, x]) / b
                row[x] = (parts[0, 0, c, y, x] / a - rest) * np.sqrt(b / (a + b))
            _add_row(row, y, side, out[c])


@jit(fastmath=FAST)
def noise_of_sum(parts, side, out):  # type: ignore[no-untyped-def]
    """The same of the mean of all parts: a difference of halves, times √(a·b)/(a + b)."""
    row = np.empty(out.shape[2] * side, dtype=np.float32)
    for c in range(3):
        for y in range(out.shape[1] * side):
            for x in range(len(row)):
                a, b = parts[0, 1, c, y, x] + parts[1, 1, c, y, x], parts[2, 1, c, y, x]
                half = (parts[0, 0, c, y, x] + parts[1, 0, c, y, x]) / a
                row[x] = (half - parts[2, 0, c, y, x] / b) * (np.sqrt(a * b) / (a + b))
            _add_row(row, y, side, out[c])


@jit(fastmath=FAST)
def _add_row(row, y, side, out):  # type: ignore[no-untyped-def]
    """Add a row of places to the means of the blocks that it crosses."""
    j = y // side
    if y % side == 0:
        out[j] = 0
    for i in range(out.shape[1]):
        total = np.float32(0)
        for p in range(side):
            total += row[i * side + p]
        out[j, i] += total / (side * side)

"""Sums along all straight lines of a square: the fast discrete Radon transform.

A line that crosses a square from side to side is two lines that cross its halves (Götz and
Druckmüller 1996, Pattern Recognition 29:711; Brady 1998, SIAM J. Comput. 27:107): n² log n
additions instead of n³.  Four turns of the square cover all directions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stackkit.jit import FAST, jit

TURNS = 4
"""Quarters of all directions, each summed by itself."""


@jit(fastmath=FAST)
def line_sums(square, across, turn, sums, room):  # type: ignore[no-untyped-def]
    """Sums along lines of a square (n, n), n a power of two, in one of the four ``turn``s.

    ``across``: the square with rows and columns exchanged.  Lines run from left to right and rise
    in the square as it is (turn 0), turned upside down (1), and with rows and columns exchanged
    (2 and 3).  ``sums`` (n, 2n): entry [s, b] is the line that begins b - n rows down at the left
    side and is s rows further down at the right one; ``room`` like it.
    """
    n = square.shape[0]
    # Strips of one column: each cell is a line.  Columns lie where slopes will be.
    for x in range(n):
        sums[x, :n] = 0
        if turn == 0:
            sums[x, n:] = across[x]
        elif turn == 1:
            sums[x, n:] = across[x, ::-1]
        elif turn == 2:
            sums[x, n:] = square[x]
        else:
            sums[x, n:] = square[n - 1 - x]
    # Flat and with unsigned indices: the rows are then added eight or sixteen at once.
    now, after, long = sums.reshape(-1), room.reshape(-1), np.uint64(2 * n)
    wide, swapped = 1, False
    while wide < n:
        for strip in range(0, n, 2 * wide):
            for s in range(2 * wide):
                half = s >> 1
                down = np.uint64(s - half)
                left = np.uint64(strip + half) * long
                right = np.uint64(strip + wide + half) * long + down
                out = np.uint64(strip + s) * long
                for b in range(long - down):
                    after[out + b] = now[left + b] + now[right + b]
                for b in range(long - down, long):
                    after[out + b] = now[left + b]
        now, after = after, now
        wide *= 2
        swapped = not swapped
    if swapped:
        sums[:] = room


@jit
def ends(n, turn, begin, slope):  # type: ignore[no-untyped-def]
    """The line's two ends as x, y cells of the square as it was."""
    u0, v0, u1, v1 = 0.0, float(begin - n), n - 1.0, float(begin - n + slope)
    if turn == 1:
        v0, v1 = n - 1 - v0, n - 1 - v1
    elif turn == 2:
        u0, v0, u1, v1 = v0, u0, v1, u1
    elif turn == 3:
        u0, v0, u1, v1 = v0, n - 1 - u0, v1, n - 1 - u1
    return u0, v0, u1, v1


def counts(n: int) -> NDArray[np.float32]:
    """Cells of the square (n, 2n) on each line, the same in every turn."""
    sums, room = np.zeros((2, n, 2 * n), dtype=np.float32)
    ones = np.ones((n, n), dtype=np.float32)
    line_sums(ones, ones, 0, sums, room)
    return sums

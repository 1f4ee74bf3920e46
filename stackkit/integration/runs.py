"""Runs of places whose samples lie side by side in one row: what the loops along them share.

Indices of flat arrays are unsigned in the innermost loops: for signed ones numba allows for
negative values, and nothing is taken side by side.
"""

from __future__ import annotations

import numpy as np

from stackkit.jit import jit

ZERO, ONE, TWO, THREE, FOUR, FIVE = (np.uint64(n) for n in range(6))
_BATCH = 8
"""Places that a vector unit takes at once, at least."""


@jit(inline="always")
def end_of_run(columns, rows, first):  # type: ignore[no-untyped-def]
    """The place after the last one that goes on where the sample of ``first`` lies."""
    end = first + 1
    while (
        end < len(columns)
        and rows[end] == rows[first]
        and columns[end] - columns[first] == end - first
    ):
        end += 1
    return end


@jit(inline="always")
def in_batches(count, most):  # type: ignore[no-untyped-def]
    """``count`` made full batches, ``most`` at most: the next run writes over what is too much."""
    return min((count + _BATCH - 1) // _BATCH * _BATCH, most)

"""Sorting a few values at each of many places, all places side by side."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stackkit.jit import jit


@lru_cache(maxsize=64)
def sorting_network(size: int) -> NDArray[np.int32]:
    """Pairs (M, 2) of rows that, put into order one after the other, sort ``size`` rows.

    Odd-even merge sort: Batcher 1968, Sorting networks and their applications; for any size as in
    Knuth, The Art of Computer Programming 3, algorithm 5.2.2M.  The same steps whatever the values,
    so that many places are sorted side by side.
    """
    pairs = []
    top = 1 << max(size - 1, 0).bit_length() >> 1
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            pairs += [(i, i + d) for i in range(size - d) if i & p == r]
            if q == p:
                break
            d, q, r = q - p, q >> 1, p
        p >>= 1
    network = np.array(pairs, np.int32).reshape(-1, 2)
    network.setflags(write=False)
    return network


@jit
def sort_rows(rows, network):  # type: ignore[no-untyped-def]
    """Put each column of ``rows`` (n, m) in rising order by the ``network`` for n rows.

    No NaN: what is missing is infinite, and comes last.
    """
    for pair in range(len(network)):
        one, other = rows[network[pair, 0]], rows[network[pair, 1]]
        for j in range(len(one)):
            a, b = one[j], other[j]
            one[j] = a if a < b else b
            other[j] = b if a < b else a

"""Where the places of a rectangle lie in another picture: exact nodes, and what lies between."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from stackkit.arrays import Array

NODE = 4
"""Step of the grid of nodes between which loops take places linearly, px."""
_EXACT = 16
"""Step of the grid on which a mapping is evaluated; nodes between follow by cubics."""
_GOOD = 3e-5
"""Error of a node, px, up to which the cubics serve."""


def nodes_of(
    places: Callable[[Array], Array], left: int, top: int, width: int, height: int
) -> Array:
    """Places (…, …, 2) of every ``NODE``-th point of a rectangle, and of one node beyond it.

    ``places`` takes points (…, 2) as x, y to where they lie in the other picture.  Where it is not
    smooth (a fisheye's rim), it is evaluated at every node.
    """
    columns, rows = width // NODE + 2, height // NODE + 2
    across, down = _cubics(columns), _cubics(rows)
    x = left + _EXACT * np.arange(-1.0, across.shape[1] - 1)
    y = top + _EXACT * np.arange(-1.0, down.shape[1] - 1)
    known = places(np.stack(np.meshgrid(x, y), axis=-1))
    if np.isfinite(known).all():
        found = np.stack([down @ known[..., k] @ across.T for k in (0, 1)], axis=-1)
        half = _EXACT // NODE // 2
        middle = np.stack(np.meshgrid(x[1:-2] + _EXACT / 2, y[1:-2] + _EXACT / 2), axis=-1)
        between = found[half :: 2 * half, half :: 2 * half]
        shown = middle[: len(between), : between.shape[1]]
        if not shown.size or np.abs(places(shown) - between).max() < _GOOD:
            # Whole and half pixels stay what they are: a picture ends there.
            return np.round(found, 9)
    x, y = left + NODE * np.arange(columns), top + NODE * np.arange(rows)
    return places(np.stack(np.meshgrid(x, y), axis=-1).astype(np.float64))


@lru_cache(maxsize=64)
def _cubics(count: int) -> Array:
    """Matrix (count, m) of the cubics through four exact places each, the first one before the
    rectangle.
    """
    t = NODE / _EXACT * np.arange(count)
    k = t.astype(int)
    s = t - k
    weights = np.zeros((count, k[-1] + 4))
    rows = np.arange(count)
    weights[rows, k] = -s * (s - 1) * (s - 2) / 6
    weights[rows, k + 1] = (s + 1) * (s - 1) * (s - 2) / 2
    weights[rows, k + 2] = -(s + 1) * s * (s - 2) / 2
    weights[rows, k + 3] = (s + 1) * s * (s - 1) / 6
    return weights

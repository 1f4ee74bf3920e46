"""Where the places of a rectangle lie in another picture: exact nodes, and what lies between."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from stackkit.arrays import Array
from stackkit.jit import FAST, jit

_STEPS = (16, 4)
"""Steps of the grid of nodes, px: the first at which cubics are good, or else the last."""
_GOOD = 3e-6
"""Error of the cubics, px, up to which they serve."""


class Nodes(NamedTuple):
    """Places (…, …, 2) as x, y of every ``step``-th point of a rectangle, from one node before its
    first point to at least two beyond its last.

    Between them places follow by cubics; where some are ``nowhere`` (a fisheye's rim), by straight
    lines.
    """

    places: Array
    step: int
    nowhere: bool


def nodes_of(
    places: Callable[[Array], Array], left: int, top: int, width: int, height: int
) -> Nodes:
    """Nodes of a rectangle; ``places`` takes points (…, 2) as x, y to where they lie in the other
    picture, exactly.
    """
    for step in _STEPS:
        # Five at least: fewer do not show how smooth the mapping is.
        x, y = (
            first + step * np.arange(-1.0, (length - 1) // step + 4)
            for first, length in ((left, width), (top, height))
        )
        known = places(np.stack(np.meshgrid(x, y), axis=-1))
        if _smooth(known):
            break
    return Nodes(known, step, not np.isfinite(known).all())


def _smooth(places: Array) -> bool:
    """Whether cubics between nodes are good: their error is 3/128 of the fourth difference."""
    # NaN compares as false.
    return all(
        bool(np.abs(np.diff(places, 4, axis=axis)).max() < _GOOD * 128 / 3) for axis in (0, 1)
    )


def limits(nodes: Nodes, width: int, height: int) -> tuple[Array, Array] | None:
    """Least and greatest x, y at which the points of the rectangle lie; None when they lie nowhere.

    Up to a step's length beyond the rectangle may be counted in.
    """
    rows, columns = ((length - 2) // nodes.step + 2 for length in (height, width))
    own = nodes.places[1 : 1 + rows, 1 : 1 + columns].reshape(-1, 2)
    own = own[np.isfinite(own).all(axis=1)]
    if len(own) == 0:
        return None
    # A curve between nodes leaves their chord by an eighth of the second difference.
    bends = [np.abs(np.diff(nodes.places, 2, axis=axis)) for axis in (0, 1)]
    bend = sum(float(np.max(b, where=np.isfinite(b), initial=0.0)) for b in bends) / 8
    return own.min(axis=0) - bend, own.max(axis=0) + bend


@jit(fastmath=FAST)
def places_of_row(nodes, y, u, v):  # type: ignore[no-untyped-def]
    """Places ``u``, ``v`` (n,) in the other picture of row ``y`` of the rectangle."""
    places, step, nowhere = nodes
    j = y // step
    t = (y - j * step) / step
    if nowhere:
        _along_lines(places[j + 1 : j + 3, :, 0], t, step, u)
        _along_lines(places[j + 1 : j + 3, :, 1], t, step, v)
    else:
        _along_cubics(places[j : j + 4, :, 0], _cubic(t), step, u)
        _along_cubics(places[j : j + 4, :, 1], _cubic(t), step, v)


@jit(inline="always")
def _cubic(t):  # type: ignore[no-untyped-def]
    """Weights of the nodes at -1, 0, 1 and 2 for a place at t."""
    return (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )


@jit(inline="always")
def _between(rows, k, w):  # type: ignore[no-untyped-def]
    return w[0] * rows[0, k] + w[1] * rows[1, k] + w[2] * rows[2, k] + w[3] * rows[3, k]


@jit(fastmath=FAST)
def _along_cubics(rows, weights, step, out):  # type: ignore[no-untyped-def]
    """One row (n,) of places from four rows of nodes."""
    n = len(out)
    a, b, c = _between(rows, 0, weights), _between(rows, 1, weights), _between(rows, 2, weights)
    for k in range((n + step - 1) // step):
        d = _between(rows, k + 3, weights)
        first = (-2 * a - 3 * b + 6 * c - d) / (6 * step)
        second = (a - 2 * b + c) / (2 * step * step)
        third = (d - a + 3 * (b - c)) / (6 * step * step * step)
        for p in range(min(step, n - k * step)):
            out[k * step + p] = b + p * (first + p * (second + p * third))
        a, b, c = b, c, d


@jit(fastmath=FAST)
def _along_lines(rows, t, step, out):  # type: ignore[no-untyped-def]
    """The same from two rows of nodes."""
    n = len(out)
    for k in range((n + step - 1) // step):
        here = (1 - t) * rows[0, k + 1] + t * rows[1, k + 1]
        there = (1 - t) * rows[0, k + 2] + t * rows[1, k + 2]
        for p in range(min(step, n - k * step)):
            out[k * step + p] = here + p * ((there - here) / step)

"""Placing a frame by predicted star positions: the geometry is known, its rotation nearly.

A cloudy frame has too few stars for a reliable match of triangles; where their positions are known
within some pixels, six that agree are proof enough.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

from stackkit.align.matching import LEAST_PAIRS, MOST_CHANCE
from stackkit.arrays import Array, Index
from stackkit.geometry.lens import Lens, project, unproject
from stackkit.geometry.rotation import best_rotation

_WINDOW = 12.0
"""px by which wind, clock errors and a nudge may displace a frame from its prediction."""
_BIN = 3.0
_NEAR = 2.0
"""px within which a star is where it was predicted once the frame is placed."""


def placed_near(
    xy: Array, directions: Array, lens: Lens, turn: Array, size: tuple[int, int]
) -> tuple[Array, float] | None:
    """The frame's rotation (3, 3) and the probability that its match is chance; None if refused.

    ``xy`` (N, 2) detections, ``directions`` (S, 3) the session's stars in the reference's axes,
    ``turn`` the predicted rotation.
    """
    seen = project(lens, directions @ turn.T)
    inside = ((seen > -_WINDOW) & (seen < np.array(size) + _WINDOW)).all(axis=1)
    directions, seen = directions[inside], seen[inside]
    if len(xy) < LEAST_PAIRS or len(seen) < LEAST_PAIRS:
        return None
    shift = _most_voted(xy, seen)
    near, star = _pairs(xy, seen + shift, 2 * _NEAR)
    for _ in range(3):
        if len(near) < LEAST_PAIRS:
            return None
        turn = best_rotation(directions[star], unproject(lens, xy[near]))
        near, star = _pairs(xy, project(lens, directions @ turn.T), _NEAR)
    chance = _chance(len(near), xy, len(seen), size)
    return (turn, chance) if len(near) >= LEAST_PAIRS and chance < MOST_CHANCE else None


def _most_voted(xy: Array, seen: Array) -> Array:
    """The shift (2,) on which most neighbours agree."""
    near = cKDTree(seen).query_ball_point(xy, _WINDOW)
    own = np.repeat(np.arange(len(xy)), [len(n) for n in near])
    other = np.array([j for n in near for j in n], dtype=np.int64)
    if len(own) == 0:
        return np.zeros(2)
    away = xy[own] - seen[other]
    votes = cKDTree(away).query_ball_point(away, _BIN, return_length=True)
    best = away[int(np.argmax(votes))]
    return np.asarray(np.mean(away[np.hypot(*(away - best).T) < _BIN], axis=0))


def _pairs(xy: Array, seen: Array, reach: float) -> tuple[Index, Index]:
    """Rows of xy and of seen that lie together, each once."""
    distance, star = cKDTree(seen).query(xy, distance_upper_bound=reach)
    order = np.argsort(distance, kind="stable")
    order = order[np.isfinite(distance[order])]
    _, first = np.unique(star[order], return_index=True)
    return order[first], star[order[first]].astype(np.int64)


def _chance(found: int, xy: Array, stars: int, size: tuple[int, int]) -> float:
    """Binomial tail of ``found`` coincidences, times the shifts that were possible.

    Three numbers of the rotation are fitted: two pairs are spent on them.
    """
    single = min(stars * np.pi * _NEAR**2 / (size[0] * size[1]), 0.999)
    tail = float(bdtrc(found - 3, max(len(xy) - 2, found), single))
    return min(tail * (2 * _WINDOW / _NEAR) ** 2, 1.0)
